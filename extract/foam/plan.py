"""Which part lies where on which sheet: the largest first, each as far to the left as it goes, in the turn that takes
the least length; several orders and sizes to buy are tried and the cheapest plan kept.

The same input gives the same plan: nothing is drawn by lot, and no clock decides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
import shapely

from extract.build import CutSheet, FoamPlan, PlacedPart, SheetStock
from extract.doors import Doubt, Part, Pattern, Progress
from extract.foam.bed import Bed, Form, cell_for, form_of
from extract.foam.cost import Cost, cost_of, price_of
from extract.foam.outlines import GRAIN_TURNS, MORE_TURNS, QUARTER_TURNS, aligned_turns, region_of
from extract.foam.sheets import SAME_MM, refused

GAP_MM = 3.0
"""Between parts: room for a knife to turn and to cut wide of the line (common practice, no source)."""
EDGE_MM = 5.0
"""To the sheet's edge, which is seldom square or clean (common practice, no source)."""
_MOST_PARTS = 500
"""Beyond, the maker would wait for more than a minute."""

Order = Callable[[shapely.Polygon], float]
_ORDERS: tuple[Order, ...] = (
    lambda shape: -shape.area,
    lambda shape: -max(shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1]),
    lambda shape: -shape.length,
)


@dataclass(frozen=True, eq=False)
class _Item:
    """One part to cut: which of the pattern's parts, which of its copies."""

    part: int
    copy: int


@dataclass(frozen=True)
class _Ways:
    """How parts are laid: gap between them, kerf included, gap to the edge, whether the grain binds them, on what grid,
    and with how little trying."""

    gap_mm: float
    edge_mm: float
    grain: bool
    cell_mm: float
    quick: bool = False


@dataclass(eq=False)
class _Count:
    """How far the work is, told to whoever asked."""

    tell: Progress | None
    whole: int
    done: int = 0

    def step(self) -> None:
        self.done += 1
        if self.tell:
            self.tell("laying parts on sheets", min(self.done / max(self.whole, 1), 1.0))


def plan_foam(
    pattern: Pattern,
    sheets: Sequence[SheetStock],
    gap_mm: float = GAP_MM,
    kerf_mm: float = 0.0,
    edge_mm: float = EDGE_MM,
    grain: bool = False,
    progress: Progress | None = None,
    quick: bool = False,
) -> FoamPlan:
    """All parts of ``pattern``, copies included, on ``sheets``: those that are there first, then as few as need be
    bought.

    Parts keep ``gap_mm`` and the cut's own width ``kerf_mm`` from one another, and ``edge_mm`` from the edge. With
    ``grain`` they lie as drawn or turned by half a turn. Parts are never flipped. ``quick`` tries one order and quarter
    turns only, which takes a sixth of the time and now and then a sheet more. Raises CannotContinue when a part is
    larger than every sheet, or has no thickness while sheets of several are given.
    """
    if not pattern.parts:
        raise refused("The pattern has no parts to lay out.", "Trace a shell with closed panels first.")
    if not sheets:
        raise refused("No sheets are given.", "Say at least one size, as in 1000x500x6.")
    copies = sum(part.copies for part in pattern.parts)
    if copies > _MOST_PARTS:
        raise refused(f"{copies} parts are more than {_MOST_PARTS}.", "Plan them in batches.")
    ways = _Ways(gap_mm + kerf_mm, edge_mm, grain, cell_for(sheets), quick)
    groups = _by_thickness(pattern.parts, sheets)
    count = _Count(progress, copies * (len(_ORDERS) + len(sheets) - len(groups)))
    beds: list[Bed] = []
    for thickness, parts in groups:
        sizes = [sheet for sheet in sheets if abs(sheet.thickness_mm - thickness) <= SAME_MM]
        beds += _laid(pattern.parts, parts, sizes, ways, count)
    if progress:
        progress("laying parts on sheets", 1.0)
    cut = tuple(_cut_sheet(number, bed, pattern.parts) for number, bed in enumerate(beds, start=1))
    doubts = tuple(_doubts(pattern.parts, sheets))
    return FoamPlan(pattern.photo_name, cut, ways.gap_mm, edge_mm, kerf_mm, grain, doubts)


