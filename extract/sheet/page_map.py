"""The map of pages: all tiles with the parts on them, small enough for the guide page."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import Geometry
from shapely.affinity import affine_transform

from extract.doors import Array
from extract.geometry.curve import transformed
from extract.sheet.drawing import DrawnPart
from extract.sheet.layout import Box, Grid, Tile
from extract.sheet.lettering import BOLD, Lettering, Line, text_width
from extract.sheet.paper import Page
from extract.sheet.styles import GREY, NARROW_MM, Ink, LineStyle

_PAPER: Ink = (1.0, 1.0, 1.0)
_TINT: Ink = (0.93, 0.93, 0.93)
_FAINT: Ink = (0.70, 0.70, 0.70)
_NAME: Ink = (0.60, 0.60, 0.60)
_SMALLEST_MM = 1.6
_HAIR = LineStyle("01.1", "continuous narrow", NARROW_MM / 2)
_NARROW = LineStyle("01.1", "continuous narrow", NARROW_MM)


def draw_map(page: Page, area: Box, drawn: Sequence[DrawnPart], grid: Grid) -> None:
    """Fits the grid into ``area``; blank tiles are crossed out, printed ones carry their name."""
    first, last = grid.tiles[0].window, grid.tiles[-1].window
    whole = Box(first.left, first.top, last.right, last.bottom)
    scale = min((area.width - 1.0) / whole.width, (area.height - 1.0) / whole.height)
    shift_x, shift_y = area.left + 0.5 - scale * whole.left, area.top + 0.5 - scale * whole.top
    matrix = np.array([[scale, 0.0, shift_x], [0.0, scale, shift_y]])
    for part in drawn:
        page.curve(transformed(part.part.outline, matrix), _NARROW, fill=_TINT)
        for hole in part.part.holes:
            page.curve(transformed(hole, matrix), _HAIR, fill=_PAPER)
    numbers = [number for part in drawn if (number := _number(part, matrix))]
    taken = [_polygon(number.box) for number in numbers]
    lines = [affine_transform(part.region.boundary, [scale, 0, 0, scale, shift_x, shift_y]) for part in drawn]
    for tile in grid.tiles:
        core = tile.core
        left, right = scale * core.left + shift_x, scale * core.right + shift_x
        small = Box(left, scale * core.top + shift_y, right, scale * core.bottom + shift_y)
        _draw_tile(page, tile, small, taken, lines)
    for number in numbers:
        page.lettering(number)


def _draw_tile(page: Page, tile: Tile, core: Box, taken: list[Geometry], lines: list[Geometry]) -> None:
    page.box(core, _HAIR, GREY)
    if tile.blank:
        page.line([(core.left, core.top), (core.right, core.bottom)], _HAIR, _FAINT)
        page.line([(core.left, core.bottom), (core.right, core.top)], _HAIR, _FAINT)
        return
    size = min(5.0, core.height / 3, core.width / 3)
    line = Line(tile.name, size, BOLD)
    name = Lettering((line,), (0.0, 0.0))
    inner = core.grown(-0.15 * size)
    spots = [
        Lettering((line,), (x, y))
        for y in np.linspace(inner.top + name.box.height / 2, inner.bottom - name.box.height / 2, 5).tolist()
        for x in np.linspace(inner.left + name.box.width / 2, inner.right - name.box.width / 2, 5).tolist()
    ]
    best = min(spots, key=lambda spot: _cover(spot, taken, lines))
    ((_, baseline),) = best.baselines()
    page.text((best.centre[0], baseline), tile.name, size, BOLD, ink=_NAME, align="middle")


def _cover(spot: Lettering, taken: list[Geometry], lines: list[Geometry]) -> float:
    """How much lettering, and how much line, lies under the spot."""
    box = _polygon(spot.box)
    covered = shapely.area(shapely.intersection(np.array([*taken, shapely.Point()], object), box)).sum()
    crossed = shapely.length(shapely.intersection(np.array(lines, object), box)).sum()
    return round(float(10 * covered + crossed), 3)


def _number(part: DrawnPart, matrix: Array) -> Lettering | None:
    """The part's number where it fits; a part too small for it goes without."""
    room = 2 * part.part.room_mm * matrix[0, 0]
    size = min(3.2, 0.9 * room, 3.2 * room / max(text_width(part.name, BOLD, 3.2), 1e-9))
    if size < _SMALLEST_MM:
        return None
    x, y = matrix[:, :2] @ np.asarray(part.part.label_mm, float) + matrix[:, 2]
    return Lettering((Line(part.name, size, BOLD),), (float(x), float(y)))


def _polygon(box: Box) -> Geometry:
    return shapely.box(box.left, box.top, box.right, box.bottom)
