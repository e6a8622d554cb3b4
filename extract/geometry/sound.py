"""Whether outlines are ones: closed, clockwise to the eye, without crossings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from extract.doors import Array, Curve
from extract.geometry.curve import ring_points
from extract.geometry.planar import signed_area

LOOP_MM2 = 0.01
"""A loop of a tenth of a millimetre across: no knife follows it, and the fit may leave one at a corner."""


def are_sound(outlines: Sequence[Sequence[Curve]], chord_mm: float = 0.02, loop_mm2: float = 0.0) -> list[bool]:
    """Whether each outline, given as its edges in order, runs clockwise to the eye and does not cross itself, as far as
    chords within ``chord_mm`` show; loops of up to ``loop_mm2`` in all are overlooked. Worked out together, which is
    much quicker."""
    return [_is_sound(ring, loop_mm2) for ring in ring_points(outlines, chord_mm)]


def crosses_itself(ring: shapely.LinearRing, loop_mm2: float = LOOP_MM2) -> bool:
    """Whether a ring crosses itself by more than loops of ``loop_mm2`` in all.

    What it encloses by the even-odd rule differs from its signed area by at least the area of every loop.
    """
    shape = shapely.polygons(ring)
    if shapely.is_valid(shape):
        return False
    return bool(abs(shapely.make_valid(shape).area - shape.area) > loop_mm2)


def _is_sound(ring: Array, loop_mm2: float) -> bool:
    if len(ring) < 3 or not np.isfinite(ring).all() or signed_area(ring) <= 0:
        return False
    return not crosses_itself(shapely.linearrings(ring), loop_mm2)
