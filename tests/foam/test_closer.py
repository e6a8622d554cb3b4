"""Plans packed closer, judged by shapely (their true outlines), by the area of the parts, and against the plan they
were made from. Times are short, and no test hangs on how far the library gets in them, but for parts that find their
places within a tenth of the time given."""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from extract.build import FoamPlan, SheetStock
from extract.doors import CannotContinue, Pattern
from extract.foam import pack_closer, plan_foam
from extract.foam.cost import cost_of
from extract.foam.pockets import put_in_pockets
from extract.foam.trial import items_on, keeps_gaps, laid, task_for
from extract.geometry.curve import circle_curve, reversed_curve

sys.path.insert(0, str(Path(__file__).resolve().parent))

from foam_parts import SHEET, blobs, box, checked, fewest, least_edge, least_gap, part, pattern

SECONDS = 1.5
A_WHILE_S = 60.0
"""Ends as soon as the parts lie, which takes a fraction of a second on an idle machine."""
SMALL = SheetStock(600, 400, 6)


def cost(plan: FoamPlan) -> tuple[float, ...]:
    return cost_of([(sheet.stock, sheet.owned, sheet.reach_mm) for sheet in plan.sheets])


def both(
    parts: Pattern, sheets: list[SheetStock], seconds: float = SECONDS, **ways: float
) -> tuple[FoamPlan, FoamPlan]:
    """The grid's plan and the closer one, with everything that must hold of any."""
    plan = plan_foam(parts, sheets, **ways)  # type: ignore[arg-type]
    closer_plan = checked(pack_closer(plan, sheets, seconds), parts)
    assert cost(closer_plan) <= cost(plan)
    assert [sheet.number for sheet in closer_plan.sheets] == list(range(1, len(closer_plan.sheets) + 1))
    for size in sheets:
        assert sum(sheet.owned for sheet in closer_plan.sheets if sheet.stock == size) <= size.count
    return plan, closer_plan


def triangles() -> Pattern:
    return pattern(part([[0, 0], [100, 0], [0, 70]], copies=16))


def angles() -> Pattern:
    return pattern(part([[0, 0], [100, 0], [100, 30], [30, 30], [30, 80], [0, 80]], copies=16))


def crescents() -> Pattern:
    at = np.linspace(0, np.pi, 40)
    outer, inner = (r * np.c_[np.cos(at), np.sin(at)] for r in (60.0, 35.0))
    return pattern(part(np.vstack([outer, inner[::-1]]), copies=12))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_free_shapes_keep_their_gaps_and_cost_no_more(seed: int) -> None:
    both(blobs(seed, 24), [SMALL])


@pytest.mark.parametrize(("gap", "kerf", "edge"), [(0.0, 0.0, 0.0), (0.5, 0.2, 1.0), (8.0, 1.5, 12.0)])
def test_gap_kerf_and_edge_are_kept(gap: float, kerf: float, edge: float) -> None:
    _, plan = both(blobs(4, 20), [SMALL], gap_mm=gap, kerf_mm=kerf, edge_mm=edge)
    assert (plan.gap_mm, plan.kerf_mm, plan.edge_mm) == (gap + kerf, kerf, edge)
    for sheet in plan.sheets:
        for item in sheet.placed:
            assert min(item.corner_mm) >= edge - 1e-6


@pytest.mark.parametrize(
    ("parts", "sheet"),
    [
        (triangles(), SheetStock(290, 400, 6)),
        (angles(), SheetStock(340, 400, 6)),
        (crescents(), SheetStock(240, 400, 6)),
    ],
)
def test_shapes_that_interlock_need_a_sheet_less(parts: Pattern, sheet: SheetStock) -> None:
    """The grid takes two sheets of what covers less than one, and all of it goes on one."""
    assert fewest(parts, sheet) == 1
    plan = plan_foam(parts, [sheet])
    assert len(plan.sheets) == 2
    task = task_for(plan, A_WHILE_S)
    items = [item for one in plan.sheets for item in items_on(one, task)]
    found, _ = laid((sheet, False), items, task, task.begun + A_WHILE_S)
    assert found is not None
    checked(replace(plan, sheets=(found,)), parts)


