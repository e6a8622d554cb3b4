"""Relief cuts so narrow, mouth and all, that the map does not show them open from the edge on.

From every point of the outline, straight lines are sent inwards at many angles over the map. A cut is a
line along which the table shows while the shell shows to either side. A marker stroke that runs to the edge looks alike
on a dark table; but it keeps its width, and a cut tapers to a tip.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from shapely import Polygon, contains_xy

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image
from extract.ink.silhouette_colours import ColourModels
from extract.ink.silhouette_darts import Wedge, follow, strange_strip
from extract.ink.silhouette_ends import cut_end
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_notches import NET_SURE, THIN_MM
from extract.ink.silhouette_read import Reading
from extract.ink.silhouette_ring import signed_area, untangled

PROBE_MM = 9.0
"""First look: this far in, a cut of the least depth is still open."""

SHORTEST_MM = 12.0
"""Shorter snips are ragged scissors' work and change no panel."""

LONGEST_MM = 150.0
NARROWEST_MM = 1.3
"""Mouth of the narrowest cut looked for; thinner lines are creases, tape edges and scratches."""

WIDEST_INK_MM = 2.8
"""Marker lines are 1 to 2.5 mm wide: a dark gap as narrow is taken for one."""

WIDEST_GLARE_MM = 2.0
"""Creases of foil that catch the light are narrower than this."""

PLAIN = 1.2
"""A line that the map shows so open (log odds of table, in the mean) need not taper to the eye."""

LIKELY_OPEN, LAST_MM = 0.3, 20.0
"""The tip of a narrow cut is looked for from that share of what the map shows of it on, or from so far before its end
there."""

MOST_TAKEN = 2.0
"""A narrow cut takes its own area off a shell, and a little more or less where the outline is curved at its mouth."""

FLANK_MM = 4.5
"""Shell must show this far to either side of a narrow cut."""


@dataclass(frozen=True, eq=False)
class Slit:
    """A narrow cut: ring indices ``first`` to ``last`` lie over its mouth; ``end`` (3, 2) foot, tip, foot in mm."""

    first: int
    last: int
    end: Array


@dataclass(frozen=True, eq=False)
class TableMap:
    """How much each point looks like table (log odds, clipped)."""

    shell: ShellMap

    def at(self, points_mm: Array) -> Image:
        return np.clip(-self.shell.at(points_mm), -3, 3)


def find_slits(flat: FlatView, reading: Reading, ring: Array, normals: Array) -> list[Slit]:
    """Narrow cuts that start at the ring, without overlaps, in the order of the ring."""
    table, shell = TableMap(reading.map), Polygon(ring)
    traces = [
        _trace(flat, reading, table, shell, ring, normals, *opening) for opening in _openings(table, ring, normals)
    ]
    found: list[Slit] = []
    for _, slit in sorted((t for t in traces if t is not None), key=lambda trace: -trace[0]):
        if not any(_clash(slit, other, len(ring)) for other in found) and _leaves_whole(ring, found, slit):
            found.append(slit)
    return sorted(found, key=lambda slit: slit.first)


def _openings(table: TableMap, ring: Array, normals: Array, most: int = 24) -> list[tuple[int, float]]:
    """Ring indices and angles where a first look finds table between shell, best first."""
    starts = np.arange(0, len(ring), 2)
    angles = np.radians(np.arange(-70, 71, 5.0))
    along = np.arange(1.0, PROBE_MM, 0.75)
    ways = _turned(-normals[starts][:, None], angles)
    lines = ring[starts][:, None, None] + along[:, None] * ways[:, :, None]
    sides = FLANK_MM * np.stack([-ways[..., 1], ways[..., 0]], axis=-1)[:, :, None]
    middle = table.at(lines).mean(-1)
    flanks = np.maximum(table.at(lines + sides).mean(-1), table.at(lines - sides).mean(-1))
    score = middle - np.maximum(flanks, -1.0)
    score[flanks > 0.3] = -np.inf
    best = score.argmax(1)
    height = score[np.arange(len(starts)), best]
    peaks = (height >= cv2.dilate(height.astype(np.float32)[:, None], np.ones((5, 1))).ravel()) & (height > 1.0)
    order = np.flatnonzero(peaks)[np.argsort(-height[peaks])][:most]
    return [(int(starts[i]), float(angles[best[i]])) for i in order]


def _turned(ways: Array, angles: Array) -> Array:
    cos, sin = np.cos(angles), np.sin(angles)
    x, y = ways[..., 0], ways[..., 1]
    return np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1)


