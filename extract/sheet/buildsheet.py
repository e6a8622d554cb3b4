"""The build sheet: one page with every piece, its copies and stock, every seam with its lengths, and the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from reportlab.pdfgen.canvas import Canvas

from extract.doors import Part, Pattern
from extract.geometry.curve import curve_points
from extract.sheet.flow import TEXT_MM, Block, paragraph, set_column, space
from extract.sheet.layout import EDGE_MM, MARGIN_MM, Box, paper_named
from extract.sheet.lettering import BOLD, shortened
from extract.sheet.paper import Page, new_canvas
from extract.sheet.styles import DETAIL, GREY
from extract.sheet.table import Column, table_row
from extract.sheet.words import CAUTIONS, DEFER

_HEADER_MM = 19.0
_GUTTER_MM = 7.0
_SIZES_MM = (TEXT_MM, 2.4, 2.15, 1.9, 1.7)
"""Tried in turn until all stands on one page; below the last it runs on to another (4.8 pt is read with effort)."""
_WIDEST_NAME = 30


@dataclass(frozen=True)
class SeamRow:
    """One seam as it is printed: the pieces it joins, both lengths as glued, how far they are from what is meant, and
    what to think of that."""

    number: int
    first: str
    second: str
    first_mm: float
    second_mm: float
    mismatch_mm: float
    verdict: str


def build_sheet_pdf(pattern: Pattern, seams: Sequence[SeamRow], title: str = "", paper: str = "A4") -> bytes:
    """The sheet on one page of ``paper``, on more where even small letters do not bring all onto one.

    The file depends on the arguments only. Raises CannotContinue for an unknown paper.
    """
    sheet = paper_named(paper)
    field = Box(0.0, 0.0, sheet.width_mm, sheet.height_mm).grown(-MARGIN_MM)
    canvas, buffer = new_canvas(f"Build sheet of {title or pattern.photo_name}", sheet.name)
    first = replace(field, top=field.top + _HEADER_MM)
    size = next((size for size in _SIZES_MM if _fits(pattern, seams, first, size)), _SIZES_MM[-1])
    rest = _blocks(pattern, seams, _columns(field)[0].width, size)
    head = [text for text in (title or pattern.photo_name, pattern.date, _counts(pattern, seams)) if text]
    page = _new_page(canvas, (sheet.width_mm, sheet.height_mm))
    with page.clipped(field.grown(-EDGE_MM)):
        _draw_header(page, field, "  ·  ".join(head))
        rest = _set(page, first, rest)
    page.done()
    while rest:
        page = _new_page(canvas, (sheet.width_mm, sheet.height_mm))
        with page.clipped(field.grown(-EDGE_MM)):
            rest = _set(page, field, rest)
        page.done()
    canvas.save()
    return buffer.getvalue()


def _new_page(canvas: Canvas, size_mm: tuple[float, float]) -> Page:
    return Page(canvas, size_mm)


def _draw_header(page: Page, field: Box, below: str) -> None:
    page.text((field.left, field.top + 6.0), "Build sheet", 7.0, BOLD)
    page.text((field.left, field.top + 11.5), shortened(below, 100), 3.2)
    page.line([(field.left, field.top + 14.5), (field.right, field.top + 14.5)], DETAIL)


def _counts(pattern: Pattern, seams: Sequence[SeamRow]) -> str:
    cut = sum(part.copies for part in pattern.parts)
    return f"{cut} part{'' if cut == 1 else 's'}, {len(seams)} seam{'' if len(seams) == 1 else 's'}"


def _columns(field: Box) -> list[Box]:
    width = (field.width - _GUTTER_MM) / 2
    return [Box(left, field.top, left + width, field.bottom) for left in (field.left, field.right - width)]


def _set(page: Page, field: Box, blocks: list[Block]) -> list[Block]:
    for column in _columns(field):
        blocks = set_column(page, column, blocks)
    return blocks


def _fits(pattern: Pattern, seams: Sequence[SeamRow], field: Box, size: float) -> bool:
    """Whether all blocks find room in the two columns, by the same rule that sets them."""
    column, y = 0, field.top
    blocks = _blocks(pattern, seams, _columns(field)[0].width, size)
    group: list[Block] = []
    for block in blocks:
        group.append(block)
        if block.with_next:
            continue
        height = sum(one.height_mm for one in group)
        if y + height > field.bottom and y > field.top:
            column, y = column + 1, field.top
        y += height
        group = []
    return column < 2


def _blocks(pattern: Pattern, seams: Sequence[SeamRow], width: float, size: float) -> list[Block]:
    blocks = [_heading("Pieces"), *_piece_rows(pattern, width, size), space(3.5)]
    if seams:
        blocks += [_heading("Seams"), *_seam_rows(seams, width, size), space(3.5)]
    if pattern.remarks:
        blocks += [_heading("Foam and notes"), *(paragraph(text, width, size_mm=size) for text in pattern.remarks)]
        blocks.append(space(3.5))
    if pattern.doubts:
        blocks += [_heading("Doubts"), *(paragraph(doubt.message, width, size_mm=size) for doubt in pattern.doubts)]
        blocks.append(space(3.5))
    blocks.append(_heading("Take care"))
    blocks += [paragraph(f"{what}: {text}", width, size_mm=size) for what, text in CAUTIONS]
    return [*blocks, space(0.8), paragraph(DEFER, width, BOLD, size)]


def _heading(text: str) -> Block:
    return Block(6.2, lambda page, x, y: page.text((x, y + 3.4), text, 3.6, BOLD), with_next=True)


def _piece_rows(pattern: Pattern, width: float, size: float) -> list[Block]:
    """One row for each number: a left and a right part of one piece share it."""
    columns = (
        Column(0.0),
        Column(0.10 * width, room_mm=0.29 * width),
        Column(0.41 * width, room_mm=0.14 * width),
        Column(0.57 * width, room_mm=0.22 * width),
        Column(width, "right"),
    )
    rows = [table_row(("no.", "name", "cut", "material", "size mm"), columns, size, ink=GREY)]
    seen: dict[str, list[Part]] = {}
    for part in pattern.parts:
        seen.setdefault(part.number, []).append(part)
    for number, parts in seen.items():
        part = parts[0]
        stock = f"{part.stock}, {part.thickness_mm:g} mm" if part.stock else "not said"
        name = shortened(part.name or "–", _WIDEST_NAME)
        rows.append(table_row((number, name, _copies(parts), stock, _extent(part)), columns, size))
    return rows


def _copies(parts: Sequence[Part]) -> str:
    if any(part.side for part in parts):
        return " + ".join(f"{part.copies} {part.side}" for part in parts)
    return str(sum(part.copies for part in parts))


def _extent(part: Part) -> str:
    points = curve_points(part.outline, 0.1)
    width, height = points.max(axis=0) - points.min(axis=0)
    return f"{width:.0f} × {height:.0f}"


def _seam_rows(seams: Sequence[SeamRow], width: float, size: float) -> list[Block]:
    columns = (
        Column(0.0),
        Column(0.10 * width, room_mm=0.29 * width),
        Column(0.54 * width, "right"),
        Column(0.69 * width, "right"),
        Column(0.82 * width, "right"),
        Column(width, "right", 0.17 * width),
    )
    rows = [table_row(("no.", "joins", "1st mm", "2nd mm", "off mm", ""), columns, size, ink=GREY)]
    for seam in seams:
        joins = shortened(f"{seam.first} – {seam.second}", 40)
        lengths = f"{seam.first_mm:.1f}", f"{seam.second_mm:.1f}", _signed(seam.mismatch_mm)
        rows.append(table_row((f"{seam.number}", joins, *lengths, seam.verdict), columns, size))
    return rows


def _signed(value_mm: float) -> str:
    tenths = round(value_mm, 1)
    return f"{tenths:+.1f}" if tenths else "0.0"
