"""How a pattern falls on pages: paper sizes, the grid of tiles, page names. Pure geometry in mm, x right, y down.

Words: a **page** is one leaf of paper; its **window** is what is left inside the margins and may carry ink; a **tile**
is one window laid on the pattern. Neighbouring windows overlap, and the **trim line** runs down the middle of the
overlap, so the leaf that goes on top is cut there and the leaf below shows the same line to lay it to. The **core** of
a tile is what it alone shows after trimming; cores of a grid touch and never overlap.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import ceil, floor

import numpy as np
import shapely
from shapely import Geometry, STRtree

from extract.doors import CannotContinue

# Printers leave up to 6.35 mm blank (common practice, after printer manuals); 10 mm stays clear of nearly all of them.
MARGIN_MM = 10.0
# Common practice, no source: enough to glue and to find the marks, little enough not to waste paper.
OVERLAP_MM = 10.0
# Half of the widest line, rounded up, so that an outline on the very edge of the pattern is not clipped.
_INK_MM = 0.5
# Ink stops this far inside the window, or the softened edge of a cut-off line would reach past it.
EDGE_MM = 0.1
_PHASES = 6
_MOST_PAGES = 400


@dataclass(frozen=True)
class Paper:
    """A paper size, upright."""

    name: str
    width_mm: float
    height_mm: float


# A4, A3: ISO 216:2007, table of the A series. Letter (ANSI A, 8.5 × 11 in) and Tabloid (ANSI B, 11 × 17 in):
# ANSI/ASME Y14.1; 1 in is 25.4 mm exactly.
PAPERS: dict[str, Paper] = {
    "A4": Paper("A4", 210.0, 297.0),
    "A3": Paper("A3", 297.0, 420.0),
    "Letter": Paper("Letter", 215.9, 279.4),
    "Tabloid": Paper("Tabloid", 279.4, 431.8),
}


@dataclass(frozen=True)
class Box:
    """An upright rectangle in mm."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.bottom - self.top

    @property
    def centre(self) -> tuple[float, float]:
        return (self.left + self.right) / 2, (self.top + self.bottom) / 2

    def grown(self, by_mm: float) -> Box:
        return Box(self.left - by_mm, self.top - by_mm, self.right + by_mm, self.bottom + by_mm)

    def meets(self, other: Box) -> bool:
        return (
            self.left <= other.right
            and other.left <= self.right
            and self.top <= other.bottom
            and other.top <= self.bottom
        )


def box_around(boxes: Sequence[Box]) -> Box:
    """The smallest box that holds all of ``boxes`` (one at least)."""
    return Box(
        min(box.left for box in boxes),
        min(box.top for box in boxes),
        max(box.right for box in boxes),
        max(box.bottom for box in boxes),
    )


@dataclass(frozen=True)
class Tile:
    """One window on the pattern; ``core`` is the part that stays visible when the pages are joined."""

    row: int
    column: int
    window: Box
    core: Box
    blank: bool

    @property
    def name(self) -> str:
        return page_name(self.row, self.column)


@dataclass(frozen=True)
class Grid:
    """All tiles of a pattern, row by row, on pages of ``page_mm`` (width, height as turned)."""

    page_mm: tuple[float, float]
    rows: int
    columns: int
    tiles: tuple[Tile, ...]

    @property
    def printed(self) -> tuple[Tile, ...]:
        return tuple(tile for tile in self.tiles if not tile.blank)

    def neighbour(self, tile: Tile, down: int, right: int) -> Tile | None:
        """The printed tile ``down`` rows and ``right`` columns on, or None."""
        row, column = tile.row + down, tile.column + right
        if not (0 <= row < self.rows and 0 <= column < self.columns):
            return None
        other = self.tiles[row * self.columns + column]
        return None if other.blank else other


def paper_named(name: str) -> Paper:
    """The paper called ``name``, in any case; CannotContinue for a name that is not in PAPERS."""
    for paper in PAPERS.values():
        if paper.name.lower() == name.strip().lower():
            return paper
    raise CannotContinue("sheet", f"There is no paper called {name!r}.", f"Choose one of {', '.join(PAPERS)}.")


def page_name(row: int, column: int) -> str:
    """Row letter and column number: (0, 0) is A1, (1, 2) is B3, row 26 is AA."""
    letters, row = "", row + 1
    while row:
        row, digit = divmod(row - 1, 26)
        letters = chr(ord("A") + digit) + letters
    return f"{letters}{column + 1}"


def tiles_needed(length_mm: float, page_mm: float) -> int:
    """Pages along one direction: n windows of page − 2·margin cover n·(window − overlap) + overlap."""
    step = page_mm - 2 * MARGIN_MM - OVERLAP_MM
    return max(1, ceil((length_mm - OVERLAP_MM) / step - 1e-9))


