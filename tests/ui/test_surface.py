"""The drawing surface in a real browser, on a shell of plain shapes: by mouse, by finger, and by keyboard alone.

What the surface sent is read from the shelf; what came of it, from the areas the page shows (rectangles, by hand).
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
import shapely

import extract
from extract.doors import Silhouette
from ui import corrections, jobs, server, shelf

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from plain_shell import line, plain_shell

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

Place = tuple[float, float]


@pytest.fixture
def work(cache: Path, read_shell: Callable[[Path], shelf.Work]) -> shelf.Work:
    work = read_shell(cache / "truepeel" / "work")
    work.keep_step("lines")
    return work


def on_screen(page: Page, place: Place) -> Place:
    canvas = page.locator("canvas.view")
    scale, left, top = map(float, (canvas.get_attribute("data-view") or "").split())
    box = canvas.bounding_box()
    assert box
    return box["x"] + place[0] * scale + left, box["y"] + place[1] * scale + top


def log_of(work: shelf.Work) -> corrections.Log:
    return corrections.read(work, jobs.key_for(work, work.settings()))


def wait_for_panels(page: Page, *areas: str, within: float = 0.05) -> None:
    """Until the table of panels, which Python makes, shows these areas in cm²."""
    page.wait_for_function(
        """([wanted, within]) => {
            const cells = [...document.querySelectorAll('.figures tbody tr')].map(row => row.innerText);
            const found = cells.map(text => Number(text.match(/([0-9.]+) cm²/)?.[1])).sort((a, b) => b - a);
            return found.length === wanted.length && found.every((area, n) => Math.abs(area - wanted[n]) <= within);
        }""",
        arg=[sorted(map(float, areas), reverse=True), within],
    )


def wait_until_kept(page: Page) -> None:
    """Until no correction waits in the browser any more."""
    page.wait_for_function("() => !Object.keys(localStorage).some(name => name.startsWith('truepeel-acts'))")


def chosen(page: Page) -> str:
    return page.locator(".chosen").inner_text()


def test_a_line_taken_out_drawn_again_and_a_panel_named_by_mouse(opened: Callable[..., Page], work: shelf.Work) -> None:
    page = opened(1280)
    wait_for_panels(page, "100.0", "100.0")
    page.mouse.click(*on_screen(page, (100, 25)))
    assert chosen(page) == "Line 1: cut line, 102 mm, ± 0.05 mm"
    page.get_by_role("button", name="Take it out").click()
    wait_for_panels(page, "200.0")
    assert log_of(work).done == ({"do": "delete", "stroke": "s1"},)

    page.get_by_role("button", name="Draw a missing line").click()
    page.mouse.click(*on_screen(page, (50, 0.5)))
    page.mouse.click(*on_screen(page, (50, 99.5)))
    assert "Hand-drawn 1: cut line, set by hand" in chosen(page)
    wait_for_panels(page, "150.0", "50.0")

    page.mouse.click(*on_screen(page, (170, 20)))
    page.get_by_label("Name of this panel").fill("left wing")
    page.get_by_role("button", name="Keep the name").click()
    page.locator(".figures").get_by_text("left wing").wait_for()
    assert [told["do"] for told in log_of(work).done] == ["delete", "draw", "name"]

    page.reload()
    wait_for_panels(page, "150.0", "50.0")
    page.get_by_role("button", name="Take back").click()
    page.get_by_role("button", name="Take back").click()
    wait_for_panels(page, "200.0")
    page.get_by_role("button", name="Do again").click()
    wait_for_panels(page, "150.0", "50.0")
    assert len(log_of(work).undone) == 1


def bow() -> np.ndarray:
    """A line from edge to edge that bows from x = 40 to x = 60 and back."""
    y = np.linspace(0, 100, 300)
    return np.stack([40 + 20 * np.sin(y / 100 * np.pi), y], axis=1)


def test_two_taps_follow_the_ink_that_was_not_read(opened: Callable[..., Page], work: shelf.Work) -> None:
    plain = plain_shell()
    pixels = np.array(plain.flat.pixels)
    at = np.round(plain.flat.px_from_mm(bow()) * 16).astype(np.int32)
    cv2.polylines(pixels, [at], False, (60, 60, 60), 3, cv2.LINE_AA, 4)
    with work.filling(work.asked() or "") as folder:
        extract.write_surface(replace(plain, flat=replace(plain.flat, pixels=pixels)), folder)
        (folder / "report.json").write_text(json.dumps({"cards": [], "panels": [], "photos": []}), "utf-8")
    page = opened(1280)
    page.get_by_role("button", name="Draw a missing line").click()
    page.mouse.click(*on_screen(page, (40, 0.4)))
    page.mouse.click(*on_screen(page, (40, 99.6)))
    # Half a sine wave of height 20 over 100 mm has the area 2 · 20 · 100 / π (calculus), beside a strip of 40 mm.
    area = (40 * 100 + 2 * 20 * 100 / math.pi) / 100
    wait_for_panels(page, "100.0", f"{area:.1f}", f"{100 - area:.1f}", within=0.6)
    (drawn,) = log_of(work).done
    off = shapely.distance(shapely.points(np.array(drawn["points"])), shapely.LineString(bow()))
    assert off.max() < 0.7


def test_a_corner_pulled_a_line_split_joined_and_given_another_meaning(
    opened: Callable[..., Page], work: shelf.Work
) -> None:
    page = opened(1280)
    page.mouse.click(*on_screen(page, (100, 75)))
    page.get_by_role("button", name="Cut in two here").click()
    page.mouse.click(*on_screen(page, (30, 50)))
    page.get_by_role("button", name="Join to another line").click()
    page.mouse.click(*on_screen(page, (70, 50)))
    assert chosen(page).startswith("Line 3: cut line, set by hand, 8")
    page.mouse.move(*on_screen(page, (20, 50)))
    page.mouse.down()
    page.mouse.move(*on_screen(page, (10, 52)), steps=5)
    page.mouse.move(*on_screen(page, (0.6, 50)), steps=5)
    page.mouse.up()
    wait_for_panels(page, "100.0", "50.0", "50.0")
    page.mouse.click(*on_screen(page, (150, 40)))
    page.get_by_label("cut here").check()
    done = log_of(work).done
    wait_until_kept(page)
    done = log_of(work).done
    assert [told["do"] for told in done] == ["split", "join", "move-corner", "meaning"]
    assert done[0]["at"] == pytest.approx([100, 75], abs=1)
    assert done[2]["to"] == pytest.approx([0, 50], abs=0.3), "the pulled end met the cut edge"


def test_by_finger_on_a_phone(opened: Callable[..., Page], work: shelf.Work) -> None:
    page = opened(400, has_touch=True, is_mobile=True, color_scheme="dark")
    main = page.get_by_test_id("stMain")
    assert main.evaluate("area => area.scrollWidth - area.clientWidth") <= 0
    page.locator("canvas.view").scroll_into_view_if_needed()
    page.touchscreen.tap(*on_screen(page, (100, 30)))
    assert chosen(page).startswith("Line 1:")
    finger(page, [on_screen(page, (100 + step, 30)) for step in (0, 1, 3, 6, 10)])
    wait_until_kept(page)
    (pulled,) = log_of(work).done
    assert pulled["do"] == "move-point"
    assert pulled["to"][0] == pytest.approx(110, abs=1)
    before = page.locator("canvas.view").get_attribute("data-view") or ""
    pinch(page, on_screen(page, (100, 50)))
    after = page.locator("canvas.view").get_attribute("data-view") or ""
    assert float(after.split()[0]) == pytest.approx(2 * float(before.split()[0]), rel=0.1)


def finger(page: Page, way: list[Place]) -> None:
    touch = page.context.new_cdp_session(page)
    for kind, points in (("touchStart", way[:1]), *(("touchMove", [point]) for point in way[1:]), ("touchEnd", [])):
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y} for x, y in points]})


def pinch(page: Page, middle: Place) -> None:
    touch = page.context.new_cdp_session(page)
    for kind, apart in (("touchStart", 40), ("touchMove", 60), ("touchMove", 80)):
        points = [{"x": middle[0] + side * apart / 2, "y": middle[1], "id": side} for side in (-1, 1)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_timeout(100)


def test_by_keyboard_alone(opened: Callable[..., Page], work: shelf.Work) -> None:
    page = opened(1280)
    keys = page.keyboard
    for _ in range(40):
        keys.press("Tab")
        if page.evaluate("document.activeElement?.shadowRoot?.activeElement?.className") == "view":
            break
    keys.press("n")
    assert chosen(page).startswith("Line 1:")
    keys.press("x")
    wait_for_panels(page, "200.0")

    # The pen stands on the middle of what was line 1, (100, 50): up to the edge, and from there down to the other.
    keys.press("d")
    for _ in range(5):
        keys.press("Shift+ArrowUp")
    keys.press("Enter")
    for _ in range(10):
        keys.press("Shift+ArrowDown")
    keys.press("Enter")
    wait_for_panels(page, "100.0", "100.0")
    assert page.locator(".live").get_attribute("aria-live") == "polite"

    keys.press("Escape")
    for _ in range(4):
        keys.press("Shift+ArrowLeft")
    keys.press("Shift+ArrowUp")
    keys.press("Enter")
    assert chosen(page).startswith("Panel ")
    while page.evaluate("document.activeElement?.shadowRoot?.activeElement?.tagName") != "INPUT":
        keys.press("Tab")
    keys.type("right wing")
    keys.press("Enter")
    page.locator(".figures").get_by_text("right wing").wait_for()
    assert [told["do"] for told in log_of(work).done] == ["delete", "draw", "name"]


@pytest.fixture
def guessed(work: shelf.Work) -> shelf.Work:
    """The same shell, 30 mm of its right and 20 mm of its lower side a guess."""
    tracing = plain_shell()
    x, y = tracing.silhouette.rings_mm[0].T
    guess = ((x > 199.9) & (y > 30) & (y < 60)) | ((y > 99.9) & (x > 60) & (x < 80))
    silhouette = replace(tracing.silhouette, unsure=(guess,))
    extract.write_surface(replace(tracing, silhouette=silhouette), work.result(jobs.key_for(work, work.settings())))
    return work


def test_a_guess_of_the_cut_edge_is_answered_in_two_taps(opened: Callable[..., Page], guessed: shelf.Work) -> None:
    page = opened(400, has_touch=True)
    page.touchscreen.tap(*on_screen(page, (35, 50)))
    verb = page.get_by_role("button", name="Take it out").bounding_box()
    assert verb and verb["y"] + verb["height"] <= 900, "what can be done with a line stays in sight on a phone"
    page.locator("canvas.view").press("Escape")
    assert "In 2 places the cut edge is a guess." in chosen(page)
    page.get_by_role("button", name="Show me where").tap()
    assert chosen(page).startswith("Does the cut edge run here? Over 29 mm")
    page.get_by_role("button", name="It runs right").tap()
    wait_until_kept(page)
    (answer,) = log_of(guessed).done
    assert answer["do"] == "edge-right"
    assert answer["at"] == pytest.approx([200, 45], abs=1)
    assert chosen(page).startswith("Does the cut edge run here? Over 19 mm"), "the next one comes by itself"


def test_a_guess_is_put_right_by_keys(opened: Callable[..., Page], guessed: shelf.Work) -> None:
    page = opened(1280)
    canvas = page.locator("canvas.view")
    for key in ("q", "Enter", "ArrowLeft", "ArrowLeft", "Enter"):
        canvas.press(key)
    wait_until_kept(page)
    canvas.press("q")
    canvas.press("y")
    wait_until_kept(page)
    pull, answer = log_of(guessed).done
    assert (pull["do"], pull["stroke"]) == ("move-point", "edge-1")
    assert pull["to"] == pytest.approx([198, 45], abs=1)
    assert (answer["do"], answer["at"][1]) == ("edge-right", pytest.approx(100, abs=0.5))
    page.get_by_text("Tap a line or a panel.", exact=False).wait_for()


def test_the_tip_of_a_cut_beside_a_line_is_asked_about_in_words_of_its_own(
    opened: Callable[..., Page], work: shelf.Work
) -> None:
    ring = line((0, 0), (200, 0), (200, 100), (42, 100), (40, 52), (38, 100), (0, 100), (0, 0))[:-1]
    silhouette = Silhouette((ring,), 0.1, (np.hypot(*(ring - (40, 52)).T) < 2.5,))
    tracing = replace(plain_shell(), silhouette=silhouette)
    extract.write_surface(tracing, work.result(jobs.key_for(work, work.settings())))
    page = opened(1280)
    page.get_by_role("button", name="Show me where").click()
    assert chosen(page).startswith("Does this cut end here?")
    page.get_by_text("drag it to where the cut ends").wait_for()
    page.get_by_role("button", name="It ends here").click()
    wait_until_kept(page)
    (answer,) = log_of(work).done
    assert answer["do"] == "edge-right"
    assert answer["at"] == pytest.approx([40, 52], abs=1)
    assert "guess" not in chosen(page)


def test_two_tabs_share_one_list(opened: Callable[..., Page], work: shelf.Work) -> None:
    one, other = opened(1280), opened(1280)
    one.mouse.click(*on_screen(one, (30, 50)))
    one.get_by_role("button", name="Take it out").click()
    wait_until_kept(one)
    other.mouse.click(*on_screen(other, (70, 50)))
    other.get_by_role("button", name="Take it out").click()
    other.get_by_text("2 panels and 2 lines").wait_for()
    assert [told["stroke"] for told in log_of(work).done] == ["s3", "s4"]


def test_a_correction_that_was_on_its_way_when_the_browser_died_is_sent_again(
    opened: Callable[..., Page], browser: Browser, port: int, work: shelf.Work
) -> None:
    key = jobs.key_for(work, work.settings())
    waiting = [{"id": "lost-once", "act": "do", "correction": {"do": "delete", "stroke": "s1"}}]
    name = f"truepeel-acts-{work.token[:8]}-{key[:16]}"
    context = browser.new_context()
    page = context.new_page()
    page.add_init_script(f"localStorage.setItem({json.dumps(name)}, {json.dumps(json.dumps(waiting))})")
    page.goto(server.address(port, work.token))
    wait_for_panels(page, "200.0")
    context.close()
    assert [told["stroke"] for told in log_of(work).done] == ["s1"]


@pytest.mark.parametrize(
    ("scheme", "steps"),
    [("light", ("Check the lines", "Photo", "Fit the pieces")), ("dark", ("Check the lines",))],
    ids=("light", "dark"),
)
def test_an_accessibility_checker_finds_no_serious_fault(
    opened: Callable[..., Page], scheme: str, steps: tuple[str, ...]
) -> None:
    """By axe-core's rules for WCAG 2.2 AA and good practice (Deque's open-source checker)."""
    checker = pytest.importorskip("axe_playwright_python.sync_playwright", reason="the checker is not installed")
    page = opened(1280, color_scheme=scheme)
    page.locator("canvas.view").focus()
    page.keyboard.press("n")
    for step in steps:
        page.get_by_role("radio", name=step).click()
        page.get_by_role("radio", name=step, checked=True).wait_for()
        # What belongs to the step before fades while the new one comes, and would count as faint.
        page.wait_for_timeout(400)
        page.wait_for_function(
            """() => !document.querySelector('[data-stale=true], [data-testid=stStatusWidget]')
                && document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'""",
        )
        page.wait_for_timeout(400)
        violations = checker.Axe().run(page).response["violations"]
        serious = [(v["id"], v["nodes"][0]["html"]) for v in violations if v["impact"] in ("serious", "critical")]
        assert serious == [], step
