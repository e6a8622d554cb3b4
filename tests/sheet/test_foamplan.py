"""The printed foam plan, read back."""

from __future__ import annotations

import io
from xml.etree import ElementTree

import numpy as np
import pypdf
import pypdfium2
import pytest

from extract.build import CutSheet, FoamPlan, PlacedPart, SheetStock
from extract.doors import CannotContinue, Part
from extract.geometry.curve import curve_points, polyline_curve, transformed
from extract.sheet.foam_view import foam_view
from extract.sheet.foamplan import foam_plan_pdf, sheet_from_part

MM = 72 / 25.4
OWNED, BOUGHT = SheetStock(1000, 500, 6, 1, 7.5), SheetStock(600, 600, 6, 0, 6.25)


def plate(number: str, side: str = "", copies: int = 1) -> Part:
    """100 by 40 mm."""
    outline = polyline_curve(np.array([[0.0, 0], [100, 0], [100, 40], [0, 40]]), closed=True)
    return Part(number, side, outline, (), (), 4000.0, 280.0, 0.2, (50.0, 20.0), 18.0, copies=copies)  # type: ignore[arg-type]


def lying(part: Part, copy: int, x: float, y: float) -> PlacedPart:
    return PlacedPart(part, copy, 0.0, (x, y), (x, y), (100.0, 40.0))


def plan() -> FoamPlan:
    upright = PlacedPart(plate("1", "L"), 1, 90.0, (45.0, 5.0), (5.0, 5.0), (40.0, 100.0))
    level = [lying(plate("2", copies=9), k, 60.0, 50.0 * k - 45) for k in range(1, 10)]
    many = [lying(plate("3", copies=110), k, 5.0, 5.0) for k in range(1, 111)]
    sheets = CutSheet(1, OWNED, True, (upright, *level)), CutSheet(2, BOUGHT, False, tuple(many))
    return FoamPlan("moth-lantern", sheets, 4.0, 5.0, 1.0)


@pytest.fixture(scope="module")
def pdf() -> bytes:
    return foam_plan_pdf(plan(), "A4", "2026-01-01")


@pytest.fixture(scope="module")
def texts(pdf: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_a_turned_part_lies_where_the_list_says() -> None:
    item = plan().sheets[0].placed[0]
    points = curve_points(transformed(item.part.outline, sheet_from_part(item)))
    assert points.min(axis=0) == pytest.approx(item.corner_mm)
    assert np.ptp(points, axis=0) == pytest.approx(item.size_mm)


def test_the_summary_says_what_to_buy(texts: list[str]) -> None:
    first = texts[0]
    for words in ("120 parts on 2 sheets", "1 ×", "600 × 600 × 6 mm", "6.25", "1 mm for the cut", "safety data sheet"):
        assert words in first
    assert "7.50" not in first


def test_every_part_is_in_a_list(texts: list[str]) -> None:
    assert texts[1].count(" of 9)") == 9
    assert sum(text.count(" of 110)") for text in texts[2:]) == 110
    assert "Sheet 2, continued" in texts[3]
    assert "90°" in texts[1]


def test_the_drawing_is_to_scale(pdf: bytes) -> None:
    """On the first sheet's page the outline of part 1 L is a path 40 by 100 mm over the printed scale."""
    page = pypdfium2.PdfDocument(pdf)[1]
    width, height = page.get_size()
    room = (width / MM - 20 - 6 - 1) / 1000
    boxes = [
        np.array(thing.get_bounds()) / MM
        for thing in page.get_objects()
        if thing.type == pypdfium2.raw.FPDF_PAGEOBJ_PATH
    ]
    sizes = np.array([[b[2] - b[0], b[3] - b[1]] for b in boxes])
    # The reader's bounds reach one line, 0.25 mm, further on every side.
    wanted = np.array([40.0, 100.0]) * room + 2 * 0.25
    assert np.abs(sizes - wanted).max(axis=1).min() < 0.01
    assert height > width


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter", "Tabloid"])
def test_ink_stays_inside_the_margins(paper: str) -> None:
    for page in pypdfium2.PdfDocument(foam_plan_pdf(plan(), paper)):
        shown = np.asarray(page.render(scale=1.0).to_pil().convert("L"))
        inner = np.zeros_like(shown, bool)
        inner[27:-27, 27:-27] = True
        assert shown[~inner].min() > 250
        assert shown[inner].min() < 100


def test_the_same_plan_gives_the_same_bytes(pdf: bytes) -> None:
    assert foam_plan_pdf(plan(), "A4", "2026-01-01") == pdf


def test_an_empty_plan_is_refused() -> None:
    with pytest.raises(CannotContinue, match="no sheets"):
        foam_plan_pdf(FoamPlan("moth-lantern", (), 3.0, 5.0))


def test_a_sheet_for_the_screen() -> None:
    """Well-formed, as large as the sheet, one outline and one name for each part."""
    sheet = plan().sheets[0]
    drawn = ElementTree.fromstring(foam_view(sheet))
    space = {"svg": "http://www.w3.org/2000/svg"}
    board = drawn.find("svg:rect", space)
    assert board is not None
    assert (board.get("width"), board.get("height")) == ("1000", "500")
    assert [title.text for title in drawn.iterfind(".//svg:title", space)] == ["1 L", *["2"] * 9]
    assert "10 parts" in (drawn.get("aria-label") or "")
