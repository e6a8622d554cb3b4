"""Runs strung together: threads, their ends, and the line that two of them make when they are joined.

Words: a *run* lies between nodes of the skeleton; a *thread* is a chain of runs that one pull of the pen made; an *end*
is free when no other ink is there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from extract.doors import Array
from extract.ink.branches import STEP_MM, Run, length

TANGENT_MM = 4.0
PAIR_DEG = 40.0
"""Two ends that turn by less go on into each other; by more, they make a corner."""
CORNER_REACH_MM, CORNER_BACK_MM = 6.0, 3.0
"""A corner lies so far ahead of both ends at most, or so far behind them where the pen overshot."""
CORNER_SINE = 0.3
"""Of two directions with a smaller one it is not told where they cross."""


@dataclass(frozen=True, eq=False)
class Thread:
    """A stroke in the making. ``met`` says for each end whether it was cut at a node, so other ink is near."""

    points_mm: Array
    closed: bool
    met: tuple[bool, bool]
    runs: tuple[Run, ...]

    @property
    def length_mm(self) -> float:
        return length(self.points_mm, self.closed)


@dataclass(frozen=True, eq=False)
class End:
    """One end of a thread: where it is and the unit direction in which it would go on."""

    thread: int
    last: bool
    point: Array
    ahead: Array
    node: int


def ends_of(index: int, thread: Thread, run: Run | None = None) -> list[End]:
    """Both ends of a thread, with the nodes of its run where that is given."""
    nodes = (run.start, run.end) if run else (-1, -1)
    return [
        End(index, last, thread.points_mm[-1 if last else 0], tangent(thread.points_mm, last), nodes[int(last)])
        for last in (False, True)
    ]


def tangent(points: Array, last: bool, over_mm: float = TANGENT_MM) -> Array:
    """Unit direction out of one end, by total least squares over the last millimetres."""
    line = points[::-1] if last else points
    line = line[: max(2, round(over_mm / STEP_MM) + 1)]
    centred = line - line.mean(axis=0)
    way = np.linalg.svd(centred, full_matrices=False)[2][0]
    return way if way @ (line[0] - line[-1]) > 0 else -way


def turn_deg(a: Array, b: Array) -> float:
    """Angle between two unit directions."""
    return float(np.degrees(np.arccos(np.clip(a @ b, -1, 1))))


def chained(threads: Sequence[Thread], joins: list[tuple[End, End]]) -> list[Thread]:
    """Strings threads together along the joins."""
    partner = {(a.thread, a.last): (b.thread, b.last) for x, y in joins for a, b in ((x, y), (y, x))}
    seen: set[int] = set()
    out = []
    for index in range(len(threads)):
        if index in seen:
            continue
        start = _first_of_chain(index, partner)
        pieces = _follow(start, partner)
        seen |= {i for i, _ in pieces}
        out.append(_joined(threads, pieces, partner))
    return out


def _first_of_chain(index: int, partner: dict[tuple[int, bool], tuple[int, bool]]) -> tuple[int, bool]:
    """Walks back to a thread whose near end has no partner; returns (thread, backwards)."""
    here, backwards = index, False
    while (index_before := partner.get((here, backwards))) is not None:
        here, backwards = index_before[0], not index_before[1]
        if here == index:
            break
    return here, backwards


def _follow(start: tuple[int, bool], partner: dict[tuple[int, bool], tuple[int, bool]]) -> list[tuple[int, bool]]:
    pieces = [start]
    while (ahead := partner.get((pieces[-1][0], not pieces[-1][1]))) is not None and ahead[0] != start[0]:
        pieces.append(ahead)
    return pieces


def _joined(
    threads: Sequence[Thread], pieces: list[tuple[int, bool]], partner: dict[tuple[int, bool], tuple[int, bool]]
) -> Thread:
    parts = [threads[i].points_mm[::-1] if backwards else threads[i].points_mm for i, backwards in pieces]
    first, last = pieces[0], pieces[-1]
    closed = threads[first[0]].closed or partner.get((last[0], not last[1])) == first
    line = parts[0]
    for part in parts[1:]:
        line = np.vstack(_link(line, part))
    if closed and not threads[first[0]].closed:
        middle = len(line) // 2
        line = np.vstack(_link(line[middle:], line[:middle]))
    met = (threads[first[0]].met[int(first[1])], threads[last[0]].met[int(not last[1])])
    return Thread(line, closed, met, tuple(r for i, _ in pieces for r in threads[i].runs))


def _link(before: Array, after: Array) -> tuple[Array, Array, Array]:
    """The two sides of a gap and points across it: a smooth blend where they face each other, else by way of the corner
    where their lines meet, with what overshot that corner taken off."""
    a, b = before[-1], after[0]
    gap = float(np.hypot(*(b - a)))
    u, v = tangent(before, True), -tangent(after, False)
    if turn_deg(u, v) > PAIR_DEG and (corner := corner_of(a, u, b, -v)) is not None:
        before, after = _short_of(before, corner, u), _short_of(after[::-1], corner, -v)[::-1]
        return before, np.vstack([_straight(before[-1], corner), _straight(corner, after[0])[:-1]]), after
    if gap < 1.5 * STEP_MM:
        return before, np.empty((0, 2)), after
    at = np.linspace(0, gap, max(2, round(gap / STEP_MM)) + 1)[1:-1]
    return before, CubicHermiteSpline([0, gap], [a, b], [u, v])(at), after


def _short_of(line: Array, corner: Array, ahead: Array) -> Array:
    """The line without the points at its end that lie beyond the corner; two points stay."""
    beyond = (line - corner) @ ahead > -STEP_MM
    near_end = np.cumsum(beyond[::-1] == 0) == 0
    return line[: max(2, len(line) - int(near_end.sum()))]


def _straight(p: Array, q: Array) -> Array:
    count = max(1, round(float(np.hypot(*(q - p))) / STEP_MM))
    return p + (q - p) * (np.arange(1, count + 1) / count)[:, None]


def corner_of(p: Array, u: Array, q: Array, v: Array) -> Array | None:
    """Where the lines through two ends (directions out of them) cross, if near both; a pen may have overshot."""
    if abs(u[0] * v[1] - u[1] * v[0]) < CORNER_SINE:
        return None
    s, t = np.linalg.solve(np.c_[u, -v], q - p)
    near = all(-CORNER_BACK_MM < far < CORNER_REACH_MM for far in (s, t))
    return p + s * u if near else None
