"""Where on the table does the shell lie, to within its darts?

The table is learned from the picture itself. Several plain maps (lightness, colour, texture, strangeness against the
picture's rim) are cut at many levels; every blob so found is a candidate, and the one that stands apart from the table
all along its outline wins. No single map serves every table: a grey table needs lightness or texture, a checked cloth
needs colour averaged over its checks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.cluster.vq import kmeans2

from extract.doors import Array, Mask
from extract.ink.shell_view import Image, TableView, disc, erode, grow, local_mean

LEVELS = 12
"""Cuts through each map: neighbouring cuts then differ by less than the step from shell to any table seen so far."""

SMALLEST_MM2 = 4000.0
"""Smaller grey things are tape rolls, coins and pens; the smallest panel worth cutting has half of that."""


HOPELESS = 0.25
"""A blob whose score cannot rise above this, whatever else is looked at, is looked at no further."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """One blob, its score (0 to 1), the score it would have had the picture gone on past its rim, and the length along
    which it lies against that rim."""

    blob: Mask
    score: float
    score_if_whole: float
    touching_mm: float


@dataclass(frozen=True, eq=False)
class Features:
    """What each coarse pixel looks like: ``near`` and ``wide`` mean Lab, ``rough`` spread of lightness over a
    centimetre, ``grain`` mean fine texture; ``stack`` all of it (H, W, 7)."""

    near: Image
    wide: Image
    rough: Image
    grain: Image
    stack: Image


GRAIN_SCALE = 10.0
"""Lab units that a factor e of fine texture counts for."""


def coarse_features(view: TableView) -> Features:
    px = 1 / view.flat.mm_per_px
    lightness = view.lab[..., 0]
    mean = local_mean(lightness, view.free, 9 * px)
    rough = np.sqrt(np.maximum(local_mean(lightness**2, view.free, 9 * px) - mean**2, 0))
    near, wide = (local_mean(view.lab, view.free, sd * px) for sd in (4, 12))
    grain = GRAIN_SCALE * local_mean(view.grain, view.free, 6 * px)
    return Features(near, wide, rough, grain, np.dstack([near, wide[..., 1:], rough, grain]))


def chroma(lab: Image) -> Image:
    return np.hypot(lab[..., 1], lab[..., 2])


def evened(lightness: Image, free: Mask) -> Image:
    """Lightness against a smooth fall of light over the table (quadratic in log lightness, fitted so that up to half
    the picture may disagree)."""
    height, width = lightness.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = x / width - 0.5, y / height - 0.5
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    log = np.log(np.maximum(lightness, 3.0))
    rows, values = basis[free][::5], log[free][::5]
    weight = np.ones(len(values), np.float32)
    for _ in range(8):
        fit = np.linalg.lstsq(rows * weight[:, None], values * weight, rcond=None)[0]
        rest = values - rows @ fit
        spread = 1.5 * 1.48 * np.median(np.abs(rest)) + 1e-3
        weight = 1 / (1 + (rest / spread) ** 2)
    return np.asarray(log - basis @ fit, np.float32)


def strangeness(stack: Image, view: TableView, groups: int = 6) -> Image:
    """How unlike the picture's rim a pixel is: distance to the nearest of ``groups`` clusters of rim pixels."""
    rim = view.free & ~erode(view.seen, 40 / view.flat.mm_per_px)
    sample = stack[rim][:: max(1, int(rim.sum()) // 3000)]
    if len(sample) < 20 * groups:
        return np.zeros(stack.shape[:2], np.float32)
    _, label = kmeans2(sample / (sample.std(0) + 1.5), groups, seed=1, minit="++", missing="warn")
    nearest = np.full(stack.shape[:2], np.inf, np.float32)
    for group in range(groups):
        members = sample[label == group]
        if len(members) >= 20:
            cov = np.cov(members.T) + 2 * np.eye(stack.shape[-1])
            off = stack - members.mean(0)
            far = np.einsum("...i,ij,...j", off, np.linalg.inv(cov), off) + np.linalg.slogdet(cov)[1]
            nearest = np.minimum(nearest, far)
    return np.sqrt(np.maximum(nearest - nearest[view.free].min(), 0)).astype(np.float32)


def blobs(view: TableView, features: Features) -> Iterator[Mask]:
    """Every blob of the right size that a cut through one of the maps gives, holes filled, near-copies left out."""
    maps = (
        features.near[..., 0],
        evened(features.wide[..., 0], view.free),
        chroma(features.near),
        chroma(features.wide),
        features.rough,
        features.grain,
        strangeness(features.stack, view),
    )
    known: set[tuple[int, ...]] = set()
    for values in maps:
        low, high = np.percentile(values[view.free], [2, 98])
        for level in np.linspace(low, high, LEVELS)[1:-1]:
            for above in (True, False):
                cut = ((values > level) == above) & view.free
                yield from _parts(cut, view, known)


def _parts(cut: Mask, view: TableView, known: set[tuple[int, ...]]) -> Iterator[Mask]:
    pixel_mm2 = view.flat.mm_per_px**2
    opened = cv2.morphologyEx(cut.astype(np.uint8), cv2.MORPH_OPEN, disc(6 / view.flat.mm_per_px))
    count, labels, stats, centres = cv2.connectedComponentsWithStats(opened, connectivity=4)
    for index in range(1, count):
        area = stats[index, cv2.CC_STAT_AREA]
        if area * pixel_mm2 >= SMALLEST_MM2 and area <= 0.7 * view.free.sum():
            key = (round(float(np.sqrt(area))), *np.round(centres[index]).astype(int).tolist())
            if key not in known:
                known.add(key)
                yield _filled(labels == index)


def _filled(blob: Mask) -> Mask:
    contours, _ = cv2.findContours(blob.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros(blob.shape, np.uint8), contours, -1, 1, cv2.FILLED).astype(bool)


def judge(blob: Mask, view: TableView, features: Features) -> Candidate:
    """Score a blob: contrast along its outline, apartness from the rest of the table, a shell's greyness, size and
    plain shape, and not lying against the picture's rim or on cards."""
    area = float(blob.sum()) * view.flat.mm_per_px**2
    if area < SMALLEST_MM2 or (view.cards & blob).sum() > 0.03 * blob.sum():
        return Candidate(blob, 0.0, 0.0, 0.0)
    plain = np.clip(_solidity(blob) - 0.3, 0, 0.5) * 2
    grey = 1 / (1 + (float(np.median(chroma(features.near)[blob])) / 14) ** 4)
    plausible = float(plain * grey * area / (area + 2e4))
    if plausible < HOPELESS:
        return Candidate(blob, 0.0, 0.0, 0.0)
    step = edge_contrast(blob, view)
    seen = step / (step + 8)  # half way at 8 Lab units, about what an eye calls a clear edge
    contrast = 0.5 * float(seen.mean()) + 0.5 * float(np.percentile(seen, 15))
    touching = float((grow(blob, 1) & ~view.seen).sum()) * view.flat.mm_per_px
    if contrast * plausible < HOPELESS:
        return Candidate(blob, 0.0, 0.0, 0.0)
    score = float(contrast * _apartness(blob, view, features.stack) * plausible)
    return Candidate(blob, score * float(np.exp(-touching / 60)), score, touching)


def edge_contrast(blob: Mask, view: TableView, reach_mm: float = 12.0) -> Array:
    """Distance in Lab and texture between the blob's inside and the table outside, at each of its outline pixels."""
    sd = reach_mm / view.flat.mm_per_px
    rows, columns = (np.flatnonzero(blob.any(axis)) for axis in (1, 0))
    rim = round(3 * sd)
    here = tuple(slice(max(0, int(at[0]) - rim), int(at[-1]) + rim) for at in (rows, columns))
    blob, free = blob[here], view.free[here]
    look = np.dstack([view.lab[here], GRAIN_SCALE * view.grain[here]])
    inner = local_mean(look, erode(blob, 1), sd)
    outer = local_mean(look, free & ~grow(blob, 1), sd)
    outline = blob & ~erode(blob, 1)
    return np.linalg.norm((inner - outer)[outline], axis=-1)


def _solidity(blob: Mask) -> float:
    contours, _ = cv2.findContours(blob.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(contours, key=len))
    return float(blob.sum()) / max(float(cv2.contourArea(hull)), 1.0)


def _apartness(blob: Mask, view: TableView, stack: Image) -> float:
    """Youden's index of the best linear rule (Fisher's discriminant) that tells the blob from the rest."""
    inside, outside = (few(stack[side]) for side in (blob, view.free & ~blob))
    if len(outside) < 30:
        return 0.0
    spread = np.cov(inside.T) + 0.5 * np.cov(outside.T) + np.eye(inside.shape[1])
    rule = np.linalg.solve(spread, inside.mean(0) - outside.mean(0))
    ours, theirs = np.sort(inside @ rule), np.sort(outside @ rule)
    low, high = np.percentile(np.r_[ours, theirs], [1, 99])
    cuts = np.linspace(low, high, 30)
    gap = np.searchsorted(ours, cuts) / len(ours) - np.searchsorted(theirs, cuts) / len(theirs)
    return float(np.abs(gap).max())


def few(rows: Image, most: int = 600) -> Image:
    """Every so many rows, so that about ``most`` stay: enough for a covariance of seven features."""
    return rows[:: max(1, len(rows) // most)]


def candidates(view: TableView) -> list[Candidate]:
    """All blobs on the table, most shell-like first."""
    features = coarse_features(view)
    return sorted((judge(blob, view, features) for blob in blobs(view, features)), key=lambda c: -c.score)
