"""Ticks too faint to be told by themselves: short strokes that stand on both sides of an inked line and end there.

A tape edge or a wrinkle that crosses a line goes on beyond it. A tick is darker than the tape on both its sides for a
few millimetres on either side of the line, and then stops.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from extract.doors import Array, FlatView
from extract.ink.belief import RunEnd, vote, way_out
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
LEAST_VOTES = -6.0
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
    """``ink`` and the ticks on its lines that it lacks; ``seen`` are all dark runs, ``ink`` among them."""
    stubs = _stubs(ink, seen)
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


def _stubs(ink: Sequence[Run], seen: Sequence[Run]) -> list[_Stub]:
    through: dict[int, list[Array]] = defaultdict(list)
    for run in ink:
        for node, last in ((run.start, False), (run.end, True)):
            if node >= 0 and not run.closed:
                through[node].append(way_out(run.points_mm, last))
    inked = {_key(run) for run in ink}
    found = []
    for index, run in enumerate(seen):
        if run.closed or _key(run) in inked:
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
    return len(halves) == 2 and sum(vote(run) for run in halves) > LEAST_VOTES


def _is_half(run: Run, stub: _Stub) -> bool:
    if run.closed or (run.start == stub.node) == (run.end == stub.node) or run.length_mm > LOOSE_MM:
        return False
    last = run.end == stub.node
    loose = (run.start if last else run.end) < 0
    return loose and abs(float(way_out(run.points_mm, last) @ stub.ahead)) > np.cos(np.radians(LEAN_DEG))


def _half(stub: _Stub, reach_mm: float, field: InkField, flat: FlatView) -> Run:
    points = stub.foot_mm + np.linspace(0, reach_mm, max(2, round(abs(reach_mm) / STEP_MM)))[:, None] * stub.ahead
    return place(Branch(flat.px_from_mm(points), stub.node, -1), field, flat)
