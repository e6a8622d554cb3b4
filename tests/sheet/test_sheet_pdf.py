"""The printed pattern, measured on pictures of its pages and read with general PDF libraries.

Pages are rendered at 254 dots per inch, so a pixel is exactly 0.1 mm.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pypdfium2
import pytest
from pypdf import PageObject, PdfReader
from pypdf.generic import ContentStream
from scipy import ndimage

from extract.doors import CannotContinue, Curve, Doubt, Part, Pattern
from extract.geometry.curve import circle_curve, curve_points, polyline_curve
from extract.sheet import PAPERS, pattern_pdf

MakePart = Callable[..., Part]
MakePattern = Callable[..., Pattern]
PX = 10  # per mm
# Outlines are black; trim lines, marks and check lines are grey and at most this dark (255 is black).
GREYS = 190


@dataclass(frozen=True, eq=False)
class Leaf:
    """A printed page: its name ("A1"), and darkness 0 to 255 at 0.1 mm a pixel."""

    name: str
    dark: np.ndarray
    size_mm: tuple[float, float]


def leaves(data: bytes, most: int = 99) -> list[Leaf]:
    """The first pages; the guide has no name. Names are read off the pages themselves."""
    found = []
    document, reader = pypdfium2.PdfDocument(data), PdfReader(io.BytesIO(data))
    for index in range(min(most, len(document))):
        page = document[index]
        # A hair less than 254 dpi: the picture's size is rounded up to whole pixels, and the page stretched to it.
        grey = page.render(scale=25.4 * PX / 72 - 1e-6, grayscale=True).to_numpy()
        size = page.get_width() * 25.4 / 72, page.get_height() * 25.4 / 72
        assert grey.shape == (round(size[1] * PX), round(size[0] * PX))
        found.append(Leaf(page_name(reader.pages[index]), 255 - grey, size))
        page.close()
    document.close()
    return found


def page_name(page: PageObject) -> str:
    """The page's own name: the one in lettering of more than 7 mm (the guide's map has the names too, but smaller)."""
    found: list[str] = []

    def visit(text: str, cm: list[float], tm: list[float], font: object, size_pt: float) -> None:
        if size_pt * 25.4 / 72 > 7.2 and text.strip():
            found.append(text.strip())

    page.extract_text(visitor_text=visit)
    return found[0] if found else ""


def place_mm(leaf: Leaf) -> tuple[float, float]:
    """Where the page's top left corner lies, from its name and the overlap alone."""
    letter, number = re.fullmatch(r"([A-Z])([0-9]+)", leaf.name).groups()  # type: ignore[union-attr]
    return (int(number) - 1) * (leaf.size_mm[0] - 30), (ord(letter) - ord("A")) * (leaf.size_mm[1] - 30)


def assembled(pages: list[Leaf]) -> np.ndarray:
    """The pages glued as a maker does: each cut 5 mm inside its window on the left and on top where it has a
    neighbour there, and laid on that neighbour."""
    places = {leaf.name: np.round(np.array(place_mm(leaf)) * PX).astype(int) for leaf in pages}
    height, width = pages[0].dark.shape
    across, down = np.max(list(places.values()), axis=0)
    table = np.zeros((down + height, across + width), np.uint8)
    for leaf in sorted(pages, key=lambda leaf: (leaf.name[0], int(leaf.name[1:]))):
        x, y = places[leaf.name]
        left = 15 * PX if any((place == (x - (width - 30 * PX), y)).all() for place in places.values()) else 10 * PX
        top = 15 * PX if any((place == (x, y - (height - 30 * PX))).all() for place in places.values()) else 10 * PX
        right, bottom = width - 10 * PX, height - 10 * PX
        table[y + top : y + bottom, x + left : x + right] = leaf.dark[top:bottom, left:right]
    return table


def distances_mm(table: np.ndarray, curves: list[Curve]) -> np.ndarray:
    """How far the printed black lies from each curve, across it, after one shift for all: the table has no origin."""
    black = np.clip(table - float(GREYS), 0, None)
    points, normals = zip(*(samples(curve) for curve in curves), strict=True)
    at, across = np.concatenate(points), np.concatenate(normals)
    shift = coarse_shift(black, at)
    for _ in range(4):
        reach = np.arange(-1.2, 1.2001, 0.05)
        spots = (at + shift)[:, None, :] + reach[None, :, None] * across[:, None, :]
        # Pixel (column, row) covers 0.1 mm from its index on, so its middle is half a pixel further.
        ink = ndimage.map_coordinates(black, (spots * PX - 0.5).transpose(2, 0, 1)[::-1], order=1)
        found = ink.sum(axis=1) > 0
        off = (ink[found] * reach).sum(axis=1) / ink[found].sum(axis=1)
        step = np.linalg.lstsq(across[found], off, rcond=None)[0]
        shift = shift + step
    assert found.mean() > 0.98
    return off - across[found] @ step


