"""The foam plan as a PDF: what to buy, then one page for each sheet with its parts to scale and where each one goes."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, radians, sin

import numpy as np
from reportlab.pdfgen.canvas import Canvas

from extract.build import CutSheet, FoamPlan, PlacedPart
from extract.doors import Array, CannotContinue
from extract.geometry.curve import transformed
from extract.sheet.flow import Block, paragraph, set_column, space
from extract.sheet.layout import EDGE_MM, MARGIN_MM, Box, Paper, paper_named
from extract.sheet.lettering import BOLD, part_name, shortened, text_width
from extract.sheet.paper import Page, new_canvas
from extract.sheet.styles import DETAIL, GREY, NARROW_MM, WIDE_MM, Ink, LineStyle
from extract.sheet.table import Column, table_row
from extract.sheet.words import CAUTIONS, DEFER

_HEADER_MM = 19.0
_GUTTER_MM = 7.0
_GRID_MM = 100.0
_RULE_MM = 6.0
"""Room beside the drawing for the grid's figures."""
_DRAWN_SHARE = 0.55
"""At most this much of the page's height is the drawing, so that the list finds room below."""
_NAME_MM, _SMALLEST_MM = 3.0, 1.5
_PAPER: Ink = (1.0, 1.0, 1.0)
_TINT: Ink = (0.92, 0.92, 0.92)
_FAINT: Ink = (0.78, 0.78, 0.78)
_OUTLINE = LineStyle("01.1", "continuous narrow", NARROW_MM)
_SHEET = LineStyle("01.2", "continuous wide", WIDE_MM)
_HAIR = LineStyle("01.1", "continuous narrow", NARROW_MM / 2)
_HOW = (
    "Each drawing is one sheet, face up, seen as it lies before you; its grid is 100 mm wide.",
    "“Left” and “top” say where a part’s leftmost and uppermost points lie, measured from the "
    "sheet's upper left corner. Turn the printed part clockwise by the angle first.",
    "Lay all parts of a sheet out before you cut the first one. Parts marked L and R are already mirrored: flip none.",
)


def foam_plan_pdf(plan: FoamPlan, paper: str = "A4", date: str = "") -> bytes:
    """The plan on ``paper``; the file depends on the arguments only. Raises CannotContinue for an unknown paper."""
    sheet = paper_named(paper)
    if not plan.sheets:
        raise CannotContinue("sheet", "The foam plan has no sheets.", "Lay the parts out first.")
    canvas, buffer = new_canvas(f"Foam plan of {plan.name}", sheet.name)
    _summary(canvas, plan, sheet, date)
    for one in plan.sheets:
        _sheet_page(canvas, one, plan, sheet)
    canvas.save()
    return buffer.getvalue()


def _field(paper: Paper) -> Box:
    return Box(0.0, 0.0, paper.width_mm, paper.height_mm).grown(-MARGIN_MM)


def _header(page: Page, field: Box, title: str, below: str) -> None:
    page.text((field.left, field.top + 6.0), title, 7.0, BOLD)
    page.text((field.left, field.top + 11.5), below, 3.2)
    page.line([(field.left, field.top + 14.5), (field.right, field.top + 14.5)], DETAIL)


def _heading(text: str) -> Block:
    return Block(6.2, lambda page, x, y: page.text((x, y + 3.4), text, 3.6, BOLD), with_next=True)


def _summary(canvas: Canvas, plan: FoamPlan, paper: Paper, date: str) -> None:
    page, field = Page(canvas, (paper.width_mm, paper.height_mm)), _field(paper)
    count = sum(len(sheet.placed) for sheet in plan.sheets)
    below = f"{count} parts on {_counted(len(plan.sheets), 'sheet')}  ·  {plan.waste_share:.0%} waste"
    width = (field.width - _GUTTER_MM) / 2
    with page.clipped(field.grown(-EDGE_MM)):
        _header(page, field, "Foam plan", "  ·  ".join(text for text in (plan.name, date, below) if text))
        left = Box(field.left, field.top + _HEADER_MM, field.left + width, field.bottom)
        right = Box(left.right + _GUTTER_MM, left.top, field.right, field.bottom)
        set_column(page, left, [*_shopping(plan, width), *_sheet_rows(plan, width), *_terms(plan, width)])
        set_column(page, right, _advice(plan, width))
    page.done()


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" + ("" if count == 1 else "s")


