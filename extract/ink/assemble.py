"""Which ends of what was drawn belong together: what the hand drew in one go through a node, and across gaps."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry

from extract.doors import Array
from extract.ink.branches import JUNCTION_MM, STEP_MM, Run
from extract.ink.threads import PAIR_DEG, End, Thread, chained, corner_of, ends_of, turn_deg

PAIR_ASIDE_MM = 1.6
CROSSING_DEG = 60.0
"""Wider than for a pair alone: the bent crests at a crossing spoil the direction of short ticks."""
GAP_MM = 7.0
GAP_DEG = 35.0
"""Ink skips for up to 3.5 mm, plus what thinning takes off both ends."""
STRAIGHT_GAP_MM = 14.0
"""Of two ends in one line where one is at a corner: hardly any face each other so by chance."""
TICK_GAP_MM = 5.0
TICK_ARM_MM = 10.0
"""More of a mark on one side of a line is no half of a tick."""
IN_LINE_DEG = 20.0
IN_LINE_ASIDE_MM = 1.1
CORNER_DEEP_MM, RUN_ON_MM = 1.5, 3.6
"""Two lines that would meet nearer to the cut edge than this, or would both come to it so soon after, were drawn to the
edge, not to each other: what runs on for less than a spur and a junction is not seen to."""
SHARP_RUN_ON_MM = 7.0
"""The same for two that would make a sharper corner than any panel has."""
TIP_ROUND_MM, TIP_SHARE = 3.0, 0.75
"""That is not so at the tip of a cut, which was made up to their corner: round a place on the cut edge so much more of
what lies so near is shell than the half of it that is along the rim."""
CORNER_COST = 1.0
SHORT_GAP_MM = 1.6
DRAWN_ASIDE_MM = 2.2
"""Two ends so close that point at each other, if side by side, are one line that a crease draws aside."""

COLOURLESS_MM = 2.0
"""What is shorter has no colour of its own: blur mixes in that of what lies beside it."""
FOLD_DEG = 30.0
"""Two ends that point the same way are two strokes side by side, not one stroke with a gap."""

SIDE_BY_SIDE_DEG = 60.0
"""Two ends that come to a third line, or to the cut edge, from its same side within this angle both end there: no
corner of a panel drawn on a shell is so sharp (common practice, no source)."""


def threads_of(runs: list[Run], edge: BaseGeometry) -> list[Thread]:
    """Trims runs at their nodes and chains those that go on through a node; ``edge`` is the cut edge."""
    trimmed = [_trim(run) for run in runs]
    singles = [Thread(t.points_mm, t.closed, (t.start >= 0, t.end >= 0), (t,)) for t in trimmed]
    ends = [e for i, t in enumerate(singles) if not t.closed for e in ends_of(i, t, trimmed[i])]
    straight = _straight_on(ends, singles)
    joins = _straight_past_corners(ends, straight)
    taken = {(e.thread, e.last) for pair in joins for e in pair}
    rest = [e for e in ends if (e.thread, e.last) not in taken]
    onward = {(e.thread, e.last) for _, *pair in straight for e in pair}
    for node in sorted({e.node for e in rest if e.node >= 0}):
        joins += _pair_at_node([e for e in rest if e.node == node], singles, edge, onward)
    return chained(singles, joins)


def bridged(threads: list[Thread], ticks: list[bool], shell: BaseGeometry) -> list[Thread]:
    """Joins free ends across gaps in the ink, best fit first; never across a cut in the shell.

    What looks like a tick may be a line that has a gap just before it crosses another: it joins what lies in line.
    """
    inner, edge = _roomy(shell), shell.boundary
    ends = [end for i, t in enumerate(threads) if not t.closed for end in ends_of(i, t)]
    options = []
    for a, b in _pairs_within(ends, GAP_MM):
        alike = ticks[a.thread] == ticks[b.thread]
        fits = not ticks[a.thread] if alike else _one_line(a, b) or _drawn_aside(a, b)
        cost = _gap_cost(a, b, threads) if fits else None
        if cost is not None and not _corner_at(edge, a, b) and inner.covers(LineString([a.point, b.point])):
            options.append((cost, a, b))
    return chained(threads, _best_first(options))


def _straight_on(ends: list[End], threads: list[Thread]) -> list[tuple[float, End, End]]:
    """Ends of different nodes, or free, that face each other in one line, and how far apart they are."""
    return [
        (float(np.hypot(*(b.point - a.point))), a, b)
        for a, b in _pairs_within(ends, STRAIGHT_GAP_MM)
        if a.node != b.node and _facing(a, b) and _in_line(a, b) and same_colour(a, b, threads)
    ]


def _straight_past_corners(ends: list[End], straight: list[tuple[float, End, End]]) -> list[tuple[End, End]]:
    """Ends at a corner of two that go straight on across a gap: where lines cross over a gap in one of them, the ends
    that are left on either side look like corners, and where the gap begins just past a crossing, one looks like the
    stem of a T."""
    at_node: dict[int, list[End]] = {}
    for end in ends:
        at_node.setdefault(end.node, []).append(end)
    corners = {n for n, at in at_node.items() if n >= 0 and len(at) == 2 and not _one_way(*at)}

    def loose(end: End) -> bool:
        return end.node < 0 or end.node in corners

    def across(a: End, b: End) -> bool:
        return loose(a) and _is_stem(b, at_node[b.node])

    return _best_first(
        [(far, a, b) for far, a, b in straight if (loose(a) and loose(b)) or across(a, b) or across(b, a)]
    )


def _one_way(a: End, b: End) -> bool:
    return turn_deg(a.ahead, -b.ahead) <= PAIR_DEG


def _is_stem(end: End, at: list[End]) -> bool:
    """Whether an end comes to a line that the two others at its node are."""
    others = [other for other in at if other is not end]
    return end.node >= 0 and len(others) == 2 and _one_way(*others)


def _pairs_within(ends: list[End], reach_mm: float) -> list[tuple[End, End]]:
    if len(ends) < 2:
        return []
    near = cKDTree([end.point for end in ends]).query_pairs(reach_mm, output_type="ndarray")
    return [(ends[i], ends[j]) for i, j in near[np.lexsort(near.T[::-1])]]


def _one_line(a: End, b: End) -> bool:
    """Two ends that face each other as the sides of one gap in a straight pull of the pen."""
    return float(np.hypot(*(b.point - a.point))) < TICK_GAP_MM and _facing(a, b) and _in_line(a, b)


def _drawn_aside(a: End, b: End) -> bool:
    return float(np.hypot(*(b.point - a.point))) < DRAWN_ASIDE_MM and turn_deg(a.ahead, -b.ahead) < IN_LINE_DEG


def _facing(a: End, b: End) -> bool:
    way = b.point - a.point
    return min(float(a.ahead @ way), -float(b.ahead @ way)) > 0.9 * max(float(np.hypot(*way)), 1e-9)


def _roomy(shell: BaseGeometry) -> BaseGeometry:
    """The shell with room for strokes that run along its edge."""
    wide = shell.buffer(0.5)
    shapely.prepare(wide)
    return wide


def _trim(run: Run) -> Run:
    """Takes the unbelievable points off the ends at nodes, but leaves the middle of a short run."""
    if run.closed:
        return run
    most = max(0, (len(run.points_mm) - 4) // 2)
    cut = min(round(JUNCTION_MM / STEP_MM), most)
    first = cut if run.start >= 0 else 0
    last = len(run.points_mm) - (cut if run.end >= 0 else 0)
    return replace(run, points_mm=run.points_mm[first:last])


def _aside(a: End, b: End) -> float:
    """How far each end misses the other's line, the larger."""
    way = b.point - a.point
    return max(
        abs(float(a.ahead[0] * way[1] - a.ahead[1] * way[0])), abs(float(b.ahead[0] * way[1] - b.ahead[1] * way[0]))
    )


