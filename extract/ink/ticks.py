"""Ticks too faint to be told by themselves: short strokes that stand on both sides of an inked line and end there.

A tape edge or a wrinkle that crosses a line goes on beyond it. A tick is darker than the tape on both its sides for a
few millimetres on either side of the line, and then stops. Where a tape edge runs over a tick, both were read as one
line: what is beyond the tick's ends is then judged anew, without the tick's ink to speak for it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from extract.doors import Array, FlatView
from extract.geometry.planar import arc_length
from extract.ink.belief import LEAST_VOTES, RunEnd, judged, links, other_end, vote, way_out
from extract.ink.branches import Run, place, with_true_nodes
from extract.ink.darkness import InkField, sample, strongest
from extract.ink.skeleton import Branch

SQUARE_DEG = 50.0
"""Least angle between a tick and the line it stands on."""
STEP_MM = 0.2
FIRST_MM, SHORTEST_MM, LONGEST_MM = 1.4, 3.0, 8.0
"""Of one half: where the line's own ink is left behind, and how far ticks reach (common practice, no source)."""
BEYOND_MM = (0.8, 3.2)
"""Where nothing more is to be seen, beyond the end of a half and its blur."""
CORE_MM, SIDE_MM = 0.45, (1.1, 2.1)
SURE, LIKELY = 0.22, 0.12
"""Share of light taken more than on either side, in the weaker half, that makes a tick: on our own scenes what else
crosses a line stays below 0.215, and nine of ten faint ticks lie above. What is likely needs runs that do not plainly
speak against ink."""
LEAST_TICK_VOTES = -6.0
LEAST_REST_MM = 2.0
"""Less than this beyond a tick's end is its own blunt end."""
LOOSE_MM, LEAN_DEG = 9.0, 30.0
"""A run as short as this that ends free beside the line, in the tick's direction, is half of it."""


@dataclass(frozen=True, eq=False)
class _Stub:
    """A dark run that leaves a node of an inked line at a wide angle: which one, where it starts and its direction."""

    run: RunEnd
    node: int
    foot_mm: Array
    ahead: Array


def with_ticks(ink: list[Run], seen: Sequence[Run], field: InkField, flat: FlatView) -> list[Run]:
    """``ink`` and the ticks on its lines that it lacks, without what merely runs on from a tick; ``seen`` are all dark
    runs, ``ink`` among them."""
    inked = {_key(run) for run in ink}
    ink = _ended(ink, field, flat)
    stubs = _stubs(ink, [run for run in seen if _key(run) not in inked])
    if not stubs:
        return ink
    strength, lengths = _stands(stubs, field, flat)
    chosen: dict[int, int] = {}
    for k in np.argsort(-strength).tolist():
        if strength[k] >= SURE or (strength[k] >= LIKELY and _speaks_for_ink(stubs[k], seen)):
            chosen.setdefault(stubs[k].node, k)
    kept = [run for run in ink if not any(_is_half(run, stubs[k]) for k in chosen.values())]
    fresh = [
        _half(stubs[k], sign * lengths[k, side], field, flat)
        for k in chosen.values()
        for side, sign in enumerate((1.0, -1.0))
    ]
    return with_true_nodes([*kept, *fresh])


def _ended(ink: list[Run], field: InkField, flat: FlatView) -> list[Run]:
    """``ink`` with every tick that a paler line carries on cut off where its own ink ends."""
    stubs = _stubs(ink, ink)
    if not stubs:
        return ink
    strength, lengths = _stands(stubs, field, flat)
    link, instead = links(ink), dict[int, list[Run]]()
    for k in np.argsort(-strength).tolist():
        if strength[k] < LIKELY:
            break
        halves = [(stubs[k].run, lengths[k, 0]), *((end, lengths[k, 1]) for end in _opposite(ink, stubs[k])[:1])]
        parts = [_cut(end, reach, ink, link, field, flat) for end, reach in halves]
        changes = {index: runs for part in parts if part for index, runs in part.items()}
        if None not in parts and not changes.keys() & instead.keys():
            instead |= changes
    return with_true_nodes([new for i, run in enumerate(ink) for new in instead.get(i, [run])])


def _opposite(ink: Sequence[Run], stub: _Stub) -> list[RunEnd]:
    """Ends at the stub's node of runs that carry it on to the other side of the line."""
    ends = [(i, last) for i, run in enumerate(ink) if not run.closed for last in (False, True)]
    at = [(i, last) for i, last in ends if (ink[i].end if last else ink[i].start) == stub.node and i != stub.run[0]]
    return [e for e in at if float(way_out(ink[e[0]].points_mm, e[1]) @ stub.ahead) > np.cos(np.radians(LEAN_DEG))]


