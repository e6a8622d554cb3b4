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
from extract.ink.bars import STEP_MM, Bars, find_bars
from extract.ink.belief import LEAST_VOTES, MOST_FOR, RunEnd, judged, links, other_end, vote, way_out
from extract.ink.branches import Run, place, with_true_nodes
from extract.ink.darkness import InkField
from extract.ink.skeleton import Branch

SQUARE_DEG = 50.0
"""Least angle between a tick and the line it stands on."""
DARK, SURE, PLAIN, LIKELY = 0.34, 0.23, 0.18, 0.165
"""Strength of a bar that makes a tick: of any; of one of a tick's shape; of such a one whose halves are two short runs
that end free; of such whose runs do not plainly speak against ink. On our own hard scenes (seeds 9000 to 9039, 9100 to
9139) whatever else crosses a line stays below."""
LEAST_MM, MOST_MM, MOST_PAIR_MM, MOST_INK_MM = 0.65, 1.25, 1.35, 1.5
GLINT, PAIR_GLINT = 0.3, 0.6
"""Ticks this faint come from a thin tip; a wrinkle is wider, unless its runs say that they are ink, or bright at its
side."""
LEAST_TICK_VOTES = -6.0
FAINTEST, ODDS_NEEDED = 0.15, 2.2
"""What is fainter is as often a crease; and the log odds from which a bar is a tick."""
WEIGHTS = {"even": 14.6, "strength": 7.3, "broader": -10.6, "narrower": -13.5, "glint": -5.5, "a pair": 4.6}
"""Log odds that a bar is a tick: a constant, per log of its strength, per log of its width over and under a tip's,
per glint, and for two halves that show the same bar. A logistic regression on our own hard scenes has them;
``tests/bench/bench_faint_ticks.py FOLDER`` fits them anew and counts true and false ticks."""
TIP_MM = (0.85, 1.0)
LEAST_REST_MM = 2.0
"""Less than this beyond a tick's end is its own blunt end."""
LONG_MM = 25.0
LOOSE_MM, LEAN_DEG = 9.0, 30.0
"""A run as short as this that ends free beside the line, in the tick's direction, is half of it."""


@dataclass(frozen=True, eq=False)
class Stub:
    """A dark run that leaves a node of an inked line at a wide angle: which one, where it starts and its direction."""

    run: RunEnd
    node: int
    foot_mm: Array
    ahead: Array


@dataclass(frozen=True)
class Look:
    """A bar as it looks from how many halves: its least strength, least and most width (mm), most glint, and whether it
    was found from two of them."""

    halves: int
    strength: float
    width_mm: tuple[float, float]
    glint: float
    paired: bool


def with_ticks(ink: list[Run], seen: Sequence[Run], field: InkField, flat: FlatView) -> list[Run]:
    """``ink`` and the ticks on its lines that it lacks, without what merely runs on from a tick; ``seen`` are all dark
    runs, ``ink`` among them."""
    ink, stubs, bars = candidates(ink, seen, field, flat)
    if bars is None:
        return ink
    chosen: dict[int, int] = {}
    for k in np.argsort(-bars.strength).tolist():
        halves = halves_of(stubs[k], seen)
        if is_tick(k, bars, halves) or is_likely(look(k, bars, stubs, len(halves))):
            chosen.setdefault(stubs[k].node, k)
    kept = [run for run in ink if not any(_is_half(run, stubs[k]) for k in chosen.values())]
    fresh = [_half(stubs[k].node, k, side, bars, field, flat) for k in chosen.values() for side in (0, 1)]
    return with_true_nodes([*kept, *fresh])


def candidates(
    ink: list[Run], seen: Sequence[Run], field: InkField, flat: FlatView
) -> tuple[list[Run], list[Stub], Bars | None]:
    """``ink`` without what runs on from its ticks, where dark runs stand on its lines, and the bar at each (N of both;
    no bars where N is 0)."""
    inked = {_key(run) for run in ink}
    ink = _ended(ink, field, flat)
    stubs = [*_stubs(ink, [run for run in seen if _key(run) not in inked]), *_lone_halves(ink)]
    return ink, stubs, _bars(stubs, field, flat) if stubs else None


def halves_of(stub: Stub, seen: Sequence[Run]) -> list[Run]:
    """The short runs that are halves of the tick at ``stub``, if it is one."""
    return [run for run in seen if _is_half(run, stub)]


def _bars(stubs: Sequence[Stub], field: InkField, flat: FlatView) -> Bars:
    return find_bars(np.array([s.foot_mm for s in stubs]), np.array([s.ahead for s in stubs]), field, flat)


def _lone_halves(ink: Sequence[Run]) -> list[Stub]:
    """Half ticks in ink that have nothing across the line: what is there may be too faint for a run of its own."""
    return [s for s in _stubs(ink, ink) if _is_half(ink[s.run[0]], s) and not _opposite(ink, s)]


def is_tick(k: int, bars: Bars, halves: Sequence[Run]) -> bool:
    """Whether bar ``k`` is a tick by its strength, its shape or the votes of its halves alone."""
    strength, width, glint = (float(told[k]) for told in (bars.strength, bars.width_mm, bars.glint))
    if strength >= DARK:
        return True
    if strength < LIKELY or width < LEAST_MM:
        return False
    if len(halves) != 2:
        return strength >= SURE and width <= MOST_MM and glint <= GLINT
    votes = sum(vote(run) for run in halves)
    strong = strength >= PLAIN or votes > LEAST_TICK_VOTES
    return strong and width <= (MOST_INK_MM if votes > 0 else MOST_PAIR_MM) and glint <= PAIR_GLINT


