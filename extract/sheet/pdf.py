"""The pattern as a true-scale PDF: a guide page, then the pattern tiled over pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

import numpy as np
from reportlab.pdfgen.canvas import Canvas
from scipy.spatial import cKDTree

from extract.doors import Array, Pattern
from extract.sheet.drawing import DrawnPart, draw_pattern, with_arrow
from extract.sheet.furniture import draw_check_corner, draw_joint, draw_name
from extract.sheet.guide import draw_guide
from extract.sheet.layout import EDGE_MM, MARGIN_MM, Box, Grid, Tile, lay_out, paper_named
from extract.sheet.lettering import BOLD, Lettering, Line, kept_whole
from extract.sheet.paper import Page, finished, new_canvas
from extract.sheet.room import AREA_PITCH_MM, Crowd, box_array, crowd_of, gap_to
from extract.sheet.tiles import CheckCorner, emptiest_corner, joints

_TAG_MM = 3.2
_TAG_CLEAR_MM = 1.0
# A smaller scrap of a part is plain from its neighbours.
_LEAST_TAGGED_MM2 = 400.0


def pattern_pdf(pattern: Pattern, paper: str = "A4", corner_mm: tuple[float, float] | None = None) -> bytes:
    """A PDF that prints ``pattern`` at true scale on ``paper`` ("A4", "A3", "Letter" or "Tabloid").

    Pages lie where they are fewest, or from ``corner_mm`` on where the pattern was packed for them. The first page can
    be printed alone as a test. The file depends on the arguments only. Raises CannotContinue for an unknown paper, a
    pattern without parts, or one that needs hundreds of pages.
    """
    sheet = paper_named(paper)
    drawn = draw_pattern(pattern)
    grid = lay_out([thing for part in drawn for thing in part.things], sheet, corner_mm)
    drawn = _settled(drawn, grid)
    canvas, buffer = new_canvas(f"True-scale pattern from {pattern.photo_name}, {pattern.date}", sheet.name)
    draw_guide(canvas, pattern, drawn, grid, sheet)
    crowd = crowd_of(drawn)
    for count, tile in enumerate(grid.printed, start=1):
        footer = f"page {count} of {len(grid.printed)}", pattern.photo_name, pattern.date
        _draw_tile(canvas, drawn, grid, tile, crowd, footer)
    return finished(canvas, buffer)


def _settled(drawn: Sequence[DrawnPart], grid: Grid) -> tuple[DrawnPart, ...]:
    """The parts with their lettering moved off the joints where its free circle allows."""
    cores = [tile.core for tile in grid.printed]
    return tuple(
        with_arrow(replace(item, lettering=kept_whole(item.lettering, item.part.room_mm, cores))) for item in drawn
    )


def _draw_tile(
    canvas: Canvas, drawn: Sequence[DrawnPart], grid: Grid, tile: Tile, crowd: Crowd, footer: tuple[str, ...]
) -> None:
    window, crowd = tile.window, crowd.near(tile.window)
    page = Page(canvas, grid.page_mm, (window.left - MARGIN_MM, window.top - MARGIN_MM))
    with page.clipped(window.grown(-EDGE_MM)):
        for joint in joints(grid, tile):
            draw_joint(page, joint, crowd)
        corner = emptiest_corner(window, crowd)
        draw_check_corner(page, corner)
        draw_name(page, corner, tile.name, footer)
        for part in drawn:
            if part.box.meets(window):
                _draw_part(page, part, tile)
        for tag in _tags(drawn, tile, corner, crowd):
            page.lettering(tag)
    page.done()


def _draw_part(page: Page, part: DrawnPart, tile: Tile) -> None:
    for line in part.lines:
        if line.box.meets(tile.window):
            page.curve(line.curve, line.style, phase_mm=line.phase_mm)
    if part.lettering.leader:
        page.dot(part.lettering.leader[1], 0.6)
    for word in part.words:
        if word.box.meets(tile.window):
            page.text(word.baseline, word.text, word.size_mm, align="middle", angle_deg=word.angle_deg)
    # Lettering that only reaches into the strip stands whole on the page that covers it.
    if part.lettering.box.meets(tile.core):
        page.lettering(part.lettering)


def _tags(drawn: Sequence[DrawnPart], tile: Tile, corner: CheckCorner, crowd: Crowd) -> list[Lettering]:
    """The number of each part that reaches onto this page while its lettering stands on another one."""
    near = crowd.near(tile.core)
    taken = box_array([*corner.boxes, *(part.lettering.box for part in drawn)])
    tags = []
    for index in np.unique(near.area_part).tolist():
        part, points = drawn[index], near.area_points[near.area_part == index]
        tag = Lettering((Line(part.name, _TAG_MM, BOLD),), (0.0, 0.0))
        if part.lettering.box.meets(tile.core) or len(points) * AREA_PITCH_MM**2 < _LEAST_TAGGED_MM2:
            continue
        free = np.minimum(gap_to(taken, points), _gap_to_lines(near.line_points, points))
        free = np.minimum(free, _gap_to_sides(tile.core, points))
        if free.max() >= hypot(tag.box.width, tag.box.height) / 2 + _TAG_CLEAR_MM:
            x, y = points[int(np.argmax(np.round(free, 6)))].tolist()
            tags.append(replace(tag, centre=(x, y)))
    return tags


def _gap_to_lines(lines: Array, points: Array) -> Array:
    return np.asarray(cKDTree(lines).query(points)[0]) if len(lines) else np.full(len(points), np.inf)


def _gap_to_sides(box: Box, points: Array) -> Array:
    sides = (points[:, 0] - box.left, box.right - points[:, 0], points[:, 1] - box.top, box.bottom - points[:, 1])
    return np.min(sides, axis=0)
