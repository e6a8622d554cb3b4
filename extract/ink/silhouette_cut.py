"""The shell cut out of its table to about a millimetre: local colour models and a graph cut.

In every patch of the table two colour histograms are kept, one of what lies well inside the blob and one of what lies
well outside; their ratio says for each pixel which side it resembles. A minimum cut then places the outline where the
ratio changes sign and the picture has an edge, and the histograms are taken again from the cut.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array, Mask
from extract.ink.shell_view import Image, TableView, erode, grow

PATCH_MM = 40.0
"""Light changes little over a patch this size, and it still holds a thousand pixels of either side."""

REACH_MM = 60.0
"""Samples come from this far around a patch's centre, so that a checked cloth shows all its colours."""

BINS = (24, 24, 24)
LAB_LOW = np.array([0.0, -48.0, -48.0], np.float32)
LAB_STEP = np.array([4.5, 4.0, 4.0], np.float32)
"""Histogram of Lab: bins about as wide as the camera's noise; colours past the range go to the last bin."""

MOST = 4.0
"""A single pixel's say is clipped to this many nats: glare and ink must not outvote their neighbours."""

SHADE = ((0.8, 0.06), (0.6, 0.05), (0.4, 0.04))
"""Table in shadow, as (light, weight): shadows beside the edge are too narrow to be sampled themselves."""


def bin_index(lab: Image) -> npt.NDArray[np.int32]:
    """Flat histogram bin of each pixel."""
    cells = np.clip((lab - LAB_LOW) / LAB_STEP, 0, np.array(BINS, np.float32) - 1).astype(np.int32)
    return np.asarray((cells[..., 0] * BINS[1] + cells[..., 1]) * BINS[2] + cells[..., 2], np.int32)


def shaded_index(lab: Image, light: float) -> npt.NDArray[np.int32]:
    """Bins of the same surface under ``light`` times the light: L* goes with the cube root, colour with it."""
    scale = np.float32(light ** (1 / 3))
    darker = lab * scale
    darker[..., 0] = (lab[..., 0] + 16) * scale - 16
    return bin_index(darker)


def _density(index: npt.NDArray[np.int32], weights: Array | None = None) -> Image:
    counts = np.bincount(index, weights, minlength=int(np.prod(BINS))).astype(np.float32).reshape(BINS)
    for axis in range(3):
        counts = 0.5 * counts + 0.25 * (np.roll(counts, 1, axis) + np.roll(counts, -1, axis))
    flat = counts.ravel()
    return np.asarray(flat / max(float(flat.sum()), 1.0) + 2e-5, np.float32)


def likeness(view: TableView, shell: Mask, gap_mm: float) -> Image:
    """log p(colour | shell) - log p(colour | table) for each pixel, clipped; samples stay ``gap_mm`` off the outline
    of ``shell``. Patches without one of the sides take its word from the whole picture."""
    px = 1 / view.flat.mm_per_px
    inside, outside = erode(shell, gap_mm * px), view.free & ~grow(shell, gap_mm * px)
    lab = view.raw_lab
    plain = bin_index(lab)
    shaded = [(shaded_index(lab, light), weight) for light, weight in SHADE]
    ratio = np.zeros(plain.shape, np.float32)
    patch, reach = round(PATCH_MM * px), round(REACH_MM * px)
    general = _models(plain, shaded, inside, outside, slice(None), slice(None))
    height, width = plain.shape
    for top in range(0, height, patch):
        for left in range(0, width, patch):
            centre = top + patch // 2, left + patch // 2
            rows, columns = (slice(max(0, c - reach), c + reach) for c in centre)
            here = slice(top, top + patch), slice(left, left + patch)
            ours, theirs = _models(plain, shaded, inside, outside, rows, columns, general)
            ratio[here] = np.log(ours / theirs)[plain[here]]
    return np.clip(ratio, -MOST, MOST)


def _models(
    plain: npt.NDArray[np.int32],
    shaded: list[tuple[npt.NDArray[np.int32], float]],
    inside: Mask,
    outside: Mask,
    rows: slice,
    columns: slice,
    general: tuple[Image, Image] | None = None,
) -> tuple[Image, Image]:
    ours, theirs = inside[rows, columns], outside[rows, columns]
    index = plain[rows, columns]
    enough = 400
    shell = _density(index[ours]) if general is None or ours.sum() > enough else general[0]
    if general is not None and theirs.sum() <= enough:
        return shell, general[1]
    share = 1 - sum(weight for _, weight in shaded)
    table = share * _density(index[theirs])
    for dark, weight in shaded:
        table = table + weight * _density(dark[rows, columns][theirs])
    return shell, table


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


def cut_out(view: TableView, blob: Mask, rounds: int = 2, stiffness: float = 3.0) -> Mask:
    """Refine a coarse ``blob`` (same shape as the view) to the shell's mask."""
    shell = blob
    px = 1 / view.flat.mm_per_px
    far = ~grow(blob, 25 * px) | ~view.free
    for turn in range(rounds):
        ratio = likeness(view, shell, 6.0 if turn == 0 else 3.0)
        core = erode(blob, 25 * px) if turn == 0 else np.zeros_like(blob)
        shell = _largest(minimum_cut(ratio, view.raw_lab, far, core, stiffness))
    return shell


def _largest(mask: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    if count < 2:
        return mask
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), bool)
