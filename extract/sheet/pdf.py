"""The pattern as a true-scale PDF: a guide page, then the pattern tiled over pages."""

from __future__ import annotations

from dataclasses import dataclass

import shapely
from reportlab.pdfgen.canvas import Canvas
from shapely import Geometry

from extract.doors import Pattern
from extract.geometry.curve import curve_points
from extract.sheet.drawing import DrawnPart, draw_pattern
from extract.sheet.furniture import draw_check_corner, draw_joint, draw_name
from extract.sheet.guide import draw_guide
from extract.sheet.layout import MARGIN_MM, Box, Grid, Tile, lay_out, paper_named
from extract.sheet.paper import Page, new_canvas
from extract.sheet.tiles import emptiest_corner, joints


def pattern_pdf(pattern: Pattern, paper: str = "A4") -> bytes:
    """A PDF that prints ``pattern`` at true scale on ``paper`` ("A4", "A3", "Letter" or "Tabloid").

    The first page can be printed alone as a test. The file depends on the pattern and the paper only. Raises
    CannotContinue for an unknown paper, a pattern without parts, or one that needs hundreds of pages.
    """
    sheet = paper_named(paper)
    drawn = draw_pattern(pattern)
    grid = lay_out([thing for part in drawn for thing in part.things], sheet)
    canvas, buffer = new_canvas(f"True-scale pattern from {pattern.photo_name}, {pattern.date}", sheet.name)
    draw_guide(canvas, pattern, drawn, grid, sheet)
    ink = _page_ink(drawn)
    for count, tile in enumerate(grid.printed, start=1):
        _draw_tile(canvas, pattern, drawn, grid, tile, count, ink)
    canvas.save()
    return buffer.getvalue()


@dataclass(frozen=True, eq=False)
class _Ink:
    """What lies on the pattern, for finding an empty corner."""

    lines: list[Geometry]
    text: list[Geometry]
    areas: list[Geometry]


def _page_ink(drawn: tuple[DrawnPart, ...]) -> _Ink:
    boxes = [part.lettering.box for part in drawn]
    return _Ink(
        [shapely.linestrings(curve_points(line.curve, 0.2)) for part in drawn for line in part.lines],
        [shapely.box(box.left, box.top, box.right, box.bottom) for box in boxes],
        [part.region for part in drawn],
    )


def _draw_tile(
    canvas: Canvas, pattern: Pattern, drawn: tuple[DrawnPart, ...], grid: Grid, tile: Tile, count: int, ink: _Ink
) -> None:
    window = tile.window
    page = Page(canvas, grid.page_mm, (window.left - MARGIN_MM, window.top - MARGIN_MM))
    with page.clipped(window):
        for joint in joints(grid, tile):
            draw_joint(page, joint)
        corner = emptiest_corner(tile, ink.lines, ink.text, ink.areas)
        draw_check_corner(page, corner)
        footer = f"page {count} of {len(grid.printed)}", pattern.photo_name, pattern.date
        draw_name(page, corner, tile.name, footer)
        for part in drawn:
            if part.box.meets(window):
                _draw_part(page, part, window)
    page.done()


def _draw_part(page: Page, part: DrawnPart, window: Box) -> None:
    for line in part.lines:
        if line.box.meets(window):
            page.curve(line.curve, line.style, phase_mm=line.phase_mm)
    if part.lettering.leader:
        page.dot(part.lettering.leader[1], 0.6)
    page.lettering(part.lettering)