def fits(part: Part, sheet: SheetStock, edge_mm: float = EDGE_MM) -> bool:
    """Whether an empty sheet takes the part in some turn."""
    return bool(_forms(region_of(part), _Ways(0.0, edge_mm, False, cell_for([sheet])), [sheet]))


def _by_thickness(parts: Sequence[Part], sheets: Sequence[SheetStock]) -> list[tuple[float, list[int]]]:
    """Which parts are cut from which thickness. A part without one takes the only thickness there is."""
    offered = sorted({sheet.thickness_mm for sheet in sheets})
    groups: dict[float, list[int]] = {}
    for index, part in enumerate(parts):
        if part.thickness_mm <= 0 and len(offered) > 1:
            raise refused(
                f"Part {_name(part)} has no stock, and there are sheets of {len(offered)} thicknesses.",
                "Say what it is cut from, with the step stock.",
            )
        wanted = part.thickness_mm or offered[0]
        fits = [thickness for thickness in offered if abs(thickness - wanted) <= SAME_MM]
        if not fits:
            known = ", ".join(f"{thickness:g}" for thickness in offered)
            raise refused(
                f"Part {_name(part)} is cut from {wanted:g} mm foam, and the sheets are {known} mm thick.",
                f"Add a sheet of {wanted:g} mm.",
            )
        groups.setdefault(fits[0], []).append(index)
    return sorted(groups.items())


def _items(parts: Sequence[Part], which: Sequence[int]) -> list[_Item]:
    return [_Item(index, copy) for index in which for copy in range(1, max(1, parts[index].copies) + 1)]


def _name(part: Part) -> str:
    return f"{part.number} {part.side}".strip()


def _laid(
    parts: Sequence[Part], which: Sequence[int], sizes: Sequence[SheetStock], ways: _Ways, count: _Count
) -> list[Bed]:
    """The parts of one thickness on sheets of theirs, in the cheapest way found."""
    regions = {index: region_of(parts[index]) for index in which}
    forms = {index: _forms(regions[index], ways, sizes) for index in which}
    for index in which:
        if not forms[index]:
            raise _too_large(parts[index], regions[index], sizes)
    items = _items(parts, which)
    least = ceil(sum(regions[item.part].area for item in items) / max(s.width_mm * s.height_mm for s in sizes) - 1e-9)
    best: tuple[Cost, list[Bed]] | None = None
    for order, bought in list(_trials(sizes))[: 1 if ways.quick else None]:
        queue = sorted(items, key=lambda item: (round(order(regions[item.part]), 6), item.part, item.copy))
        beds = _filled(queue, forms, sizes, bought, ways, count)
        cost = _cost(beds)
        if best is None or cost < best[0]:
            best = cost, beds
        if len(best[1]) <= least and len(sizes) == 1:
            count.done += len(items) * (len(_ORDERS) - 1)
            break
    return best[1] if best else []


def _trials(sizes: Sequence[SheetStock]) -> Iterator[tuple[Order, SheetStock]]:
    """What is tried: every size to buy with the first order, then the other orders with the size that costs least."""
    for size in sizes:
        yield _ORDERS[0], size
    cheapest = min(sizes, key=lambda size: (price_of(size) / (size.width_mm * size.height_mm), -size.width_mm))
    for order in _ORDERS[1:]:
        yield order, cheapest


def _cost(beds: Sequence[Bed]) -> Cost:
    return cost_of([(bed.stock, bed.owned, bed.length_mm) for bed in beds])


def _filled(
    queue: Sequence[_Item],
    forms: dict[int, tuple[Form, ...]],
    sizes: Sequence[SheetStock],
    bought: SheetStock,
    ways: _Ways,
    count: _Count,
) -> list[Bed]:
    """Each item on the first sheet that has room; a new one is opened where none has."""
    pad = max(form.reach for some in forms.values() for form in some) + 1
    waiting = sorted(
        (size for size in sizes for _ in range(size.count)), key=lambda size: -size.width_mm * size.height_mm
    )
    beds: list[Bed] = []
    for item in queue:
        count.step()
        if any(_put_best(bed, item, forms[item.part]) for bed in beds):
            continue
        bed = _opened(waiting, sizes, bought, forms[item.part], ways, pad)
        _put_best(bed, item, forms[item.part])
        beds.append(bed)
    return beds


