"""The dark cut face beside a relief cut, where the shadow in the cut is as light as the shell.

On a bright table the shadow along one side of a cut has the tape's own tone: what stands out is the lit wedge alone,
and that ends before the cut does. Yet between tape and shadow the cut face itself shows as a fine dark line, since
hardly any light gets to it. It runs beside the lit wedge at the shadow's width, which is one along the whole cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, map_coordinates

from extract.doors import Array
from extract.ink.shell_view import Image

WIDEST_MM, APART_MM = 1.8, 0.1
"""Shadows of a shell half a millimetre thick are no wider where a window or a lamp lights it; tried at such steps. From
the first row to the last the width may change by one step."""

LEAST_MM = 0.25
"""A line nearer than that is the edge's own blur."""

BESIDE_MM, LONG_MM, FINE_MM = 0.5, 1.0, 0.12
"""A dark line is darker than what lies so far to either side; the strip is smoothed so much along and across it."""

ELSEWHERE_MM = (2.2, 3.6)
"""Bands of bare shell as wide as the one searched: what they show is creases and noise."""

STANDS_OUT, LEAST_DROP = 1.6, 0.6
"""The line must be so many times as dark as any found elsewhere, and by at least so much of CIE lightness."""

MOST_DROP = 6.0
"""What is darker counts no more, so that a stroke across does not outvote the rest."""

SHADED_MM, LEAST_SHADED_MM, HIDDEN_MM = 14.0, 4.0, 25.0
"""The cut face is looked for over the last of what is seen of a cut, if that is so long; the shadow hides no more."""


@dataclass(frozen=True, eq=False)
class Face:
    """A dark line beside a cut's side: ``start_mm`` and ``end_mm`` outwards of it at the first and last row, ``clear``
    how many times as dark as any line elsewhere."""

    start_mm: float
    end_mm: float
    clear: float


def dark_lines(lab: Image, step_mm: float) -> Array:
    """How much darker (CIE lightness) each pixel of a strip along a cut is than both its neighbours across."""
    light = gaussian_filter(lab[..., 0].astype(float), (LONG_MM / step_mm, FINE_MM / step_mm))
    beside = round(BESIDE_MM / step_mm)
    return np.asarray(np.minimum(np.roll(light, beside, 1), np.roll(light, -beside, 1)) - light, float)


def face_beside(dark: Array, rows: npt.NDArray[np.int64], columns: Array, outwards: int, step_mm: float) -> Face | None:
    """The cut face outwards (-1 or 1) of a side that lies at ``columns`` of ``rows``; None where none is plain."""
    widths = np.arange(0, WIDEST_MM + 1e-6, APART_MM)
    pairs = np.array([(start, start + turn) for start in widths for turn in (-APART_MM, 0.0, APART_MM)])
    part = np.linspace(0, 1, len(rows))
    away = pairs[:, :1] * (1 - part) + pairs[:, 1:] * part

    def darkness(shift_mm: float) -> Array:
        at = columns + outwards * (away + shift_mm) / step_mm
        seen = map_coordinates(dark, [np.broadcast_to(rows, at.shape), at], order=1, mode="nearest")
        return np.asarray(np.clip(seen, -MOST_DROP, MOST_DROP).mean(1), float)

    here = darkness(0.0)
    best = int(here.argmax())
    elsewhere = max(float(darkness(shift_mm).max()) for shift_mm in ELSEWHERE_MM)
    start_mm, end_mm = map(float, pairs[best])
    if here[best] < max(LEAST_DROP, STANDS_OUT * elsewhere) or max(start_mm, end_mm) < LEAST_MM:
        return None
    return Face(start_mm, end_mm, float(here[best]) / max(elsewhere, 0.1 * LEAST_DROP))


def meeting(sides: Array) -> float:
    """How far in two straight sides, offset and slope (2, 2) each, meet."""
    return float((sides[1, 0] - sides[0, 0]) / (sides[0, 1] - sides[1, 1]))


def with_shadow(lab: Image, along: Array, across: Array, sides: Array) -> Array:
    """The sides, offset and slope (2, 2) each, of a cut in a strip with rows ``along`` and columns ``across`` it (mm),
    with the one that is a shadow's edge moved onto the cut face behind it."""
    step_mm, reach_mm = float(across[1] - across[0]), meeting(sides)
    rows = np.flatnonzero((along >= max(0.0, reach_mm - SHADED_MM)) & (along <= reach_mm - 1.0))
    if len(rows) * step_mm < LEAST_SHADED_MM:
        return sides
    far = along[rows]
    dark, sign = dark_lines(lab, step_mm), int(np.sign(sides[1, 0] - sides[0, 0]))
    ways = (-sign, sign)
    at = [(offset + slope * far - across[0]) / step_mm for offset, slope in sides]
    faces = [face_beside(dark, rows, columns, way, step_mm) for columns, way in zip(at, ways, strict=True)]
    which = int(np.argmax([face.clear if face else 0.0 for face in faces]))
    face = faces[which]
    if face is None:
        return sides
    ends = sides[which, 0] + sides[which, 1] * far[[0, -1]] + ways[which] * np.array([face.start_mm, face.end_mm])
    slope = (ends[1] - ends[0]) / (far[-1] - far[0])
    moved = sides.copy()
    moved[which] = ends[0] - slope * far[0], slope
    closing = (moved[1, 0] - moved[0, 0]) * (moved[0, 1] - moved[1, 1]) > 0
    return moved if closing and reach_mm < meeting(moved) < reach_mm + HIDDEN_MM else sides
