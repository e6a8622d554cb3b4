"""The shell cut out of its table to about a millimetre: local colour models and a graph cut.

In every patch of the table two colour histograms are kept, one of what lies well inside the blob and one of what lies
well outside; their ratio says for each pixel which side it resembles. A minimum cut then places the outline where the
ratio changes sign and the picture has an edge, and the histograms are taken again from the cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array, Bytes, Mask
from extract.ink.shell_view import Image, TableView, disc, erode, grow, lab_of, local_mean

PATCH_MM = 40.0
"""Light changes little over a patch this size. A patch is judged by itself and its eight neighbours, so that a checked
cloth shows all its colours."""

BINS = (24, 18, 18)
FINEST = np.array([2.0, 2.0, 2.0], np.float32)
"""A Lab histogram spans the colours seen near the shell, but its bins are never finer than the camera's noise: on a
grey table under a grey shell small steps are all there is to go by."""

MOST = 4.0
"""A single pixel's say is clipped to this many nats: glare and ink must not outvote their neighbours."""

GRAINS = 4
"""Levels of fine texture: print on paper, weave and tape tell themselves apart where their mean colours do not."""

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
        cell = ((points_mm - self.origin_mm) / self.patch_mm).astype(int)
        columns, rows = (np.clip(cell[..., i], 0, self.ratio.shape[1 - i] - 1) for i in (0, 1))
        return self.ratio[rows, columns, self.bins.index(lab_of(pixels, self.white))]


@dataclass(frozen=True, eq=False)
class Samples:
    """Colour counts (rows, columns, grain levels, bins) of both sides, and each pixel's patch, level and bin."""

    shell: Image
    table: Image
    bins: Bins
    cell: npt.NDArray[np.int64]
    index: Index

    def picture(self) -> Image:
        """How far each pixel of the view looks like shell, fine texture minded."""
        ratio = _ratio(_unsure_of_grain(self.shell), _unsure_of_grain(self.table))
        return np.asarray(ratio.reshape(-1, ratio.shape[-1])[self.cell, self.index], np.float32)

    def models(self, view: TableView, white: Image) -> ColourModels:
        ratio = _ratio(self.shell.sum(2), self.table.sum(2))
        return ColourModels(ratio, self.bins, np.asarray(view.flat.origin_mm), PATCH_MM, white)


def learn(view: TableView, shell: Mask, gap_mm: float) -> Samples:
    """Samples of both sides of ``shell``, at least ``gap_mm`` off its outline."""
    px = 1 / view.flat.mm_per_px
    inside, outside = erode(shell, gap_mm * px), view.free & ~grow(shell, gap_mm * px)
    rows, columns = ((np.arange(side) / (PATCH_MM * px)).astype(int) for side in shell.shape)
    shape = int(rows[-1]) + 1, int(columns[-1]) + 1
    grain = local_mean(view.grain, view.seen, 1.5 * px)
    level = np.digitize(grain, np.quantile(grain[inside | outside][::7], [0.25, 0.5, 0.75]))
    cell = (rows[:, None] * shape[1] + columns[None]) * GRAINS + level
    cells = *shape, GRAINS
    bins = Bins.spanning(view.lab[inside | outside])
    index = bins.index(view.lab)
    ours = _counts(cell[inside], index[inside], cells)
    theirs = np.float32(1 - sum(weight for _, weight in SHADE)) * _counts(cell[outside], index[outside], cells)
    for light, weight in SHADE:
        theirs += np.float32(weight) * _counts(cell[outside], bins.index(shaded(view.lab[outside], light)), cells)
    return Samples(ours, theirs, bins, cell, index)


def _ratio(ours: Image, theirs: Image) -> Image:
    return np.asarray(np.clip(np.log(_density(ours) / _density(theirs)), -MOST, MOST), np.float32)


def _unsure_of_grain(counts: Image, share: float = 0.5) -> Image:
    """Counts that let any colour come with any grain: beside the edge itself everything is rough."""
    return (1 - share) * counts + share * counts.mean(2, keepdims=True)


def _counts(patch: npt.NDArray[np.int64], index: Index, cells: tuple[int, ...]) -> Image:
    """Colour histograms (*cells, bins)."""
    size = int(np.prod(BINS))
    counts = np.bincount(patch * size + index, minlength=int(np.prod(cells)) * size)
    return counts.reshape(*cells, size).astype(np.float32)