def _put_best(bed: Bed, item: _Item, forms: Sequence[Form]) -> bool:
    """Puts the item where it ends furthest to the left, then highest; False where the sheet has no room."""
    if item.part in bed.too_full_for:
        return False
    # Forms share no grid point, so one that takes more than are free need not be tried.
    small = (form for form in forms if form.cells <= bed.free_cells)
    found = [(form, at) for form in small if (at := bed.place_for(form)) is not None]
    if not found:
        bed.too_full_for.add(item.part)
        return False
    form, at = min(found, key=lambda one: (one[1][0] + one[0].size_mm[0], one[1][1] + one[0].size_mm[1]))
    bed.put(item.part, item.copy, form, at)
    return True


def _opened(
    waiting: list[SheetStock],
    sizes: Sequence[SheetStock],
    bought: SheetStock,
    forms: Sequence[Form],
    ways: _Ways,
    pad: int,
) -> Bed:
    """A fresh sheet that takes one of ``forms``: one that lies there, else one of the size to buy, else of another."""
    for k, size in enumerate(waiting):
        bed = Bed(size, True, ways.edge_mm, ways.cell_mm, pad)
        if any(bed.holds(form) for form in forms):
            del waiting[k]
            return bed
    beds = [Bed(size, False, ways.edge_mm, ways.cell_mm, pad) for size in (bought, *sizes)]
    return next(bed for bed in beds if any(bed.holds(form) for form in forms))


def _forms(region: shapely.Polygon, ways: _Ways, sizes: Sequence[SheetStock]) -> tuple[Form, ...]:
    """The part in every turn worth trying that some sheet takes."""
    if ways.grain:
        return _taken(region, GRAIN_TURNS, ways, sizes)
    found = _taken(region, QUARTER_TURNS, ways, sizes) if ways.quick else ()
    if found:
        return found
    return _taken(region, aligned_turns(region), ways, sizes) or _taken(region, MORE_TURNS, ways, sizes)


def _taken(
    region: shapely.Polygon, turns: Sequence[float], ways: _Ways, sizes: Sequence[SheetStock]
) -> tuple[Form, ...]:
    """The turns that an empty sheet takes; one of those that come to the same, as half a turn of a rectangle does."""
    empty = [Bed(size, False, ways.edge_mm, ways.cell_mm, 0) for size in sizes]
    found: list[Form] = []
    for turn in turns:
        form = form_of(region, turn, ways.gap_mm, ways.cell_mm)
        new = all(not np.array_equal(form.mask, other.mask) for other in found)
        if new and any(bed.holds(form) for bed in empty):
            found.append(form)
    return tuple(found)


def _too_large(part: Part, region: shapely.Polygon, sizes: Sequence[SheetStock]) -> Exception:
    left, top, right, bottom = region.bounds
    largest = max(sizes, key=lambda size: size.width_mm * size.height_mm)
    return refused(
        f"Part {_name(part)} is {right - left:.0f} by {bottom - top:.0f} mm, too large for every sheet of "
        f"{largest.thickness_mm:g} mm; the largest is {largest.width_mm:g} by {largest.height_mm:g} mm.",
        "Get a larger sheet, or cut the piece in two along a line.",
    )


def _cut_sheet(number: int, bed: Bed, parts: Sequence[Part]) -> CutSheet:
    placed = []
    for index, copy, form, at in bed.placed:
        corner = (at[0] + bed.edge_mm, at[1] + bed.edge_mm)
        shift = (corner[0] + form.shift_mm[0], corner[1] + form.shift_mm[1])
        placed.append(PlacedPart(parts[index], copy, form.turn_deg, shift, corner, form.size_mm))
    return CutSheet(number, bed.stock, bed.owned, tuple(placed))


def _doubts(parts: Sequence[Part], sheets: Sequence[SheetStock]) -> Iterator[Doubt]:
    nameless = [_name(part) for part in parts if part.thickness_mm <= 0]
    if nameless:
        words = (
            f"No material was chosen for {', '.join(nameless)}: laid on {sheets[0].thickness_mm:g} mm foam, as the "
            "first sheet is."
        )
        yield Doubt("no-stock", words)