@pytest.mark.parametrize("gap", [1.0, 25.0])
def test_wide_gaps_are_found_wide_enough(gap: float) -> None:
    """Round the parts' corners, too, where a circle of so large a radius is laid by chords."""
    for parts in (triangles(), angles(), crescents()):
        plan = plan_foam(parts, [SHEET], gap_mm=gap)
        task = task_for(plan, A_WHILE_S)
        items = [item for one in plan.sheets for item in items_on(one, task)]
        found, _ = laid((SHEET, False), items, task, time.monotonic() + SECONDS, shortest=True)
        assert found is not None
        checked(replace(plan, sheets=(found,)), parts)


def test_a_sheet_less_is_bought() -> None:
    sheet = replace(SheetStock(290, 400, 6), price=4.0)
    plan, closer_plan = both(triangles(), [sheet], 6.0)
    assert plan.to_buy == ((sheet, 2),)
    assert closer_plan.to_buy == ((sheet, 1),)
    assert closer_plan.closer_s == 6.0


def test_a_cheaper_size_will_do() -> None:
    """The grid needs two of the small ones, at 8, so it buys the large one at 6; all go on a small one, at 4."""
    small, large = SheetStock(290, 400, 6, price=4.0), SheetStock(580, 400, 6, price=6.0)
    plan, closer_plan = both(triangles(), [small, large], 8.0)
    assert plan.to_buy == ((large, 1),)
    assert closer_plan.to_buy == ((small, 1),)


def test_what_lies_there_does_and_nothing_is_bought() -> None:
    """Two sheets lie there, and the grid buys a third for what they can take."""
    owned = SheetStock(290, 400, 6, count=2, price=4.0)
    parts = pattern(replace(triangles().parts[0], copies=33))
    plan, closer_plan = both(parts, [owned], 8.0)
    assert [sheet.owned for sheet in plan.sheets] == [True, True, False]
    assert [sheet.owned for sheet in closer_plan.sheets] == [True, True]
    assert closer_plan.to_buy == ()


@pytest.mark.parametrize("gap", [0.0, 3.0, 12.0])
def test_small_parts_go_into_what_is_left_free(gap: float) -> None:
    """Beside parts that lie anywhere, not on the grid's points."""
    sheet = SheetStock(500, 400, 6)
    parts = pattern(*triangles().parts, box(12, 60, "2", copies=6), box(30, 30, "3", copies=40))
    plan = plan_foam(parts, [sheet], gap_mm=gap)
    task = task_for(plan, A_WHILE_S)
    items = [item for one in plan.sheets for item in items_on(one, task)]
    large = [item for item in items if task.kinds[item[0]].part.number == "1"]
    found, _ = laid((sheet, False), large, task, task.begun + A_WHILE_S)
    assert found is not None
    filled = put_in_pockets(found, [item for item in items if item not in large], task)
    assert filled.placed[:16] == found.placed
    assert len(filled.placed) > 22
    assert least_gap(filled) >= gap - 1e-6
    assert least_edge(filled) >= plan.edge_mm - 1e-6


def test_nothing_goes_where_nothing_is_free() -> None:
    parts = pattern(box(990, 490, "1"), box(30, 30, "2"))
    plan = plan_foam(parts, [SHEET])
    task = task_for(plan, A_WHILE_S)
    assert put_in_pockets(plan.sheets[0], items_on(plan.sheets[1], task), task) is plan.sheets[0]


def test_no_time_changes_nothing() -> None:
    plan = plan_foam(triangles(), [SheetStock(290, 400, 6)])
    assert pack_closer(plan, [SheetStock(290, 400, 6)], 0.0) is plan


def test_what_is_dense_stays_as_it_is() -> None:
    """One part as large as the sheet allows, on each of two sheets: nothing can be won."""
    parts = pattern(box(990, 490, copies=2))
    plan = plan_foam(parts, [SHEET])
    assert pack_closer(plan, [SHEET], SECONDS) is plan


def test_parts_as_high_as_the_sheet_allows_can_be_laid() -> None:
    parts = pattern(box(200, 490, "1", copies=2), box(150, 490, "2", copies=3))
    plan = plan_foam(parts, [SHEET])
    task = task_for(plan, A_WHILE_S)
    found, _ = laid((SHEET, False), items_on(plan.sheets[0], task), task, task.begun + A_WHILE_S)
    assert found is not None
    checked(replace(plan, sheets=(found,)), parts)


def test_grain_allows_half_a_turn_only() -> None:
    _, plan = both(blobs(9, 14), [SMALL], grain=True)
    assert plan.grain
    assert {item.turn_deg for sheet in plan.sheets for item in sheet.placed} <= {0.0, 180.0}


