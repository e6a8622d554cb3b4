"""Proof on paper: the PDF rendered by an independent engine (PDFium) and read by OpenCV's own board detector."""

from __future__ import annotations

import io
import re
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest

from extract.cards.design import board, card_design
from extract.cards.print import UNPRINTABLE_MM, bars, cards_pdf
from extract.doors import Array, CannotContinue, CardDesign
from extract.geometry.scalecard import bar_lengths_mm, board_corner_mm, chess_corners_mm

DPI = 300
PX_PER_MM = DPI / 25.4
A4_MM = (297.0, 210.0)
FAMILIES = ("A4", "Letter", "small")


def rendered(pdf: bytes, page: int = 0) -> np.ndarray:
    document = pypdfium2.PdfDocument(pdf)
    return np.squeeze(document[page].render(scale=DPI / 72, grayscale=True).to_numpy()).copy()


def seen_corners_mm(page: np.ndarray, page_mm: Array, design: CardDesign) -> Array:
    """All chess corners in order, measured from the page's top-left corner. PDFium stretches the page over a whole
    number of pixels, so the scale is the raster's own."""
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board(design)).detectBoard(page)
    assert ids is not None
    ordered = np.reshape(corners, (-1, 2))[np.argsort(np.ravel(ids))]
    return (ordered + 0.5) * page_mm / page.shape[::-1]


def paper_corner_mm(design: CardDesign, index: int) -> Array:
    """Where on its page the card's paper begins: small cards lie two by two in the middle of an A4 page."""
    if design.family != "small":
        return np.zeros(2)
    return np.array([297 / 2 - 120 + 120 * (index % 2), 210 / 2 - 100 + 100 * (index // 2)])


@pytest.mark.parametrize(("family", "number"), [("A4", 0), ("A4", 7), ("Letter", 0), ("small", 0), ("small", 9)])
def test_every_printed_corner_lies_in_its_place(family: str, number: int) -> None:
    design = card_design(family, number)
    page = rendered(cards_pdf([design]))
    page_mm = design.paper_mm if family != "small" else A4_MM
    found_mm = seen_corners_mm(page, np.array(page_mm), design)
    wanted = chess_corners_mm(design) + board_corner_mm(design) + paper_corner_mm(design, 0)
    assert len(found_mm) == len(wanted)
    assert np.abs(found_mm - wanted).max() < 0.05


def test_small_cards_share_a_page_and_stay_true() -> None:
    designs = [card_design("small", k) for k in range(5)]
    pdf = cards_pdf(designs)
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) == 2
    page = rendered(pdf)
    for index, design in ((1, designs[1]), (2, designs[2])):
        found_mm = seen_corners_mm(page, np.array(A4_MM), design)
        wanted = chess_corners_mm(design) + board_corner_mm(design) + paper_corner_mm(design, index)
        assert np.abs(found_mm - wanted).max() < 0.05, design.name


@pytest.mark.parametrize("family", FAMILIES)
def test_scale_bars_measure_what_they_say(family: str) -> None:
    design = card_design(family, 2)
    page = rendered(cards_pdf([design]))
    corner = paper_corner_mm(design, 0)
    long, short = bars(design)
    assert (long.length, short.length) == bar_lengths_mm(design)
    for bar, line in ((long, page), (short, page.T)):
        x, y = (np.array([bar.x, bar.y]) + corner)[:: -1 if bar.upright else 1]
        row = line[round(y * PX_PER_MM), :] < 128
        ink = np.flatnonzero(row[: round((x + bar.length + 2) * PX_PER_MM)])
        ink = ink[ink >= (x - 1) * PX_PER_MM]
        assert (ink[-1] - ink[0] + 1) / PX_PER_MM == pytest.approx(bar.length, abs=0.1)


@pytest.mark.parametrize("family", FAMILIES)
def test_bars_fill_the_card_and_are_named(family: str) -> None:
    design = card_design(family, 0)
    (long, short), lengths = bars(design), bar_lengths_mm(design)
    assert design.paper_mm[0] - lengths[0] < 30 and design.paper_mm[1] - lengths[1] < 30
    assert short.x < board_corner_mm(design)[0] and long.y > design.paper_mm[1] - board_corner_mm(design)[1]
    text = pypdf.PdfReader(io.BytesIO(cards_pdf([design], date="2026-05-01"))).pages[0].extract_text()
    for words in (design.name, "2026-05-01", f"{lengths[0]:g} mm", f"{lengths[1]:g} mm", "--bar-long", "100 %"):
        assert words in text


@pytest.mark.parametrize("family", ["A4", "Letter"])
def test_ink_stays_clear_of_the_unprintable_rim(family: str) -> None:
    page = rendered(cards_pdf([card_design(family, 0)])) < 250
    rim = int(UNPRINTABLE_MM * PX_PER_MM)
    page[rim:-rim, rim:-rim] = False
    assert not page.any()


def test_page_asks_to_be_printed_as_it_is() -> None:
    # ISO 32000-2:2020, table 147.
    reader = pypdf.PdfReader(io.BytesIO(cards_pdf([card_design("A4", 0)])))
    preferences = reader.trailer["/Root"]["/ViewerPreferences"]
    assert preferences["/PrintScaling"] == "/None"
    assert preferences["/PickTrayByPDFSize"].value is True
    # ISO 32000-2, 8.3.2.3: user space units of 1/72 inch.
    width, height = (float(side) for side in reader.pages[0].mediabox[2:])
    assert (width / 72 * 25.4, height / 72 * 25.4) == pytest.approx((297, 210), abs=0.01)


def test_pattern_is_drawn_as_vectors() -> None:
    page = pypdf.PdfReader(io.BytesIO(cards_pdf([card_design("A4", 0)]))).pages[0]
    assert not page.images
    assert len(re.findall(rb"\bre\b", page.get_contents().get_data())) > 27 * 10


@pytest.mark.parametrize("family", FAMILIES)
def test_ready_made_cards_are_what_the_program_prints(root: Path, family: str) -> None:
    shipped = pypdf.PdfReader(root / "shared" / f"scale-cards-{family}.pdf")
    made = pypdf.PdfReader(io.BytesIO(cards_pdf([card_design(family, k) for k in range(4)])))
    assert len(shipped.pages) == len(made.pages)
    for ours, theirs in zip(made.pages, shipped.pages, strict=True):
        assert ours.mediabox == theirs.mediabox
        # page contents rather than bytes: the deflate library may differ from machine to machine
        assert ours.get_contents().get_data() == theirs.get_contents().get_data()


def test_same_cards_give_same_bytes() -> None:
    designs = [card_design("Letter", 1), card_design("small", 1)]
    assert cards_pdf(designs) == cards_pdf(designs)


def test_no_cards_make_no_pages() -> None:
    with pytest.raises(CannotContinue):
        cards_pdf([])
