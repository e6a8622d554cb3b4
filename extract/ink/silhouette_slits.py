"""Relief cuts so narrow, mouth and all, that the outline does not run into them.

What the map shows inside the outline of such a cut is a thin streak of table, whole or in parts. Marker strokes on a
dark table and creases that catch the light on a bright one look alike: the network that knows the ends of cuts tells
them apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from shapely import LinearRing, LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image, erode
from extract.ink.silhouette_darts import from_outside
from extract.ink.silhouette_ends import cut_end, likelihoods
from extract.ink.silhouette_mouths import DEEP_MM, FILLED_MM, Mouth, beginnings, filled, mouths
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_read import Reading
from extract.ink.silhouette_ring import signed_area, untangled

RIM_MM = 0.8
"""So close to the outline what looks like table is its own doubt."""

OPEN = 2.0
"""Log odds of shell in a streak are lower."""

STREAK_MM, WIDEST_MM = 6.0, 4.0
"""Shorter streaks say nothing of where they lead; what is wider the outline runs into."""

HIDDEN_MM = 25.0
"""A cut may be hidden so far in from its mouth, under glare or by print as dark as a line."""

LEAST_WIDE_MM = 1.0
"""A cut is taken to be so wide at its mouth at least."""

SHORTEST_MM = 12.0
"""Shorter snips are ragged scissors' work and change no panel."""

SURE_CUT, SURE_END = 0.99, 0.85
"""How likely a streak is a cut, and ends near the tip read, at least: most streaks are none."""

SURE_MOUTH = 0.98
"""How likely a cut begins where a line meets the outline, at least, that is told by its beginning."""

NO_MOUTH, IN_CUT_MM = 0.01, 3.0
"""What is less likely is no cut's beginning, but for what goes on from the end of one: there it is not seen."""

BEGUN_MM, CLEAR_MM = 8.0, 1.0
"""From so far in, to where the outline may run into it, a cut keeps so clear of others: a straight line in through the
side of one that is bent is none."""

ABOUT_MM, LEAST_DEG = 8.0, 20.0
"""A cut makes at least such an angle with the outline so far about its mouth (common practice, no source): nobody snips
along the edge, but edges of tape run so."""

LIKELY_CUT, LIKELY_END = 0.97, 0.35
"""Then so much is enough of the other two."""

PLAIN_MM = 30.0
"""A cut that surely begins, and of which the map shows so much, ends where the map's streak does if nothing is seen of
its end."""

OPEN_MM = (4.0, 8.0, 16.0, 24.0)
"""How far such a cut may be open: its tip is looked for from each of these on, and the likeliest taken."""

PLAINLY_CUT = 0.996
"""What is so likely a cut is one wherever it ends: a line's ink may hide that."""

LIKELY_OPEN, LAST_MM = 0.3, 20.0
"""The tip of a narrow cut is looked for from that share of what the map shows of it on, or from so far before its end
there."""

MOST_TAKEN = 2.0
"""A narrow cut takes its own area off a shell, and a little more or less where the outline is curved at its mouth."""


@dataclass(frozen=True, eq=False)
class Lead:
    """What may be a narrow cut: its ``mouth`` (2,) on the outline, the unit vector ``axis`` inwards, how far in it is
    seen to reach, and how ``wide`` it is (mm)."""

    mouth: Array
    axis: Array
    reach_mm: float
    wide_mm: float


Asked = list[tuple[Lead, bool]]
"""What may be narrow cuts, each with whether a cut surely begins there."""


@dataclass(frozen=True, eq=False)
class Slit:
    """A narrow cut: ring indices ``first`` to ``last`` lie over its mouth; ``end`` (3, 2) foot, tip, foot in mm."""

    first: int
    last: int
    end: Array