def samples(curve: Curve) -> tuple[np.ndarray, np.ndarray]:
    """Points every few mm, away from corners, and the normals there."""
    dense = curve_points(curve, 0.001)
    ring = np.vstack([dense, dense[:1]])
    length = np.r_[0, np.cumsum(np.hypot(*np.diff(ring, axis=0).T))]
    at = np.arange(1.7, length[-1], 3.1)
    point, before, after = (np.c_[np.interp(at + d, length, ring[:, 0]), np.interp(at + d, length, ring[:, 1])]
                            for d in (0, -1.5, 1.5))  # fmt: skip
    ahead = after - before
    straight = np.hypot(*ahead.T) > 2.97
    normal = np.c_[-ahead[:, 1], ahead[:, 0]] / np.hypot(*ahead.T)[:, None]
    return point[straight], normal[straight]


def coarse_shift(black: np.ndarray, points: np.ndarray) -> np.ndarray:
    """From the outlines' least x and y: nothing else printed in black reaches as far."""
    first = np.array([np.flatnonzero(black.any(axis=axis))[0] for axis in (0, 1)]) / PX
    return first + 0.25 - points.min(axis=0)


@pytest.fixture(scope="module")
def shapes(part_of: MakePart, pattern_of: MakePattern) -> Pattern:
    """A circle, a square and a panel of four curved sides, all wider than a page's overlap and cut by joints."""
    square = polyline_curve(np.array([(150.0, 5), (290, 5), (290, 145), (150, 145)]), closed=True)
    nodes = [(20.0, 180.0), (160.0, 170.0), (270.0, 330.0), (60.0, 300.0)]
    bends = [(12, -25), (30, 8), (-6, 22), (-24, 10)]
    controls = [
        (a, np.array(a) * 0.7 + np.array(b) * 0.3 + bend, np.array(a) * 0.3 + np.array(b) * 0.7 + bend, b)
        for a, b, bend in zip(nodes, nodes[1:] + nodes[:1], bends, strict=True)
    ]
    panel = Curve(np.array(controls, float), np.zeros(4, bool), True)
    return pattern_of(
        part_of("1", circle_curve((70, 70), 70), (70, 70), 40),
        part_of("2", square, (220, 75), 40),
        part_of("3", panel, (140, 240), 30),
    )


@pytest.fixture(scope="module")
def printed(lantern: Pattern) -> dict[str, tuple[bytes, list[Leaf]]]:
    files = {paper: pattern_pdf(lantern, paper) for paper in PAPERS}
    return {paper: (data, leaves(data)) for paper, data in files.items()}


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_joined_pages_show_the_outlines_within_a_tenth(shapes: Pattern, paper: str) -> None:
    pages = [leaf for leaf in leaves(pattern_pdf(shapes, paper)) if leaf.name]
    assert len(pages) > 1
    off = distances_mm(assembled(pages), [part.outline for part in shapes.parts])
    assert np.abs(off).max() <= 0.1
    assert np.sqrt((off**2).mean()) <= 0.03


def test_the_measurement_notices_a_wrong_scale(shapes: Pattern) -> None:
    """Three in a thousand too large must fail the bound of the test above."""
    pages = [leaf for leaf in leaves(pattern_pdf(shapes, "A4")) if leaf.name]
    grown = [replace(part.outline, controls=1.003 * part.outline.controls) for part in shapes.parts]
    assert np.abs(distances_mm(assembled(pages), grown)).max() > 0.2


def test_marks_of_neighbours_lie_on_each_other(printed: dict[str, tuple[bytes, list[Leaf]]]) -> None:
    """The filled quarters of the marks, found by their grey in the overlap of two pages, meet within 0.05 mm."""
    pages = {leaf.name: leaf for leaf in printed["A4"][1]}
    joints = 0
    for name, leaf in pages.items():
        other = pages.get(f"{name[:1]}{int(name[1:]) + 1}") if name else None
        if other is None:
            continue
        width = leaf.dark.shape[1]
        mine = quarters(leaf.dark[:, width - 20 * PX : width - 10 * PX])
        theirs = quarters(other.dark[:, 10 * PX : 20 * PX])
        # Four quarters stand in a joint; an outline may cross one and split it alike on both pages.
        assert len(mine) == len(theirs) >= 3
        assert np.abs(mine - theirs).max() <= 0.05 * PX
        joints += 1
    assert joints == 4


def quarters(strip: np.ndarray) -> np.ndarray:
    """Centroids of grey areas of more than 4 mm² that are no lines."""
    solid = ndimage.binary_opening(np.abs(strip - (255.0 - 158.0)) < 3, np.ones((9, 9)))
    labels, count = ndimage.label(solid)
    sizes = ndimage.sum_labels(solid, labels, range(1, count + 1))
    kept = [index + 1 for index, size in enumerate(sizes) if size > 4 * PX**2]
    return np.array(ndimage.center_of_mass(solid, labels, kept))