def test_both_of_every_pair_are_there() -> None:
    one = part([[0, 0], [120, 10], [90, 70], [10, 40]], "7", copies=5)
    other = replace(part([[0, 0], [-120, 10], [-90, 70], [-10, 40]], "7", copies=5), side="R")
    parts = pattern(replace(one, side="L"), other)
    _, plan = both(parts, [SheetStock(400, 300, 6)])
    copies = [(item.part.side, item.copy) for sheet in plan.sheets for item in sheet.placed]
    assert sorted(copies) == [(side, copy) for side in "LR" for copy in range(1, 6)]


def test_a_hole_that_serves_is_not_given_up() -> None:
    """By outer contours alone the window's own parts would need a second sheet."""
    window = reversed_curve(circle_curve((145.0, 145.0), 120.0))
    frame = part([[0, 0], [290, 0], [290, 290], [0, 290]], "1", holes=(window,))
    plan, closer_plan = both(pattern(frame, box(60, 60, "2", copies=3)), [SheetStock(300, 300, 6)])
    assert closer_plan is plan


def test_parts_with_holes_are_laid_apart() -> None:
    window = reversed_curve(circle_curve((50.0, 50.0), 30.0))
    frame = part([[0, 0], [100, 0], [100, 100], [0, 100]], "1", holes=(window,), copies=9)
    both(pattern(frame, box(70, 45, "2", copies=8)), [SheetStock(400, 300, 6)])


def test_a_long_part_goes_across() -> None:
    parts = pattern(box(550, 20, copies=3), box(100, 60, "2", copies=12))
    both(parts, [SheetStock(420, 420, 6)])


def test_each_thickness_stays_on_its_own_sheets() -> None:
    parts = pattern(
        replace(triangles().parts[0], number="1", thickness_mm=6.0),
        replace(angles().parts[0], number="2", thickness_mm=2.0),
    )
    _, plan = both(parts, [SheetStock(290, 400, 6), SheetStock(340, 400, 2)], 3.0)
    for sheet in plan.sheets:
        assert {item.part.thickness_mm for item in sheet.placed} == {sheet.stock.thickness_mm}


def test_several_sizes_and_prices_cost_no_more() -> None:
    both(blobs(6, 30), [SheetStock(500, 300, 6, 1, 3.0), SheetStock(600, 400, 6, 0, 5.0), SheetStock(300, 300, 6)])


def test_progress_is_told_to_its_end() -> None:
    told: list[float] = []
    plan = plan_foam(triangles(), [SheetStock(290, 400, 6)])
    pack_closer(plan, [SheetStock(290, 400, 6)], SECONDS, lambda _, share: told.append(share))
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_the_work_can_be_called_off() -> None:
    class CalledOffError(Exception):
        pass

    def refuse(_: str, share: float) -> None:
        raise CalledOffError

    plan = plan_foam(triangles(), [SheetStock(290, 400, 6)])
    with pytest.raises(CalledOffError):
        pack_closer(plan, [SheetStock(290, 400, 6)], A_WHILE_S, refuse)


@pytest.mark.parametrize(
    ("shapes", "kept"),
    [
        ([shapely.box(5, 5, 50, 50), shapely.box(53, 5, 90, 50)], True),
        ([shapely.box(5, 5, 50, 50), shapely.box(52.9, 5, 90, 50)], False),
        ([shapely.box(4.9, 5, 50, 50)], False),
        ([shapely.box(5, 5, 95, 95.1)], False),
        ([shapely.box(5, 5, 80, 80), shapely.box(20, 20, 30, 30)], False),
    ],
)
def test_a_gap_too_narrow_is_noticed(shapes: list[shapely.Polygon], kept: bool) -> None:
    assert keeps_gaps(shapes, SheetStock(100, 100, 6), 3.0, 5.0) is kept


def test_what_is_found_with_a_gap_too_narrow_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("extract.foam.trial.keeps_gaps", lambda *_: False)
    plan = plan_foam(triangles(), [SheetStock(290, 400, 6)])
    assert pack_closer(plan, [SheetStock(290, 400, 6)], SECONDS) is plan


def test_without_the_library_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = plan_foam(triangles(), [SheetStock(290, 400, 6)])
    monkeypatch.setattr("extract.foam.closer.find_spec", lambda _: None)
    with pytest.raises(CannotContinue, match="not installed"):
        pack_closer(plan, [SheetStock(290, 400, 6)], SECONDS)
