"""Carries the ends of threads to what they were drawn to: another stroke or the cut edge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely import LineString, MultiLineString, Point, Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from extract.doors import Array, Silhouette
from extract.geometry.planar import closed_up
from extract.ink.branches import length
from extract.ink.threads import Thread, tangent

STROKE_REACH_MM = 5.0
"""A ridge fades about two widths before the cut edge, and pens lift early."""
LONG_STROKE_MM = 20.0
LONG_REACH_MM = 8.0
"""Nobody draws a long line to stop short of another by less; glare and a lifted pen do that."""
SNAP_DEG, SNAP_MM = (0.0, 20.0, 40.0, 50.0), (7.0, 7.0, 4.0, 2.5)
"""An end may pass a corner of another stroke by a hair, so that straight ahead of it there is nothing: how far such a
corner may be for how far it lies off the way ahead."""
SNAP_STEP_MM, ASIDE_COST = 0.1, 3.0
"""The direction of an end is known to a tenth or two, so a place 20° off the way must be twice as near."""
OWN_FAR_MM = 25.0
"""An end may meet its own line so far along it: a loop, and no hook."""
STRANGE_MM = 4.0
"""A line of another colour that lies so much nearer was the end of the stroke; where three lines meet it is not."""
LEAST_PIECE_MM = 1.0
OVERRUN_MM = 0.05
"""Ends go this far beyond what they meet, so that the crossing is there in floating point."""


def carried(threads: list[Thread], silhouette: Silhouette, may_reach: list[bool], colours: list[str]) -> list[Thread]:
    """Extends the open ends of threads that bound something to the cut edge or another line, of the same colour
    first."""
    edge = cut_edge(silhouette)
    lines = [thread_line(t) for t in threads]
    tree = STRtree(lines)
    out = []
    for index, thread in enumerate(threads):
        if thread.closed or not may_reach[index]:
            out.append(thread)
            continue
        points = thread.points_mm
        for last in (False, True):
            around = tree.query(Point(points[-1 if last else 0]).buffer(LONG_REACH_MM))
            others = [i for i in around if i != index and may_reach[i]]
            own = [lines[i] for i in others if colours[i] == colours[index]]
            strange = [lines[i] for i in others if colours[i] != colours[index]]
            points = _reach(points, last, thread.met[int(last)], [*own, *_far_along(points, last), edge], strange)
        out.append(replace(thread, points_mm=points))
    return out


def _far_along(points: Array, last: bool) -> list[BaseGeometry]:
    """What of a line lies far along it from one end, which may end on that: a loop that the pen closed on itself."""
    from_end = points[::-1] if last else points
    along = np.cumsum(np.hypot(*np.diff(from_end, axis=0).T))
    far = from_end[int(np.searchsorted(along, OWN_FAR_MM)) + 1 :]
    return [LineString(far)] if len(far) > 1 else []


def clipped(threads: list[Thread], shell: BaseGeometry) -> list[Thread]:
    """What of the threads lies on the shell; one that runs over a cut becomes two."""
    room = shell.buffer(2 * OVERRUN_MM)
    shapely.prepare(room)
    return [piece for thread in threads for piece in _pieces_on(thread, room)]


def _pieces_on(thread: Thread, room: BaseGeometry) -> list[Thread]:
    line = thread_line(thread)
    if room.covers(line):
        return [thread]
    parts = shapely.get_parts(shapely.line_merge(line.intersection(room)))
    lines = [shapely.get_coordinates(part) for part in parts if part.length > LEAST_PIECE_MM]
    return [replace(thread, points_mm=points, closed=False) for points in lines]


def cut_edge(silhouette: Silhouette) -> MultiLineString:
    return MultiLineString([closed_up(ring) for ring in silhouette.rings_mm])


def shell_of(silhouette: Silhouette) -> BaseGeometry:
    return shapely.union_all([Polygon(ring).buffer(0) for ring in silhouette.rings_mm])


def thread_line(thread: Thread) -> LineString:
    points = thread.points_mm
    return LineString(closed_up(points) if thread.closed else points)


def _reach(points: Array, last: bool, met: bool, own: list[BaseGeometry], strange: list[BaseGeometry]) -> Array:
    tip, way = points[-1 if last else 0], tangent(points, last)
    reach = LONG_REACH_MM if met or length(points) > LONG_STROKE_MM else STROKE_REACH_MM
    hit, other = (_target(tip, way, reach, targets) for targets in (own, strange))
    if hit is None or (other is not None and np.hypot(*(other - tip)) + STRANGE_MM < np.hypot(*(hit - tip))):
        hit = other
    if hit is None:
        return points
    gap = hit - tip
    far = float(np.hypot(*gap))
    end = hit + (gap / far if far > 1e-6 else way) * OVERRUN_MM
    return np.vstack([points, end]) if last else np.vstack([end, points])


def _target(tip: Array, way: Array, reach_mm: float, targets: list[BaseGeometry]) -> Array | None:
    hit = _first_hit(tip, way, reach_mm, targets)
    return _nearest(tip, way, targets) if hit is None else hit


def _first_hit(tip: Array, way: Array, reach_mm: float, targets: list[BaseGeometry]) -> Array | None:
    """Nearest crossing of the ray from just behind the tip."""
    ray = LineString([tip - 0.3 * way, tip + reach_mm * way])
    crossings = shapely.get_coordinates(shapely.intersection(ray, np.array(targets, object)))
    if len(crossings) == 0:
        return None
    ahead = (crossings - tip) @ way
    return np.asarray(crossings[int(np.argmin(np.abs(ahead)))])


def _nearest(tip: Array, way: Array, targets: list[BaseGeometry]) -> Array | None:
    """The point of the targets that an end might have been drawn to, though nothing lies straight ahead: very near, or
    near and about straight ahead; off the way counts more than far."""
    around = Point(tip).buffer(SNAP_MM[0])
    near = shapely.segmentize(shapely.intersection(np.array(targets, object), around), SNAP_STEP_MM)
    found = shapely.get_coordinates(near) - tip
    if len(found) == 0:
        return None
    far = np.hypot(*found.T)
    ahead, aside = found @ way, np.abs(found[:, 0] * way[1] - found[:, 1] * way[0])
    able = far < np.interp(np.degrees(np.arctan2(aside, ahead)), SNAP_DEG, SNAP_MM)
    cost = np.where(able, far + ASIDE_COST * aside, np.inf)
    best = int(np.argmin(cost))
    return np.asarray(tip + found[best]) if able[best] else None
