"""A pattern's parts packed on pages instead of left as they were traced, so that no part is cut apart that one page can
hold.

Every page of the row is packed like a sheet of foam, then moved to where the tiling of the print has that page. Parts
larger than a page stay in rows of their own below.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from extract.build import PlacedPart, SheetStock
from extract.doors import Array, Part, Pattern
from extract.foam import fits, plan_foam
from extract.geometry.curve import polyline_curve, transformed
from extract.sheet.layout import MARGIN_MM, OVERLAP_MM, paper_named

CORNER_MM = (0.0, 0.0)
"""Upper left corner of the first page's window in a packed pattern."""
GAP_MM = 6.0
"""Between parts on paper: room for scissors (common practice, no source)."""
_LETTERED_MM, _BESIDE_MM = 13.0, 18.0
"""A part with a smaller free circle gets its lettering beside it, where four lines of it take this much."""
_INK_MM = 1.0
"""Half a line's width and a little, so that no outline touches a trim line."""


def packed(pattern: Pattern, paper: str) -> Pattern:
    """The pattern with its parts moved and turned to fill few pages of ``paper``. Each part is there once, as before.

    Raises CannotContinue for an unknown paper.
    """
    sheet = paper_named(paper)
    width, height = (side - 2 * MARGIN_MM - OVERLAP_MM for side in (sheet.width_mm, sheet.height_mm))
    step = width, height
    page = SheetStock(step[0] - 2 * _INK_MM, step[1] - 2 * _INK_MM, 1.0)
    small = [fits(part, page, 0.0) for part in pattern.parts]
    alone = [_stand_in(part, page) for part, one in zip(pattern.parts, small, strict=True) if one]
    where: dict[int, tuple[PlacedPart, Array]] = {}
    if alone:
        plan = plan_foam(replace(pattern, parts=tuple(alone)), [page], GAP_MM, edge_mm=0.0, quick=True)
        index = {id(part): k for k, part in enumerate(alone)}
        for number, one in enumerate(plan.sheets):
            corner = np.array([_core_start(number, step[0]), _core_start(0, step[1])])
            where |= {index[id(item.part)]: (item, corner) for item in one.placed}
    big = [part for part, one in zip(pattern.parts, small, strict=True) if not one]
    large = _in_rows(big, 1 if alone else 0, step)
    places = iter(where[k] for k in range(len(alone)))
    parts = tuple(
        _placed(part, *next(places)) if one else next(large) for part, one in zip(pattern.parts, small, strict=True)
    )
    return replace(pattern, parts=parts)


def _stand_in(part: Part, page: SheetStock) -> Part:
    """What takes the part's place while pages are packed: itself, or a box around it with room for lettering beside it
    where it is too narrow for any."""
    plain = replace(part, copies=1, thickness_mm=0.0)
    if part.room_mm >= _LETTERED_MM:
        return plain
    low, high = part.outline.controls.min(axis=(0, 1)) - _BESIDE_MM, part.outline.controls.max(axis=(0, 1)) + _BESIDE_MM
    box = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    roomy = replace(plain, outline=polyline_curve(box, closed=True), holes=())
    return roomy if fits(roomy, page, 0.0) else plain


def _core_start(number: int, step_mm: float) -> float:
    """Where the page of that number begins to be seen alone: on its trim line, half an overlap inside its window."""
    return number * step_mm + OVERLAP_MM / 2 + _INK_MM


def _placed(part: Part, item: PlacedPart, corner: Array) -> Part:
    c, s = np.cos(np.radians(item.turn_deg)), np.sin(np.radians(item.turn_deg))
    return _moved(part, np.array([[c, -s], [s, c]]), np.asarray(item.shift_mm) + corner, item.turn_deg)


def _moved(part: Part, turn: Array, shift: Array, turn_deg: float) -> Part:
    matrix = np.c_[turn, shift]
    x, y = turn @ np.asarray(part.label_mm, float) + shift
    forward = None if part.forward_deg is None else (part.forward_deg + turn_deg) % 360
    return replace(
        part,
        outline=transformed(part.outline, matrix),
        holes=tuple(transformed(hole, matrix) for hole in part.holes),
        marks=tuple(replace(mark, curve=transformed(mark.curve, matrix)) for mark in part.marks),
        label_mm=(float(x), float(y)),
        forward_deg=forward,
    )


def _in_rows(parts: Sequence[Part], row: int, step_mm: tuple[float, float]) -> Iterator[Part]:
    """The parts one below the other, each starting on a fresh row of pages."""
    for part in parts:
        low, high = part.outline.controls.min(axis=(0, 1)), part.outline.controls.max(axis=(0, 1))
        start = np.array([_core_start(0, step_mm[0]), _core_start(row, step_mm[1])])
        yield _moved(part, np.eye(2), start - low, 0.0)
        row += int(np.ceil((high[1] - low[1] + 2 * _INK_MM) / step_mm[1]))