def _pair_at_node(
    ends: list[End], threads: list[Thread], edge: BaseGeometry, onward: set[tuple[int, bool]]
) -> list[tuple[End, End]]:
    """Which ends at a node are one line; those ``onward`` have a straight continuation elsewhere."""
    if len(ends) == 2 and same_colour(ends[0], ends[1], threads):
        return [] if _corner_at(edge, *ends) else [(ends[0], ends[1])]
    if len(ends) == 4 and (crossing := _opposite(ends)):
        return crossing
    options = []
    for a, b in combinations(ends, 2):
        turn, aside = turn_deg(a.ahead, -b.ahead), _aside(a, b)
        if turn < PAIR_DEG and aside < PAIR_ASIDE_MM and same_colour(a, b, threads):
            options.append((turn / PAIR_DEG + aside / PAIR_ASIDE_MM, a, b))
    pairs = _best_first(options)
    rest = [e for e in ends if not any(e in pair for pair in pairs)]
    if len(ends) != 4 or len(rest) != 2 or not same_colour(rest[0], rest[1], threads) or _corner_at(edge, *rest):
        return pairs
    if any((e.thread, e.last) in onward for e in rest) or turn_deg(rest[0].ahead, rest[1].ahead) < SIDE_BY_SIDE_DEG:
        return pairs
    if any(threads[e.thread].length_mm > TICK_ARM_MM for pair in pairs for e in pair):
        return pairs
    return [*pairs, (rest[0], rest[1])]  # a line may turn where a tick stands on it


