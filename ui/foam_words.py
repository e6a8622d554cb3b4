"""A foam plan in words: the same sentences for the command and the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import extract


def plan_lines(plan: extract.FoamPlan) -> list[str]:
    """What each sheet takes, what to buy, and the waste."""
    lines = [sheet_line(sheet) for sheet in plan.sheets]
    for stock, count in plan.to_buy:
        cost = "" if stock.price is None else f", {count * stock.price:.2f} in all"
        lines.append(f"Buy {count} of {stock.name}{cost}.")
    return [*lines, f"Waste {plan.waste_share:.0%}." + ("" if plan.to_buy else " Nothing to buy.")]


def closer_line(before: extract.FoamPlan, after: extract.FoamPlan) -> str:
    """What packing closer was good for."""
    if after is before:
        return "No closer way was found in that time."
    fewer = len(before.sheets) - len(after.sheets)
    if fewer > 0:
        return f"Packed closer: {fewer} sheet{'' if fewer == 1 else 's'} fewer."
    if before.to_buy != after.to_buy:
        return "Packed closer: cheaper or smaller sheets will do."
    saved = [more - least for more, least in zip(_reaches(before), _reaches(after), strict=False)]
    return f"Packed closer: {max(saved):.0f} mm more of the last sheet stay whole."


def _reaches(plan: extract.FoamPlan) -> list[float]:
    """How far parts reach on the emptiest sheet of each thickness (mm)."""
    least: dict[float, float] = {}
    for sheet in plan.sheets:
        thickness = sheet.stock.thickness_mm
        least[thickness] = min(least.get(thickness, sheet.reach_mm), sheet.reach_mm)
    return [least[thickness] for thickness in sorted(least)]


def sheet_line(sheet: extract.CutSheet) -> str:
    where, count = "yours" if sheet.owned else "to buy", len(sheet.placed)
    parts = f"{count} part{'' if count == 1 else 's'}"
    return f"Sheet {sheet.number}, {sheet.stock.name}, {where}: {parts}, {sheet.used_share:.0%} used."


def sheet_name(sheet: str) -> str:
    """ "1000x500x6:2@8.50" in words."""
    count, _, price = sheet.partition(":")[2].partition("@")
    there = f"you have {count}" if count and count != "0" else "you have none yet"
    return f"{size_of(sheet)}, {there}" + (f", {price} each" if price else "")


def size_of(sheet: str) -> str:
    """ "1000 × 500 × 6 mm"."""
    return sheet.partition(":")[0].replace("x", " × ") + " mm"


def place_rows(sheet: extract.CutSheet) -> list[dict[str, Any]]:
    """Where each part goes, from the sheet's left edge to its right."""
    return [
        {
            "Part": f"{item.part.number} {item.part.side}".strip()
            + (f" ({item.copy} of {item.part.copies})" if item.part.copies > 1 else ""),
            "From the left": f"{item.corner_mm[0]:.0f} mm",
            "From the top": f"{item.corner_mm[1]:.0f} mm",
            "Turned clockwise": f"{item.turn_deg % 360:.0f}°",
            "Size": f"{item.size_mm[0]:.0f} × {item.size_mm[1]:.0f} mm",
        }
        for item in sorted(sheet.placed, key=lambda one: (one.corner_mm, one.part.number, one.part.side))
    ]
