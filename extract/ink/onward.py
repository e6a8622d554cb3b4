"""Carries lines on where glare, creases or a dry pen hid their ink: from a loose end along the darkest way ahead to
another line or the cut edge.

A crease would have to be dark for as long, in line with the end, and to end where something drawn begins.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

import cv2
import numpy as np
import shapely
from scipy.interpolate import CubicHermiteSpline
from scipy.ndimage import gaussian_filter1d
from shapely import LineString, Point, STRtree
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring
from skimage.measure import CircleModel

from extract.doors import Array, FlatView
from extract.geometry.planar import resampled
from extract.ink.ahead import FINE_MM, HALF, contrast, way_ahead
from extract.ink.branches import STEP_MM, length, normals
from extract.ink.darkness import Image, InkField, sampled
from extract.ink.ink_net import ink_odds
from extract.ink.reach import thread_line
from extract.ink.threads import End, Thread, chained, ends_of, tangent

LEAST_MM, LEAST_MET_MM = 8.0, 3.0
"""A shorter stroke does not say where it is heading; it may still be come to."""
TANGENT_MM = 8.0
TOUCH_MM = 0.15
OWN_MM = 30.0
"""So much of a line before its end tells its contrast."""
LEAST_CONTRAST = 0.02
ENOUGH, ENOUGH_FACING = 0.3, -0.5
"""What a way must gather, and one that comes to another loose end. On our own scenes with exact truth
nearly all ways that gather more than the first are ink all along, and few that gather less, most of those to a loose
end."""
NO_INK = -4.0
"""Mean log odds of ink on a way to no loose end, below which it is a crease: what hides the ink so well that nothing of
it is left ends somewhere, and the line comes out again. On our own scenes all such ways are false."""
THICK_MM = 1.4
SHORT_MM = 18.0
"""Shorter strokes may be pieces of the lost line or ticks across it: no way ends at them."""
OWN_END_MM = 12.0
JOIN_MM, JOIN_TURN_DEG = 2.5, 40.0
LED_MM = 12.0
IN_LINE_MM, IN_LINE_DEG = 20.0, 18.0
ARC_MM, ARC_DEG, ARC_OFF_MM = 12.0, 80.0, 0.3
"""A gap in an arc is so short and turns by so little, and what was drawn before both of its ends keeps so close to one
circle (root mean square)."""
SMOOTH_MM = 2.0
PIECE_ASIDE_MM, PIECE_SHARE = 1.2, 0.7
"""A short stroke with so much of it so near a way is a piece of the line."""

EDGE_MARK = 1


def carried_on(
    threads: list[Thread],
    lines: Sequence[LineString],
    bounding: Sequence[bool],
    edge: BaseGeometry,
    field: InkField,
    flat: FlatView,
) -> list[Thread]:
    """Threads (the very list where none has any way to go), those with a way ahead of a loose end carried on along it.

    ``lines`` are the threads with their ends brought to what is near, which tells whether they are loose; only
    ``bounding`` threads go on or are come to. Short strokes along a way go: they are pieces of it.
    """
    ends = _loose_ends(threads, lines, bounding, edge)
    if not ends:
        return threads
    marks = _marks(lines, bounding, edge, flat)
    joins, ways, used = list[tuple[End, End]](), list[Thread](), set[tuple[int, bool]]()
    options = [*_found(ends, threads, marks, field, flat), *_in_line(ends, threads)]
    for _, end, other, points in sorted(options, key=lambda option: -option[0]):
        both = {(e.thread, e.last) for e in (end, other) if e is not None}
        if both & used:
            continue
        used |= both
        piece = Thread(points, False, (True, True), ())
        first, last = ends_of(len(threads) + len(ways), piece)
        joins += [(end, first)] if other is None else [(end, first), (last, other)]
        ways.append(piece)
    if not ways:
        return threads
    gone = _pieces_along(ways, threads, {thread for thread, _ in used})
    return [t for t in chained([*threads, *ways], joins) if not any(t.points_mm is threads[i].points_mm for i in gone)]


def _loose_ends(
    threads: Sequence[Thread], lines: Sequence[LineString], bounding: Sequence[bool], edge: BaseGeometry
) -> list[End]:
    """Ends of threads that bound something which touch neither the cut edge nor another such thread."""
    tree = STRtree(lines)
    ends = []
    for index, (thread, line) in enumerate(zip(threads, lines, strict=True)):
        if thread.closed or not bounding[index] or line.length < LEAST_MET_MM:
            continue
        for last in (False, True):
            tip = Point(line.coords[-1 if last else 0])
            near = tree.query(tip.buffer(TOUCH_MM), predicate="intersects")
            if edge.distance(tip) > TOUCH_MM and not any(bounding[i] for i in near if i != index):
                points = thread.points_mm
                ends.append(
                    End(
                        index,
                        last,
                        points[-1 if last else 0],
                        tangent(points, last, TANGENT_MM),
                        _end_mark(index, last),
                    )
                )
    return ends


def _end_mark(index: int, last: bool) -> int:
    return EDGE_MARK + 3 * index + 2 + int(last)


def _marks(lines: Sequence[LineString], bounding: Sequence[bool], edge: BaseGeometry, flat: FlatView) -> Image:
    """A raster of what a way may come to: the cut edge, and of every line its middle and its two ends by themselves."""
    marks = np.zeros(flat.valid.shape, np.float32)
    thick = max(1, round(THICK_MM / flat.mm_per_px))

    def draw(line: BaseGeometry, mark: int) -> None:
        for part in shapely.get_parts(line):
            points_px = np.round(flat.px_from_mm(shapely.get_coordinates(part))).astype(np.int32)
            cv2.polylines(marks, [points_px], False, mark, thick)

    for index, line in enumerate(lines):
        if bounding[index] and (line.length > SHORT_MM or line.is_ring):
            draw(line, EDGE_MARK + 3 * index + 1)
            for last in (False, True):
                if not line.is_ring:
                    far = (-OWN_END_MM, line.length) if last else (0.0, OWN_END_MM)
                    draw(substring(line, *far), _end_mark(index, last))
    draw(edge, EDGE_MARK)
    return marks


def _found(
    ends: Sequence[End], threads: Sequence[Thread], marks: Image, field: InkField, flat: FlatView
) -> Iterator[tuple[float, End, End | None, Array]]:
    """What was gathered on the way from an end, the loose end it goes on along if any, and the way (N, 2) mm."""
    for end in (end for end in ends if threads[end.thread].length_mm >= LEAST_MM):
        own = _own_contrast(threads[end.thread].points_mm, end.last, field, flat)
        way = way_ahead(flat, field.dark, marks, end.point, end.ahead, max(own, LEAST_CONTRAST), end.node)
        if way is None:
            continue
        points = _smoothed(way.points_mm)
        facing = _facing(points, end, ends)
        if way.gathered <= (ENOUGH if facing is None else ENOUGH_FACING):
            continue
        if facing is not None or ink_odds([(points, False)], field, flat)[0].mean() > NO_INK:
            yield way.gathered, end, facing, points if facing is None else _led_to(points, facing)


def _in_line(ends: Sequence[End], threads: Sequence[Thread]) -> Iterator[tuple[float, End, End, Array]]:
    """Pairs of loose ends that are the sides of one gap in a straight line or an arc whatever lies in it, as ``_found``
    tells them: so few ends are loose that two of them face each other by chance as good as never."""
    for a, b in combinations(ends, 2):
        way = b.point - a.point
        gap = float(np.hypot(*way))
        if not 0 < gap < IN_LINE_MM:
            continue
        least = np.cos(np.radians(IN_LINE_DEG)) * gap
        if a.ahead @ way > least and -b.ahead @ way > least:
            count = max(3, round(gap / STEP_MM) + 1)
            curve = CubicHermiteSpline([0, gap], [a.point, b.point], [a.ahead, -b.ahead])
            yield -gap, a, b, curve(np.linspace(0, gap, count))
        elif gap < ARC_MM and (points := _arc(a, b, threads)) is not None:
            yield -gap, a, b, points


def _arc(a: End, b: End, threads: Sequence[Thread]) -> Array | None:
    """Points (N, 2) from one end to the other along the circle on which what was drawn before both lies."""
    count = round(TANGENT_MM / STEP_MM)
    drawn = np.vstack([_towards(end, threads)[-count:] for end in (a, b)])
    circle = CircleModel.from_estimate(drawn)
    if not circle or np.sqrt((circle.residuals(drawn) ** 2).mean()) > ARC_OFF_MM:
        return None
    spokes = [end.point - circle.center for end in (a, b)]
    turn = np.sign(spokes[0][0] * a.ahead[1] - spokes[0][1] * a.ahead[0])
    begin, end = (float(np.arctan2(spoke[1], spoke[0])) for spoke in spokes)
    sweep = turn * ((turn * (end - begin)) % (2 * np.pi))
    if abs(sweep) > np.radians(ARC_DEG):
        return None
    share = np.linspace(0, 1, max(3, round(abs(sweep) * circle.radius / STEP_MM) + 1))
    radius = np.interp(share, [0, 1], [np.hypot(*spoke) for spoke in spokes])
    around = np.stack([np.cos(begin + share * sweep), np.sin(begin + share * sweep)], axis=1)
    return np.asarray(circle.center + radius[:, None] * around, float)


def _towards(end: End, threads: Sequence[Thread]) -> Array:
    """The thread's points, the end's last."""
    points = threads[end.thread].points_mm
    return points if end.last else points[::-1]


def _own_contrast(points_mm: Array, last: bool, field: InkField, flat: FlatView) -> float:
    """The contrast of a line towards one of its ends."""
    count = round(OWN_MM / STEP_MM)
    line = points_mm[-count:] if last else points_mm[:count]
    across = np.arange(-HALF // 4, HALF // 4 + 1) * FINE_MM
    at = line[:, None] + across[:, None] * normals(line, False)[:, None]
    seen = sampled(field.dark, flat.px_from_mm(at.reshape(-1, 2))).reshape(len(line), -1)
    return float(np.median(contrast(seen)[:, len(across) // 2]))


def _facing(points_mm: Array, start: End, ends: Sequence[End]) -> End | None:
    """The first loose end that a way comes by and goes on along."""
    met = []
    for end in ends:
        far = np.hypot(*(points_mm - end.point).T)
        k = int(far.argmin())
        if end is not start and far[k] < JOIN_MM and k > 0:
            along = points_mm[k] - points_mm[max(0, k - round(JOIN_MM / STEP_MM))]
            if -end.ahead @ along > np.cos(np.radians(JOIN_TURN_DEG)) * np.hypot(*along):
                met.append((k, end))
    return min(met, key=lambda one: one[0])[1] if met else None


def _led_to(points_mm: Array, end: End) -> Array:
    """The way as far as it lies before the end, drawn over to it."""
    before = np.cumsum((points_mm - end.point) @ end.ahead < STEP_MM) == 0
    kept = points_mm[: max(2, int(before.sum()))]
    off = end.point + end.ahead * float((kept[-1] - end.point) @ end.ahead) - kept[-1]
    to_go = np.arange(len(kept))[::-1] * STEP_MM
    share = np.clip(1 - to_go / min(LED_MM, max(to_go[0], STEP_MM)), 0, 1)
    return kept + (share**2 * (3 - 2 * share))[:, None] * off


def _smoothed(points_mm: Array) -> Array:
    """The way without its corners, from the same tip to the same end."""
    even = resampled(points_mm, max(3, round(length(points_mm) / STEP_MM) + 1))
    smooth = gaussian_filter1d(even, SMOOTH_MM / STEP_MM, axis=0, mode="nearest")
    return np.vstack([even[:1], smooth[1:-1], even[-1:]])


def _pieces_along(ways: Sequence[Thread], threads: Sequence[Thread], used: set[int]) -> list[int]:
    """Short strokes that the ways run along."""
    near = shapely.union_all([thread_line(way) for way in ways]).buffer(PIECE_ASIDE_MM)
    short = [i for i, t in enumerate(threads) if i not in used and t.length_mm < SHORT_MM]
    return [i for i in short if near.intersection(thread_line(threads[i])).length > PIECE_SHARE * threads[i].length_mm]
