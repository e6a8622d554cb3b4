"""How far each pixel looks like this very table: colour and texture statistics of the picture's rim."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Mask
from extract.ink.shell_view import Image

COLOUR_STEP = 2.5
COLOUR_BINS = (40, 24, 24)
"""Lab units, just noticeable ones; the outermost bins are open."""

CHROMA_STEP = 2.0
CHROMA_BINS = (24, 24, 12)
"""Greyness and texture without lightness, for table in another light: a, b, and half octaves of local contrast."""

TEXTURE_PX = 7
RAREST = 1e-4
"""A colour this much rarer than the table's commonest is as strange as any."""


def table_likeness(value: Image, sample: Mask) -> tuple[Image, Image]:
    """Two maps (H, W), 1 for what the table shows most, -1 for what it never shows; first by colour, then by
    greyness and texture. ``value`` (H, W, 3) BGR from 0 to 1; ``sample`` marks pixels that are table for certain."""
    lab = cv2.cvtColor(value, cv2.COLOR_BGR2Lab)
    lightness, a, b = cv2.split(lab)
    mean = cv2.blur(lightness, (TEXTURE_PX, TEXTURE_PX))
    spread = cv2.sqrBoxFilter(lightness, -1, (TEXTURE_PX, TEXTURE_PX)) - mean * mean
    texture = cv2.log(np.sqrt(np.maximum(spread, 0)) + np.float32(0.25)) * np.float32(2 / np.log(2)) + 4
    plain = [lightness / COLOUR_STEP, centred(a, COLOUR_STEP, 24), centred(b, COLOUR_STEP, 24)]
    grey = [centred(a, CHROMA_STEP, 24), centred(b, CHROMA_STEP, 24), texture]
    return commonness(plain, COLOUR_BINS, sample), commonness(grey, CHROMA_BINS, sample)


def centred(channel: Image, step: float, bins: int) -> Image:
    """Bins, still with their fraction, of a channel about nought."""
    return channel / np.float32(step) + np.float32(bins / 2)


def commonness(channels: list[Image], bins: tuple[int, ...], sample: Mask) -> Image:
    """How common (H, W) each pixel's bin is in the sample, from 1 for the commonest to -1 for what never occurs."""
    index: npt.NDArray[np.int32] = np.zeros(sample.shape, np.int32)
    for channel, count in zip(channels, bins, strict=True):
        index = index * count + np.clip(channel, 0, count - 1).astype(np.int32)
    counts = np.bincount(index[sample], minlength=int(np.prod(bins))).astype(np.float32).reshape(bins)
    for axis in range(len(bins)):
        counts = counts + 0.5 * (_moved(counts, axis, 1) + _moved(counts, axis, -1))
    common = 1 + np.log10(counts / max(float(counts.max()), 1.0) + RAREST) / 2
    return np.asarray(common.ravel()[index], np.float32)


def _moved(counts: Image, axis: int, by: int) -> Image:
    """The cells shifted along an axis, nothing coming in at the end."""
    moved = np.roll(counts, by, axis)
    end = [slice(None)] * counts.ndim
    end[axis] = slice(0, 1) if by > 0 else slice(-1, None)
    moved[tuple(end)] = 0
    return moved
