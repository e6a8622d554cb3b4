"""Where on the table does the shell lie, to within its darts?

The table is learned from the picture itself. Several plain maps (lightness, colour, texture, strangeness against the
picture's rim) are cut at many levels; every blob so found is a candidate, and the one that stands apart from the table
all along its outline wins. No single map serves every table: a grey table needs lightness or texture, a checked cloth
needs colour averaged over its checks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
import numpy.typing as npt
from scipy.cluster.vq import kmeans2

from extract.doors import Array, Mask
from extract.ink.shell_view import Image, TableView, disc, erode, grow, local_mean

Scalar = TypeVar("Scalar", bound=np.generic)

LEVELS = 12
"""Cuts through each map: neighbouring cuts then differ by less than the step from shell to any table seen so far."""

SMALLEST_MM2 = 4000.0
"""Smaller grey things are tape rolls, coins and pens; the smallest panel worth cutting has half of that."""


BESIDE_MM = 12.0
"""The two sides of a blob's outline are compared over so much of them (sd)."""

MOST_ON_CARDS = 0.03
"""Share of a blob that may lie on cards."""

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
    """What each coarse pixel looks like: ``near`` and ``wide`` mean Lab, ``colour`` the chroma of ``near``, ``rough``
    spread of lightness over a centimetre, ``grain`` mean fine texture; ``stack`` all of it (H, W, 7)."""

    near: Image
    wide: Image
    colour: Image
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
    return Features(near, wide, chroma(near), rough, grain, np.dstack([near, wide[..., 1:], rough, grain]))


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


@dataclass(frozen=True, eq=False)
class Blob:
    """A blob without holes: ``mask`` (h, w) in the window ``here`` of the view, which leaves room for its
    surroundings; ``solidity`` its share of its convex hull."""

    mask: Mask
    here: tuple[slice, slice]
    solidity: float


def blobs(view: TableView, features: Features) -> Iterator[Blob]:
    """Every blob of the right size that a cut through one of the maps gives, holes filled, near-copies left out."""
    free = view.free
    maps = (
        features.near[..., 0],
        evened(features.wide[..., 0], free),
        features.colour,
        chroma(features.wide),
        features.rough,
        features.grain,
        strangeness(features.stack, view),
    )
    known: set[tuple[int, ...]] = set()
    for values in maps:
        low, high = np.percentile(values[free], [2, 98])
        for level in np.linspace(low, high, LEVELS)[1:-1]:
            for above in (True, False):
                cut = ((values > level) == above) & free
                yield from _parts(cut, view.flat.mm_per_px, 0.7 * float(free.sum()), known)


def _parts(cut: Mask, mm_per_px: float, most: float, known: set[tuple[int, ...]]) -> Iterator[Blob]:
    opened = cv2.morphologyEx(cut.astype(np.uint8), cv2.MORPH_OPEN, disc(6 / mm_per_px))
    count, labels, stats, centres = cv2.connectedComponentsWithStats(opened, connectivity=4)
    for index in range(1, count):
        area = stats[index, cv2.CC_STAT_AREA]
        if SMALLEST_MM2 / mm_per_px**2 <= area <= most:
            key = (round(float(np.sqrt(area))), *np.round(centres[index]).astype(int).tolist())
            if key not in known:
                known.add(key)
                yield _filled(labels, index, stats[index], round(3 * BESIDE_MM / mm_per_px))


def _filled(labels: npt.NDArray[np.int32], index: int, stats: npt.NDArray[np.int32], room: int) -> Blob:
    x, y, width, height = (int(n) for n in stats[:4])
    here = slice(max(0, y - room), y + height + room), slice(max(0, x - room), x + width + room)
    part = (labels[here] == index).astype(np.uint8)
    contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    mask = cv2.drawContours(np.zeros_like(part), contours, -1, 1, cv2.FILLED).astype(bool)
    hull = cv2.convexHull(max(contours, key=len))
    return Blob(mask, here, float(mask.sum()) / max(float(cv2.contourArea(hull)), 1.0))