def _trace(
    flat: FlatView,
    reading: Reading,
    table: TableMap,
    shell: Polygon,
    ring: Array,
    normals: Array,
    index: int,
    angle: float,
) -> tuple[float, Slit] | None:
    """The slit that opens near a ring point, if it is one, with its score."""
    near = (index + np.arange(-4, 5)) % len(ring)
    angles = angle + np.radians(np.arange(-6, 6.1, 0.5))
    ways = _turned(-normals[index][None], angles)
    along = np.arange(0.5, LONGEST_MM, 0.75)
    lines = ring[near][:, None, None] + along[:, None] * ways[None, :, None]
    gain = np.cumsum(table.at(lines) - 0.4, axis=-1) * 0.75
    start, turn, stop = np.unravel_index(int(gain.argmax()), gain.shape)
    reach = float(along[stop])
    if reach < SHORTEST_MM or reach > LONGEST_MM - 5 or gain.max() < 0.8 * reach:
        return None
    axis, mouth = ways[turn], ring[near[start]]
    if not _within(shell, mouth, axis * reach):
        return None
    base = _mouth(table, mouth, axis)
    if base is None:
        return None
    wedge = Wedge(base, axis, reach, max(3.0, 0.15 * reach))
    models = reading.models
    end = follow(flat, models, wedge)
    plain = gain.max() > PLAIN * reach
    if not (plain or tapers(flat, models, end) or surely_open(reading, end)):
        return None
    middle = end[[0, 2]].mean(0)
    deep = float(np.hypot(*(end[1] - middle)))
    tip = cut_end(flat, models.white, middle, max(LIKELY_OPEN * deep, deep - LAST_MM), (end[1] - middle) / deep)
    if tip is None:
        return None
    end = np.stack([end[0], tip, end[2]])
    feet = [int(np.hypot(*(ring - foot).T).argmin()) for foot in (end[0], end[2])]
    first, last = feet if (feet[1] - feet[0]) % len(ring) < len(ring) // 2 else feet[::-1]
    ordered = end if first == feet[0] else end[::-1]
    return float(gain.max()), Slit(first, first + (last - first) % len(ring), ordered)


def _mouth(table: TableMap, mouth: Array, axis: Array, widest_mm: float = 9.0) -> Array | None:
    """The two feet of a cut: where a line just inside the outline and across the cut leaves the table's colours."""
    side = np.array([-axis[1], axis[0]])
    across = np.arange(-widest_mm, widest_mm + 0.1, 0.2)
    depth = np.arange(1.5, 6.0, 0.5)
    rows = table.at(mouth + depth[:, None, None] * axis + across[None, :, None] * side)
    shows = np.median(rows, axis=0) > 0
    middle = len(across) // 2
    close = np.flatnonzero(shows & (np.abs(across) < 1.2))
    if not len(close):
        return None
    seed = int(close[np.abs(close - middle).argmin()])
    left = seed - int(np.argmin(np.r_[shows[seed::-1], False]))
    right = seed + int(np.argmin(np.r_[shows[seed:], False]))
    if (right - left) * 0.2 > widest_mm:
        return None
    return np.asarray(mouth + across[[left, right]][:, None] * side, float)


def surely_open(reading: Reading, end: Array) -> bool:
    """Whether the network sees table most of the way into a cut that is wide enough to be one."""
    middle = end[[0, 2]].mean(0)
    inside = middle + np.linspace(0.1, 0.6, 30)[:, None] * (end[1] - middle)
    return (
        float(np.hypot(*(end[2] - end[0]))) > THIN_MM
        and float(np.median(reading.net.at(inside) + reading.tint.at(inside))) < NET_SURE
    )


def tapers(flat: FlatView, models: ColourModels, end: Array) -> bool:
    """Whether the triangle of foot, tip and foot is what the picture shows: strange all the way in, and shell close
    beside it and beyond. A stroke keeps its width and spills out of the triangle; a glaring crease is too thin."""
    base = end[[0, 2]]
    reach = float(np.hypot(*(end[1] - base.mean(0))))
    width = float(np.hypot(*(base[0] - base[1])))
    if reach < SHORTEST_MM or not NARROWEST_MM < width < 0.3 * reach + 2:
        return False
    wedge = Wedge(base, (end[1] - base.mean(0)) / reach, reach, 1.0)
    strip = strange_strip(flat, models, wedge, reach + 9.0)
    half = 0.5 * width * (1 - strip.along / reach)[:, None]
    off = np.abs(strip.across)[None] - np.maximum(half, 0)
    strange, share = strip.far > 3.0, (strip.along / reach)[:, None]
    inner = (off < -0.2) & (share > 0)
    beside = (off > 0.3) & (off < 1.5) & (share > 0.05) & (share < 1 + 6 / reach)
    halves = [inner & (share < 0.4), inner & (share >= 0.4)]
    filled = all(strange[part].mean() > 0.7 for part in halves if part.sum() > 10)
    if not inner.any() or not filled or float(strange[beside].mean()) > 0.3:
        return False
    return width > _widest_mark(strip.lab[inner].mean(0), strip.lab[(off > 2) & (share > 0)].mean(0))


def _widest_mark(lab: Array, shell: Array) -> float:
    """How wide (mm) something of this colour may be on this shell without being a cut: much darker and no more
    colourful is ink, lighter is glare."""
    if np.hypot(lab[1] - shell[1], lab[2] - shell[2]) > 10:
        return NARROWEST_MM
    if lab[0] > shell[0]:
        return WIDEST_GLARE_MM
    return WIDEST_INK_MM if lab[0] < 0.65 * shell[0] else NARROWEST_MM


def _within(shell: Polygon, mouth: Array, way: Array, least: float = 0.4) -> bool:
    """Whether a slit runs through the shell, and not through a cut that the outline already has."""
    line = mouth + np.linspace(0.1, 0.9, 30)[:, None] * way
    return float(contains_xy(shell, *line.T).mean()) > least


def _clash(one: Slit, other: Slit, count: int) -> bool:
    """Whether two slits share a mouth, or one's tip lies in the other."""
    middle = [(slit.first + slit.last) / 2 for slit in (one, other)]
    apart = abs((middle[0] - middle[1] + count / 2) % count - count / 2)
    return apart < 12 or float(np.hypot(*(one.end[1] - other.end[1]))) < 4.0


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
