"""What a plan costs: which of two plans is the better one."""

from __future__ import annotations

from collections.abc import Sequence

from extract.build import SheetStock

Cost = tuple[float, int, float, float]
"""What has to be paid, how many sheets are cut into, their area in mm², and how far parts reach along the last one in
mm; the first that differs decides."""


def price_of(size: SheetStock) -> float:
    """What one costs; its area in mm² where no price is known."""
    return size.width_mm * size.height_mm if size.price is None else size.price


def cost_of(sheets: Sequence[tuple[SheetStock, bool, float]]) -> Cost:
    """Cost of at least one sheet, each told by its size, whether it is there already, and how far its parts reach."""
    paid = sum(price_of(size) for size, owned, _ in sheets if not owned)
    area = sum(size.width_mm * size.height_mm for size, _, _ in sheets)
    return round(paid, 6), len(sheets), area, round(sheets[-1][2], 6)
