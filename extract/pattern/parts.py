"""Panels made ready for cutting: numbered, lettered, marked, and mirrored into pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from extract.doors import Doubt, Panel, Part, Pattern, Stroke
from extract.geometry.curve import curve_area, curve_length, curve_points, mirrored, reversed_curve
from extract.pattern.marks import marks_on

_GAP_MM = 20.0
"""Between the traced layout and its mirror image: room for a pair of scissors."""
_ROOM_STEP_MM = 0.5


def make_pattern(
    panels: Sequence[Panel],
    strokes: Sequence[Stroke],
    photo_name: str,
    date: str,
    pairs: bool = False,
    doubts: Sequence[Doubt] = (),
) -> Pattern:
    """The pattern of ``panels``, numbered 1, 2, … in their order, with ``strokes`` as marks where they cross them.

    Parts lie as they were traced. With ``pairs`` the traced parts are the left ones ("L"); each has a mirrored twin
    "R" of the same number in a mirrored layout to the right, marks included.
    """
    parts = tuple(_part(panel, str(n), strokes) for n, panel in enumerate(panels, start=1))
    if pairs and parts:
        right = max(float(curve_points(part.outline)[:, 0].max()) for part in parts)
        twins = tuple(_twin(part, right + _GAP_MM / 2) for part in parts)
        parts = (*(replace(part, side="L") for part in parts), *twins)
    return Pattern(parts, photo_name, date, tuple(doubts))


def _part(panel: Panel, number: str, strokes: Sequence[Stroke]) -> Part:
    shape = shapely.Polygon(curve_points(panel.outline), [curve_points(hole) for hole in panel.holes])
    label, room = _free_circle(shape)
    return Part(
        number=number,
        side="",
        outline=panel.outline,
        holes=panel.holes,
        marks=marks_on(shape, strokes),
        area_mm2=panel.area_mm2,
        perimeter_mm=panel.perimeter_mm,
        sigma_mm=panel.sigma_mm,
        label_mm=label,
        room_mm=room,
    )


def _free_circle(shape: shapely.Polygon) -> tuple[tuple[float, float], float]:
    """Centre and radius of the largest circle that fits the material."""
    spoke = shapely.maximum_inscribed_circle(shape, tolerance=_ROOM_STEP_MM)
    x, y = np.asarray(spoke.coords)[0]
    return (float(x), float(y)), float(spoke.length)


def _twin(part: Part, axis_x_mm: float) -> Part:
    """The part's mirror image, its outline turned to run the same way round again."""
    outline = reversed_curve(mirrored(part.outline, axis_x_mm))
    holes = tuple(reversed_curve(mirrored(hole, axis_x_mm)) for hole in part.holes)
    return replace(
        part,
        side="R",
        outline=outline,
        holes=holes,
        marks=tuple(replace(mark, curve=mirrored(mark.curve, axis_x_mm)) for mark in part.marks),
        area_mm2=curve_area(outline) + sum(curve_area(hole) for hole in holes),
        perimeter_mm=curve_length(outline),
        label_mm=(2 * axis_x_mm - part.label_mm[0], part.label_mm[1]),
    )
