"""Which runs are ink: by what the network says of them, and where that leaves a doubt by the line they belong to.

Nature changes seldom along a line: a stretch under glare between plain ones is ink, and a dark one within a long tape
edge is not. Where it does change, as where the edge of a tape carries a tick on, the run is cut.

Words: a *cell* is a stretch of a run for which the network answers; a *link* joins the ends of two runs that carry each
other on; a *line* is a string of linked runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from extract.doors import Array, Mask
from extract.ink.branches import Run, with_true_nodes
from extract.ink.ink_net import CELL

WORTH = 0.3
MOST_FOR, MOST_AGAINST = 1.2, -0.7
"""A millimetre votes with so much of the log odds, within these bounds: no short stretch decides alone."""
TIP_MM, TAKEN, PLAIN, NOT_AGAINST = 0.95, 0.7, 6.0, -4.0
"""What is as wide as a marker's tip and takes half of the light (ln tape / ink) is plainly ink, unless the network is
sure of the contrary: on scenes with exact truth (our own generator) no other dark line is both."""
RIM_MM = 1.2
"""A dark line that runs so close to the cut edge is a sliver of table that the outline took in, or its shadow; a line
drawn there would part off nothing."""
CHANGE_COST = 3.0
"""In votes: some millimetres of dark ink, or of tape edge, tell two natures apart within one line; less does not."""
LEAST_VOTES = 3.5
LOOP_BONUS, ANCHOR_BONUS = 8.0, 3.0
ANCHOR_NEAR_MM = 3.0
BRIEF_MM = 6.0
"""A line shorter than this between two others is as often a wrinkle as ink: its two ends count half."""
LONGEST_MM, TAKEN_BETWEEN = 25.0, 0.5
"""What lies between two longer stretches of a line's ink, as wide as a marker's tip and nearly as dark as what is
plainly ink, is ink up to such a length: the edge of a tape, or its shine, runs along the line there."""
LINK_TURN_DEG, LINK_GAP_MM, LINK_ASIDE_MM, LINK_WIDTHS = 25.0, 7.0, 1.0, 0.6
SPECK_MM = 3.5

RunEnd = tuple[int, bool]
"""Which run, and whether its last point is meant."""
Line = tuple[list[RunEnd], bool]
"""The near ends of the runs of a line, in order along it, and whether it closes; every run is in exactly one line."""


def believed(runs: Sequence[Run], odds: Sequence[Array], outline: BaseGeometry) -> list[Run]:
    """What of the runs is ink, by the log ``odds`` of the cells of each, without specks; ends where nothing else is
    left are free. ``outline`` is the cut edge."""
    shapely.prepare(outline)
    link = links(runs)
    lines = _lines(len(runs), link)
    slivers = {i for line, _ in lines if _on_the_rim([runs[i] for i, _ in line], outline) for i, _ in line}
    votes = [
        np.full(len(said), MOST_AGAINST) if i in slivers else votes_of(run, said)
        for i, (run, said) in enumerate(zip(runs, odds, strict=True))
    ]
    ink = _natures(lines, votes, runs, set())
    ink = _natures(lines, votes, runs, _anchored(runs, link, ink, outline))
    kept = with_true_nodes([piece for run, good in zip(runs, ink, strict=True) for piece in _inked(run, good)])
    return [run for run in kept if run.start >= 0 or run.end >= 0 or run.length_mm > SPECK_MM]


def votes_of(run: Run, odds: Array) -> Array:
    """For (positive) or against ink, cell by cell in proportion to their length."""
    if run.width_mm > TIP_MM and run.absorbed.max() > TAKEN:
        odds = np.where(odds > NOT_AGAINST, np.maximum(odds, PLAIN), odds)
    return np.asarray(run.length_mm / len(odds) * np.clip(WORTH * odds, MOST_AGAINST, MOST_FOR))


def _on_the_rim(line: Sequence[Run], outline: BaseGeometry) -> bool:
    """Whether half of a whole line lies there; one that comes to the cut edge or to the tip of a cut is ink to its
    end."""
    if sum(run.length_mm for run in line) <= ANCHOR_NEAR_MM:
        return False
    points = shapely.points(np.vstack([run.points_mm for run in line]))
    return float(shapely.dwithin(outline, points, RIM_MM).mean()) >= 0.5


def _inked(run: Run, good: Mask) -> list[Run]:
    """The stretches of a run whose cells are ``good``; they meet no node where they were cut."""
    if good.all():
        return [run]
    change = np.flatnonzero(np.diff(np.r_[False, good, False].astype(int)))
    pieces = []
    for first, end in change.reshape(-1, 2).tolist():
        points = run.points_mm[first * CELL : None if end == len(good) else end * CELL + 1]
        start, stop = (run.start if first == 0 else -1), (run.end if end == len(good) else -1)
        if len(points) > 1:
            pieces.append(replace(run, points_mm=points, start=start, end=stop, closed=False))
    return pieces


def _natures(lines: Sequence[Line], votes: Sequence[Array], runs: Sequence[Run], anchored: set[RunEnd]) -> list[Mask]:
    """For each run which of its cells are ink."""
    ink = [np.zeros(len(cast), bool) for cast in votes]
    for line, closed in lines:
        ends = [end in anchored for end in (line[0], other_end(line[-1]))]
        brief = all(ends) and sum(runs[i].length_mm for i, _ in line) < BRIEF_MM
        first, last = (ANCHOR_BONUS * here / (1 + brief) for here in ends)
        along = np.concatenate([votes[i][::-1] if backwards else votes[i] for i, backwards in line])
        natures, at = np.array(judged(along.tolist(), closed or runs[line[0][0]].closed, first, last)), 0
        natures = natures | _between(natures, [runs[i] for i, _ in line], [len(votes[i]) for i, _ in line])
        for index, backwards in line:
            good = natures[at : at + len(ink[index])]
            ink[index] = good[::-1] if backwards else good
            at += len(good)
    return ink


def _between(ink: Mask, runs: Sequence[Run], counts: Sequence[int]) -> Mask:
    """Where cells of a line, so many of each of its runs, are ink by what they lie between."""
    long = np.repeat([run.length_mm / count for run, count in zip(runs, counts, strict=True)], counts)
    alike = np.repeat([run.width_mm > TIP_MM and run.absorbed.max() > TAKEN_BETWEEN for run in runs], counts)
    found = np.zeros_like(ink)
    ends = np.flatnonzero(np.diff(ink.astype(int))) + 1
    stretches = np.split(np.arange(len(ink)), ends)
    for before, stretch, after in zip(stretches, stretches[1:], stretches[2:], strict=False):
        most = min(LONGEST_MM, long[before].sum(), long[after].sum())
        found[stretch] = not ink[stretch[0]] and alike[stretch].all() and long[stretch].sum() < most
    return found


def _anchored(
    runs: Sequence[Run], link: dict[RunEnd, RunEnd], ink: Sequence[Mask], outline: BaseGeometry
) -> set[RunEnd]:
    """Ends at the cut edge or at ink of another line: few lines end in the middle of nowhere."""
    ends = [(i, last) for i, run in enumerate(runs) if not run.closed for last in (False, True)]
    if not any(good.any() for good in ink) or not ends:
        return set()
    tips = np.array([runs[i].points_mm[-1 if last else 0] for i, last in ends])
    at_edge = shapely.dwithin(outline, shapely.points(tips), ANCHOR_NEAR_MM)
    owner = np.repeat(np.arange(len(runs)), [len(run.points_mm) for run in runs])
    inked = np.concatenate([np.repeat(good, CELL)[: len(run.points_mm)] for run, good in zip(runs, ink, strict=True)])
    points = np.vstack([run.points_mm for run in runs])
    around = cKDTree(points[inked]).query_ball_point(tips, ANCHOR_NEAR_MM)
    owner = owner[inked]
    own = [{i, link.get((i, last), (i, last))[0]} for i, last in ends]
    at_ink = [not own[k].issuperset(owner[found]) for k, found in enumerate(around)]
    return {end for end, edge, line in zip(ends, at_edge, at_ink, strict=True) if edge or line}


def judged(votes: Sequence[float], closed: bool, first: float, last: float) -> list[bool]:
    """The likeliest natures of a line's cells: most votes, less ``CHANGE_COST`` for each change (Viterbi 1967).
    ``first`` and ``last`` are bonuses for ink at its ends."""
    if closed and sum(votes) + LOOP_BONUS > 0:
        return [True] * len(votes)
    other, ink = 0.0, first - LEAST_VOTES  # for ending in either nature
    origin = []
    for cast in votes:
        origin.append((ink - CHANGE_COST > other, other - CHANGE_COST > ink))
        other, ink = max(other, ink - CHANGE_COST), max(ink, other - CHANGE_COST) + cast
    state, natures = int(ink + last > other), []
    for came_over in reversed(origin):
        natures.append(bool(state))
        state = 1 - state if came_over[state] else state
    return natures[::-1]


def links(runs: Sequence[Run]) -> dict[RunEnd, RunEnd]:
    """Partner of each end that has one: at nodes first, then across gaps, the straightest pairs first."""
    ends = [(i, last) for i, run in enumerate(runs) if not run.closed and len(run.points_mm) > 4 for last in (0, 1)]
    if not ends:
        return {}
    tips = np.array([runs[i].points_mm[-last] for i, last in ends])  # points_mm[-1] and points_mm[0]
    ways = np.array([way_out(runs[i].points_mm, bool(last)) for i, last in ends])
    nodes = np.array([_node(runs[i], bool(last)) for i, last in ends])
    a, b = cKDTree(tips).query_pairs(LINK_GAP_MM, output_type="ndarray").T
    turn = np.degrees(np.arccos(np.clip(-(ways[a] * ways[b]).sum(axis=1), -1, 1)))
    gap = tips[b] - tips[a]
    aside = np.maximum(*(np.abs(ways[k][:, 0] * gap[:, 1] - ways[k][:, 1] * gap[:, 0]) for k in (a, b)))
    met = (nodes[a] == nodes[b]) & (nodes[a] >= 0)
    facing = ((gap * ways[a]).sum(axis=1) > 0) & ((gap * ways[b]).sum(axis=1) < 0) & (aside < LINK_ASIDE_MM)
    width = np.array([runs[i].width_mm for i, _ in ends])
    alike = np.minimum(width[a], width[b]) > LINK_WIDTHS * np.maximum(width[a], width[b])
    able = alike & (turn < LINK_TURN_DEG) & (met | facing)
    partner: dict[RunEnd, RunEnd] = {}
    for k in np.flatnonzero(able)[np.lexsort((turn[able], ~met[able]))]:
        one, other = ((ends[j][0], bool(ends[j][1])) for j in (a[k], b[k]))
        if one not in partner and other not in partner:
            partner[one], partner[other] = other, one
    return partner


def way_out(points: Array, last: bool) -> Array:
    """Unit direction out of one end, over the 5 mm before the junction bends the line; of a short run, its chord."""
    line = points[::-1] if last else points
    way = line[4] - line[16] if len(line) > 20 else line[0] - line[-1]
    return way / max(float(np.hypot(*way)), 1e-9)


def _lines(count: int, link: dict[RunEnd, RunEnd]) -> list[Line]:
    lines, seen = [], set[int]()
    starts = [(i, last) for i in range(count) for last in (False, True)]
    for start in [*(s for s in starts if s not in link), *starts]:
        if start[0] in seen:
            continue
        line, here = [start], link.get(other_end(start))
        while here is not None and here[0] not in {i for i, _ in line}:
            line.append(here)
            here = link.get(other_end(here))
        seen |= {i for i, _ in line}
        lines.append((line, here is not None))
    return lines


def other_end(end: RunEnd) -> RunEnd:
    return end[0], not end[1]


def _node(run: Run, last: bool) -> int:
    return run.end if last else run.start