def _opposite(ends: list[End]) -> list[tuple[End, End]]:
    """Four ends round a node make two crossing strokes if each goes on roughly straight to the one across."""
    centre = np.mean([e.point for e in ends], axis=0)
    a, b, c, d = sorted(ends, key=lambda e: float(np.arctan2(*(e.point - centre)[::-1])))
    straight = all(turn_deg(x.ahead, -y.ahead) < CROSSING_DEG for x, y in ((a, c), (b, d)))
    return [(a, c), (b, d)] if straight else []


def _corner_at(edge: BaseGeometry, a: End, b: End) -> bool:
    """Whether two ends make a corner that lies on the cut edge, or so near that both lines run on to it."""
    if turn_deg(a.ahead, -b.ahead) < PAIR_DEG:
        return False
    corner = corner_of(a.point, a.ahead, b.point, b.ahead)
    if corner is None:
        if turn_deg(a.ahead, b.ahead) > PAIR_DEG:
            return False
        corner = (a.point + b.point) / 2  # too sharp to tell where it is: about where the two run into one
    sharp = turn_deg(a.ahead, b.ahead) < SIDE_BY_SIDE_DEG
    far = SHARP_RUN_ON_MM if sharp else RUN_ON_MM
    onward = [LineString([corner, corner + far * end.ahead]) for end in (a, b)]
    near = edge.distance(Point(corner)) < CORNER_DEEP_MM or all(edge.intersects(line) for line in onward)
    return near and not _at_a_tip(edge, corner)


def _at_a_tip(edge: BaseGeometry, corner: Array) -> bool:
    foot, _ = shapely.shortest_line(edge, Point(corner)).coords
    around = Point(foot).buffer(TIP_ROUND_MM)
    return float(shapely.build_area(edge).intersection(around).area) > TIP_SHARE * around.area


def _best_first(options: list[tuple[float, End, End]]) -> list[tuple[End, End]]:
    taken: set[tuple[int, bool]] = set()
    joins = []
    for _, a, b in sorted(options, key=lambda option: option[0]):
        keys = {(a.thread, a.last), (b.thread, b.last)}
        if len(keys) == 2 and not keys & taken:
            taken |= keys
            joins.append((a, b))
    return joins


def colour_distance(a: Array, b: Array) -> float:
    """Difference of two absorption vectors ln(tape / ink) after scaling each to its strongest channel."""
    return float(np.abs(a / max(a.max(), 1e-6) - b / max(b.max(), 1e-6)).max())


def same_colour(a: End, b: End, threads: list[Thread]) -> bool:
    one, other = (max(threads[end.thread].runs, key=lambda run: run.length_mm) for end in (a, b))
    if min(one.length_mm, other.length_mm) < COLOURLESS_MM:
        return True
    return colour_distance(one.absorbed, other.absorbed) < 0.45


def _gap_cost(a: End, b: End, threads: list[Thread]) -> float | None:
    """None where the ends are not two sides of one gap; else smaller is better."""
    way = b.point - a.point
    gap = float(np.hypot(*way))
    if gap > GAP_MM or not same_colour(a, b, threads):
        return None
    if a.thread == b.thread and threads[a.thread].length_mm < 3 * GAP_MM:
        return None
    if gap < 1e-9:
        return 0.0
    turn = max(turn_deg(a.ahead, way / gap), turn_deg(b.ahead, -way / gap))
    free = _free(a, threads) and _free(b, threads)
    if turn < GAP_DEG and (free or _in_line(a, b)):
        return gap / GAP_MM + turn / GAP_DEG
    if not free:
        return None
    if _drawn_aside(a, b) or corner_of(a.point, a.ahead, b.point, b.ahead) is not None:
        return gap / GAP_MM + CORNER_COST
    fold = turn_deg(a.ahead, b.ahead) < FOLD_DEG
    return gap / GAP_MM + 2 * CORNER_COST if gap < SHORT_GAP_MM and not fold else None


def _free(end: End, threads: list[Thread]) -> bool:
    return not threads[end.thread].met[int(end.last)]


def _in_line(a: End, b: End) -> bool:
    """An end that met other ink may end there; it goes on beyond only where the two lines are one."""
    return turn_deg(a.ahead, -b.ahead) < IN_LINE_DEG and _aside(a, b) < IN_LINE_ASIDE_MM
