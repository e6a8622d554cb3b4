"""The cards' figures against the standards they name and against OpenCV's own board."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from extract.cards.design import DICTIONARY, all_designs, black_rectangles_mm, board, card_design, marker_corners_mm
from extract.doors import CannotContinue, CardDesign
from extract.geometry.scalecard import board_corner_mm, chess_corners_mm, paper_outline_mm

FAMILIES = ("A4", "Letter", "small")


def test_papers_have_the_sizes_of_their_standards() -> None:
    # ISO 216: A0 is 1 m² with sides 1 : √2; each size halves the long side, rounded down to whole millimetres.
    long, short = 1189, 841
    for _ in range(4):
        long, short = short, long // 2
    assert card_design("A4", 0).paper_mm == (long, short)
    # ANSI/ASME Y14.1, size A: 11 × 8.5 in of exactly 25.4 mm.
    assert card_design("Letter", 0).paper_mm == pytest.approx((11 * 25.4, 8.5 * 25.4), abs=1e-9)


def test_no_two_cards_share_a_marker() -> None:
    ids = [number for design in all_designs() for number in marker_corners_mm(design)]
    assert len(all_designs()) == 30
    assert len(set(ids)) == len(ids)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    assert min(ids) >= 0 and max(ids) < len(dictionary.bytesList)


@pytest.mark.parametrize("family", FAMILIES)
def test_corners_are_those_of_opencv(family: str) -> None:
    design = card_design(family, 3)
    reference = np.asarray(board(design).getChessboardCorners())[:, :2]
    assert np.abs(chess_corners_mm(design) - reference).max() < 1e-5


@pytest.mark.parametrize(
    "design", [card_design(family, k) for family in FAMILIES for k in (0, 9)], ids=lambda d: d.name
)
def test_pattern_is_the_one_opencv_draws(design: CardDesign) -> None:
    per_mm = 7  # seven pixels a millimetre put every square and every marker cell of both card kinds on whole pixels
    width, height = (int(n * design.square_mm * per_mm) for n in design.squares)
    reference = board(design).generateImage((width, height), marginSize=0, borderBits=1)
    # pixel centres lie half a pixel inside the cells
    x = (np.arange(width) + 0.5) / per_mm
    y = (np.arange(height) + 0.5) / per_mm
    ours = np.full((height, width), 255, np.uint8)
    for left, top, wide, high in black_rectangles_mm(design):
        ours[np.ix_((y > top) & (y < top + high), (x > left) & (x < left + wide))] = 0
    # OpenCV rounds the markers' corners to pixels, so a rim of one pixel may differ.
    differ = (ours != reference).astype(np.uint8)
    assert not cv2.erode(differ, np.ones((3, 3), np.uint8)).any()
    assert differ.mean() < 0.02


@pytest.mark.parametrize("family", FAMILIES)
def test_rectangles_do_not_overlap(family: str) -> None:
    design = card_design(family, 1)
    boxes = black_rectangles_mm(design)
    low, high = boxes[:, None, :2], boxes[:, None, :2] + boxes[:, None, 2:]
    overlap = np.minimum(high, boxes[:, :2] + boxes[:, 2:]) - np.maximum(low, boxes[:, :2])
    both = (overlap > 1e-9).all(axis=2)
    assert both.sum() == len(boxes)


@pytest.mark.parametrize("family", FAMILIES)
def test_board_lies_in_the_middle_of_its_paper(family: str) -> None:
    design = card_design(family, 0)
    centre = np.array(design.squares) * design.square_mm / 2
    assert np.abs(paper_outline_mm(design).mean(axis=0) - centre).max() < 1e-9
    assert min(board_corner_mm(design)) >= 10.0


@pytest.mark.parametrize(("family", "number"), [("A5", 0), ("A4", 10), ("small", -1)])
def test_unknown_cards_are_refused(family: str, number: int) -> None:
    with pytest.raises(CannotContinue):
        card_design(family, number)
