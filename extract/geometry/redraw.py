"""Lines redrawn by hand: cut in two, joined, pulled, landed on others. Every line knows which of its points a hand set.

Words: the *foot* of a point is the place on a line nearest to it; *way* is length along the line.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely
from shapely.ops import substring

from extract.doors import Array, Mask
from extract.geometry.planar import arc_length, closed_up, densified, without_repeats

STEP_MM = 0.5
"""Points of hand-drawn stretches lie this close, as those of read strokes do."""
_TOUCH_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Line:
    """A polyline; a closed one does not repeat its first point. ``by_hand`` (N,) marks the points a hand set."""

    points_mm: Array
    closed: bool
    by_hand: Mask

    def walk(self) -> Array:
        """The points in order, a closed line back to its start."""
        return closed_up(self.points_mm) if self.closed else self.points_mm

    def shape(self) -> shapely.LineString:
        return shapely.LineString(self.walk())

    def hand_share(self) -> float:
        """Share of the way that a hand set, 0 to 1."""
        steps = np.diff(arc_length(self.walk()))
        marked = np.append(self.by_hand, self.by_hand[:1]) if self.closed else self.by_hand
        touched = marked[:-1] & marked[1:]
        return float(steps[touched].sum() / max(steps.sum(), _TOUCH_MM))


def as_read(points_mm: Array, closed: bool) -> Line:
    """A line that no hand has touched."""
    return Line(points_mm, closed, np.zeros(len(points_mm), bool))


def drawn(points_mm: Array, closed: bool) -> Line:
    """A line that a hand drew, its points brought close together. Raises ValueError where nothing is left to draw."""
    points = without_repeats(np.asarray(points_mm, float))
    if closed and len(points) > 1 and (points[0] == points[-1]).all():
        points = points[:-1]
    if len(points) < (3 if closed else 2):
        raise ValueError("too few points for a line")
    dense = densified(closed_up(points) if closed else points, STEP_MM)
    dense = dense[:-1] if closed else dense
    return Line(dense, closed, np.ones(len(dense), bool))


def split(line: Line, at_mm: Array, end_mm: float = 1.0) -> tuple[Line, ...]:
    """The two parts of an open line at the foot of ``at_mm`` (2,); a closed line is opened there, which leaves one.

    Raises ValueError within ``end_mm`` of an end, where nothing worth keeping would be cut off.
    """
    line, index = _with_foot(line, at_mm)
    if line.closed:
        order = np.append(np.arange(index, index + len(line.points_mm)) % len(line.points_mm), index)
        return (Line(line.points_mm[order], False, line.by_hand[order]),)
    way = arc_length(line.points_mm)
    if not end_mm <= way[index] <= way[-1] - end_mm:
        raise ValueError("too near to the end of the line")
    cut = index + 1
    return (
        Line(line.points_mm[:cut], False, line.by_hand[:cut]),
        Line(line.points_mm[index:], False, line.by_hand[index:]),
    )


def joined(first: Line, second: Line) -> Line:
    """Two open lines made one across the gap between their nearest ends."""
    ways = list(product((False, True), repeat=2))
    gaps = [np.linalg.norm(_facing(first, a).points_mm[-1] - _facing(second, b).points_mm[0]) for a, b in ways]
    turn_first, turn_second = ways[int(np.argmin(gaps))]
    before, after = _facing(first, turn_first), _facing(second, turn_second)
    bridge = densified(np.stack([before.points_mm[-1], after.points_mm[0]]), STEP_MM)[1:-1]
    points = np.vstack([before.points_mm, bridge, after.points_mm])
    marks = np.concatenate([before.by_hand, np.ones(len(bridge), bool), after.by_hand])
    if len(bridge):
        marks[len(before.points_mm) - 1] = marks[len(before.points_mm) + len(bridge)] = True
    keep = np.append(True, (np.diff(points, axis=0) != 0).any(axis=1))
    return Line(points[keep], False, marks[keep])


def closed_by_hand(line: Line) -> Line:
    """The open line closed across the gap between its ends."""
    bridge = densified(np.stack([line.points_mm[-1], line.points_mm[0]]), STEP_MM)[1:-1]
    points = np.vstack([line.points_mm, bridge])
    marks = np.concatenate([line.by_hand, np.ones(len(bridge), bool)])
    if (points[0] == points[-1]).all():
        points, marks = points[:-1], marks[:-1]
    return Line(points, True, marks)


def pulled(line: Line, from_mm: Array, to_mm: Array, reach_mm: float, sharp: bool) -> Line:
    """The line with the foot of ``from_mm`` brought to ``to_mm``; what lies within ``reach_mm`` of way follows.

    ``sharp`` lets the pull fade evenly, so that the straight sides of a corner stay straight; otherwise it fades like
    a cosine and leaves no kink.
    """
    line, index = _with_foot(line, from_mm)
    way = arc_length(line.walk())
    off = np.abs(way[: len(line.points_mm)] - way[index])
    if line.closed:
        off = np.minimum(off, way[-1] - off)
    near = np.clip(1 - off / reach_mm, 0.0, 1.0)
    weight = near if sharp else (1 - np.cos(np.pi * near)) / 2
    shift = np.asarray(to_mm, float) - line.points_mm[index]
    return Line(line.points_mm + weight[:, None] * shift, line.closed, line.by_hand | (weight > 0))


def landed(line: Line, others: shapely.Geometry, snap_mm: float, over_mm: float) -> Line:
    """The line with each end that lies within ``snap_mm`` of ``others`` led onto them, and ``over_mm`` beyond so that
    rounding leaves no gap."""
    if line.closed or others.is_empty:
        return line
    points, marks = line.points_mm, line.by_hand
    for end in (0, -1):
        tip = points[end]
        foot = shapely.get_coordinates(shapely.shortest_line(others, shapely.Point(tip)))[0]
        away = float(np.linalg.norm(foot - tip))
        if away > snap_mm or (away < over_mm and _last_stretch(points, end, snap_mm).crosses(others)):
            continue
        ahead = foot - tip if away > _TOUCH_MM else tip - points[1 if end == 0 else -2]
        beyond = foot + over_mm * ahead / max(float(np.linalg.norm(ahead)), _TOUCH_MM)
        points = np.vstack([beyond, points] if end == 0 else [points, beyond])
        marks = np.append(True, marks) if end == 0 else np.append(marks, True)
    return Line(points, False, marks)


def _last_stretch(points_mm: Array, end: int, length_mm: float) -> shapely.LineString:
    """The line's last ``length_mm`` before one of its ends, 0 or -1."""
    whole = shapely.LineString(points_mm)
    length = min(length_mm, whole.length / 2)
    start, stop = (0.0, length) if end == 0 else (whole.length - length, whole.length)
    stretch: shapely.LineString = substring(whole, start, stop)
    return stretch


def _facing(line: Line, turned: bool) -> Line:
    return Line(line.points_mm[::-1], False, line.by_hand[::-1]) if turned else line


def _with_foot(line: Line, at_mm: Array) -> tuple[Line, int]:
    """The line with the foot of ``at_mm`` among its points, and its index there."""
    walk = line.walk()
    way = arc_length(walk)
    foot_way = line.shape().project(shapely.Point(np.asarray(at_mm, float)))
    nearest = int(np.argmin(np.abs(way - foot_way)))
    if abs(way[nearest] - foot_way) < _TOUCH_MM:
        return line, nearest % len(line.points_mm)
    after = int(np.searchsorted(way, foot_way))
    share = (foot_way - way[after - 1]) / (way[after] - way[after - 1])
    foot = walk[after - 1] + share * (walk[after] - walk[after - 1])
    between = line.by_hand[after - 1] and line.by_hand[after % len(line.by_hand)]
    points = np.insert(line.points_mm, after, foot, axis=0)
    return Line(points, line.closed, np.insert(line.by_hand, after, between)), after
