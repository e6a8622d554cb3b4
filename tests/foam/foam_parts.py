"""Invented parts for foam plans, and what must hold of any plan, judged by shapely."""

from __future__ import annotations

from collections import Counter
from math import ceil

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate

from extract.build import CutSheet, FoamPlan, SheetStock
from extract.doors import Array, Curve, Part, Pattern
from extract.geometry.curve import curve_area, curve_length, curve_points, polyline_curve

SHEET = SheetStock(1000, 500, 6)


def part(points: Array | list[list[float]], number: str = "1", holes: tuple[Curve, ...] = (), **more: object) -> Part:
    outline = polyline_curve(np.asarray(points, float), closed=True)
    area = curve_area(outline) + sum(curve_area(hole) for hole in holes)
    return Part(
        number=number,
        side="",
        outline=outline,
        holes=holes,
        marks=(),
        area_mm2=area,
        perimeter_mm=curve_length(outline),
        sigma_mm=0.2,
        label_mm=(0.0, 0.0),
        room_mm=5.0,
        **more,  # type: ignore[arg-type]
    )


def box(width: float, height: float, number: str = "1", copies: int = 1, thickness_mm: float = 0.0) -> Part:
    corners = [[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]
    return part(corners, number, copies=copies, thickness_mm=thickness_mm)


def laid(sheet: CutSheet) -> list[shapely.Polygon]:
    """Where the parts lie on the sheet, worked out from turn and shift alone."""
    shapes = []
    for item in sheet.placed:
        holes = [curve_points(hole) for hole in item.part.holes]
        shape = shapely.Polygon(curve_points(item.part.outline), holes)
        shapes.append(translate(rotate(shape, item.turn_deg, origin=(0, 0)), *item.shift_mm))
    return shapes


def least_gap(sheet: CutSheet) -> float:
    shapes = laid(sheet)
    pairs = [a.distance(b) for k, a in enumerate(shapes) for b in shapes[:k]]
    return min(pairs, default=np.inf)


def least_edge(sheet: CutSheet) -> float:
    board = shapely.box(0, 0, sheet.stock.width_mm, sheet.stock.height_mm)
    return min(board.exterior.distance(shape) if board.covers(shape) else -1.0 for shape in laid(sheet))


def pattern(*parts: Part) -> Pattern:
    return Pattern(parts, "moth-lantern", "2026-01-01")


def checked(plan: FoamPlan, parts: Pattern) -> FoamPlan:
    """The plan, with everything that must hold of any plan."""
    wanted = Counter({one.number + one.side: one.copies for one in parts.parts})
    assert Counter(item.part.number + item.part.side for sheet in plan.sheets for item in sheet.placed) == wanted
    for sheet in plan.sheets:
        assert least_gap(sheet) >= plan.gap_mm - 0.01
        assert least_edge(sheet) >= plan.edge_mm - 0.01
        for item, shape in zip(sheet.placed, laid(sheet), strict=True):
            assert shape.bounds[:2] == pytest.approx(item.corner_mm, abs=0.05)
            assert np.subtract(shape.bounds[2:], shape.bounds[:2]) == pytest.approx(item.size_mm, abs=0.05)
    return plan


def blob(seed: int, reach: float) -> Array:
    """A smooth invented outline, often hollow."""
    rng = np.random.default_rng(seed)
    at = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    r = reach * (1 + sum(0.35 / k * rng.uniform(-1, 1) * np.cos(k * at + rng.uniform(0, 6)) for k in range(1, 5)))
    stretch = rng.uniform(0.5, 1.0)
    return np.c_[r * np.cos(at), stretch * r * np.sin(at)]


def blobs(seed: int, count: int) -> Pattern:
    rng = np.random.default_rng(seed)
    return pattern(*(part(blob(seed * 1000 + k, rng.uniform(20, 75)), str(k)) for k in range(count)))


def fewest(parts: Pattern, sheet: SheetStock) -> int:
    return ceil(sum(one.area_mm2 * one.copies for one in parts.parts) / (sheet.width_mm * sheet.height_mm))
