"""What tells the shell from its table by colour alone, patch by patch.

In every patch of the table two colour histograms are kept, one of what is known to be shell and one of what is known to
be table; their ratio says for each pixel which side it resembles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from extract.doors import Array, Bytes, FlatView, Mask
from extract.ink.shell_view import Image, TableView, lab_of

PATCH_MM = 40.0
"""Light changes little over a patch this size. A patch is judged by itself and its eight neighbours, so that a checked
cloth shows all its colours."""

BINS = (24, 18, 18)
FINEST = np.array([2.0, 2.0, 2.0], np.float32)
"""A Lab histogram spans the colours seen near the shell, but its bins are never finer than the camera's noise: on a
grey table under a grey shell small steps are all there is to go by."""

MOST = 4.0
"""A single pixel's say is clipped to this many nats: glare and ink must not outvote their neighbours."""

SHADE = ((0.8, 0.06), (0.6, 0.05), (0.4, 0.04), (0.25, 0.03))
"""Table in shadow, as (light, weight): shadows beside the edge are too narrow to be sampled themselves."""

Index = npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Bins:
    """Bins of a Lab histogram: ``low`` (3,) where they start, ``step`` (3,) their width; the last ones are open."""

    low: Image
    step: Image

    @classmethod
    def spanning(cls, lab: Image) -> Bins:
        low, high = np.percentile(lab.reshape(-1, 3)[::13], [0.5, 99.5], axis=0).astype(np.float32)
        step = np.maximum((high - low) / np.array(BINS, np.float32), FINEST)
        return cls((low + high) / 2 - step * np.array(BINS, np.float32) / 2, step)

    def index(self, lab: Image) -> Index:
        """Flat bin number of each pixel."""
        cells = np.clip((lab - self.low) / self.step, 0, np.array(BINS, np.float32) - 1).astype(np.int32)
        return np.asarray((cells[..., 0] * BINS[1] + cells[..., 1]) * BINS[2] + cells[..., 2], np.int32)


def shaded(lab: Image, light: float) -> Image:
    """The same surface under ``light`` times the light: L* goes with the cube root, and colour with it."""
    scale = np.float32(light ** (1 / 3))
    darker = lab * scale
    darker[..., 0] = (lab[..., 0] + 16) * scale - 16
    return darker


@dataclass(frozen=True, eq=False)
class ColourModels:
    """What tells shell from table, patch by patch: ``ratio`` (rows, columns, bins) log p(colour | shell) minus
    log p(colour | table), for square patches of ``patch_mm`` from ``origin_mm`` on; ``white`` the paper white."""

    ratio: Image
    bins: Bins
    origin_mm: Array
    patch_mm: float
    white: Image

    def likeness(self, pixels: Bytes, points_mm: Array) -> Image:
        """The ratio for BGR ``pixels`` (..., 3) seen at ``points_mm`` (..., 2)."""
        columns, rows = (self._patch(points_mm[..., axis], axis) for axis in (0, 1))
        return self.ratio[rows, columns, self.bins.index(lab_of(pixels, self.white))]

    def likeness_over(self, flat: FlatView) -> Image:
        """The ratio for every pixel of a view."""
        height, width = flat.valid.shape
        columns = self._patch(flat.mm_from_px(np.stack([np.arange(width)] * 2, axis=-1))[:, 0], 0)
        rows = self._patch(flat.mm_from_px(np.stack([np.arange(height)] * 2, axis=-1))[:, 1], 1)
        patch = (rows[:, None] * self.ratio.shape[1] + columns).astype(np.int32)
        return self.ratio.ravel()[
            patch * np.int32(self.ratio.shape[2]) + self.bins.index(lab_of(flat.pixels, self.white))
        ]

    def _patch(self, at_mm: Array, axis: int) -> npt.NDArray[np.int64]:
        cell = ((at_mm - self.origin_mm[axis]) / self.patch_mm).astype(int)
        return np.clip(cell, 0, self.ratio.shape[1 - axis] - 1)


def learn(view: TableView, shell: Mask, table: Mask, white: Image) -> ColourModels:
    """Colour models from where the view shows ``shell`` and where ``table`` (masks of its shape)."""
    rows, columns = ((np.arange(side) / (PATCH_MM / view.flat.mm_per_px)).astype(int) for side in shell.shape)
    shape = int(rows[-1]) + 1, int(columns[-1]) + 1
    cell = rows[:, None] * shape[1] + columns[None]
    ours, theirs, lit = cell[shell], cell[table], view.lab[table]
    bins = Bins.spanning(view.lab[shell | table])
    table_counts = np.float32(1 - sum(weight for _, weight in SHADE)) * _counts(theirs, bins.index(lit), shape)
    for light, weight in SHADE:
        table_counts += np.float32(weight) * _counts(theirs, bins.index(shaded(lit, light)), shape)
    shell_counts = _counts(ours, bins.index(view.lab[shell]), shape)
    ratio = np.clip(np.log(_density(shell_counts) / _density(table_counts)), -MOST, MOST)
    return ColourModels(np.asarray(ratio, np.float32), bins, np.asarray(view.flat.origin_mm), PATCH_MM, white)


def _counts(patch: npt.NDArray[np.int64], index: Index, shape: tuple[int, int]) -> Image:
    """Colour histograms (rows, columns, bins)."""
    size = int(np.prod(BINS))
    counts = np.bincount(patch * size + index, minlength=int(np.prod(shape)) * size)
    return counts.reshape(*shape, size).astype(np.float32)


def _density(counts: Image, enough: float = 400.0) -> Image:
    """Smooth densities (rows, columns, bins) of every patch with its neighbours; a patch with too little takes the
    whole picture's."""
    near = _spread(_spread(counts, 0, 1.0), 1, 1.0)
    near = np.where(near.sum(-1, keepdims=True) > enough, near, counts.sum((0, 1)))
    cube = near.reshape(-1, *BINS)
    for axis in (1, 2, 3):
        cube = _spread(cube, axis, 0.5)
    smooth = cube.reshape(counts.shape)
    return np.asarray(smooth / np.maximum(smooth.sum(-1, keepdims=True), 1.0) + 2e-5, np.float32)


def _spread(values: Image, axis: int, share: float) -> Image:
    """Each cell plus ``share`` of its two neighbours along an axis."""
    spread = values.copy()
    ahead = [slice(None)] * values.ndim
    behind = ahead.copy()
    ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
    spread[tuple(ahead)] += np.float32(share) * values[tuple(behind)]
    spread[tuple(behind)] += np.float32(share) * values[tuple(ahead)]
    return spread
