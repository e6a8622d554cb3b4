"""Whether outlines are ones: closed, clockwise to the eye, without crossings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from extract.doors import Curve
from extract.geometry.curve import ring_points
from extract.geometry.planar import signed_area

LOOP_MM2 = 0.01
"""A loop of a tenth of a millimetre across: no knife follows it, and the fit may leave one at a corner."""


def are_sound(outlines: Sequence[Sequence[Curve]], chord_mm: float = 0.02, loop_mm2: float = 0.0) -> list[bool]:
    """Whether each outline, given as its edges in order, runs clockwise to the eye and does not cross itself, as far as
    chords within ``chord_mm`` show; loops of up to ``loop_mm2`` in all are overlooked. Worked out together, which is
    much quicker."""
    rings = ring_points(outlines, chord_mm)
    turned = [len(ring) > 2 and bool(np.isfinite(ring).all()) and signed_area(ring) > 0 for ring in rings]
    shapes = [shapely.polygons(ring) for ring, right in zip(rings, turned, strict=True) if right]
    fine = iter([bool(ok) or _loops(s) <= loop_mm2 for ok, s in zip(shapely.is_valid(shapes), shapes, strict=True)])
    return [right and next(fine) for right in turned]


def _loops(shape: shapely.Polygon) -> float:
    """What a ring encloses by the even-odd rule less its signed area, in mm²: at least the area of every loop."""
    return float(abs(shapely.make_valid(shape).area - shape.area))
