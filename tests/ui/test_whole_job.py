"""The whole job in a real browser, on the moth-lantern shell: a line out and one in, a panel named and made a pair, a
gap, the seam looked at, the pattern downloaded and measured. By mouse at a desk's width and at a phone's, and by
keyboard alone.
"""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pypdf
import pytest
import shapely
from pypdf.generic import ContentStream
from shown import choose, close_list, settled

import extract
from extract.geometry.curve import curve_points
from extract.geometry.runs import outline_of
from ui import builds, corrections, jobs, shelf

if TYPE_CHECKING:
    from playwright.sync_api import Page

ANSWER_MS = 60_000
MM_PER_POINT = 25.4 / 72
CLEAR_MM = 12.0
NAME = "left feeler"


@pytest.fixture(scope="module")
def traced(cache: Path) -> shelf.Work:
    """The demo's photo, traced once for all."""
    home = cache / "truepeel" / "work"
    home.mkdir(parents=True, exist_ok=True)
    work = shelf.new_work(home)
    photo = extract.demo_photo()
    work.add_photo(photo.name, photo.read_bytes())
    jobs.trace_now(work, work.settings())
    return work


@pytest.fixture
def work(traced: shelf.Work) -> shelf.Work:
    """A visitor of their own who has come as far as the lines."""
    mine = shelf.new_work(traced.folder.parent)
    shutil.copytree(traced.folder, mine.folder, dirs_exist_ok=True)
    mine.keep_step("lines")
    return mine


def key_of(work: shelf.Work) -> str:
    return jobs.key_for(work, work.settings())


def tracing_of(work: shelf.Work) -> extract.Tracing:
    return corrections.tracing(work.result(key_of(work)), corrections.read(work, key_of(work)))


def line_between_panels(tracing: extract.Tracing) -> extract.Stroke:
    """A line without which two panels are one, the longest."""
    for stroke in sorted(tracing.strokes, key=lambda each: -len(each.points_mm)):
        without = extract.corrected(tracing, [{"do": "delete", "stroke": stroke.id}])
        if stroke.kind == "marker" and len(without.panels) == len(tracing.panels) - 1:
            return stroke
    raise AssertionError("no line parts two panels")


def clearance(stroke: extract.Stroke, tracing: extract.Tracing) -> np.ndarray:
    """How far each point of the line is from all other lines."""
    others = shapely.MultiLineString([s.points_mm for s in tracing.strokes if s is not stroke])
    rings = shapely.MultiLineString([np.vstack([r, r[:1]]) for r in tracing.silhouette.rings_mm])
    points = shapely.points(stroke.points_mm)
    return np.asarray(np.minimum(shapely.distance(points, others), shapely.distance(points, rings)))


def way_along(stroke: extract.Stroke, tracing: extract.Tracing) -> np.ndarray:
    """Places to tap along the line: its ends, and between them some that lie on no other line."""
    free = np.flatnonzero(clearance(stroke, tracing) > CLEAR_MM)
    between = free[np.linspace(0, len(free) - 1, 5).round().astype(int)]
    return np.asarray(stroke.points_mm[[0, *between, -1]])


def inside(panel: extract.Panel, tracing: extract.Tracing) -> np.ndarray:
    """The place in the panel that is farthest from every line."""
    shape = shapely.Polygon(curve_points(panel.outline), [curve_points(hole) for hole in panel.holes])
    lines = shapely.MultiLineString([s.points_mm for s in tracing.strokes if len(s.points_mm) > 1])
    clear = max(shapely.get_parts(shape.difference(lines.buffer(3))), key=shapely.area)
    return np.asarray(shapely.maximum_inscribed_circle(clear, tolerance=1.0).coords[0])


def on_screen(page: Page, place: np.ndarray) -> tuple[float, float]:
    canvas = page.locator("canvas.view")
    canvas.scroll_into_view_if_needed()
    scale, left, top = map(float, (canvas.get_attribute("data-view") or "").split())
    box = canvas.bounding_box()
    assert box
    return box["x"] + place[0] * scale + left, box["y"] + place[1] * scale + top


def wait_for_panels(page: Page, count: int) -> None:
    page.wait_for_function("count => document.querySelectorAll('.figures tbody tr').length === count", arg=count)