def find_slits(flat: FlatView, reading: Reading, ring: Array) -> list[Slit]:
    """Narrow cuts that start at the ring, without overlaps, in the order of the ring."""
    white = reading.models.white
    streaks, lines = _asked(flat, reading, ring)
    shell = Polygon(ring).buffer(0)
    within = shell.buffer(-CLEAR_MM)
    found: list[Slit] = []
    # the map knows better where a cut lies than the unrolled picture does
    for asked in (streaks, [(line, True) for line in lines]):
        traces = (_trace(flat, white, ring, lead, begins) for lead, begins in asked)
        for _, slit in sorted((trace for trace in traces if trace is not None), key=lambda trace: -trace[0]):
            if any(_clash(slit, other, len(ring)) for other in found):
                continue
            mouth, tip = slit.end[[0, 2]].mean(axis=0), slit.end[1]
            if not (from_outside(shell, mouth, tip) and _keeps_clear(within, slit)):
                continue
            if _leaves_whole(ring, found, slit):
                found.append(slit)
    return sorted(found, key=lambda slit: slit.first)


def _asked(flat: FlatView, reading: Reading, ring: Array) -> tuple[Asked, list[Lead]]:
    """Streaks of the map but for those that surely begin as no cut does, and lines where a cut surely begins."""
    streaks = list(leads(reading.map, ring))
    lines = [Lead(mouth.at, mouth.axis, DEEP_MM[1], LEAST_WIDE_MM) for mouth in mouths(flat, ring)]
    begun = [Mouth(lead.mouth, lead.axis) for lead in (*streaks, *lines)]
    likely = beginnings(flat, reading.models.white, begun)
    rim = LinearRing(filled(ring, FILLED_MM))
    asked: Asked = []
    for streak, begins in zip(streaks, likely, strict=False):
        goes_on = rim.distance(Point(streak.mouth)) > IN_CUT_MM
        if goes_on or (begins > NO_MOUTH and _crosses(rim, streak)):
            asked.append((streak, bool(begins > SURE_MOUTH)))
    return asked, [line for line, begins in zip(lines, likely[len(streaks) :], strict=True) if begins > SURE_MOUTH]


def _crosses(rim: LinearRing, lead: Lead) -> bool:
    """Whether a lead runs across the rim rather than along it."""
    at = rim.project(Point(lead.mouth))
    ends = [rim.interpolate((at + off) % rim.length).coords[0] for off in (-ABOUT_MM, ABOUT_MM)]
    along = np.subtract(*ends) / np.hypot(*np.subtract(*ends))
    return bool(abs(along @ lead.axis) < np.cos(np.radians(LEAST_DEG)))


