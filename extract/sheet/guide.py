"""The guide page: print test, map of pages, parts, lines, doubts and cautions. It can be printed alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from reportlab.pdfgen.canvas import Canvas

from extract.doors import Part, Pattern
from extract.sheet.drawing import DrawnPart
from extract.sheet.flow import LEADING, TEXT_MM, Block, paragraph, set_column, space, wrapped
from extract.sheet.furniture import draw_check_corner, draw_mark
from extract.sheet.layout import EDGE_MM, MARGIN_MM, Box, Grid, Paper
from extract.sheet.lettering import BOLD, plus_minus, shortened, text_width, to_cut
from extract.sheet.page_map import draw_map
from extract.sheet.paper import Page
from extract.sheet.styles import BURN, CENTRE, CUT, DETAIL, GREY, SCORE, LineStyle
from extract.sheet.tiles import check_corner
from extract.sheet.words import CAUTIONS, DEFER, HOW_TO_PRINT, JOINING_STEP, PLUS_MINUS

_HEADER_MM = 19.0
_ALONG = (
    ("seam", "“seam 3”: glued to the edge that says so, too."),
    ("tick", "Glue tick to tick: each number stands on two edges, and 3 meets 3."),
    (
        "lean",
        "“45° top longer”: cut leaning 45° from square, so that the top reaches the line and the underside lies back.",
    ),
    ("arrow", "The arrow points to the wearer’s front."),
)
_WORKED = (
    ("score", SCORE, "score: half through, do not cut"),
    ("burn", BURN, "burn or draw in, do not cut"),
    ("axis", CENTRE, "centre line, line of symmetry"),
)
# The check lines with their lettering need 124 mm; larger paper gives its width to the map.
_LEFT_MM, _LEFT_SHARE = 124.0, 0.58
_GUTTER_MM = 7.0
_TEST_MM = 126.0


def draw_guide(canvas: Canvas, pattern: Pattern, drawn: Sequence[DrawnPart], grid: Grid, paper: Paper) -> None:
    """One upright page, and more when the lists are long."""
    page = Page(canvas, (paper.width_mm, paper.height_mm))
    field = Box(0.0, 0.0, paper.width_mm, paper.height_mm).grown(-MARGIN_MM)
    with page.clipped(field.grown(-EDGE_MM)):
        _draw_header(page, field, pattern, drawn, grid, paper)
        left = field.left + max(_LEFT_MM, _LEFT_SHARE * field.width)
        top = field.top + _HEADER_MM
        _draw_test(page, Box(field.left, top, left, top + _TEST_MM))
        _draw_map(page, Box(field.left, top + _TEST_MM, left - 4.0, field.bottom), drawn, grid)
        columns = _columns(Box(left + _GUTTER_MM / 2, top, field.right, field.bottom))
        rest = _blocks(pattern, drawn, columns[0].width)
        for column in columns:
            rest = set_column(page, column, rest)
    page.done()
    while rest:
        page = Page(canvas, (paper.width_mm, paper.height_mm))
        with page.clipped(field.grown(-EDGE_MM)):
            for column in _columns(field, columns[0].width):
                rest = set_column(page, column, rest)
        page.done()


def _columns(field: Box, width_mm: float | None = None) -> list[Box]:
    """As many columns of at least 68 mm as fit, or of ``width_mm``."""
    count = max(1, int((field.width + _GUTTER_MM) // ((width_mm or 60.0) + _GUTTER_MM)))
    width = width_mm or (field.width - (count - 1) * _GUTTER_MM) / count
    lefts = [field.left + index * (width + _GUTTER_MM) for index in range(count)]
    return [Box(left, field.top, left + width, field.bottom) for left in lefts]


def _draw_header(
    page: Page, field: Box, pattern: Pattern, drawn: Sequence[DrawnPart], grid: Grid, paper: Paper
) -> None:
    page.text((field.left, field.top + 6.0), "Pattern at true scale", 7.0, BOLD)
    photo = shortened(pattern.photo_name, 48)
    counts = f"{_counted(len(drawn), 'part')} on {_counted(len(grid.printed), 'page')} {paper.name}"
    page.text((field.left, field.top + 11.5), f"{photo}  ·  {pattern.date}  ·  {counts}", 3.2)
    page.line([(field.left, field.top + 14.5), (field.right, field.top + 14.5)], DETAIL)


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" + ("" if count == 1 else "s")


def _draw_map(page: Page, area: Box, drawn: Sequence[DrawnPart], grid: Grid) -> None:
    crossed = any(tile.blank for tile in grid.tiles)
    words = "Map of pages" + (" (nothing to print in crossed fields)" if crossed else "")
    heading = _heading(words, area.width)
    heading.draw(page, area.left, area.top)
    draw_map(page, Box(area.left, area.top + heading.height_mm, area.right, area.bottom), drawn, grid)


def _draw_test(page: Page, area: Box) -> None:
    """The check lines, with how to print in their angle."""
    corner = check_corner(area, (-1, -1), (2.0, 2.0))
    draw_check_corner(page, corner)
    left, width = area.left + 13.0, 98.0
    blocks = [_heading("Print this page first", width)]
    for count, text in enumerate(HOW_TO_PRINT, start=1):
        blocks += [_numbered(count, text, width, with_mark=count == JOINING_STEP), space(1.8)]
    set_column(page, Box(left, area.top + 12.0, left + width, area.bottom), blocks)


def _blocks(pattern: Pattern, drawn: Sequence[DrawnPart], width: float) -> list[Block]:
    blocks = [_heading("Parts", width), *_part_rows(drawn, width), space(1.0)]
    blocks += [paragraph(PLUS_MINUS, width, ink=GREY, size_mm=2.3), space(4.0)]
    blocks += [_heading("Lines", width), *_legend(drawn, width), space(4.0)]
    if pattern.remarks:
        blocks += [_heading("This build", width), *(paragraph(remark, width) for remark in pattern.remarks), space(4.0)]
    if pattern.doubts:
        blocks.append(_heading("Doubts", width))
        blocks += [paragraph(doubt.message, width) for doubt in pattern.doubts]
        blocks.append(space(4.0))
    blocks.append(_heading("Take care", width))
    blocks += [_caution(title, text, width) for title, text in CAUTIONS]
    return [*blocks, space(0.8), paragraph(DEFER, width, BOLD, 2.4)]


def _heading(text: str, width: float) -> Block:
    def draw(page: Page, x: float, y: float) -> None:
        page.text((x, y + 3.4), text, 3.6, BOLD)

    return Block(6.2, draw, with_next=True)


def _numbered(count: int, text: str, width: float, with_mark: bool) -> Block:
    size = 3.1
    body = paragraph(text, width, size_mm=size, indent_mm=5.0)

    def draw(page: Page, x: float, y: float) -> None:
        page.text((x, y + size), f"{count}", size, BOLD)
        body.draw(page, x, y)
        if with_mark:
            draw_mark(page, (x + width + 7.0, y + body.height_mm / 2))

    return Block(body.height_mm, draw)


def _caution(title: str, text: str, width: float) -> Block:
    """The title in bold, the text running on behind it."""
    lines = wrapped(f"{title}: {text}", width - 1.5)
    pitch = TEXT_MM * LEADING

    def draw(page: Page, x: float, y: float) -> None:
        page.text((x, y + TEXT_MM), f"{title}:", TEXT_MM, BOLD)
        # Bold is wider than plain, hence the 1.5 mm kept free above.
        page.text((x + _bold_width(f"{title}: "), y + TEXT_MM), lines[0][len(title) + 2 :], TEXT_MM)
        for row, line in enumerate(lines[1:], start=1):
            page.text((x, y + pitch * row + TEXT_MM), line, TEXT_MM)

    return Block(pitch * len(lines) + 0.9, draw)


def _bold_width(text: str) -> float:
    return text_width(text, BOLD, TEXT_MM)


def _part_rows(drawn: Sequence[DrawnPart], width: float) -> list[Block]:
    """Name, size, area and ± of each part; a left and a right one of the same size share a row."""
    rows: dict[tuple[str, str, str, str], list[str]] = {}
    said: dict[tuple[str, str, str, str], str] = {}
    for item in drawn:
        left, top, right, bottom = item.region.bounds
        size = f"{right - left:.0f} × {bottom - top:.0f} mm"
        key = (item.part.number, size, f"{item.part.area_mm2 / 100:.1f} cm²", plus_minus(item.part.sigma_mm))
        rows.setdefault(key, []).append(item.part.side)
        said[key] = _said(item.part)
    blocks = []
    for (number, size, area, sigma), sides in rows.items():
        row = _part_row((f"{number} {' + '.join(sorted(sides))}".strip(), size, area, sigma), width)
        text = said[number, size, area, sigma]
        blocks += (
            [replace(row, with_next=True), paragraph(text, width, ink=GREY, size_mm=2.3, indent_mm=3.0)]
            if text
            else [row]
        )
    return blocks


def _said(part: Part) -> str:
    """Name, material and number of a build's part; a pair in one row."""
    count = f"cut {part.copies} left and {part.copies} right" if part.pair else to_cut(replace(part, stock=""))
    thick = f"{part.stock}, {part.thickness_mm:g} mm" if part.stock else ""
    return " · ".join(text for text in (part.name, count if part.piece else "", thick) if text)