def by_mouse(page: Page, work: shelf.Work) -> None:
    tracing = tracing_of(work)
    line = line_between_panels(tracing)
    page.mouse.click(*on_screen(page, line.points_mm[int(np.argmax(clearance(line, tracing)))]))
    page.get_by_role("button", name="Take it out").click()
    wait_for_panels(page, len(tracing.panels) - 1)
    page.get_by_role("button", name="Draw a missing line").click()
    for place in way_along(line, tracing):
        page.mouse.click(*on_screen(page, place))
        page.wait_for_timeout(400)  # two clicks in a moment would be a double one
    wait_for_panels(page, len(tracing.panels))
    page.mouse.click(*on_screen(page, inside(tracing.panels[1], tracing)))
    page.get_by_label("Name of this panel").fill(NAME)
    page.get_by_role("button", name="Keep the name").click()
    page.locator(".figures").get_by_text(NAME).wait_for()
    page.get_by_role("button", name="Next: fit the pieces").click()
    page.get_by_text(re.compile("parts? to cut")).first.wait_for()


def do_step(page: Page, group: str, step: str) -> None:
    choose(page, "What do you want to change?", group)
    page.get_by_text(step, exact=True).click()


def settle(page: Page, work: shelf.Work, step: str) -> None:
    settled(page)
    page.get_by_role("button", name="Do it", exact=True).click()
    wait_until_done(page, work, step)


