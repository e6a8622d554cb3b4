"""What tells the shell from its table by tint alone: the balance of blue, green and red, however light or dark.

Tape and table may be equally grey, and creases, shine and shadow make both lighter and darker, yet hardly ever is their
tint the same. The difference is small beside the camera's noise, so it is judged over about two millimetres. As with
all colours, each patch of the table keeps two histograms, of what is known to be shell and of what is known to be
table.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate1d, gaussian_filter1d

from extract.doors import FlatView, Mask
from extract.ink.shell_view import Image
from extract.ink.silhouette_table import centred, commonness

WITHIN_MM = 1.0
"""Sd of the blur before the ratios are taken."""

DARK = 0.02
"""Light added to every colour, of 1: what is nearly black has no tint."""

STEP, TABLE_BINS = 0.006, (48, 48)
STRONG = 0.12
"""What the network is told: bins of tint about the table's, and a difference that is as clear as any."""

SURE, INK = 3.0, ((WITHIN_MM, 0.12), (0.5, 0.2))
"""Log odds that tell the sides well enough, and how far from the tints of both that of an ink lies: seen broadly, and
sharper, where the camera's noise is stronger but a thin line is not washed out by what lies beside it."""

PATCH_MM = 40.0

BINS, FINEST = 40, 0.004
"""No tint is known better: half a step of an 8-bit picture in its mid-tones, averaged."""

FEW = 400.0
"""Known pixels under which the whole picture's histogram counts for more than the patch's."""

UNSEEN = 2e-4
"""Share of a tint never seen."""

MOST = 3.0


def tint(value: Image, mm_per_px: float, within_mm: float = WITHIN_MM) -> tuple[Image, Image]:
    """Natural logarithms (H, W) of blue over green and of red over green, of sRGB values 0 to 1 (H, W, 3)."""
    light = cv2.pow(value, 2.2)
    blue, green, red = cv2.split(cv2.GaussianBlur(light, (0, 0), within_mm / mm_per_px) + np.float32(DARK))
    return np.asarray(cv2.log(blue / green), np.float32), np.asarray(cv2.log(red / green), np.float32)


def tint_likeness(value: Image, sample: Mask, mm_per_px: float) -> tuple[Image, Image, Image]:
    """Three maps (H, W): how common each pixel's tint is on the table, as ``table_likeness`` has it, and how much bluer
    and redder (each beside green) it is than the table's median, -1 to 1 for a strong tint either way; ``sample`` marks
    pixels that are table for certain."""
    off = [ratio - np.float32(np.median(ratio[sample]) if sample.any() else 0) for ratio in tint(value, mm_per_px)]
    bins = [centred(one, STEP, count) for one, count in zip(off, TABLE_BINS, strict=True)]
    bluer, redder = (np.clip(one / np.float32(STRONG), -1, 1) for one in off)
    return commonness(bins, TABLE_BINS, sample), bluer, redder


def inked(flat: FlatView, odds: Image) -> Mask:
    """Where the tint is neither shell's nor table's, both told by log ``odds`` (H, W), nor between them as in a narrow
    cut: ink of another colour, which may look unlike any tape."""
    return strange(flat, (odds > SURE, odds < -SURE))


def strange(flat: FlatView, sides: Sequence[Mask]) -> Mask:
    """Where the tint is neither that of one of the ``sides`` (masks of the view) nor between them; nowhere if one of
    them is empty."""
    samples = [np.flatnonzero(side)[::7] for side in sides]
    out = np.zeros(flat.valid.shape, bool)
    if not all(map(len, samples)):
        return out
    value = flat.pixels.astype(np.float32) / np.float32(255)
    for within_mm, apart in INK:
        for ratio in tint(value, flat.mm_per_px, within_mm):
            usual = np.array([np.percentile(ratio.ravel()[sample], [5, 95]) for sample in samples])
            out |= (ratio < usual.min() - apart) | (ratio > usual.max() + apart)
    return out


def tint_word(flat: FlatView, shell: Mask, table: Mask) -> Image:
    """Log odds (H, W), clipped, of shell by the tint of each pixel, learned from where ``shell`` and ``table`` are
    known (masks of the view)."""
    if not shell.any() or not table.any():
        return np.zeros(shell.shape, np.float32)
    seen = np.dstack(tint(flat.pixels.astype(np.float32) / np.float32(255), flat.mm_per_px))
    low, high = np.percentile(seen[shell | table][::7], [0.5, 99.5], axis=0).astype(np.float32)
    step = np.maximum((high - low) / BINS, np.float32(FINEST))
    cells = np.clip((seen - ((low + high - BINS * step) / 2)) / step, 0, BINS - 1).astype(np.int32)
    rows, columns = ((np.arange(side) * flat.mm_per_px / PATCH_MM).astype(np.int32) for side in shell.shape)
    patch = rows[:, None] * (columns[-1] + 1) + columns
    index = (patch * BINS + cells[..., 0]) * BINS + cells[..., 1]
    shape = int(rows[-1]) + 1, int(columns[-1]) + 1, BINS, BINS
    word = np.log(_density(index[shell], shape) / _density(index[table], shape))
    return np.asarray(np.clip(word, -MOST, MOST).ravel()[index], np.float32)


def _density(index: npt.NDArray[np.int32], shape: tuple[int, ...]) -> Image:
    """Smooth histograms (rows, columns, BINS, BINS) of every patch with its neighbours."""
    counts = np.bincount(index, minlength=int(np.prod(shape))).astype(np.float32).reshape(shape)
    whole = counts.sum((0, 1))
    for axis in (0, 1):
        counts = correlate1d(counts, np.ones(3), axis, mode="constant")
    counts += np.float32(FEW) * whole / max(float(whole.sum()), 1.0)
    for axis in (2, 3):
        counts = gaussian_filter1d(counts, 1.0, axis, mode="constant")
    return np.asarray(counts / counts.sum((2, 3), keepdims=True) + np.float32(UNSEEN), np.float32)
