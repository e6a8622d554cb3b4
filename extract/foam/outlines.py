"""A part as a polygon, and the turns worth trying for it."""

from __future__ import annotations

import numpy as np
import shapely

from extract.doors import Part
from extract.geometry.curve import curve_points

QUARTER_TURNS = (0.0, 90.0, 180.0, 270.0)
GRAIN_TURNS = (0.0, 180.0)
MORE_TURNS = tuple(float(turn) for turn in range(0, 180, 15))
"""Tried for a part that no sheet takes upright or along its longest side."""
CHORD_MM = 0.1


def region_of(part: Part, chord_mm: float = CHORD_MM) -> shapely.Polygon:
    """What the part covers, without its holes, by chords within ``chord_mm`` of its curves."""
    holes = [points for hole in part.holes if len(points := curve_points(hole, chord_mm)) >= 3]
    return shapely.make_valid(shapely.Polygon(curve_points(part.outline, chord_mm), holes))


def aligned_turns(region: shapely.Polygon) -> tuple[float, ...]:
    """Quarter turns in degrees, as drawn and with the longest side along the sheet."""
    along = _longest_side_deg(region)
    return tuple(dict.fromkeys((*QUARTER_TURNS, *(round((turn - along) % 360, 3) for turn in QUARTER_TURNS))))


def _longest_side_deg(region: shapely.Polygon) -> float:
    """Direction of the longest side of the smallest rectangle around the part."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(region))
    if len(corners) < 4:
        return 0.0
    sides = np.diff(corners[:3], axis=0)
    x, y = sides[int(np.argmax(np.linalg.norm(sides, axis=1)))]
    return float(np.degrees(np.arctan2(y, x)))
