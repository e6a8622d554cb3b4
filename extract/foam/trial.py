"""One trial: a set of parts on one sheet, laid by the strip packing library and looked at with their true outlines."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from math import acos, ceil, inf, pi

import numpy as np
import shapely
from shapely.affinity import rotate, translate

from extract.build import CutSheet, FoamPlan, PlacedPart, SheetStock
from extract.doors import Array, Part, Progress
from extract.foam.outlines import GRAIN_TURNS, MORE_TURNS, aligned_turns, region_of
from extract.foam.strip import Outline, Place, shortest_strip

DOING = "packing parts closer"
_CHORD_MM = 0.02
_SPARE_MM = 0.02
"""Kept around every part besides half the gap, and on the strip: the library counts in single precision."""
_ROUND_MM = 0.02
"""So far the rounded corners of what is kept around a part may lie within the true ones."""
_SIMPLER_MM = 0.05
"""Fewer corners make the library faster; parts keep up to so much more than the gap for it."""
_ROUNDING_MM = 1e-6

Item = tuple[int, int]
"""Which kind of part, which of its copies."""
Kept = tuple[SheetStock, bool]
"""A sheet to use, and whether it is there already."""


@dataclass(frozen=True, eq=False)
class Kind:
    """A part, its true ``region``, the polygon ``grown`` (N, 2) around it that holds half the gap, that one's area, the
    turns it may have, and those for a sheet that takes it in none of these."""

    part: Part
    region: shapely.Polygon
    grown: Array
    area_mm2: float
    turns: tuple[float, ...]
    more_turns: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Task:
    """What every trial needs: the kinds of parts, the gap between them and to the edge, since when and how long there
    is time, and whom to tell how much of it is over."""

    kinds: tuple[Kind, ...]
    gap_mm: float
    edge_mm: float
    begun: float
    seconds: float
    tell: Progress | None = None
    seeds: Iterator[int] = field(default_factory=lambda: count(1))
    """Another for every trial, so that one that is done again goes another way."""
    known: dict[tuple[int, SheetStock], tuple[float, ...]] = field(default_factory=dict)
    """Turns found by ``turns_on``."""

    def tick(self) -> None:
        if self.tell:
            self.tell(DOING, min((time.monotonic() - self.begun) / self.seconds, 0.99))

    def room(self, stock: SheetStock) -> tuple[float, float]:
        """Width and height for parts with half their gap around them."""
        more = self.gap_mm - 2 * self.edge_mm
        return max(stock.width_mm + more, 0.0), max(stock.height_mm + more, 0.0)

    def area(self, items: Sequence[Item]) -> float:
        """Of the items, each with half its gap around it."""
        return sum(self.kinds[kind].area_mm2 for kind, _ in items)

    def share(self, stock: SheetStock, items: Sequence[Item]) -> float:
        """How full those make the sheet."""
        width, height = self.room(stock)
        return self.area(items) / (width * height) if width and height else inf

    def turns_on(self, stock: SheetStock, kind: int) -> tuple[float, ...]:
        """The turns of a part that such a sheet takes."""
        if (kind, stock) not in self.known:
            one, room = self.kinds[kind], np.add(self.room(stock), 2.5 * _SPARE_MM)
            fit = [turn for turn in (*one.turns, *one.more_turns) if (_size(one.grown, turn) <= room).all()]
            self.known[kind, stock] = tuple(turn for turn in fit if turn in one.turns) or tuple(fit)
        return self.known[kind, stock]


def task_for(plan: FoamPlan, seconds: float, progress: Progress | None = None) -> Task:
    """The task of making ``plan`` closer, begun now."""
    parts = {id(item.part): item.part for sheet in plan.sheets for item in sheet.placed}
    kinds = tuple(_kind(part, plan.gap_mm, plan.grain) for part in parts.values())
    return Task(kinds, plan.gap_mm, plan.edge_mm, time.monotonic(), seconds, progress)


def _kind(part: Part, gap_mm: float, grain: bool) -> Kind:
    region = region_of(part, _CHORD_MM)
    near, wide = gap_mm / 2 + _SPARE_MM, gap_mm / 2 + _SPARE_MM + _ROUND_MM + _SIMPLER_MM
    grown = region.buffer(wide, quad_segs=_steps(wide)).simplify(_SIMPLER_MM)
    # Cut to the nearer one's box: a part as large as the sheet allows must still go on it.
    left, top, right, bottom = region.bounds
    grown = shapely.intersection(grown, shapely.box(left - near, top - near, right + near, bottom + near))
    if grown.geom_type != "Polygon":
        grown = shapely.convex_hull(grown)
    ring = shapely.Polygon(grown.exterior)
    turns = (GRAIN_TURNS, ()) if grain else (aligned_turns(region), MORE_TURNS)
    return Kind(part, region, np.asarray(ring.exterior.coords)[:-1], ring.area, *turns)


def _steps(radius_mm: float) -> int:
    """Chords to a quarter of a circle that stay within ``_ROUND_MM`` of it: radius · (1 - cos(step / 2))."""
    return ceil(pi / 4 / acos(1 - min(_ROUND_MM / radius_mm, 1.0)))


def _size(points: Array, turn_deg: float) -> Array:
    """Width and height of the box around the turned points."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.asarray(np.ptp(points @ np.array([[c, s], [-s, c]]), axis=0))