def lay_out(things: Sequence[Geometry], paper: Paper, corner_mm: tuple[float, float] | None = None) -> Grid:
    """The grid with the fewest printed pages over ``things`` (each in pattern mm), or the upright one with a window's
    upper left corner at ``corner_mm``, for which they were packed.

    Pages upright and turned are tried, and so are shifts of the grid; among equals the one that cuts the fewest things
    apart, then upright, then the pattern nearest the middle of the sheet. Raises CannotContinue when there is nothing
    to print or far too much.
    """
    geometry = np.array([thing for thing in things if not thing.is_empty], object)
    if not len(geometry):
        raise CannotContinue("sheet", "The pattern has no parts to print.", "Trace a shell with closed panels first.")
    left, top, right, bottom = shapely.total_bounds(geometry)
    if not np.isfinite([left, top, right, bottom]).all():
        raise CannotContinue("sheet", "A part's outline has no size.", "Trace the shell again.")
    extent = Box(left, top, right, bottom).grown(_INK_MM)
    tree = STRtree(geometry)
    trials = list(_trial_grids(extent, paper)) if corner_mm is None else [_anchored_grid(extent, paper, corner_mm)]
    return min((_marked_blank(grid, tree, extent) for grid in trials), key=lambda scored: scored[0])[1]


def _anchored_grid(extent: Box, paper: Paper, corner_mm: tuple[float, float]) -> Grid:
    """The upright grid that covers ``extent`` and has a window start at ``corner_mm``."""
    page = paper.width_mm, paper.height_mm
    starts, counts = [], []
    for corner, low, high, side in zip(
        corner_mm, (extent.left, extent.top), (extent.right, extent.bottom), page, strict=True
    ):
        step = side - 2 * MARGIN_MM - OVERLAP_MM
        starts.append(corner + step * floor((low - corner) / step))
        counts.append(tiles_needed(high - starts[-1], side))
    _check_count(extent, counts[0] * counts[1])
    return _grid_at(starts[0], starts[1], page, counts[0], counts[1])


def _check_count(extent: Box, pages: int) -> None:
    if pages > _MOST_PAGES:
        raise CannotContinue(
            "sheet",
            f"The pattern is {extent.width:.0f} by {extent.height:.0f} mm, more than {_MOST_PAGES} pages.",
            "Check the scale, or print it on larger paper.",
        )


def _trial_grids(extent: Box, paper: Paper) -> Iterator[Grid]:
    for page in ((paper.width_mm, paper.height_mm), (paper.height_mm, paper.width_mm)):
        columns, rows = tiles_needed(extent.width, page[0]), tiles_needed(extent.height, page[1])
        _check_count(extent, columns * rows)
        # One more row or column than needed lets the grid slide by a full step, which can leave corners blank.
        for more_columns, more_rows in ((0, 0), (1, 0), (0, 1), (1, 1)):
            yield from _shifted_grids(extent, page, columns + more_columns, rows + more_rows)


def _shifted_grids(extent: Box, page: tuple[float, float], columns: int, rows: int) -> Iterator[Grid]:
    shifts = []
    for count, length, side in ((columns, extent.width, page[0]), (rows, extent.height, page[1])):
        window = side - 2 * MARGIN_MM
        slack = count * (window - OVERLAP_MM) + OVERLAP_MM - length
        shifts.append(np.linspace(0.0, min(slack, window - OVERLAP_MM), _PHASES))
    for right, down in product(*shifts):
        yield _grid_at(extent.left - right, extent.top - down, page, columns, rows)


def _grid_at(left: float, top: float, page: tuple[float, float], columns: int, rows: int) -> Grid:
    across = _spans(left, page[0] - 2 * MARGIN_MM, columns)
    down = _spans(top, page[1] - 2 * MARGIN_MM, rows)
    tiles = tuple(
        Tile(row, column, Box(x[0], y[0], x[1], y[1]), Box(x[2], y[2], x[3], y[3]), False)
        for row, y in enumerate(down)
        for column, x in enumerate(across)
    )
    return Grid(page, rows, columns, tiles)


def _spans(start: float, window: float, count: int) -> list[tuple[float, float, float, float]]:
    """Per tile: window from, to, core from, to. The cores at both ends reach to the end of their window."""
    spans = []
    for index in range(count):
        low = start + index * (window - OVERLAP_MM)
        high = low + window
        core_low = low + (OVERLAP_MM / 2 if index else 0.0)
        core_high = high - (OVERLAP_MM / 2 if index < count - 1 else 0.0)
        spans.append((low, high, core_low, core_high))
    return spans


def _marked_blank(grid: Grid, tree: STRtree, extent: Box) -> tuple[tuple[float, ...], Grid]:
    """The grid with its empty tiles marked, and its cost (lower is better)."""
    cores = np.array([(t.core.left, t.core.top, t.core.right, t.core.bottom) for t in grid.tiles])
    shown = tree.query(shapely.box(*cores.T), predicate="intersects")[0]
    kept = set(shown.tolist())
    tiles = tuple(Tile(t.row, t.column, t.window, t.core, index not in kept) for index, t in enumerate(grid.tiles))
    first, last = grid.tiles[0].window, grid.tiles[-1].window
    off_centre = abs(first.left + last.right - 2 * extent.centre[0]) + abs(
        first.top + last.bottom - 2 * extent.centre[1]
    )
    turned = float(grid.page_mm[0] > grid.page_mm[1])
    cost = (float(len(kept)), float(len(shown)), turned, float(grid.rows * grid.columns), round(off_centre, 6))
    return cost, Grid(grid.page_mm, grid.rows, grid.columns, tiles)
