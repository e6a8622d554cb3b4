"""The printed scale cards: which exist, and the exact shape of their pattern.

The pattern is OpenCV's ChArUco board (current pattern: the top-left square is black, markers in the white squares row
by row) with the dictionary DICT_5X5_1000 for every card, so any set of cards may lie on one table.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from extract.doors import Array, CannotContinue, CardDesign

DICTIONARY = cv2.aruco.DICT_5X5_1000
MARKER_CELLS = 7
"""Five bits and a black border of one cell on each side."""

FAMILIES = ("A4", "Letter", "small")
NUMBERS = range(10)

_A4_MM = (297.0, 210.0)  # ISO 216
LETTER_MM = (279.4, 215.9)  # ANSI/ASME Y14.1 size A, 11 × 8.5 in


def card_design(family: str, number: int) -> CardDesign:
    """The card of ``family`` ("A4", "Letter" or "small", any case) with ``number`` 0 to 9."""
    names = {name.lower(): name for name in FAMILIES}
    if family.lower() not in names:
        raise CannotContinue("cards", f"There is no card family “{family}”.", "Choose A4, Letter or small.")
    if number not in NUMBERS:
        raise CannotContinue("cards", f"There is no card number {number}.", "Choose numbers from 0 to 9.")
    match names[family.lower()]:
        case "A4":
            return CardDesign("A4", number, (9, 6), 30.0, 22.0, 27 * number, _A4_MM)
        case "Letter":
            return CardDesign("Letter", number, (8, 6), 30.0, 22.0, 600 + 24 * number, LETTER_MM)
        case _:
            return CardDesign("small", number, (5, 4), 20.0, 15.0, 500 + 10 * number, (120.0, 100.0))


@cache
def all_designs() -> tuple[CardDesign, ...]:
    """Every card there is, A4 before Letter before small, by number."""
    return tuple(card_design(family, number) for family in FAMILIES for number in NUMBERS)


def board(design: CardDesign) -> cv2.aruco.CharucoBoard:
    """OpenCV's board for this card, lengths in mm."""
    count = design.squares[0] * design.squares[1] // 2
    ids = np.arange(design.first_id, design.first_id + count)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    return cv2.aruco.CharucoBoard(design.squares, design.square_mm, design.marker_mm, dictionary, ids)


def marker_corners_mm(design: CardDesign) -> dict[int, Array]:
    """Id → (4, 2) outer marker corners in the card frame, clockwise from the marker's own top left."""
    made = board(design)
    corners = (np.asarray(points, float)[:, :2] for points in made.getObjPoints())
    return {int(number): points for number, points in zip(np.ravel(made.getIds()), corners, strict=True)}


def black_rectangles_mm(design: CardDesign) -> Array:
    """(N, 4) black rectangles x, y, width, height of the pattern in the card frame, none overlapping: whole squares,
    and each marker's cells joined along its rows."""
    across, down = design.squares
    side = design.square_mm
    squares = [(x * side, y * side, side, side) for y in range(down) for x in range(across) if (x + y) % 2 == 0]
    cells = [run for number, corners in marker_corners_mm(design).items() for run in _marker_runs(number, corners)]
    return np.array(squares + cells, float)


def _marker_runs(number: int, corners_mm: Array) -> list[tuple[float, float, float, float]]:
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    black = cv2.aruco.generateImageMarker(dictionary, number, MARKER_CELLS) < 128
    (left, top), right = corners_mm[0], corners_mm[1][0]
    cell = (right - left) / MARKER_CELLS
    runs = []
    for row, line in enumerate(black):
        edges = np.flatnonzero(np.diff(np.r_[0, line.astype(int), 0]))
        for start, stop in edges.reshape(-1, 2):
            runs.append((left + start * cell, top + row * cell, (stop - start) * cell, cell))
    return runs
