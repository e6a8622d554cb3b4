"""Where things lie on a scale card, from the figures of its design. Card frame: mm, x right, y down as printed, origin
at the outer top-left corner of the chess area."""

from __future__ import annotations

import numpy as np

from extract.doors import Array, CardDesign

_BARS_MM = {"A4": (280.0, 190.0), "Letter": (260.0, 190.0), "small": (110.0, 90.0)}


def bar_lengths_mm(design: CardDesign) -> tuple[float, float]:
    """Nominal lengths of the two printed scale bars, (along x, along y): as long as fits, in whole centimetres so
    that a ruler meets them at a long mark; for a rectangle set by hand its sides."""
    return design.board_mm or _BARS_MM[design.family]


def board_size_mm(design: CardDesign) -> tuple[float, float]:
    """Width and height of the chess area, or of the rectangle that a hand set."""
    return design.board_mm or (design.squares[0] * design.square_mm, design.squares[1] * design.square_mm)


def board_corner_mm(design: CardDesign) -> tuple[float, float]:
    """The chess area's top-left corner measured from the paper's top-left corner; the board is centred."""
    width, height = board_size_mm(design)
    return (design.paper_mm[0] - width) / 2, (design.paper_mm[1] - height) / 2


def paper_outline_mm(design: CardDesign) -> Array:
    """(4, 2) corners of the paper, clockwise as printed from the top left."""
    left, top = board_corner_mm(design)
    width, height = design.paper_mm
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], float) - (left, top)


def chess_corners_mm(design: CardDesign) -> Array:
    """(N, 2) inner chess corners row by row, OpenCV's ChArUco order."""
    across, down = design.squares
    x, y = np.meshgrid(np.arange(1, across), np.arange(1, down))
    return np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64) * design.square_mm
