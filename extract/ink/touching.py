"""Crossings that thinning misses: a glint through the middle of one parts its ink, and what is left looks like two bent
lines that touch and turn back, where two straight ones cross."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import LineString

from extract.doors import Array
from extract.ink.assemble import same_colour
from extract.ink.branches import Run
from extract.ink.threads import End, Thread, chained, tangent, turn_deg

TOUCH_MM = 1.6
"""Middles of lines that come so near each other are of inks that touch: markers are about as wide."""

NEAR_MM, FAR_MM = 2.0, 7.0
"""Which way a line comes to such a place is told between so far from it and so far; what is nearer is not believed."""

BENT_DEG, STRAIGHT_DEG = 20.0, 12.0
"""Both lines turn by more than the first there, and would turn by less than the second if they crossed."""


def crossed(threads: list[Thread]) -> list[Thread]:
    """The threads, but where two touch and turn those that cross there instead."""
    for one, other in _touching(threads):
        found = _crossing(threads[one], threads[other])
        if found:
            return crossed([*(t for i, t in enumerate(threads) if i not in (one, other)), *found])
    return threads


def _touching(threads: list[Thread]) -> list[tuple[int, int]]:
    """Pairs of open threads that come near each other and do not meet."""
    lines = np.array([LineString(t.points_mm) for t in threads], object)
    near = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=TOUCH_MM).T
    return [
        (one, other)
        for one, other in near.tolist()
        if one < other and not (threads[one].closed or threads[other].closed or lines[one].intersects(lines[other]))
    ]


def _crossing(one: Thread, other: Thread) -> list[Thread]:
    """The two threads that cross where two seem to touch and turn; none where they do not."""
    apart, nearest = cKDTree(other.points_mm).query(one.points_mm)
    at = int(apart.argmin())
    parts = [*_parts(one, at), *_parts(other, int(nearest[at]))]
    if len(parts) < 4:
        return []
    a, b, c, d = (_arm(part, index) for index, part in enumerate(parts))
    if min(_turned(a, b), _turned(c, d)) < BENT_DEG or not same_colour(a, c, parts):
        return []
    pairs = min([[(a, c), (b, d)], [(a, d), (b, c)]], key=lambda pairs: max(_turned(*pair) for pair in pairs))
    return chained(parts, pairs) if max(_turned(*pair) for pair in pairs) < STRAIGHT_DEG else []


def _parts(thread: Thread, at: int) -> list[Thread]:
    """A thread before and after one of its points, each from its end next to that on; none where one is too short."""
    away = np.hypot(*(thread.points_mm - thread.points_mm[at]).T)
    parts = []
    for far, points, met in (
        (away[at::-1], thread.points_mm[at::-1], thread.met[0]),
        (away[at:], thread.points_mm[at:], thread.met[1]),
    ):
        if far.max() < FAR_MM:
            return []
        kept = points[int(np.argmax(far > NEAR_MM)) :]
        parts.append(Thread(kept, False, (True, met), _along(thread.runs, kept)))
    return parts


def _along(runs: tuple[Run, ...], points: Array) -> tuple[Run, ...]:
    """What of the runs lies along a line, or all where none does."""
    found = cKDTree(points)
    return tuple(run for run in runs if found.query(run.points_mm[len(run.points_mm) // 2])[0] < TOUCH_MM) or runs


def _arm(part: Thread, index: int) -> End:
    """The end of a part next to the crossing."""
    return End(index, False, part.points_mm[0], tangent(part.points_mm, False, FAR_MM - NEAR_MM), -1)


def _turned(a: End, b: End) -> float:
    return turn_deg(a.ahead, -b.ahead)
