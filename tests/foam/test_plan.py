"""Foam plans judged by shapely, and by how many sheets the parts' area needs at least."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from extract.build import SheetStock
from extract.doors import CannotContinue, Pattern
from extract.foam import plan_foam, sheet_from
from extract.geometry.curve import circle_curve, reversed_curve

sys.path.insert(0, str(Path(__file__).resolve().parent))

from foam_parts import SHEET, blob, blobs, box, checked, fewest, laid, part, pattern


@pytest.mark.parametrize("seed", [1, 2])
def test_free_shapes_take_at_most_one_sheet_more_than_their_area(seed: int) -> None:
    parts = blobs(seed, 30)
    plan = checked(plan_foam(parts, [SHEET]), parts)
    assert len(plan.sheets) <= fewest(parts, SHEET) + 1
    assert plan.to_buy == ((SHEET, len(plan.sheets)),)


def cut_up(width: float, height: float, times: int, seed: int) -> list[tuple[float, float]]:
    """A board cut straight through again and again: rectangles that are known to fit it."""
    rng = np.random.default_rng(seed)
    boards = [(width, height)]
    for _ in range(times):
        boards.sort(key=lambda board: board[0] * board[1])
        w, h = boards.pop()
        share = rng.uniform(0.35, 0.65)
        boards += [(w * share, h), (w * (1 - share), h)] if w > h else [(w, h * share), (w, h * (1 - share))]
    return boards


@pytest.mark.parametrize("seed", [4])
def test_two_boards_cut_up_go_on_three(seed: int) -> None:
    """Every cut costs the gap, so what filled a board to the last corner needs a little more than that."""
    boards = [size for board in (0, 1) for size in cut_up(990, 490, 14, seed + 10 * board)]
    parts = pattern(*(box(w, h, str(k)) for k, (w, h) in enumerate(boards)))
    plan = checked(plan_foam(parts, [SHEET]), parts)
    assert len(plan.sheets) <= 3


def test_the_same_again() -> None:
    parts = blobs(7, 8)
    first, second = (plan_foam(parts, [SHEET]) for _ in range(2))
    places = [
        [(item.part.number, item.corner_mm, item.turn_deg) for item in plan.sheets[0].placed]
        for plan in (first, second)
    ]
    assert places[0] == places[1]


def test_copies_kerf_and_edge_are_kept() -> None:
    parts = pattern(box(100, 60, "1", copies=7), part(blob(3, 50), "2", copies=2))
    plan = checked(plan_foam(parts, [SHEET], gap_mm=4, kerf_mm=1.5, edge_mm=12), parts)
    assert plan.gap_mm == 5.5
    assert sorted(item.copy for item in plan.sheets[0].placed if item.part.number == "1") == list(range(1, 8))


def test_what_lies_there_is_used_first() -> None:
    owned = SheetStock(600, 400, 6, count=2)
    parts = pattern(box(380, 350, "1", copies=4))
    plan = checked(plan_foam(parts, [owned]), parts)
    assert [sheet.owned for sheet in plan.sheets] == [True, True, False, False]
    assert plan.to_buy == ((owned, 2),)


def test_the_cheapest_size_is_bought() -> None:
    """Four plates of 180 by 180 mm: one large sheet at 5, or four small ones at 1 each, or four at 2."""
    parts = pattern(box(180, 180, "1", copies=4))
    large = SheetStock(500, 500, 6, price=5.0)
    cheap, dear = SheetStock(200, 200, 6, price=1.0), SheetStock(200, 200, 6, price=2.0)
    assert plan_foam(parts, [large, cheap]).to_buy == ((cheap, 4),)
    assert plan_foam(parts, [large, dear]).to_buy == ((large, 1),)


def test_each_thickness_has_its_own_sheets() -> None:
    parts = pattern(box(100, 80, "1", thickness_mm=6.0), box(90, 70, "2", thickness_mm=2.0))
    plan = checked(plan_foam(parts, [SHEET, SheetStock(300, 300, 2)]), parts)
    assert [(s.stock.thickness_mm, [i.part.number for i in s.placed]) for s in plan.sheets] == [(2, ["2"]), (6, ["1"])]


def test_grain_allows_half_a_turn_only() -> None:
    parts = blobs(9, 12)
    plan = checked(plan_foam(parts, [SHEET], grain=True), parts)
    assert {item.turn_deg for sheet in plan.sheets for item in sheet.placed} <= {0.0, 180.0}


def test_a_hole_takes_small_parts() -> None:
    """A frame fills the sheet; what is cut from its window needs no second one."""
    window = reversed_curve(circle_curve((145.0, 145.0), 120.0))
    frame = part([[0, 0], [290, 0], [290, 290], [0, 290]], "1", holes=(window,))
    parts = pattern(frame, box(60, 60, "2", copies=3))
    plan = checked(plan_foam(parts, [SheetStock(300, 300, 6)]), parts)
    assert len(plan.sheets) == 1


def test_a_long_part_goes_across() -> None:
    parts = pattern(box(550, 20))
    plan = checked(plan_foam(parts, [SheetStock(420, 420, 6)]), parts)
    assert plan.sheets[0].placed[0].turn_deg % 90 != 0


def test_a_part_as_large_as_the_sheet_allows() -> None:
    parts = pattern(box(490, 990))
    plan = checked(plan_foam(parts, [SHEET]), parts)
    assert plan.sheets[0].placed[0].corner_mm == (5.0, 5.0)
    assert plan.waste_share == pytest.approx(1 - 490 * 990 / 500_000)


def test_a_large_sheet_has_a_coarser_grid_and_the_same_gaps() -> None:
    parts = blobs(13, 8)
    plan = checked(plan_foam(parts, [SheetStock(4000, 3000, 6)]), parts)
    assert len(plan.sheets) == 1


def test_waste_is_what_no_part_covers() -> None:
    parts = blobs(11, 10)
    plan = plan_foam(parts, [SHEET])
    covered = sum(shape.area for sheet in plan.sheets for shape in laid(sheet))
    assert plan.waste_share == pytest.approx(1 - covered / (500_000 * len(plan.sheets)), abs=1e-4)


def test_progress_runs_to_its_end() -> None:
    told: list[float] = []
    plan_foam(blobs(2, 10), [SHEET], progress=lambda _, share: told.append(share))
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) > 10


@pytest.mark.parametrize(
    ("parts", "sheets", "reason"),
    [
        (pattern(), [SHEET], "no parts"),
        (pattern(box(5, 5, copies=501)), [SHEET], "more than 500"),
        (pattern(box(50, 50)), [], "No sheets"),
        (pattern(box(995, 200)), [SHEET], "995 by 200 mm, too large for every sheet of 6 mm"),
        (pattern(box(50, 50, thickness_mm=10.0)), [SHEET], "10 mm foam, and the sheets are 6 mm"),
        (pattern(box(50, 50)), [SHEET, SheetStock(500, 500, 2)], "no stock, and there are sheets of 2"),
    ],
)
def test_what_cannot_be_laid_out_is_refused(parts: Pattern, sheets: list[SheetStock], reason: str) -> None:
    with pytest.raises(CannotContinue, match=reason):
        plan_foam(parts, sheets)


def test_parts_without_a_stock_are_named() -> None:
    (doubt,) = plan_foam(pattern(box(50, 50, "7")), [SHEET]).doubts
    assert doubt.code == "no-stock"
    assert "7" in doubt.message


@pytest.mark.parametrize(
    ("text", "sheet"),
    [
        ("1000x500x6", SheetStock(1000, 500, 6)),
        ("1000x500x6:2", SheetStock(1000, 500, 6, 2)),
        ("1000x500x6:2@8.50", SheetStock(1000, 500, 6, 2, 8.5)),
        (" 609.6 × 609,6 × 12 mm @ 3", SheetStock(609.6, 609.6, 12, 0, 3.0)),
    ],
)
def test_a_sheet_is_read_as_it_is_written(text: str, sheet: SheetStock) -> None:
    assert sheet_from(text) == sheet


@pytest.mark.parametrize("text", ["", "1000x500", "1000x500x0", "5x5x2", "99999x500x6", "axbxc", "1000x500x6:-1"])
def test_what_is_no_sheet_is_refused(text: str) -> None:
    with pytest.raises(CannotContinue, match="sheet"):
        sheet_from(text)