def wait_until_done(page: Page, work: shelf.Work, step: str) -> None:
    """Until the step stands in the build on the shelf, and the page shows it."""
    for _ in range(ANSWER_MS // 100):
        if step in [moment.step for moment in builds.current(work, key_of(work))[0].moments]:
            return settled(page)
        page.wait_for_timeout(100)
    raise AssertionError(f"the step {step} was not done")


def download(page: Page, label: str, to: Path) -> Path:
    with page.expect_download() as coming:
        page.get_by_role("button", name=label).click()
    coming.value.save_as(to)
    return to


def seen_of(work: shelf.Work) -> dict[str, Any]:
    return extract.look_at(builds.current(work, key_of(work))[0])


def named_piece(work: shelf.Work) -> dict[str, Any]:
    return next(piece for piece in seen_of(work)["pieces"] if piece["name"] == NAME)


def sewn_edge(work: shelf.Work) -> str:
    """The longest edge of the named piece that is one side of a seam all by itself."""
    piece = named_piece(work)
    runs = {side["run"] for seam in seen_of(work)["seams"] for side in (seam["first"], seam["second"])}
    edges = [edge for edge in piece["edges"] if f"{piece['id']}:{edge['id']}" in runs]
    return f"{piece['id']}:{max(edges, key=lambda edge: float(edge['length']))['id']}"


def check_result(work: shelf.Work, pdf: Path) -> None:
    piece = named_piece(work)
    assert piece["copies"] == "pair"
    done = [moment.step for moment in builds.current(work, key_of(work))[0].moments]
    assert [step for step in done if step in ("copies", "gap")] == ["copies", "gap"]
    project, _ = builds.current(work, key_of(work))
    outline = outline_of(next(each for each in project.build.pieces if each.id == piece["id"]))
    size = np.ptp(curve_points(outline, 0.005), axis=0)
    assert drawn_sizes(pdf, size) >= 2, "the left one and the right one, at true scale"


def drawn_sizes(pdf: Path, size_mm: np.ndarray) -> int:
    """How many outlines on the PDF's pages are as large as the piece, to a twentieth of a millimetre."""
    places = set()
    for number, page in enumerate(pypdf.PdfReader(pdf).pages):
        for outline in outlines(page):
            size = np.ptp(outline, axis=0) * MM_PER_POINT
            if np.abs(size - size_mm).max() < 0.05:
                places.add((number, *outline.min(axis=0).round()))
    return len(places)


def outlines(page: pypdf.PageObject) -> Iterator[np.ndarray]:
    """Points along every path on the page, in PDF points."""
    share = np.linspace(0, 1, 33)[1:, None]
    path: list[np.ndarray] = []
    for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
        numbers = np.array([float(each) for each in operands]) if operator in (b"m", b"l", b"c") else np.empty(0)
        if operator == b"m":
            path = [numbers[None]]
        elif operator == b"l":
            path.append(numbers[None])
        elif operator == b"c":
            a, (b, c, d) = path[-1][-1], numbers.reshape(3, 2)
            t = share
            path.append((1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d)
        elif operator in (b"S", b"s", b"B", b"f") and path:
            yield np.vstack(path)


@pytest.mark.parametrize("width", [1280, 400])
def test_by_mouse(opened: Callable[[int], Page], work: shelf.Work, width: int, tmp_path: Path) -> None:
    page = opened(width)
    by_mouse(page, work)
    piece = named_piece(work)
    do_step(page, "What a piece is", "Say how many are cut")
    choose(page, "Which piece", f"{piece['id']} {NAME}")
    choose(page, "Single, a left and right pair", "pair")
    settle(page, work, "copies")

    edge = sewn_edge(work)
    do_step(page, "Edges: room and width", "Leave a gap between neighbours")
    choose(page, "Along these edges", f"{edge},")
    close_list(page)
    page.get_by_role("button", name="Do it", exact=True).wait_for()
    settle(page, work, "gap")
    seam = next(s for s in seen_of(work)["seams"] if edge in (s["first"]["run"], s["second"]["run"]))
    page.get_by_text(
        f"{edge}, {seam['first' if seam['first']['run'] == edge else 'second']['length']:.2f} mm"
    ).first.wait_for()
    assert math.isfinite(seam["mismatch"])

    page.get_by_role("button", name="Next: paper and foam").click()
    choose(page, "Paper to print on", "A3")
    check_result(work, download(page, "Pattern to print (PDF)", tmp_path / "pattern.pdf"))
    main = page.get_by_test_id("stMain")
    assert main.evaluate("area => area.scrollWidth - area.clientWidth") <= 0


FOCUSED = """() => {
    let at = document.activeElement;
    while (at?.shadowRoot?.activeElement) at = at.shadowRoot.activeElement;
    if (!at) return "";
    const label = at.getAttribute("aria-label") || at.labels?.[0]?.innerText || at.innerText || "";
    return `${at.getAttribute("role") || at.tagName.toLowerCase()} ${label.trim()}`;
}"""


def tab_to(page: Page, wanted: str) -> None:
    """Tab on until what is in focus is called so."""
    settled(page)
    for _ in range(160):
        page.keyboard.press("Tab")
        if re.search(wanted, str(page.evaluate(FOCUSED))):
            return
    raise AssertionError(f"the Tab key never came to {wanted}")


def pick(page: Page, box: str, option: str) -> None:
    tab_to(page, f"^combobox {box}")
    page.keyboard.type(option)
    page.get_by_role("option", name=option).first.wait_for()
    page.keyboard.press("Enter")
    settled(page)


def press(page: Page, button: str) -> None:
    tab_to(page, f"^button {button}")
    page.keyboard.press("Enter")


def test_by_keyboard_alone(opened: Callable[[int], Page], work: shelf.Work, tmp_path: Path) -> None:
    page = opened(1280)
    keys, tracing = page.keyboard, tracing_of(work)
    line = line_between_panels(tracing)
    tab_to(page, "^application Lines and panels")
    for _ in range(len(tracing.strokes)):
        keys.press("n")
        if page.locator(".chosen").inner_text().startswith(f"Line {line.id.removeprefix('s')}:"):
            break
    keys.press("x")
    wait_for_panels(page, len(tracing.panels) - 1)
    # The pen stands on the line that was: from above the shell straight down through all of it.
    keys.press("d")
    for _ in range(60):
        keys.press("Shift+ArrowUp")
    keys.press("Enter")
    for _ in range(90):
        keys.press("Shift+ArrowDown")
    keys.press("Enter")
    keys.press("Enter")
    page.wait_for_function(
        "count => document.querySelectorAll('.figures tbody tr').length > count",
        arg=len(tracing.panels) - 1,
    )
    keys.press("Escape")
    tab_to(page, "All lines and panels")
    keys.press("Enter")
    tab_to(page, "Panel 2")
    keys.press("Enter")
    tab_to(page, "Name of this panel")
    keys.type(NAME)
    keys.press("Enter")
    page.locator(".figures").get_by_text(NAME).wait_for()
    press(page, "Next: fit the pieces")
    page.get_by_text(re.compile("parts? to cut")).first.wait_for()

    pick(page, "What do you want to change", "What a piece is")
    tab_to(page, "^(radio|input)")
    for _ in range(12):
        if page.get_by_role("radio", name="Say how many are cut").is_checked():
            break
        keys.press("ArrowDown")
        settled(page)
    pick(page, "Which piece", NAME)
    pick(page, "Single, a left and right pair", "pair")
    press(page, "Do it$")
    wait_until_done(page, work, "copies")
    edge = sewn_edge(work)
    pick(page, "What do you want to change", "Edges: room and width")
    pick(page, "Along these edges", f"{edge},")
    close_list(page)
    press(page, "Do it$")
    wait_until_done(page, work, "gap")
    press(page, "Next: paper and foam")
    page.get_by_role("button", name="Pattern to print (PDF)").wait_for()
    with page.expect_download() as coming:
        press(page, r"Pattern to print \(PDF\)")
    coming.value.save_as(tmp_path / "pattern.pdf")
    check_result(work, tmp_path / "pattern.pdf")