def leads(shell: ShellMap, ring: Array) -> Iterator[Lead]:
    """Every streak of table inside a ring that points out of it somewhere near."""
    px = 1 / shell.flat.mm_per_px
    inside = np.zeros(shell.odds.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(shell.flat.px_from_mm(ring)).astype(np.int32)], 1)
    streaks = (erode(inside > 0, RIM_MM * px) & (shell.odds < OPEN)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(streaks, connectivity=8)
    outline = LineString(np.vstack([ring, ring[:1]]))
    for index in range(1, count):
        x, y, width, height, area = stats[index]
        if max(width, height) < STREAK_MM / 2 * px or area < STREAK_MM * px:
            continue
        rows, columns = np.nonzero(labels[y : y + height, x : x + width] == index)
        points = shell.flat.mm_from_px(np.column_stack([columns + x, rows + y]).astype(float))
        lead = _lead(points, outline)
        if lead is not None:
            yield lead


def _lead(points: Array, outline: LineString) -> Lead | None:
    """Where a streak (N, 2) leads out of the shell by the shorter way, if it is long and thin and that way is short."""
    centre = points.mean(axis=0)
    way = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    along = (points - centre) @ way
    aside = (points - centre) @ np.array([-way[1], way[0]])
    first, last = float(along.min()), float(along.max())
    wide = 3.5 * float(aside.std())  # of an even spread over a width, that width
    if last - first < STREAK_MM or wide > WIDEST_MM:
        return None
    out = []
    for outwards, end in ((-way, -first), (way, last)):
        ray = LineString([centre + end * outwards, centre + (end + HIDDEN_MM) * outwards])
        hits = ray.intersection(outline)
        if not hits.is_empty:
            out.append((hits.distance(Point(ray.coords[0])), outwards, end))
    if not out:
        return None
    hidden, outwards, end = min(out, key=lambda one: one[0])
    return Lead(centre + (end + hidden) * outwards, -outwards, hidden + last - first, wide)


def _trace(flat: FlatView, white: Image, ring: Array, lead: Lead, begins: bool) -> tuple[float, Slit] | None:
    """The slit that a lead is, if it is one, and how surely it ends there; ``begins`` where its beginning is surely
    that of a cut."""
    ended = _tip(flat, white, lead, begins)
    if ended is None or np.hypot(*(ended[1] - lead.mouth)) < SHORTEST_MM:
        return None
    end_there, tip = ended
    way = (tip - lead.mouth) / np.hypot(*(tip - lead.mouth))
    half = max(lead.wide_mm, LEAST_WIDE_MM) / 2 * np.array([-way[1], way[0]])
    feet = [int(np.hypot(*(ring - foot).T).argmin()) for foot in (lead.mouth - half, lead.mouth + half)]
    first, last = feet if (feet[1] - feet[0]) % len(ring) < len(ring) // 2 else feet[::-1]
    end = np.stack([ring[first], tip, ring[last]])
    return end_there, Slit(first, first + (last - first) % len(ring), end)


def _tip(flat: FlatView, white: Image, lead: Lead, begins: bool) -> tuple[float, Array] | None:
    """How surely a lead that is a cut ends at its tip (2,), and the tip."""
    seen = _end(flat, white, lead, max(LIKELY_OPEN * lead.reach_mm, lead.reach_mm - LAST_MM))
    if seen[0] >= PLAINLY_CUT or (seen[0] > SURE_CUT and seen[1] >= SURE_END):
        return seen[1:]
    if not begins:
        return None
    likeliest = max((seen, *(_end(flat, white, lead, open_mm) for open_mm in OPEN_MM)), key=lambda end: end[0])
    if likeliest[0] > LIKELY_CUT and likeliest[1] > LIKELY_END:
        return likeliest[1:]
    return (0.0, lead.mouth + lead.reach_mm * lead.axis) if lead.reach_mm > PLAIN_MM else None


def _end(flat: FlatView, white: Image, lead: Lead, open_mm: float) -> tuple[float, float, Array]:
    """How likely a lead that is open so far is a cut, how likely it ends at its tip, and the tip (2,)."""
    tip = cut_end(flat, white, lead.mouth, open_mm, lead.axis, 0.0)
    if tip is None:
        return 0.0, 0.0, lead.mouth
    return *likelihoods(flat, white, tip, (tip - lead.mouth) / max(float(np.hypot(*(tip - lead.mouth))), 1e-9)), tip


def _clash(one: Slit, other: Slit, count: int) -> bool:
    """Whether two slits share a mouth, or one's tip lies in the other."""
    middle = [(slit.first + slit.last) / 2 for slit in (one, other)]
    apart = abs((middle[0] - middle[1] + count / 2) % count - count / 2)
    return apart < 12 or float(np.hypot(*(one.end[1] - other.end[1]))) < 4.0


def _keeps_clear(within: BaseGeometry, slit: Slit) -> bool:
    """Whether a slit runs on ``within`` the shell, but for its beginning."""
    mouth, tip = slit.end[[0, 2]].mean(axis=0), slit.end[1]
    begun = mouth + BEGUN_MM * (tip - mouth) / np.hypot(*(tip - mouth))
    return bool(within.covers(LineString([begun, tip])))


def _leaves_whole(ring: Array, found: list[Slit], slit: Slit) -> bool:
    """Whether one slit more takes no more than itself off a ring: a line of the table's own colour may run from edge to
    edge, or into a slit ``found`` before."""
    before, after = (
        abs(signed_area(untangled(with_slits(ring, sorted(slits, key=lambda one: one.first)))))
        for slits in (found, [*found, slit])
    )
    return before - after < MOST_TAKEN * abs(signed_area(slit.end))


def with_slits(ring: Array, slits: list[Slit]) -> Array:
    """The ring with every slit cut in."""
    if not slits:
        return ring
    turn = slits[0].first
    rolled = np.roll(ring, -turn, axis=0)
    pieces, at = [], 0
    for slit in slits:
        pieces += [rolled[at : slit.first - turn], slit.end]
        at = slit.last - turn + 1
    return np.vstack([*pieces, rolled[at:]])
