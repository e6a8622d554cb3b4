"""The map of pages: all tiles with the parts on them, small enough for the guide page."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from extract.geometry.curve import transformed
from extract.sheet.drawing import DrawnPart
from extract.sheet.layout import Box, Grid, Tile
from extract.sheet.lettering import BOLD, text_width
from extract.sheet.paper import Page
from extract.sheet.styles import GREY, NARROW_MM, Ink, LineStyle

_PAPER: Ink = (1.0, 1.0, 1.0)
_TINT: Ink = (0.90, 0.90, 0.90)
_FAINT: Ink = (0.72, 0.72, 0.72)
_HAIR = LineStyle("01.1", "continuous narrow", NARROW_MM / 2)
_NARROW = LineStyle("01.1", "continuous narrow", NARROW_MM)


def draw_map(page: Page, area: Box, drawn: Sequence[DrawnPart], grid: Grid) -> None:
    """Fits the grid into ``area``; blank tiles are crossed out, printed ones carry their name."""
    first, last = grid.tiles[0].window, grid.tiles[-1].window
    whole = Box(first.left, first.top, last.right, last.bottom)
    scale = min((area.width - 1.0) / whole.width, (area.height - 1.0) / whole.height)
    shift_x = area.left + 0.5 - scale * whole.left
    shift_y = area.centre[1] - scale * whole.centre[1]
    matrix = np.array([[scale, 0.0, shift_x], [0.0, scale, shift_y]])

    def small(box: Box) -> Box:
        return Box(
            *(matrix[:, :2] @ (box.left, box.top) + matrix[:, 2]),
            *(matrix[:, :2] @ (box.right, box.bottom) + matrix[:, 2]),
        )

    for part in drawn:
        page.curve(transformed(part.part.outline, matrix), _NARROW, fill=_TINT)
        for hole in part.part.holes:
            page.curve(transformed(hole, matrix), _HAIR, fill=_PAPER)
    for tile in grid.tiles:
        _draw_tile(page, tile, small(tile.core))
    for part in drawn:
        _draw_number(page, part, matrix, scale)


def _draw_tile(page: Page, tile: Tile, core: Box) -> None:
    page.box(core, _HAIR, GREY)
    if tile.blank:
        page.line([(core.left, core.top), (core.right, core.bottom)], _HAIR, _FAINT)
        page.line([(core.left, core.bottom), (core.right, core.top)], _HAIR, _FAINT)
        return
    size = min(4.2, core.height / 3, core.width / 3)
    page.text((core.left + 0.25 * size, core.top + size), tile.name, size, BOLD, ink=GREY)


def _draw_number(page: Page, part: DrawnPart, matrix: np.ndarray, scale: float) -> None:
    """The part's number where it fits; a part too small for it goes without."""
    room = 2 * part.part.room_mm * scale
    size = min(3.2, 0.9 * room, 3.2 * room / max(text_width(part.name, BOLD, 3.2), 1e-9))
    if size < 1.3:
        return
    x, y = matrix[:, :2] @ np.asarray(part.part.label_mm, float) + matrix[:, 2]
    page.text((float(x), float(y) + 0.36 * size), part.name, size, BOLD, align="middle")