def _cut(
    near: RunEnd, reach_mm: float, ink: Sequence[Run], link: dict[RunEnd, RunEnd], field: InkField, flat: FlatView
) -> dict[int, list[Run]] | None:
    """What is to stand in place of which runs so that the half tick from ``near`` on ends after ``reach_mm``; nothing
    where it ends there as it is, None where ink goes on, so that it is no tick."""
    (index, last), run = near, ink[near[0]]
    points = run.points_mm[::-1] if last else run.points_mm
    at = arc_length(points)
    parts, onward = [], _onward(near, link)
    if at[-1] > reach_mm + LEAST_REST_MM:
        pieces = (points[at <= reach_mm], run.end if last else run.start), (points[at > reach_mm], -1)
        parts = [place(Branch(flat.px_from_mm(piece), node, -1), field, flat) for piece, node in pieces]
    votes = [vote(part) for part in (*parts[1:], *(ink[i] for i in onward))]
    natures = judged(votes, False, LEAST_VOTES, 0.0)  # that there is a line at all is settled by the tick
    if any(natures[:1]):
        return None
    pale = [*natures[len(parts[1:]) :], True].index(True)
    return {i: [] for i in onward[:pale]} | ({index: parts[:1]} if parts else {})


def _onward(near: RunEnd, link: dict[RunEnd, RunEnd]) -> list[int]:
    """The runs that carry on the one whose near end is given, beyond its far end."""
    found, here = [near[0]], link.get(other_end(near))
    while here is not None and here[0] not in found:
        found.append(here[0])
        here = link.get(other_end(here))
    return found[1:]


def _stubs(ink: Sequence[Run], others: Sequence[Run]) -> list[_Stub]:
    """Where one of ``others`` leaves a line of ``ink``; the two may be the same."""
    through: dict[int, list[Array]] = defaultdict(list)
    for run in ink:
        for node, last in ((run.start, False), (run.end, True)):
            if node >= 0 and not run.closed:
                through[node].append(way_out(run.points_mm, last))
    found = []
    for index, run in enumerate(others):
        if run.closed:
            continue
        for node, last in ((run.start, False), (run.end, True)):
            ahead = -way_out(run.points_mm, last)
            across = [way for way in through.get(node, ()) if abs(float(way @ ahead)) < np.cos(np.radians(SQUARE_DEG))]
            if len(across) > 1:
                found.append(_Stub((index, last), node, run.points_mm[-1 if last else 0], ahead))
    return found


def _key(run: Run) -> bytes:
    return run.points_mm.tobytes()


def _stands(stubs: Sequence[_Stub], field: InkField, flat: FlatView) -> tuple[Array, Array]:
    """How plainly each stub and what lies opposite stand out and end (K,), and the lengths of both (K, 2) in mm."""
    along = np.arange(0.0, LONGEST_MM + BEYOND_MM[1] + STEP_MM, STEP_MM)
    across = np.arange(-SIDE_MM[1], SIDE_MM[1] + STEP_MM, STEP_MM)
    foot, ahead = np.array([s.foot_mm for s in stubs]), np.array([s.ahead for s in stubs])
    aside = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    way = np.array([1.0, -1.0])[:, None] * along
    grid = foot[:, None, None, None] + way[..., None, None] * ahead[:, None, None, None]
    grid = grid + across[:, None] * aside[:, None, None, None]
    taken = 1 - np.exp(-strongest(sample(field.ratio, flat.px_from_mm(grid.reshape(-1, 2)))))
    taken = taken.reshape(len(stubs), 2, len(along), len(across))
    core, left, right = (
        taken[..., part].mean(axis=-1) for part in (np.abs(across) < CORE_MM, across < -SIDE_MM[0], across > SIDE_MM[0])
    )
    strength, lengths = _ending(core - np.maximum(left, right))
    return strength.min(axis=1), lengths


def _ending(contrast: Array) -> tuple[Array, Array]:
    """For the best place to end, how much more contrast there is before it than beyond, and that place in mm;
    ``contrast`` (…, N) every ``STEP_MM`` from the line on."""
    total = np.cumsum(np.concatenate([np.zeros((*contrast.shape[:-1], 1)), contrast], axis=-1), axis=-1)
    first = round(FIRST_MM / STEP_MM)
    near, far = (round(mm / STEP_MM) for mm in BEYOND_MM)
    end = np.arange(round(SHORTEST_MM / STEP_MM), round(LONGEST_MM / STEP_MM) + 1)
    before = (total[..., end] - total[..., first : first + 1]) / (end - first)
    beyond = (total[..., end + far] - total[..., end + near]) / (far - near)
    gain = before - np.abs(beyond)
    best = gain.argmax(axis=-1)
    return np.take_along_axis(gain, best[..., None], axis=-1)[..., 0], end[best] * STEP_MM


def _speaks_for_ink(stub: _Stub, seen: Sequence[Run]) -> bool:
    """Whether both halves are short runs of their own that may be ink."""
    halves = [run for run in seen if _is_half(run, stub)]
    return len(halves) == 2 and sum(vote(run) for run in halves) > LEAST_TICK_VOTES


def _is_half(run: Run, stub: _Stub) -> bool:
    if run.closed or (run.start == stub.node) == (run.end == stub.node) or run.length_mm > LOOSE_MM:
        return False
    last = run.end == stub.node
    loose = (run.start if last else run.end) < 0
    return loose and abs(float(way_out(run.points_mm, last) @ stub.ahead)) > np.cos(np.radians(LEAN_DEG))


def _half(stub: _Stub, reach_mm: float, field: InkField, flat: FlatView) -> Run:
    points = stub.foot_mm + np.linspace(0, reach_mm, max(2, round(abs(reach_mm) / STEP_MM)))[:, None] * stub.ahead
    return place(Branch(flat.px_from_mm(points), stub.node, -1), field, flat)