def _density(counts: Image, enough: float = 400.0) -> Image:
    """Smooth densities (rows, columns, ..., bins) of every patch with its neighbours, summing to one over all but the
    first two axes; a patch with too little takes the whole picture's."""
    rest = tuple(range(2, counts.ndim))
    near = _spread(_spread(counts, 0, 1.0), 1, 1.0)
    near = np.where(near.sum(rest, keepdims=True) > enough, near, counts.sum((0, 1)))
    cube = near.reshape(-1, *BINS)
    for axis in (1, 2, 3):
        cube = _spread(cube, axis, 0.5)
    smooth = cube.reshape(counts.shape)
    return np.asarray(smooth / np.maximum(smooth.sum(rest, keepdims=True), 1.0) + 2e-5, np.float32)


def _spread(values: Image, axis: int, share: float) -> Image:
    """Each cell plus ``share`` of its two neighbours along an axis."""
    spread = values.copy()
    ahead = [slice(None)] * values.ndim
    behind = ahead.copy()
    ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
    spread[tuple(ahead)] += np.float32(share) * values[tuple(behind)]
    spread[tuple(behind)] += np.float32(share) * values[tuple(ahead)]
    return spread


def minimum_cut(ratio: Image, lab: Image, table: Mask, shell: Mask, stiffness: float) -> Mask:
    """The shell mask of least cost: each pixel pays its ratio for being on the wrong side, each pair of neighbours on
    different sides pays ``stiffness`` (nats) where the picture shows no edge between them, less where it does.

    OpenCV's graph cut is used with two fixed Gaussians of equal spread over a picture whose first channel is the
    ratio: the log ratio of equal Gaussians is linear in the value, so the cut sees exactly our ratio.
    """
    coded = np.clip(ratio / MOST * 127.5 + 127.5, 0, 255)
    guide = np.clip(lab[..., 0] * 2.2, 0, 255), np.clip(lab[..., 1] + lab[..., 2] + 128, 0, 255)
    picture = np.dstack([coded * 0.25, *guide]).astype(np.uint8)
    unit = 50 / stiffness  # OpenCV fixes the cost of a smooth pair at 50
    spread = (255 * 0.25) ** 2 / 2 / (MOST * unit)
    labels = np.where(ratio > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    labels[table], labels[shell] = cv2.GC_BGD, cv2.GC_FGD
    cv2.grabCut(
        picture, labels, None, _gaussian(0.0, spread), _gaussian(255 * 0.25, spread), 1, cv2.GC_EVAL_FREEZE_MODEL
    )
    return np.asarray((labels == cv2.GC_FGD) | (labels == cv2.GC_PR_FGD), bool)


def _gaussian(mean: float, spread: float) -> Array:
    """OpenCV's model vector (5 weights, 5 means, 5 covariances) holding one Gaussian along the first channel."""
    weights = [1.0, 0.0, 0.0, 0.0, 0.0]
    means = np.tile([mean, 128.0, 128.0], 5)
    covariances = np.tile(np.diag([spread, 1e6, 1e6]).ravel(), 5)
    return np.r_[weights, means, covariances][None].copy()


def cut_out(
    view: TableView, blob: Mask, white: Image, rounds: int = 2, stiffness: float = 3.0
) -> tuple[Mask, ColourModels]:
    """Refine a coarse ``blob`` (same shape as the view) to the shell's mask; the colour models come along."""
    px = 1 / view.flat.mm_per_px
    shell, core, gap_mm = blob, erode(blob, 25 * px), 6.0
    for _ in range(rounds):
        samples = learn(view, shell, gap_mm)
        far = ~grow(shell, 25 * px) | ~view.free
        cut = minimum_cut(samples.picture(), view.lab, far, core, stiffness)
        shell = without_fingers(bridged(cut, px), px)
        core, gap_mm = np.zeros_like(far), 3.0
    return shell, samples.models(view, white)


def without_fingers(shell: Mask, px: float, width_mm: float = 6.0) -> Mask:
    """The mask without thin arms longer than they are wide, such as the grey joints of a tiled table; the points of
    the shell's own corners stay."""
    plump = cv2.morphologyEx(shell.astype(np.uint8), cv2.MORPH_OPEN, disc(width_mm / 2 * px)).astype(bool)
    _, labels, stats, _ = cv2.connectedComponentsWithStats((shell & ~plump).astype(np.uint8), connectivity=4)
    short = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) < 1.2 * width_mm * px
    short[0] = False
    return _largest(plump | short[labels])


def bridged(shell: Mask, px: float, width_mm: float = 3.2) -> Mask:
    """The mask with thin gaps closed: a marker stroke that runs to the edge may look like table and must not become a
    cut. Narrow cuts, and the thin ends of wide ones, are followed later."""
    padded = np.pad(shell.astype(np.uint8), 8)
    return np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disc(width_mm / 2 * px))[8:-8, 8:-8] > 0, bool)


def _largest(mask: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    if count < 2:
        return mask
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), bool)