@pytest.mark.parametrize("paper", list(PAPERS))
def test_ink_keeps_ten_millimetres_from_every_edge(printed: dict[str, tuple[bytes, list[Leaf]]], paper: str) -> None:
    for leaf in printed[paper][1]:
        assert leaf.dark.max() > 200
        assert edge_ink(leaf) <= 2


def edge_ink(leaf: Leaf) -> int:
    """The darkest pixel (0 to 255) within 10 mm of the page's edges."""
    dark, width = leaf.dark, 10 * PX
    return int(max(dark[:width].max(), dark[-width:].max(), dark[:, :width].max(), dark[:, -width:].max()))


@pytest.mark.parametrize("paper", list(PAPERS))
def test_check_lines_measure_true_both_ways_on_every_page(
    printed: dict[str, tuple[bytes, list[Leaf]]], paper: str
) -> None:
    for leaf in printed[paper][1]:
        for picture in (leaf.dark, np.ascontiguousarray(leaf.dark.T)):
            assert sorted(check_lengths(picture)) == pytest.approx([100.0, 101.6], abs=0.03)


def check_lengths(dark: np.ndarray) -> list[float]:
    """Tick to tick, mm: lines along x that are thin, dark grey or darker, and 95 to 105 mm long."""
    solid = dark > 130
    rows = np.flatnonzero(np.count_nonzero(solid, axis=1) >= 95 * PX)
    lengths = []
    for group in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
        runs = ndimage.minimum_filter1d(solid[group].astype(np.uint8), 95 * PX, axis=1)
        long = np.flatnonzero(ndimage.maximum_filter1d(runs, 95 * PX, axis=1, origin=-1).any(axis=0))
        if not len(long) or long[-1] - long[0] > 105 * PX:
            continue
        middle = int(group[0] + group[-1] + 1) // 2
        lengths.append(tick(dark, middle, long[-1] + 1) - tick(dark, middle, long[0]))
    return [length / PX for length in lengths]


def tick(dark: np.ndarray, row: int, column: int) -> float:
    """The middle, in pixels, of the cross line near a line's end, 0.7 to 1 mm off the line on both sides."""
    span = np.arange(column - 5, column + 5)
    beside = np.r_[row - 10 : row - 6, row + 7 : row + 11]
    ink = dark[np.ix_(beside, span)].sum(axis=0, dtype=float)
    return float((ink * span).sum() / ink.sum())


@pytest.mark.parametrize(("paper", "size"), [("A4", (210, 297)), ("A3", (297, 420)), ("Letter", (215.9, 279.4))])
def test_media_box_is_the_paper(
    printed: dict[str, tuple[bytes, list[Leaf]]], paper: str, size: tuple[float, float]
) -> None:
    """ISO 216 and ANSI sizes; a PDF unit is 1/72 in (ISO 32000-1, 14.11.2)."""
    for page in PdfReader(io.BytesIO(printed[paper][0])).pages:
        sides = float(page.mediabox.width) * 25.4 / 72, float(page.mediabox.height) * 25.4 / 72
        assert sorted(sides) == pytest.approx(sorted(size), abs=1e-3)
        assert page.get("/UserUnit") is None and page.get("/Rotate", 0) == 0


def test_the_print_dialogue_is_asked_not_to_scale(printed: dict[str, tuple[bytes, list[Leaf]]]) -> None:
    """ISO 32000-1, table 150."""
    reader = PdfReader(io.BytesIO(printed["A4"][0]))
    wishes = reader.trailer["/Root"]["/ViewerPreferences"]  # type: ignore[index]
    assert wishes["/PrintScaling"] == "/None" and wishes["/PickTrayByPDFSize"].value is True
    assert reader.metadata is not None and "lantern shell.jpg" in str(reader.metadata.title)


def texts(data: bytes) -> Iterator[tuple[int, str, np.ndarray]]:
    """Page, text and the (2, 2) matrix it is set with."""
    for index, page in enumerate(PdfReader(io.BytesIO(data)).pages):
        found: list[tuple[str, np.ndarray]] = []

        def visit(text: str, cm: list[float], tm: list[float], *_: object) -> None:
            matrix = np.array(tm[:4]).reshape(2, 2) @ np.array(cm[:4]).reshape(2, 2)
            found.append((text.strip(), matrix))  # noqa: B023

        page.extract_text(visitor_text=visit)
        yield from ((index, text, matrix) for text, matrix in found if text)