def _part_row(cells: tuple[str, str, str, str], width: float) -> Block:
    stops = (0.0, 0.50 * width, 0.78 * width, width)
    name_size = TEXT_MM * min(1.0, 0.24 * width / text_width(cells[0], BOLD, TEXT_MM)) if cells[0] else TEXT_MM

    def draw(page: Page, x: float, y: float) -> None:
        page.text((x, y + TEXT_MM), cells[0], name_size, BOLD)
        for cell, stop in zip(cells[1:], stops[1:], strict=True):
            page.text((x + stop, y + TEXT_MM), cell, TEXT_MM, align="right")

    return Block(TEXT_MM * 1.45, draw)


def _legend(drawn: Sequence[DrawnPart], width: float) -> list[Block]:
    """One row for each kind of line that this pattern has."""
    roles = {line.role for part in drawn for line in part.lines}
    rows = [_legend_row(CUT, "cut here" + (", holes too" if "hole" in roles else ""), width)]
    references = {line.colour: line.style for part in drawn for line in part.lines if line.role == "reference"}
    rows += [
        _legend_row(style, f"{colour} reference line: draw it, do not cut", width)
        for colour, style in sorted(references.items())
    ]
    for role, style, text in _WORKED:
        if role in roles:
            rows.append(_legend_row(style, text, width))
    details = [name for role, name in (("tick", "ticks"), ("ring", "rings"), ("note", "notes")) if role in roles]
    if details:
        rows.append(_legend_row(DETAIL, ", ".join(details), width))
    centre = [line.style for part in drawn for line in part.lines if line.role == "centre"]
    if centre:
        rows.append(_legend_row(centre[0], "centre of a ring or round hole", width))
    rows.append(_legend_row(DETAIL, "grey: trim lines, marks, check lines", width, GREY))
    said = {word.role for part in drawn for word in part.words}
    rows += [paragraph(text, width) for role, text in _ALONG if role in said]
    return rows


def _legend_row(style: LineStyle, text: str, width: float, ink: tuple[float, float, float] | None = None) -> Block:
    def draw(page: Page, x: float, y: float) -> None:
        page.line([(x, y + 1.8), (x + 14.6, y + 1.8)], style, ink)
        page.text((x + 17.0, y + TEXT_MM), text, TEXT_MM)

    return Block(TEXT_MM * 1.5, draw)