def look(k: int, bars: Bars, stubs: Sequence[Stub], halves: int) -> Look:
    """How bar ``k`` looks from its ``halves``. A bar is sought from either half; a tick is one bar, so it looks like
    one from both, while a crease bends."""
    same = [k, *_twin(k, bars, stubs)] if halves == 2 else [k]
    strength, width, glint = bars.strength[same], bars.width_mm[same], bars.glint[same]
    widths = float(width.min()), float(width.max())
    return Look(halves, float(strength.min()), widths, float(glint.max()), len(same) > 1)


def words(seen: Look) -> Array:
    """What the log odds of a tick are summed from (6,), in the order of the weights."""
    narrower, broader = np.log(TIP_MM[0] / seen.width_mm[0]), np.log(seen.width_mm[1] / TIP_MM[1])
    return np.array([1, np.log(seen.strength), max(broader, 0), max(narrower, 0), seen.glint, seen.paired], float)


def is_worth_words(seen: Look) -> bool:
    """Whether a bar may be a tick at all, were it strong enough."""
    return seen.halves > 0 and seen.width_mm[1] <= MOST_PAIR_MM and seen.glint <= PAIR_GLINT


def is_likely(seen: Look) -> bool:
    """Whether strength and shape together make a tick of what neither does alone."""
    if not is_worth_words(seen) or seen.strength < FAINTEST:
        return False
    return bool(words(seen) @ list(WEIGHTS.values()) > ODDS_NEEDED)


def _twin(k: int, bars: Bars, stubs: Sequence[Stub]) -> list[int]:
    """The other half's bar at the same node, the strongest if there are several."""
    at = [i for i, stub in enumerate(stubs) if stub.node == stubs[k].node and i != k]
    along = [i for i in at if abs(float(bars.ahead[i] @ bars.ahead[k])) > np.cos(np.radians(LEAN_DEG))]
    return sorted(along, key=lambda i: -float(bars.strength[i]))[:1]


def _ended(ink: list[Run], field: InkField, flat: FlatView) -> list[Run]:
    """``ink`` with every tick that a paler line carries on cut off where its own ink ends."""
    stubs = _stubs(ink, ink)
    if not stubs:
        return ink
    bars = _bars(stubs, field, flat)
    link, instead = links(ink), dict[int, list[Run]]()
    for k in np.argsort(-bars.strength).tolist():
        if bars.strength[k] < SURE:
            break
        halves = [
            (stubs[k].run, bars.reach_mm[k, 0]),
            *((end, bars.reach_mm[k, 1]) for end in _opposite(ink, stubs[k])[:1]),
        ]
        changes: dict[int, list[Run]] = {}
        for end, reach in halves:
            part = _cut(end, reach, ink, link, field, flat)
            if part is None:
                break
            changes |= part
        else:
            if not changes.keys() & instead.keys():
                instead |= changes
    return with_true_nodes([new for i, run in enumerate(ink) for new in instead.get(i, [run])])


def _opposite(ink: Sequence[Run], stub: Stub) -> list[RunEnd]:
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
    within, onward = at <= reach_mm, _onward(near, link)
    rest: list[Run] = []
    if at[-1] > reach_mm + LEAST_REST_MM:
        if at[-1] > LONG_MM and vote(run) > MOST_FOR * reach_mm:
            return None  # nearly all of the run lies beyond the tick, and it says more for ink than a tick can
        rest = [place(Branch(flat.px_from_mm(points[~within]), -1, -1), field, flat)]
    votes = [vote(part) for part in (*rest, *(ink[i] for i in onward))]
    natures = judged(votes, False, LEAST_VOTES, 0.0)  # that there is a line at all is settled by the tick
    if any(natures[:1]):
        return None
    pale = [*natures[len(rest) :], True].index(True)
    gone: dict[int, list[Run]] = {i: [] for i in onward[:pale]}
    if rest:
        half = Branch(flat.px_from_mm(points[within]), run.end if last else run.start, -1)
        gone[index] = [place(half, field, flat)]
    return gone


def _onward(near: RunEnd, link: dict[RunEnd, RunEnd]) -> list[int]:
    """The runs that carry on the one whose near end is given, beyond its far end."""
    found, here = [near[0]], link.get(other_end(near))
    while here is not None and here[0] not in found:
        found.append(here[0])
        here = link.get(other_end(here))
    return found[1:]


def _stubs(ink: Sequence[Run], others: Sequence[Run]) -> list[Stub]:
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
                found.append(Stub((index, last), node, run.points_mm[-1 if last else 0], ahead))
    return found


def _key(run: Run) -> bytes:
    return run.points_mm.tobytes()


def _is_half(run: Run, stub: Stub) -> bool:
    if run.closed or (run.start == stub.node) == (run.end == stub.node) or run.length_mm > LOOSE_MM:
        return False
    last = run.end == stub.node
    loose = (run.start if last else run.end) < 0
    return loose and abs(float(way_out(run.points_mm, last) @ stub.ahead)) > np.cos(np.radians(LEAN_DEG))


def _half(node: int, k: int, side: int, bars: Bars, field: InkField, flat: FlatView) -> Run:
    far = (1.0, -1.0)[side] * bars.reach_mm[k, side]
    points = bars.foot_mm[k] + np.linspace(0, far, max(2, round(abs(far) / STEP_MM)))[:, None] * bars.ahead[k]
    return place(Branch(flat.px_from_mm(points), node, -1), field, flat)