def test_lettering_is_never_mirrored(printed: dict[str, tuple[bytes, list[Leaf]]]) -> None:
    sides = {"L": 0, "R": 0}
    for page, text, matrix in texts(printed["A4"][0]):
        assert np.linalg.det(matrix) > 0
        label = re.fullmatch(r"[0-9]+ ([LR])", text)
        if label and page:
            assert matrix[0, 1] == matrix[1, 0] == 0 and matrix[0, 0] > 0
            sides[label[1]] += 1
    assert sides["L"] >= 7 and sides["R"] >= 7


def test_every_part_carries_number_side_doubt_date_and_photo(printed: dict[str, tuple[bytes, list[Leaf]]]) -> None:
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(printed["A4"][0])).pages[1:]]
    for number in range(1, 8):
        for side in "LR":
            label = rf"{number} {side}\n±0\.{4 if number == 6 else 2} mm\n2025-03-01\nlantern shell\.jpg"
            assert any(re.search(label, text) for text in pages), (number, side)


def test_the_guide_page_says_what_a_maker_needs(printed: dict[str, tuple[bytes, list[Leaf]]]) -> None:
    pages = [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(printed["A4"][0])).pages]
    for words in ("at 100 %", "fit to page", "Knives", "Band saw", "Heat gun, hot cutting", "Contact cement",
                  "Sanding dust", "helmet", "safety data sheet", "local codes", "licensed practice",
                  "not protective equipment", "Only one scale card", "A gap of 3 mm", "6 L + R"):  # fmt: skip
        assert words in pages[0]
        assert not any(words in page for page in pages[1:])


def test_pages_name_their_neighbours(printed: dict[str, tuple[bytes, list[Leaf]]]) -> None:
    reader = PdfReader(io.BytesIO(printed["A4"][0]))
    names = [leaf.name for leaf in printed["A4"][1]]
    assert names == ["", "A1", "A2", "A3", "B1", "B2", "B3"]
    middle = reader.pages[names.index("B2")].extract_text()
    assert "goes on A2" in middle and "goes on B1" in middle and "B3 goes on top" in middle
    assert "goes on A1" not in middle


def test_curves_are_written_as_curves(shapes: Pattern) -> None:
    """On paper of two pages at most: eleven or more Béziers, and no line longer chain than the square's four sides,
    the trim lines and the check lines ask for."""
    reader = PdfReader(io.BytesIO(pattern_pdf(shapes, "A3")))
    for page in reader.pages[1:]:
        operators = [operator for _, operator in ContentStream(page.get_contents(), reader).operations]
        assert operators.count(b"c") >= 4
        assert operators.count(b"l") <= 30


def test_the_file_depends_on_the_pattern_only(lantern: Pattern, printed: dict[str, tuple[bytes, list[Leaf]]]) -> None:
    assert pattern_pdf(lantern) == printed["A4"][0]
    assert pattern_pdf(replace(lantern, date="2025-03-02")) != printed["A4"][0]


@pytest.mark.parametrize("name", ["фонарь.jpg", "提灯 ✂.heic", "e\u0301te\u0301.jpg", "a\nb\x00c.jpg", "x" * 300, ""])
def test_any_photo_name_prints(shapes: Pattern, name: str) -> None:
    data = pattern_pdf(replace(shapes, photo_name=name))
    assert len(PdfReader(io.BytesIO(data)).pages) >= 2


def test_an_accent_held_apart_prints_joined(shapes: Pattern) -> None:
    data = pattern_pdf(replace(shapes, photo_name="e\u0301te\u0301.jpg"))
    assert "été.jpg" in PdfReader(io.BytesIO(data)).pages[1].extract_text()


def test_long_lists_run_on_to_more_pages(part_of: MakePart, pattern_of: MakePattern) -> None:
    parts = [part_of(str(n), circle_curve((60 * (n % 10), 60 * (n // 10)), 28), (60 * (n % 10), 60 * (n // 10)), 26)
             for n in range(45)]  # fmt: skip
    doubts = [Doubt("long", f"Doubt number {n} goes on for a while. " * 6) for n in range(40)]
    data = pattern_pdf(pattern_of(*parts, doubts=doubts), "Letter")
    pages = leaves(data, 5)
    guides = [index for index, leaf in enumerate(pages) if not leaf.name]
    assert guides == list(range(len(guides))) and len(guides) > 1
    words = " ".join(PdfReader(io.BytesIO(data)).pages[index].extract_text() for index in guides)
    assert all(f"number {n} goes" in " ".join(words.split()) for n in range(40))
    assert "not protective equipment" in " ".join(words.split())
    assert max(edge_ink(pages[index]) for index in guides) <= 2


def test_unknown_paper_and_empty_patterns_are_refused(shapes: Pattern, pattern_of: MakePattern) -> None:
    with pytest.raises(CannotContinue, match="A4"):
        pattern_pdf(shapes, "B5")
    with pytest.raises(CannotContinue, match="no parts"):
        pattern_pdf(pattern_of())
