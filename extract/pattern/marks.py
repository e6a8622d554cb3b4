"""What is drawn on a part besides its outline: reference lines, ticks, rings, notes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from extract.doors import Curve, Mark, Stroke
from extract.geometry.curve import circle_curve, polyline_curve
from extract.geometry.fit import fit_circle, fit_curve

_ON_OUTLINE_MM = 1.0
"""A stroke this near to an outline, for most of its way, is the outline: half a marker's width."""
_MOST = 0.6
_SHORTEST_MM = 2.0
"""Shorter leftovers of clipping are crumbs, not marks."""
_ROUND_MM = 1.0
"""A ring drawn by hand strays this far from the circle it was meant to be (common practice, no source)."""
_SMOOTH_MM = 0.3
_THIN_MM = 0.02


def marks_on(shape: shapely.Polygon, strokes: Sequence[Stroke]) -> tuple[Mark, ...]:
    """The strokes clipped to ``shape``; cut edges and strokes that run along its boundary are none."""
    shapely.prepare(shape)
    near = shape.boundary.buffer(_ON_OUTLINE_MM)
    found: list[Mark] = []
    for stroke in strokes:
        if stroke.kind == "cut-edge" or len(stroke.points_mm) < 2:
            continue
        line = _line(stroke)
        if shape.intersects(line):
            found.extend(Mark(stroke.kind, stroke.colour, curve) for curve in _curves(stroke, line, shape, near))
    return tuple(found)


def _line(stroke: Stroke) -> shapely.LineString:
    closed = stroke.closed and len(stroke.points_mm) > 2
    return shapely.LinearRing(stroke.points_mm) if closed else shapely.LineString(stroke.points_mm)


def _curves(
    stroke: Stroke, line: shapely.LineString, shape: shapely.Polygon, near: shapely.Geometry
) -> Iterator[Curve]:
    if line.intersection(near).length > _MOST * line.intersection(shape.buffer(_ON_OUTLINE_MM)).length:
        line = line.difference(near)
    elif stroke.closed and shape.contains(line):
        yield _whole_ring(stroke)
        return
    for piece in _lines(shapely.line_merge(line.intersection(shape))):
        if piece.length >= min(_SHORTEST_MM, line.length / 4):
            yield polyline_curve(np.asarray(piece.simplify(_THIN_MM).coords))


def _lines(shape: shapely.Geometry) -> list[shapely.LineString]:
    parts = shapely.get_parts(shape)
    return [part for part in parts if isinstance(part, shapely.LineString)]


def _whole_ring(stroke: Stroke) -> Curve:
    """A closed stroke: the circle it was meant to be, if it is a ring and round enough, else a smooth curve."""
    if stroke.kind == "ring":
        centre, radius, stray = fit_circle(stroke.points_mm)
        if stray.max() <= _ROUND_MM:
            return circle_curve(centre, radius)
    return fit_curve(stroke.points_mm, _SMOOTH_MM, closed=True).curve
