"""One sheet being filled. What is taken and the part to place are sampled on a square grid, and a correlation tells for
every place at once whether they meet.

A point of the grid counts as taken by a shape when it lies within half the gap, plus half a cell's diagonal, of it. If
two shapes came nearer than the gap, the point of the grid next to the middle of their shortest way would count for
both. So shapes that share no point keep the gap, whatever their form; they may end up a cell's diagonal further apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import ceil, hypot, sqrt

import cv2
import numpy as np
import shapely
from shapely.affinity import rotate, translate

from extract.build import SheetStock

CELL_MM = 2.0
"""A grid of this size loses some 1.5 mm per gap and fills a sheet in a fraction of a second."""
_MOST_CELLS = 500_000
"""Two square metres of such cells; on larger sheets they are larger, or the work would grow with the area."""

Grid = np.ndarray
"""Float32 (rows, columns), 1 where taken: what the correlation takes."""


@dataclass(frozen=True, eq=False)
class Form:
    """A part turned by ``turn_deg``: ``shape`` with its box's corner at the origin, its size, and ``mask``, the grid
    points it takes; the mask starts ``reach`` cells before the corner."""

    turn_deg: float
    shape: shapely.Polygon
    shift_mm: tuple[float, float]
    size_mm: tuple[float, float]
    mask: Grid
    reach: int

    @cached_property
    def cells(self) -> int:
        """How many grid points it takes."""
        return int(np.count_nonzero(self.mask))


def cell_for(sheets: Sequence[SheetStock]) -> float:
    """Size of a cell in mm that serves all ``sheets``."""
    return max(CELL_MM, *(sqrt(sheet.width_mm * sheet.height_mm / _MOST_CELLS) for sheet in sheets))


def form_of(region: shapely.Polygon, turn_deg: float, gap_mm: float, cell_mm: float) -> Form:
    """The part's ``region``, turned about the origin and moved to it, ready to be placed."""
    turned = rotate(region, turn_deg, origin=(0.0, 0.0))
    left, top, right, bottom = turned.bounds
    shape = translate(turned, -left, -top)
    return Form(turn_deg, shape, (-left, -top), (right - left, bottom - top), *_sampled(shape, gap_mm, cell_mm))


def _reach_mm(gap_mm: float, cell_mm: float) -> float:
    return gap_mm / 2 + hypot(cell_mm, cell_mm) / 2


def _sampled(shape: shapely.Polygon, gap_mm: float, cell_mm: float) -> tuple[Grid, int]:
    reach_mm = _reach_mm(gap_mm, cell_mm)
    reach = ceil(reach_mm / cell_mm)
    _, _, width, height = shape.bounds
    columns, rows = (ceil(side / cell_mm) + 2 * reach + 1 for side in (width, height))
    x, y = np.meshgrid(cell_mm * (np.arange(columns) - reach), cell_mm * (np.arange(rows) - reach))
    grown = shape.buffer(reach_mm)
    shapely.prepare(grown)
    return shapely.contains_xy(grown, x, y).astype(np.float32), reach


@dataclass(eq=False)
class Bed:
    """A sheet and what lies on it. The grid's first point is the corner of the part of the sheet that may be used,
    ``edge_mm`` inside; it is padded by ``pad`` cells all round, into which the parts' gaps may reach."""

    stock: SheetStock
    owned: bool
    edge_mm: float
    cell_mm: float
    pad: int

    def __post_init__(self) -> None:
        columns, rows = (int(side / self.cell_mm) + 1 + 2 * self.pad for side in self.room_mm)
        self.taken: Grid = np.zeros((max(rows, 1), max(columns, 1)), np.float32)
        self.placed: list[tuple[int, int, Form, tuple[float, float]]] = []
        self.free_cells = self.taken.size
        self.too_full_for: set[int] = set()

    @cached_property
    def room_mm(self) -> tuple[float, float]:
        """Width and height that may be used."""
        return self.stock.width_mm - 2 * self.edge_mm, self.stock.height_mm - 2 * self.edge_mm

    @property
    def length_mm(self) -> float:
        """How far along the sheet parts reach."""
        return max((at[0] + form.size_mm[0] for _, _, form, at in self.placed), default=0.0)

    def holds(self, form: Form) -> bool:
        """Whether an empty sheet takes the form."""
        return all(size <= room + 1e-6 for size, room in zip(form.size_mm, self.room_mm, strict=True))

    def place_for(self, form: Form) -> tuple[float, float] | None:
        """The free place furthest to the left, of those the highest; None where there is none."""
        if not self.holds(form):
            return None
        columns, rows = (
            int((room - size + 1e-6) / self.cell_mm) + 1 for room, size in zip(self.room_mm, form.size_mm, strict=True)
        )
        start = self.pad - form.reach
        window = self.taken[
            start : start + rows + form.mask.shape[0] - 1, start : start + columns + form.mask.shape[1] - 1
        ]
        met = cv2.matchTemplate(window, form.mask, cv2.TM_CCORR)
        free = np.argwhere(met.T < 0.5)
        return (free[0][0] * self.cell_mm, free[0][1] * self.cell_mm) if len(free) else None

    def cover(self, shape: shapely.Polygon, gap_mm: float) -> None:
        """Takes the points of what lies anywhere, given from the corner of the usable part."""
        rows, columns = self.taken.shape
        x, y = (self.cell_mm * (np.arange(count) - self.pad) for count in (columns, rows))
        grown = shape.buffer(_reach_mm(gap_mm, self.cell_mm))
        left, top, right, bottom = grown.bounds
        (first, last), (upper, lower) = np.searchsorted(x, (left, right)), np.searchsorted(y, (top, bottom))
        shapely.prepare(grown)
        met = shapely.contains_xy(grown, *np.meshgrid(x[first:last], y[upper:lower]))
        window = self.taken[upper:lower, first:last]
        np.maximum(window, met, out=window)

    def put(self, part: int, copy: int, form: Form, at: tuple[float, float]) -> None:
        """Takes the form's points; ``at`` is where its corner goes, from the corner of the usable part."""
        column, row = (round(value / self.cell_mm) + self.pad - form.reach for value in at)
        window = self.taken[row : row + form.mask.shape[0], column : column + form.mask.shape[1]]
        np.maximum(window, form.mask, out=window)
        self.placed.append((part, copy, form, at))
        self.free_cells = self.taken.size - int(np.count_nonzero(self.taken))
