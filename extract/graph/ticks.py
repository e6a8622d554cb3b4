"""Which line a tick stands on, and how far along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from extract.doors import Array, Silhouette, Stroke
from extract.geometry.planar import closed_up

NEAR_MM = 2.0
"""A tick whose ink stops this short of the line it belongs to still belongs to it: half a marker's width and a slip."""


@dataclass(frozen=True)
class TickPlace:
    """The tick ``tick`` stands on line ``edge`` (a stroke's id, or edge-1, edge-2, … for a cut edge), ``at_mm`` of way
    from that line's first point."""

    tick: str
    edge: str
    at_mm: float


def tick_places(silhouette: Silhouette, strokes: Sequence[Stroke]) -> tuple[TickPlace, ...]:
    """The place of every tick that crosses a line, or nearly reaches one; of several lines the one nearest to the
    tick's middle."""
    lines = {s.id: _line(s.points_mm, s.closed) for s in strokes if s.kind in ("marker", "ring")}
    lines |= {f"edge-{n}": _line(ring, True) for n, ring in enumerate(silhouette.rings_mm, start=1)}
    places = (_place(stroke, lines) for stroke in strokes if stroke.kind == "tick")
    return tuple(place for place in places if place is not None)


def _line(points_mm: Array, closed: bool) -> shapely.LineString:
    return shapely.LineString(closed_up(points_mm) if closed else points_mm)


def _place(stroke: Stroke, lines: dict[str, shapely.LineString]) -> TickPlace | None:
    tick = _line(stroke.points_mm, False)
    names = list(lines)
    apart = shapely.distance(np.array([lines[name] for name in names], object), tick)
    middle, found = tick.interpolate(0.5, normalized=True), []
    for name in (names[k] for k in np.flatnonzero(apart < NEAR_MM)):
        for x, y in _meetings(tick, lines[name]):
            spot = shapely.Point(x, y)
            found.append((spot.distance(middle), name, float(lines[name].project(spot))))
    if not found:
        return None
    _, name, at = min(found)
    return TickPlace(stroke.id, name, at)


def _meetings(tick: shapely.LineString, line: shapely.LineString) -> Array:
    crossings = shapely.get_coordinates(tick.intersection(line))
    return crossings if len(crossings) else shapely.get_coordinates(shapely.shortest_line(tick, line))[1:]
