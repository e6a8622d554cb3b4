"""How a card's paper lies on the table when it does not lie flat, and what that does to its printed corners.

Paper bends without stretching: a sheet that rises by z over a straight table gets shorter as seen from above, by half
the square of its slope (the first term of the arc's length). Bulges are quadratic: along x, along y, and a twist; the
three together are a cylinder about any axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from extract.doors import Array, CardDesign, Mask
from extract.geometry.scalecard import board_size_mm, chess_corners_mm, paper_outline_mm


@dataclass(frozen=True, eq=False)
class Sheet:
    """Where corners lie on the paper: ``at`` (N, 2) from its middle in units of ``reach_mm``, half its long side;
    ``mean`` (3,) of the three forms over the whole board. The mean height of a bulging card is that of the flat one,
    half way between lying on its middle and on its edges."""

    at: Array
    reach_mm: float
    mean: Array

    def only(self, chosen: Mask) -> Sheet:
        """Some of the corners."""
        return Sheet(self.at[chosen], self.reach_mm, self.mean)

    def forms(self) -> Array:
        """(N, 3) heights when each bulge reaches 1 mm between the paper's middle and the ends of its long side."""
        return _forms(self.at) - self.mean

    def heights(self, bulge_mm: Array) -> Array:
        """(N,) mm above the flat card."""
        return np.asarray(self.forms() @ bulge_mm, float)

    def drawn_in(self, bulge_mm: Array) -> Array:
        """(N, 2) mm by which the corners move in the table's plane, towards the middle. With z = uᵀMu the shift is
        −⅔ z Mu / reach: the integral of half the squared slope, exact for cylinders about any axis."""
        rise, slope = _forms(self.at) @ bulge_mm, _slopes(self.at) @ bulge_mm
        return np.asarray(-2 / 3 / self.reach_mm * rise[:, None] * slope, float)

    def drawn_in_jacobian(self, bulge_mm: Array) -> Array:
        """(N, 2, 3) derivative of ``drawn_in`` with the bulge."""
        forms, slopes = _forms(self.at), _slopes(self.at)
        rise, slope = forms @ bulge_mm, slopes @ bulge_mm
        turn = slope[:, :, None] * forms[:, None, :] + rise[:, None, None] * slopes
        return np.asarray(-2 / 3 / self.reach_mm * turn, float)


def sheet_of(design: CardDesign, corners_mm: Array) -> Sheet:
    """The sheet with corners (N, 2) given in the card's own frame, nominal size."""
    middle, reach = np.array(board_size_mm(design)) / 2, max(design.paper_mm) / 2
    mean = _forms((chess_corners_mm(design) - middle) / reach).mean(axis=0)
    return Sheet((corners_mm - middle) / reach, reach, mean)


def bend_mm(design: CardDesign, bulge_mm: Array) -> tuple[float, float]:
    """Highest above lowest point of the bulging paper, and the paper's mean above its lowest point: how far the card
    lies too high when it touches the table there."""
    rim = paper_outline_mm(design)
    middles = (rim + np.roll(rim, 1, axis=0)) / 2
    points = np.vstack([rim, middles, rim.mean(axis=0)])
    heights = sheet_of(design, points).heights(bulge_mm)
    return float(np.ptp(heights)), float(-heights.min())


def _forms(at: Array) -> Array:
    u, v = at.T
    return np.column_stack([u**2, u * v, v**2])


def _slopes(at: Array) -> Array:
    """(N, 2, 3) half the gradient of the forms, in units of 1 / reach: the derivative of Mu with the bulge."""
    u, v = at.T
    zero = np.zeros_like(u)
    return np.stack([np.column_stack([u, v / 2, zero]), np.column_stack([zero, u / 2, v])], axis=1)