def plausibility(blob: Blob, view: TableView, features: Features) -> float:
    """How much like a shell a blob is in size, plain shape and greyness, from 0 to 1."""
    count = int(blob.mask.sum())
    if (view.cards[blob.here] & blob.mask).sum() > MOST_ON_CARDS * count:
        return 0.0
    area = count * view.flat.mm_per_px**2
    plain = np.clip(blob.solidity - 0.3, 0, 0.5) * 2
    grey = 1 / (1 + (float(np.median(few(features.colour[blob.here][blob.mask]))) / 14) ** 4)
    return float(plain * grey * area / (area + 2e4))


def judge(
    blob: Blob, plausible: float, view: TableView, features: Features, free: Mask, beaten: float
) -> Candidate | None:
    """Score a plausible blob: contrast along its outline, apartness from the rest of the table, and not lying against
    the picture's rim. None where its score can be no higher than ``beaten``."""
    step = edge_contrast(blob, view, free)
    seen = step / (step + 8)  # half way at 8 Lab units, about what an eye calls a clear edge
    lowest = len(seen) * 15 // 100
    contrast = 0.5 * float(seen.mean()) + 0.5 * float(np.partition(seen, lowest)[lowest])
    if contrast * plausible < max(HOPELESS, beaten):
        return None
    whole = np.zeros(free.shape, bool)
    whole[blob.here] = blob.mask
    touching = float((grow(blob.mask, 1) & ~view.seen[blob.here]).sum()) * view.flat.mm_per_px
    score = float(contrast * _apartness(whole, free, features.stack) * plausible)
    return Candidate(whole, score * float(np.exp(-touching / 60)), score, touching)


def edge_contrast(blob: Blob, view: TableView, free: Mask) -> Array:
    """Distance in Lab and texture between the blob's inside and the table outside, at each of its outline pixels."""
    look = np.dstack([view.lab[blob.here], GRAIN_SCALE * view.grain[blob.here]])
    core, sd = erode(blob.mask, 1), BESIDE_MM / view.flat.mm_per_px
    outline = blob.mask & ~core
    inner = local_mean(look, core, sd)[outline]
    outer = local_mean(look, free[blob.here] & ~grow(blob.mask, 1), sd)[outline]
    return np.asarray(np.linalg.norm(inner - outer, axis=-1), float)


def _apartness(blob: Mask, free: Mask, stack: Image) -> float:
    """Youden's index of the best linear rule (Fisher's discriminant) that tells the blob from the rest."""
    inside, outside = (stack.reshape(-1, stack.shape[-1])[few(np.flatnonzero(side))] for side in (blob, free & ~blob))
    if len(outside) < 30:
        return 0.0
    spread = np.cov(inside.T) + 0.5 * np.cov(outside.T) + np.eye(inside.shape[1])
    rule = np.linalg.solve(spread, inside.mean(0) - outside.mean(0))
    ours, theirs = np.sort(inside @ rule), np.sort(outside @ rule)
    low, high = np.percentile(np.r_[ours, theirs], [1, 99])
    cuts = np.linspace(low, high, 30)
    gap = np.searchsorted(ours, cuts) / len(ours) - np.searchsorted(theirs, cuts) / len(theirs)
    return float(np.abs(gap).max())


def few(rows: npt.NDArray[Scalar], most: int = 600) -> npt.NDArray[Scalar]:
    """Every so many rows, so that about ``most`` stay: enough for a covariance of seven features."""
    return rows[:: max(1, len(rows) // most)]


def candidates(view: TableView, enough: float) -> list[Candidate]:
    """Blobs on the table, most shell-like first; of those that overlap one with a score of ``enough``, only some that
    score less."""
    features, free = coarse_features(view), view.free
    found = [(plausibility(blob, view, features), blob) for blob in blobs(view, features)]
    best, judged = None, []
    for plausible, blob in sorted((one for one in found if one[0] >= HOPELESS), key=lambda one: -one[0]):
        overlaps = best is not None and bool((best.blob[blob.here] & blob.mask).any())
        beaten = best.score if best is not None and overlaps and best.score >= enough else 0.0
        one = judge(blob, plausible, view, features, free, beaten) if plausible > beaten else None
        if one is not None:
            judged.append(one)
            best = one if best is None or one.score > best.score else best
    return sorted(judged, key=lambda c: -c.score)