def _shopping(plan: FoamPlan, width: float) -> list[Block]:
    """What to buy and what it costs where prices are known."""
    columns = Column(0.0), Column(12.0), Column(width, "right")
    blocks = [_heading("To buy")]
    if not plan.to_buy:
        blocks.append(paragraph("Nothing: the sheets that are there will do.", width))
    total = 0.0
    for stock, count in plan.to_buy:
        cost = "" if stock.price is None else f"{count * stock.price:.2f}"
        total += count * (stock.price or 0.0)
        blocks.append(table_row((f"{count} ×", stock.name, cost), columns))
    if len(plan.to_buy) > 1 and total:
        blocks.append(table_row(("", "together", f"{total:.2f}"), columns, font=BOLD))
    return [*blocks, space(4.0)]


def _sheet_rows(plan: FoamPlan, width: float) -> list[Block]:
    columns = (Column(0.0), Column(8.0), *(Column(share * width, "right") for share in (0.62, 0.82, 1.0)))
    blocks = [_heading("Sheets"), table_row(("", "size", "parts", "used", ""), columns, ink=GREY)]
    for sheet in plan.sheets:
        cells = (f"{sheet.number}", sheet.stock.name, f"{len(sheet.placed)}", f"{sheet.used_share:.0%}")
        blocks.append(table_row((*cells, "there" if sheet.owned else "buy"), columns))
    return [*blocks, space(4.0)]


def _terms(plan: FoamPlan, width: float) -> list[Block]:
    knife = f", of which {plan.kerf_mm:g} mm for the cut itself" if plan.kerf_mm else ""
    turns = "turned by half a turn at most, for the grain" if plan.grain else "turned freely, never flipped"
    how = (
        f"They were packed closer for up to {plan.closer_s:g} s; another run may find another way."
        if plan.closer_s
        else "Parts are laid on a grid of 2 mm or more, so some gaps are wider by a cell."
    )
    words = f"{plan.gap_mm:g} mm between parts{knife}, {plan.edge_mm:g} mm to the edge; parts are {turns}. {how} "
    words += "Waste is what no part covers."
    return [_heading("Laid out with"), paragraph(words, width), *(paragraph(d.message, width) for d in plan.doubts)]


def _advice(plan: FoamPlan, width: float) -> list[Block]:
    blocks = [_heading("How to use this"), *(paragraph(text, width) for text in _HOW), space(3.0)]
    blocks.append(_heading("Take care"))
    blocks += [paragraph(f"{title}: {text}", width) for title, text in CAUTIONS]
    return [*blocks, space(0.8), paragraph(DEFER, width, BOLD, 2.4)]


def _sheet_page(canvas: Canvas, sheet: CutSheet, plan: FoamPlan, paper: Paper) -> None:
    """The drawing and below it the list, which runs on to further pages where it is long."""
    page, field = Page(canvas, (paper.width_mm, paper.height_mm)), _field(paper)
    where = "lies there" if sheet.owned else "to buy"
    parts = _counted(len(sheet.placed), "part")
    below = f"{sheet.stock.name}  ·  {where}  ·  {parts}  ·  {sheet.used_share:.0%} used"
    with page.clipped(field.grown(-EDGE_MM)):
        _header(page, field, f"Sheet {sheet.number} of {len(plan.sheets)}", below)
        room = Box(field.left + _RULE_MM, field.top + _HEADER_MM + _RULE_MM, field.right - 1.0, field.bottom)
        drawn = _draw_sheet(page, sheet, plan, room, _DRAWN_SHARE * field.height)
        top = drawn.bottom + 6.0
        columns = _columns(field, top)
        rest = _place_rows(sheet.placed, columns[0].width)
        rest = _in_columns(page, columns, rest)
    page.done()
    while rest:
        page = Page(canvas, (paper.width_mm, paper.height_mm))
        with page.clipped(field.grown(-EDGE_MM)):
            _header(page, field, f"Sheet {sheet.number}, continued", sheet.stock.name)
            rest = _in_columns(page, _columns(field, field.top + _HEADER_MM), rest)
        page.done()