def items_on(sheet: CutSheet, task: Task) -> list[Item]:
    """What lies on the sheet, in its order."""
    index = {id(kind.part): k for k, kind in enumerate(task.kinds)}
    return [(index[id(item.part)], item.copy) for item in sheet.placed]


def laid(
    kept: Kept, items: Sequence[Item], task: Task, until: float, shortest: bool = False
) -> tuple[CutSheet | None, float]:
    """The items on that sheet as soon as they fit, or, if ``shortest``, as far to the left as the time allows; None and
    by how many mm the shortest strip found was too long where they did not fit."""
    stock, owned = kept
    width, height = task.room(stock)
    counts = Counter(kind for kind, _ in items)
    turns = {kind: task.turns_on(stock, kind) for kind in counts}
    if not all(turns.values()):
        return None, inf
    outlines = [Outline(task.kinds[kind].grown, n, turns[kind]) for kind, n in counts.items()]
    enough, high = width + 2 * _SPARE_MM, height + 3 * _SPARE_MM
    found = shortest_strip(outlines, high, until, 0.0 if shortest else enough, next(task.seeds), task.tick)
    if found is None:
        return None, inf
    if found.length_mm > enough:
        return None, found.length_mm - enough
    order = list(counts)
    copies = {kind: iter(sorted(copy for other, copy in items if other == kind)) for kind in counts}
    kinds = [order[place.kind] for place in found.places]
    places = [
        replace(place, turn_deg=_nearest(place.turn_deg, turns[kind]))
        for kind, place in zip(kinds, found.places, strict=True)
    ]
    pairs = _moved([task.kinds[kind] for kind in kinds], places, stock, task)
    placed = [
        PlacedPart(task.kinds[kind].part, next(copies[kind]), place.turn_deg, shift, shape.bounds[:2], _box(shape))
        for kind, place, (shape, shift) in zip(kinds, places, pairs, strict=True)
    ]
    shapes = [shape for shape, _ in pairs]
    whole = Counter(kinds) == counts and keeps_gaps(shapes, stock, task.gap_mm, task.edge_mm)
    return (CutSheet(0, stock, owned, tuple(placed)), 0.0) if whole else (None, inf)


def _nearest(turn_deg: float, turns: Sequence[float]) -> float:
    """Which of the turns that were allowed is meant: the library counts them from -180 to 180."""
    return min(turns, key=lambda turn: abs((turn - turn_deg + 180.0) % 360.0 - 180.0))


def _moved(
    kinds: Sequence[Kind], places: Sequence[Place], stock: SheetStock, task: Task
) -> list[tuple[shapely.Polygon, tuple[float, float]]]:
    """True outlines on the sheet, and by how much each was moved after its turn: the strip's start to the edge, and
    what is beyond the edge by rounding back inside."""
    turned = [rotate(kind.region, place.turn_deg, origin=(0, 0)) for kind, place in zip(kinds, places, strict=True)]
    start = min(shape.bounds[0] + place.shift_mm[0] for shape, place in zip(turned, places, strict=True))
    pairs = []
    for shape, place in zip(turned, places, strict=True):
        x, y = place.shift_mm
        x, y = x - start + task.edge_mm, y - task.gap_mm / 2 - _SPARE_MM + task.edge_mm
        left, top, right, bottom = shape.bounds
        x += _back(left + x, right + x, task.edge_mm, stock.width_mm)
        y += _back(top + y, bottom + y, task.edge_mm, stock.height_mm)
        pairs.append((translate(shape, x, y), (x, y)))
    return pairs


def _back(low: float, high: float, edge_mm: float, side_mm: float) -> float:
    """By how much to move what reaches from ``low`` to ``high`` to lie within the edges, at most what rounding does."""
    wished = max(edge_mm - low, 0.0) or min(side_mm - edge_mm - high, 0.0)
    return wished if abs(wished) <= 2 * _SPARE_MM else 0.0


def _box(shape: shapely.Polygon) -> tuple[float, float]:
    left, top, right, bottom = shape.bounds
    return right - left, bottom - top


def keeps_gaps(shapes: Sequence[shapely.Polygon], stock: SheetStock, gap_mm: float, edge_mm: float) -> bool:
    """Whether the outlines keep the gap from one another and the edge from the sheet's border."""
    low, gap = edge_mm - _ROUNDING_MM, gap_mm - _ROUNDING_MM
    board = shapely.box(low, low, stock.width_mm - low, stock.height_mm - low)
    if not all(board.covers(shape) for shape in shapes):
        return False
    near = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=max(gap, 0.0))
    return all(_far_enough(shapes[a], shapes[b], gap) for a, b in near.T if a < b)


def _far_enough(one: shapely.Polygon, other: shapely.Polygon, gap_mm: float) -> bool:
    if gap_mm > 0:
        return bool(one.distance(other) >= gap_mm)
    return bool(one.intersection(other).area <= _ROUNDING_MM)
