"""Which runs are ink: by their darkness and width, and where that leaves a doubt by the line they belong to.

Nothing drawn is narrower than a marker's tip, and little else on a shell is as dark as ink. In between, where glare
lies on the ink or the pen ran dry, runs are judged along the line they are part of: nature changes seldom along a line,
so a faint stretch between dark ones is ink, and a dark one within a long tape edge is not.

Words: a *link* joins the ends of two runs that carry each other on; a *line* is a string of linked runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from extract.doors import Array
from extract.ink.branches import Run, with_true_nodes

WIDTHS_MM, EVIDENCE_NEEDED = (0.84, 0.92, 1.0, 1.15), (0.095, 0.05, 0.045, 0.04)
"""Tips are 1 mm and more, and blur adds to it; shadows of tape edges come out at 0.6 to 0.9 mm. On scenes with exact
truth what is as wide as a tip and not ink stays under 0.045, from 0.9 mm on, and tape edges under 0.085; ink sinks to
0.03 under the worst glare, in thin lines to 0.044, elsewhere to 0.07."""
MOST_FOR, MOST_AGAINST = 1.2, -0.7
"""Bounds of a millimetre's vote, the log of its evidence over what is needed: no short stretch decides alone."""
CHANGE_COST = 6.0
"""In votes: a centimetre of dark ink, or of tape edge, tells two natures apart within one line; less does not."""
LEAST_VOTES = 3.5
LOOP_BONUS, ANCHOR_BONUS = 8.0, 3.0
ANCHOR_NEAR_MM = 3.0
BRIEF_MM = 6.0
"""A line shorter than this between two others is as often a wrinkle as ink: its two ends count half."""
LEAST_BETWEEN, LEAST_BEYOND, TIPS_MM = 0.023, 0.034, (0.8, 1.5)
"""Evidence of a stretch that goes on from ink and leads to ink or the cut edge, and of one that goes on from ink and
leads nowhere but is as wide as a marker's tip. On our own scenes with exact truth what has more is ink, and of what has
less not half: tape edges and creases pass by what they cross."""
LINK_TURN_DEG, LINK_GAP_MM, LINK_ASIDE_MM, LINK_WIDTHS = 25.0, 7.0, 1.0, 0.6
SPECK_MM = 3.5

RunEnd = tuple[int, bool]
"""Which run, and whether its last point is meant."""
Line = tuple[list[RunEnd], bool]
"""The near ends of the runs of a line, in order along it, and whether it closes; every run is in exactly one line."""


def believed(runs: Sequence[Run], outline: BaseGeometry) -> list[Run]:
    """Runs that are ink, without specks; ends where nothing else is left are free. ``outline`` is the cut edge."""
    link = links(runs)
    votes = [vote(run) for run in runs]
    lines = _lines(len(runs), link)
    ink = _natures(lines, votes, runs, set())
    anchored = _anchored(runs, link, ink, outline)
    ink = _carried_through(lines, runs, _natures(lines, votes, runs, anchored), anchored)
    kept = with_true_nodes([run for run, good in zip(runs, ink, strict=True) if good])
    return [run for run in kept if run.start >= 0 or run.end >= 0 or run.length_mm > SPECK_MM]


def evidence_needed(width_mm: float) -> float:
    """Evidence that makes a run of this width ink rather than not."""
    return float(np.interp(width_mm, WIDTHS_MM, EVIDENCE_NEEDED))


def vote(run: Run) -> float:
    """For (positive) or against ink, in proportion to the run's length."""
    odds = np.log(max(run.evidence, 1e-3) / evidence_needed(run.width_mm))
    return run.length_mm * float(np.clip(odds, MOST_AGAINST, MOST_FOR))


def _natures(lines: Sequence[Line], votes: Sequence[float], runs: Sequence[Run], anchored: set[RunEnd]) -> list[bool]:
    ink = [False] * len(votes)
    for line, closed in lines:
        ends = [end in anchored for end in (line[0], other_end(line[-1]))]
        brief = all(ends) and sum(runs[i].length_mm for i, _ in line) < BRIEF_MM
        first, last = (ANCHOR_BONUS * here / (1 + brief) for here in ends)
        whole = closed or runs[line[0][0]].closed
        for (index, _), good in zip(line, judged([votes[i] for i, _ in line], whole, first, last), strict=True):
            ink[index] = good
    return ink


def _carried_through(
    lines: Sequence[Line], runs: Sequence[Run], ink: Sequence[bool], anchored: set[RunEnd]
) -> list[bool]:
    """The natures with those stretches made ink that go on from ink of their line."""
    out = list(ink)
    for line, _ in lines:
        natures = [ink[i] for i, _ in line]
        for good, group in groupby(range(len(line)), key=natures.__getitem__):
            here = list(group)
            before, after = here[0] > 0, here[-1] < len(line) - 1
            led = (before or line[0] in anchored) and (after or other_end(line[-1]) in anchored)
            if not good and (before or after) and _goes_on([runs[line[k][0]] for k in here], led):
                for k in here:
                    out[line[k][0]] = True
    return out


def _goes_on(stretch: Sequence[Run], led: bool) -> bool:
    """Whether a stretch in line with ink is ink; ``led``: it leads to ink or the cut edge."""
    lengths = [run.length_mm for run in stretch]
    evidence = np.average([run.evidence for run in stretch], weights=lengths)
    width = np.average([run.width_mm for run in stretch], weights=lengths)
    return bool(evidence > (LEAST_BETWEEN if led else LEAST_BEYOND) and (led or TIPS_MM[0] < width < TIPS_MM[1]))


def _anchored(
    runs: Sequence[Run], link: dict[RunEnd, RunEnd], ink: Sequence[bool], outline: BaseGeometry
) -> set[RunEnd]:
    """Ends at the cut edge or at ink of another line: few lines end in the middle of nowhere."""
    ends = [(i, last) for i, run in enumerate(runs) if not run.closed for last in (False, True)]
    if not any(ink) or not ends:
        return set()
    tips = np.array([runs[i].points_mm[-1 if last else 0] for i, last in ends])
    at_edge = shapely.distance(shapely.points(tips), outline) < ANCHOR_NEAR_MM
    owner = np.repeat(np.arange(len(runs)), [len(run.points_mm) for run in runs])
    points, inked = np.vstack([run.points_mm for run in runs]), np.array(ink)[owner]
    around = cKDTree(points[inked]).query_ball_point(tips, ANCHOR_NEAR_MM)
    owner = owner[inked]
    own = [{i, link.get((i, last), (i, last))[0]} for i, last in ends]
    at_ink = [not own[k].issuperset(owner[found]) for k, found in enumerate(around)]
    return {end for end, edge, line in zip(ends, at_edge, at_ink, strict=True) if edge or line}


def judged(votes: Sequence[float], closed: bool, first: float, last: float) -> list[bool]:
    """The likeliest natures of a line's runs: most votes, less ``CHANGE_COST`` for each change (Viterbi 1967).
    ``first`` and ``last`` are bonuses for ink at its ends."""
    if closed and sum(votes) + LOOP_BONUS > 0:
        return [True] * len(votes)
    gain, origin = np.array([0.0, first - LEAST_VOTES]), []  # for ending in "not ink" and in "ink"
    for cast in votes:
        changed = gain[::-1] - CHANGE_COST
        origin.append(changed > gain)
        gain = np.maximum(gain, changed) + np.array([0.0, cast])
    state, natures = int(gain[1] + last > gain[0]), []
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