def _columns(field: Box, top: float) -> list[Box]:
    count = max(1, int((field.width + _GUTTER_MM) // (85.0 + _GUTTER_MM)))
    width = (field.width - (count - 1) * _GUTTER_MM) / count
    lefts = [field.left + k * (width + _GUTTER_MM) for k in range(count)]
    return [Box(left, top, left + width, field.bottom) for left in lefts]


def _in_columns(page: Page, columns: Sequence[Box], rows: Sequence[Block]) -> list[Block]:
    """The list under its head in every column; returns what found no room."""
    rest = list(rows)
    for column in columns:
        if rest:
            rest = set_column(page, column, [_place_head(column.width), *rest])
    return rest


def _draw_sheet(page: Page, sheet: CutSheet, plan: FoamPlan, room: Box, tallest: float) -> Box:
    """The sheet with its parts as large as fits ``room`` and is no taller than ``tallest``."""
    stock = sheet.stock
    scale = min(room.width / stock.width_mm, min(room.height, tallest) / stock.height_mm)
    frame = Box(room.left, room.top, room.left + scale * stock.width_mm, room.top + scale * stock.height_mm)
    page_from_sheet = np.array([[scale, 0.0, frame.left], [0.0, scale, frame.top]])
    _draw_grid(page, frame, scale)
    for item in sheet.placed:
        matrix = _chained(page_from_sheet, sheet_from_part(item))
        page.curve(transformed(item.part.outline, matrix), _OUTLINE, fill=_TINT)
        for hole in item.part.holes:
            page.curve(transformed(hole, matrix), _OUTLINE, fill=_PAPER)
    for item in sheet.placed:
        _draw_name(page, item, _chained(page_from_sheet, sheet_from_part(item)), scale)
    page.box(frame, _SHEET)
    note = f"scale 1 : {1 / scale:.1f}"
    page.text((frame.right, frame.bottom + 3.2), note, 2.3, ink=GREY, align="right")
    return frame


def _draw_grid(page: Page, frame: Box, scale: float) -> None:
    """Lines every 100 mm with their figures above and to the left."""
    step = _GRID_MM * scale
    for k in range(int((frame.width + 1e-6) / step) + 1):
        x = frame.left + k * step
        page.line([(x, frame.top), (x, frame.bottom)], _HAIR, _FAINT)
        near_the_end = x + 3.0 > frame.right
        page.text((x, frame.top - 1.2), f"{_GRID_MM * k:g}", 2.1, ink=GREY, align="right" if near_the_end else "middle")
    for k in range(1, int((frame.height + 1e-6) / step) + 1):
        y = frame.top + k * step
        page.line([(frame.left, y), (frame.right, y)], _HAIR, _FAINT)
        page.text((frame.left - 0.8, y + 0.75), f"{_GRID_MM * k:g}", 2.1, ink=GREY, align="right")


def _draw_name(page: Page, item: PlacedPart, matrix: Array, scale: float) -> None:
    """The part's number in its middle, along its longer side where it is narrow."""
    name = part_name(item.part)
    upright = item.size_mm[1] > 1.5 * item.size_mm[0]
    room = 1.6 * item.part.room_mm * scale
    size = min(_NAME_MM, max(_SMALLEST_MM, room))
    x, y = matrix[:, :2] @ np.asarray(item.part.label_mm, float) + matrix[:, 2]
    if upright and text_width(name, BOLD, size) > room:
        page.text((x + 0.36 * size, y), name, size, BOLD, align="middle", turned=True)
    else:
        page.text((x, y + 0.36 * size), name, size, BOLD, align="middle")


def sheet_from_part(item: PlacedPart) -> Array:
    """The affine map (2, 3) that lays a part on its sheet, mm from the sheet's upper left corner."""
    c, s = cos(radians(item.turn_deg)), sin(radians(item.turn_deg))
    return np.array([[c, -s, item.shift_mm[0]], [s, c, item.shift_mm[1]]])


def _chained(a_from_b: Array, b_from_c: Array) -> Array:
    """The affine map (2, 3) from c to a."""
    return np.c_[a_from_b[:, :2] @ b_from_c[:, :2], a_from_b[:, :2] @ b_from_c[:, 2] + a_from_b[:, 2]]


def _place_columns(width: float) -> tuple[Column, ...]:
    figures = (Column(share * width, "right") for share in (0.44, 0.62, 0.78, 1.0))
    return Column(0.0, room_mm=0.30 * width), *figures


def _place_head(width: float) -> Block:
    return table_row(("part", "left mm", "top mm", "turn", "size mm"), _place_columns(width), ink=GREY)


def _place_rows(placed: Sequence[PlacedPart], width: float) -> list[Block]:
    """Where each part goes, from the left edge of the sheet to the right."""
    columns = _place_columns(width)
    rows = []
    for item in sorted(placed, key=lambda one: (one.corner_mm, part_name(one.part))):
        copy = f"({item.copy} of {item.part.copies})" if item.part.copies > 1 else ""
        name = "  ".join(text for text in (part_name(item.part), shortened(item.part.name, 16), copy) if text)
        x, y = item.corner_mm
        size = f"{item.size_mm[0]:.0f} × {item.size_mm[1]:.0f}"
        rows.append(table_row((name, f"{x:.0f}", f"{y:.0f}", f"{item.turn_deg % 360:.0f}°", size), columns))
    return rows
