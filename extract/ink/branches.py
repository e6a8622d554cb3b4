"""From raw branches of the skeleton to clean runs in mm: prune, judge, place on the centre line."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter, uniform_filter1d

from extract.doors import Array, FlatView
from extract.ink.darkness import InkField, sample
from extract.ink.skeleton import Branch

SPUR_MM = 2.2
"""Thinning grows spurs about as long as a stroke is wide; half a tick is longer than this."""
NODE_MERGE_MM = 2.4
"""Two strokes crossing at a slant thin to two nodes up to about one stroke width apart."""
SPECK_MM = 3.5
JUNCTION_MM = 1.4
"""Centre lines bend where strokes meet, within half a width plus the ridge scale; those points are not believed."""
STEP_MM = 0.4
CENTRE_REACH_MM = 0.7
SIDE_ROOM_MM = 0.6
STEADY = 15
"""Samples (6 mm) over which the tape beside a stroke and the depth of its ink are taken as steady, so that a crossing
stroke or a glint does not pass for a side."""
LEAST_EVIDENCE = 0.07
"""Faded strokes reach 0.07 in glare and 0.08 elsewhere; tape edges are too narrow and stay under 0.06."""
GLINT_ROOM = 0.15
"""A wrinkle is dark on one flank and bright on the other; tape beside ink varies by less than this share."""
PROFILE_MM = np.linspace(-2.5, 2.5, 41)


Piece = TypeVar("Piece", Branch, "Run")


@dataclass(frozen=True, eq=False)
class Run:
    """A branch in mm: points about 0.4 mm apart, the nodes it meets (-1: none), its reading of the ink.

    ``evidence`` that it is ink: ridge strength times the share of light taken, less what a bright flank takes off.
    """

    points_mm: Array
    start: int
    end: int
    closed: bool
    evidence: float
    absorbed: Array
    width_mm: float
    scatter_mm: float

    @property
    def length_mm(self) -> float:
        return length(self.points_mm, self.closed)


def length(points_mm: Array, closed: bool = False) -> float:
    around = np.vstack([points_mm, points_mm[:1]]) if closed else points_mm
    return float(np.hypot(*np.diff(around, axis=0).T).sum())


def clean_runs(branches: list[Branch], field: InkField, flat: FlatView, high: float) -> list[Run]:
    """Merges close nodes, drops spurs, specks and faint branches, and places the rest on the centre line, in mm."""
    kept = _drop_spurs(_merge_nodes(branches, field.mm_per_px), field.mm_per_px)
    kept = [b for b in kept if _strong(b, field, high)]
    kept = _drop_spurs(kept, field.mm_per_px)
    runs = _with_true_nodes([run for run in (_place(b, field, flat) for b in kept) if run.evidence > LEAST_EVIDENCE])
    return [run for run in runs if run.start >= 0 or run.end >= 0 or run.length_mm > SPECK_MM]


def _branch_mm(branch: Branch, mm_per_px: float) -> float:
    return length(branch.points_px, branch.closed) * mm_per_px


def _merge_nodes(branches: list[Branch], mm_per_px: float) -> list[Branch]:
    """Nodes joined by a branch shorter than ``NODE_MERGE_MM`` become one; that branch goes."""
    parent: dict[int, int] = {}

    def root(node: int) -> int:
        while parent.get(node, node) != node:
            node = parent[node]
        return node

    short = [
        b.start >= 0 and b.end >= 0 and not b.closed and _branch_mm(b, mm_per_px) < NODE_MERGE_MM for b in branches
    ]
    for branch, is_short in zip(branches, short, strict=True):
        if is_short:
            parent[root(branch.start)] = root(branch.end)
    return [
        replace(b, start=root(b.start) if b.start >= 0 else -1, end=root(b.end) if b.end >= 0 else -1)
        for b, is_short in zip(branches, short, strict=True)
        if not is_short
    ]


def _drop_spurs(branches: list[Branch], mm_per_px: float) -> list[Branch]:
    """Short branches with a free end go."""

    def is_spur(b: Branch) -> bool:
        return not b.closed and (b.start < 0 or b.end < 0) and _branch_mm(b, mm_per_px) < SPUR_MM

    return _with_true_nodes([b for b in branches if not is_spur(b)])


def _with_true_nodes(pieces: list[Piece]) -> list[Piece]:
    """A node where nothing else is left is a free end."""
    ends = Counter(node for piece in pieces for node in (piece.start, piece.end))

    def still(node: int) -> int:
        return node if ends[node] > 1 else -1

    return [replace(piece, start=still(piece.start), end=still(piece.end)) for piece in pieces]


def _strong(branch: Branch, field: InkField, high: float) -> bool:
    """A stroke is dark along most of it; a wrinkle or tape edge that touches one is not."""
    return float(np.percentile(sample(field.ridge, branch.points_px), 60)) > high


def _place(branch: Branch, field: InkField, flat: FlatView) -> Run:
    points = smooth(resample(branch.points_px, STEP_MM / field.mm_per_px, branch.closed), 2.0, branch.closed)
    width = _width_mm(_profiles(points, field, branch.closed)[1])
    for _ in range(2):
        shift, _ = _centre_shift(points, field, branch.closed, width)
        points = smooth(points + shift[:, None] / field.mm_per_px * normals(points, branch.closed), 1.5, branch.closed)
    if not branch.closed:
        points = _straight_end(_straight_end(points, width)[::-1], width)[::-1]
    ratio, dark = _profiles(points, field, branch.closed)
    _, scatter = _centre_shift(points, field, branch.closed, width)
    middle, beside = np.abs(PROFILE_MM) < 0.3, (np.abs(PROFILE_MM) > 1.2) & (np.abs(PROFILE_MM) < 2.4)
    profile = np.median(dark, axis=0)
    strength = float(np.median(sample(field.ridge, points)))
    glint = max(0.0, -float(profile[beside].min()) - GLINT_ROOM)
    return Run(
        points_mm=flat.mm_from_px(points),
        start=branch.start,
        end=branch.end,
        closed=branch.closed,
        evidence=strength * max(0.0, float(profile[middle].mean()) - glint),
        absorbed=np.median(ratio[:, middle], axis=(0, 1)),
        width_mm=_width_mm(dark),
        scatter_mm=scatter,
    )


def _straight_end(points: Array, width_mm: float) -> Array:
    """Thinning bends the last half width of a stroke towards a corner of its blunt end: there the line goes straight on
    instead."""
    cut = round(width_mm / 2 / STEP_MM) + 1
    if len(points) < 4 * cut:
        return points
    kept = points[:-cut]
    way = kept[-1] - kept[-1 - 2 * cut]
    step = float(np.hypot(*np.diff(points, axis=0).T).mean())
    return np.vstack([kept, kept[-1] + way / np.hypot(*way) * step * np.arange(1, cut + 1)[:, None]])


def _profiles(points_px: Array, field: InkField, closed: bool) -> tuple[Array, Array]:
    """ln(tape / pixel) across the run, (N, len(PROFILE_MM), 3), and the share of light the ink takes in the channel
    where it takes most, (N, len(PROFILE_MM)): a blurred side is half way down at its true place in that share."""
    across = PROFILE_MM / field.mm_per_px
    grid = points_px[:, None, :] + across[None, :, None] * normals(points_px, closed)[:, None, :]
    ratio = sample(field.ratio, grid.reshape(-1, 2)).reshape(len(points_px), len(across), 3)
    return ratio, 1 - np.exp(-ratio.max(axis=2))


def _width_mm(dark: Array) -> float:
    """Width at half depth of the median profile."""
    profile = np.median(dark, axis=0)
    centre = len(profile) // 2
    half = (profile[centre - 2 : centre + 3].max() + np.percentile(profile, 10)) / 2
    return float((profile > half).sum() * (PROFILE_MM[1] - PROFILE_MM[0]))


def _centre_shift(points_px: Array, field: InkField, closed: bool, width_mm: float) -> tuple[Array, float]:
    """How far (mm) the middle between the stroke's two sides lies along the normal, (N,), and its scatter.

    Ink is uneven inside the stroke, so darkness saturates at half depth: what counts is where the sides are. Each side
    is measured against the tape on that side, which may differ (a tape edge under the stroke).
    """
    dark = _profiles(points_px, field, closed)[1]
    top = dark[:, np.abs(PROFILE_MM) < 0.4].max(axis=1)
    weight = np.zeros_like(dark)
    for side in (PROFILE_MM < 0, PROFILE_MM >= 0):
        floor = median_filter(np.percentile(dark[:, side], 20, axis=1), STEADY, mode="nearest")
        depth = np.maximum(median_filter(top - floor, STEADY, mode="nearest"), 1e-6)
        weight[:, side] = np.clip((dark[:, side] - floor[:, None]) / depth[:, None] / 0.5 - 0.5, 0, 1)
    weight *= np.abs(PROFILE_MM) <= width_mm / 2 + SIDE_ROOM_MM
    shift = (weight @ PROFILE_MM) / np.maximum(weight.sum(axis=1), 1e-6)
    shift = np.clip(shift, -CENTRE_REACH_MM, CENTRE_REACH_MM)
    rest = shift - uniform_filter1d(shift, 9)
    return shift, float(1.4826 * np.median(np.abs(rest)))


def resample(points: Array, step: float, closed: bool = False) -> Array:
    """Points at equal arc length, about ``step`` apart; ends kept."""
    around = np.vstack([points, points[:1]]) if closed else points
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(around, axis=0).T))]
    count = max(2, round(along[-1] / step) + 1)
    at = np.linspace(0, along[-1], count)
    if closed:
        at = at[:-1]
    return np.c_[np.interp(at, along, around[:, 0]), np.interp(at, along, around[:, 1])]


def smooth(points: Array, sigma: float, closed: bool) -> Array:
    """Gaussian along the run, ``sigma`` in samples. Open ends are continued by reflection through the end point, so
    that they stay."""
    if closed:
        return gaussian_filter1d(points, sigma, axis=0, mode="wrap")
    pad = min(len(points) - 1, int(4 * sigma) + 1)
    before = 2 * points[0] - points[pad:0:-1]
    after = 2 * points[-1] - points[-2 : -pad - 2 : -1]
    return gaussian_filter1d(np.vstack([before, points, after]), sigma, axis=0)[pad : pad + len(points)]


def normals(points: Array, closed: bool) -> Array:
    """Unit normals (N, 2), to the right of travel with y down."""
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0) if closed else np.gradient(points, axis=0)
    size = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)
    return np.c_[-along[:, 1], along[:, 0]] / size[:, None]
