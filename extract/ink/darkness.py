"""How much darker than its surroundings the shell is at each point, and where that makes a ridge.

Marker ink multiplies the light that the tape sends back, so ink is read as a ratio to the tape around it: uneven light
falls out. Ridges are found at one scale, that of a marker tip; tape edges and scratches are narrower and respond less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array, FlatView, Mask, Silhouette

Image = npt.NDArray[np.float32]

BACKGROUND_STEP_MM = 1.0
BACKGROUND_WINDOW = 15
"""Median window in steps: 15 mm holds at most a third of ink where two strokes of 2.5 mm cross, so it is tape."""
DARK_FLOOR = 4.0
"""Grey levels added before taking ratios, so that sensor noise in deep shade does not pass for ink."""
RIDGE_SIGMA_MM = 0.6
"""Steger 1998 asks for sigma of at least half the width over sqrt 3: 0.6 mm serves strokes up to 2.1 mm."""
SOFTEN_MM = 0.2
SAMPLE_ROW = 1024
"""OpenCV's remap takes at most 32,767 rows, so long lists of points go in as rows of this many."""


_LOG = np.log(np.arange(256, dtype=np.float32) + DARK_FLOOR)


@dataclass(frozen=True, eq=False)
class InkField:
    """Rasters of the flat view's size. ``ratio`` (H, W, 3) is ln(tape / pixel) in B, G, R; ``dark`` its largest channel
    softened to the ridge scale; ``ridge`` the ridge strength (0 outside the shell); ``inside`` the shell."""

    ratio: Image
    dark: Image
    ridge: Image
    inside: Mask
    mm_per_px: float


def ink_field(flat: FlatView, silhouette: Silhouette) -> InkField:
    """Reads relative darkness and ridge strength inside the silhouette."""
    inside = shell_mask(flat, silhouette)
    ratio = _tape_over_pixel(flat.pixels, inside, flat.mm_per_px)
    dark = cv2.GaussianBlur(strongest(ratio), (0, 0), RIDGE_SIGMA_MM / flat.mm_per_px)
    ridge = _ridge_strength(dark, RIDGE_SIGMA_MM / flat.mm_per_px)
    ridge[~inside] = 0
    return InkField(ratio, dark, ridge, inside, flat.mm_per_px)


def unmixed(field: InkField, inks: Sequence[Array], index: int) -> InkField:
    """The field as if but one of the ``inks``, absorptions ln(tape / ink) in B, G, R, had been drawn.

    Inks over one another absorb one after the other, so their logarithms add up (Beer and Lambert's law), and least
    squares tells how much of each lies at a pixel.
    """
    row = np.linalg.pinv(np.stack(inks, axis=1)).astype(np.float32)[index]
    amount = cv2.transform(field.ratio, row[None])
    cv2.max(amount, 0, dst=amount)
    ratio = np.asarray(cv2.transform(amount, inks[index][:, None]), np.float32)
    sigma_px = RIDGE_SIGMA_MM / field.mm_per_px
    dark = cv2.GaussianBlur(amount * np.float32(inks[index].max()), (0, 0), sigma_px)
    ridge = _ridge_strength(dark, sigma_px)
    ridge[~field.inside] = 0
    return InkField(ratio, dark, ridge, field.inside, field.mm_per_px)


def shell_mask(flat: FlatView, silhouette: Silhouette) -> Mask:
    """Pixels of the flat view inside the silhouette's rings."""
    mask = np.zeros(flat.pixels.shape[:2], np.uint8)
    rings = [np.round(flat.px_from_mm(ring) * 16).astype(np.int32) for ring in silhouette.rings_mm]
    cv2.fillPoly(mask, rings, 1, shift=4)
    return mask.astype(bool)


def _tape_over_pixel(pixels: npt.NDArray[np.uint8], inside: Mask, mm_per_px: float) -> Image:
    """ln(tape / pixel) for each channel. Outside the shell the nearest shell pixel stands in, so that the cut edge
    makes no ridge and strokes run out over it."""
    soft = cv2.GaussianBlur(pixels, (0, 0), SOFTEN_MM / mm_per_px)
    core = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    soft = _spread_outwards(soft, core)
    tape = _log_tape(soft, mm_per_px)
    return np.asarray(cv2.subtract(tape, cv2.LUT(soft, _LOG), dst=tape), np.float32)


def _spread_outwards(pixels: npt.NDArray[np.uint8], core: Mask) -> npt.NDArray[np.uint8]:
    _, labels = cv2.distanceTransformWithLabels(
        (~core).astype(np.uint8), cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL
    )
    packed = cv2.cvtColor(pixels, cv2.COLOR_BGR2BGRA).view(np.uint32)[..., 0]  # one number a pixel moves at once
    colours = np.zeros(int(labels.max()) + 1, np.uint32)
    colours[labels[core]] = packed[core]
    return np.asarray(cv2.cvtColor(colours[labels][..., None].view(np.uint8), cv2.COLOR_BGRA2BGR), np.uint8)


def _log_tape(soft: npt.NDArray[np.uint8], mm_per_px: float) -> Image:
    height, width = soft.shape[:2]
    step = max(1, round(BACKGROUND_STEP_MM / mm_per_px))
    small = cv2.resize(soft, (max(1, width // step), max(1, height // step)), interpolation=cv2.INTER_AREA)
    level = cv2.merge([cv2.medianBlur(np.ascontiguousarray(small[..., c]), BACKGROUND_WINDOW) for c in range(3)])
    level = cv2.GaussianBlur(level.astype(np.float32), (0, 0), 2)
    return np.asarray(
        cv2.resize(np.log(level + DARK_FLOOR), (width, height), interpolation=cv2.INTER_LINEAR), np.float32
    )


def strongest(ratio: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The largest of the three channels in the last axis; far quicker than a reduction over so short an axis."""
    return np.maximum(np.maximum(ratio[..., 0], ratio[..., 1]), ratio[..., 2])


def _ridge_strength(dark: Image, sigma_px: float) -> Image:
    """Largest eigenvalue of the negated Hessian, times sigma² so that it has no scale (Lindeberg 1998)."""
    scale = sigma_px**2 / 4  # kernels of three weigh a second derivative in 1/px² fourfold
    xx, xy, yy = (cv2.Sobel(dark, cv2.CV_32F, *order, ksize=3, scale=scale) for order in ((2, 0), (1, 1), (0, 2)))
    ridge = cv2.magnitude(cv2.addWeighted(xx, 0.5, yy, -0.5, 0), xy)
    cv2.addWeighted(ridge, 1, cv2.add(xx, yy, dst=xx), -0.5, 0, dst=ridge)
    return np.asarray(cv2.max(ridge, 0, dst=ridge), np.float32)


def sample(raster: Image, points_px: Array) -> Array:
    """Bilinear values of a raster at (N, 2) points, edges held: (N,) or (N, C)."""
    return sampled(raster, points_px).astype(float)


def sampled(raster: Image, points_px: Array) -> Image:
    """``sample`` in the raster's own precision, for many points at once."""
    points = np.asarray(points_px, np.float32).reshape(-1, 2)
    rows = -(-len(points) // SAMPLE_ROW)
    at = np.resize(points, (rows, SAMPLE_ROW, 2)) if rows else points.reshape(0, 1, 2)
    found = cv2.remap(raster, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, np.float32).reshape(-1, *raster.shape[2:])[: len(points)]
