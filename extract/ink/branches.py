"""From raw branches of the skeleton to clean runs in mm: prune, cut at corners, place on the centre line."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, median_filter, uniform_filter1d

from extract.doors import Array, FlatView, Mask
from extract.geometry.planar import arc_length, closed_up, resampled, ring_peaks
from extract.ink.darkness import InkField, sample, sampled, strongest
from extract.ink.skeleton import Branch

SPUR_MM = 2.2
"""Thinning grows spurs about as long as a stroke is wide; half a tick is longer than this."""
NODE_MERGE_MM = 2.4
"""Two strokes crossing at a slant thin to two nodes up to about one stroke width apart."""
SPECK_MM = 3.5
JUNCTION_MM = 1.4
"""Centre lines bend where strokes meet, within half a width plus the ridge scale; those points are not believed."""
STEP_MM = 0.4
CORNER_ARM, CORNER_DEG = 7, 35.0
CENTRE_REACH_MM = 0.7
SIDE_ROOM_MM = 0.6
ONE_SIDED_MM = 0.3
"""Markers keep their width to a tenth or two of a millimetre; more is not the ink's own."""
CONTEXT = 12
"""Samples (5 mm) beside such a stretch that tell which of its sides goes on where the ink was."""
STEADY = 15
"""Samples (6 mm) over which the tape beside a stroke and the depth of its ink are taken as steady, so that a crossing
stroke or a glint does not pass for a side."""
FLOOR = 4
"""Which of the twenty samples on one side, from the least dark on, is tape: about a fifth of them lie on nothing else,
even beside another stroke."""
PROFILE_MM = np.linspace(-2.5, 2.5, 41)
LEFT, RIGHT = slice(0, len(PROFILE_MM) // 2), slice(len(PROFILE_MM) // 2, None)
MIDDLE = np.flatnonzero(np.abs(PROFILE_MM) < 0.3)
BESIDE = np.flatnonzero((np.abs(PROFILE_MM) > 1.2) & (np.abs(PROFILE_MM) < 2.4))


Piece = TypeVar("Piece", Branch, "Run")


@dataclass(frozen=True, eq=False)
class Run:
    """A branch in mm: points about 0.4 mm apart, the nodes it meets (-1: none), and how it looks if it is ink."""

    points_mm: Array
    start: int
    end: int
    closed: bool
    absorbed: Array
    width_mm: float
    scatter_mm: float

    @property
    def length_mm(self) -> float:
        return length(self.points_mm, self.closed)


def length(points: Array, closed: bool = False) -> float:
    return float(arc_length(closed_up(points) if closed else points)[-1])


def placed_runs(branches: list[Branch], field: InkField, flat: FlatView, high: float) -> list[Run]:
    """Merges close nodes, drops spurs and weak branches, and places the rest on the centre line, in mm."""
    kept = _drop_spurs(_merge_nodes(branches, field.mm_per_px), field.mm_per_px)
    kept = [b for b in kept if _strong(b, field, high)]
    kept = _split_at_corners(_drop_spurs(kept, field.mm_per_px), field.mm_per_px)
    return [place(b, field, flat) for b in kept]


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

    return with_true_nodes([b for b in branches if not is_spur(b)])


def with_true_nodes(pieces: list[Piece]) -> list[Piece]:
    """A node where nothing else is left is a free end."""
    ends = Counter(node for piece in pieces for node in (piece.start, piece.end))

    def still(node: int) -> int:
        return node if ends[node] > 1 else -1

    return [replace(piece, start=still(piece.start), end=still(piece.end)) for piece in pieces]


def _split_at_corners(branches: list[Branch], mm_per_px: float) -> list[Branch]:
    """Cuts branches where they turn sharply and puts a node there: smoothing would round the corner, while two runs
    that meet at a node are carried on to where their lines cross."""
    fresh = max((max(b.start, b.end) for b in branches), default=-1) + 1
    out = []
    for branch in branches:
        points = resample(branch.points_px, STEP_MM / mm_per_px, branch.closed)
        corners = _corner_indices(smooth(points, 1.0, branch.closed), branch.closed)
        pieces = _cut(replace(branch, points_px=points), corners, fresh) if corners else [branch]
        fresh += len(corners)
        out += pieces
    return out


def _corner_indices(points: Array, closed: bool) -> list[int]:
    """Samples where the direction over ``CORNER_ARM`` samples before and after differs most, and by more than
    ``CORNER_DEG``."""
    arm = CORNER_ARM
    if len(points) < 3 * arm:
        return []
    around = np.vstack([points[-arm:], points, points[:arm]]) if closed else points
    before, after = around[arm:-arm] - around[: -2 * arm], around[2 * arm :] - around[arm:-arm]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.degrees(np.abs(np.arctan2(cross, (before * after).sum(axis=1))))
    if closed:
        return ring_peaks(turn, CORNER_DEG, 2 * arm)
    beyond = np.zeros(2 * arm)
    return [i + arm for i in ring_peaks(np.r_[turn, beyond], CORNER_DEG, 2 * arm)]


def _cut(branch: Branch, corners: list[int], fresh: int) -> list[Branch]:
    nodes = list(range(fresh, fresh + len(corners)))
    if branch.closed:
        points = np.roll(branch.points_px, -corners[0], axis=0)
        points = np.vstack([points, points[:1]])
        at = [0, *(c - corners[0] for c in corners[1:]), len(points) - 1]
        ends = [*nodes, nodes[0]]
    else:
        points, at, ends = (
            branch.points_px,
            [0, *corners, len(branch.points_px) - 1],
            [branch.start, *nodes, branch.end],
        )
    return [Branch(points[i : j + 1], a, b) for i, j, a, b in zip(at[:-1], at[1:], ends[:-1], ends[1:], strict=True)]


def _strong(branch: Branch, field: InkField, high: float) -> bool:
    """A stroke is dark along most of it; a wrinkle or tape edge that touches one is not."""
    return float(np.percentile(sample(field.ridge, branch.points_px), 60)) > high


def place(branch: Branch, field: InkField, flat: FlatView) -> Run:
    """The branch on the centre line of its ink, in mm. What is read off the ink is read in the middle of what is to be
    seen of it, which differs where half of it is hidden."""
    points = smooth(resample(branch.points_px, STEP_MM / field.mm_per_px, branch.closed), 2.0, branch.closed)
    dark = _darkness_across(points, field, branch.closed)
    width = _width_mm(dark)
    placed, seen = _centred(points, _sides(dark, width), field, branch.closed, width)
    ratio = _ratio_across(seen, field, branch.closed)
    dark = _taken(ratio)
    return Run(
        points_mm=flat.mm_from_px(placed),
        start=branch.start,
        end=branch.end,
        closed=branch.closed,
        absorbed=np.median(ratio[:, MIDDLE].astype(float), axis=(0, 1)),
        width_mm=_width_mm(dark),
        scatter_mm=_scatter(_middles(_sides(dark, width))),
    )


def _centred(points_px: Array, sides: Array, field: InkField, closed: bool, width_mm: float) -> tuple[Array, Array]:
    """The points on the middle of the ink, and on the middle of what is to be seen of it; ``sides`` are those of the
    points as they come."""

    def moved(points: Array, shift: Array) -> Array:
        shift = np.clip(shift, -CENTRE_REACH_MM, CENTRE_REACH_MM)
        return smooth(points + shift[:, None] / field.mm_per_px * normals(points, closed), 1.5, closed)

    def sides_at(points: Array) -> Array:
        return _sides(_darkness_across(points, field, closed), width_mm)

    placed, seen, beside = points_px, points_px, sides
    for turn in range(2):
        if turn:
            together = placed is seen  # nothing is hidden, so the two are one line and read but once
            sides = sides_at(placed)
            beside = sides if together else sides_at(seen)
        plain = _middles(beside)
        whole = _by_one_side(placed, sides, closed, field.mm_per_px)
        same = placed is seen and np.array_equal(plain, whole)
        seen = moved(seen, plain)
        placed = seen if same else moved(placed, whole)
    ends = _straight_ends(placed, closed, width_mm)
    return ends, ends if placed is seen else _straight_ends(seen, closed, width_mm)


def _straight_ends(points: Array, closed: bool, width_mm: float) -> Array:
    return points if closed else _straight_end(_straight_end(points, width_mm)[::-1], width_mm)[::-1]


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


def _ratio_across(points_px: Array, field: InkField, closed: bool) -> npt.NDArray[np.float32]:
    """ln(tape / pixel) across the run, (N, len(PROFILE_MM), 3)."""
    across = PROFILE_MM / field.mm_per_px
    grid = points_px[:, None, :] + across[None, :, None] * normals(points_px, closed)[:, None, :]
    return sampled(field.ratio, grid.reshape(-1, 2)).reshape(len(points_px), len(across), 3)


def _taken(ratio: npt.NDArray[np.float32]) -> Array:
    """The share of light the ink takes in the channel where it takes most, (N, len(PROFILE_MM)): a blurred side is half
    way down at its true place in that share."""
    return 1 - np.exp(-strongest(ratio).astype(float))


def _darkness_across(points_px: Array, field: InkField, closed: bool) -> Array:
    return _taken(_ratio_across(points_px, field, closed))


def _width_mm(dark: Array) -> float:
    """Width at half depth of the median profile, between profile samples where need be."""
    profile = np.median(dark, axis=0)
    top = MIDDLE[0] + int(np.argmax(profile[MIDDLE]))
    over = profile - (profile[top] + np.median(profile[BESIDE])) / 2
    if over[top] <= 0:
        return 0.0
    return float(PROFILE_MM[1] - PROFILE_MM[0]) * (way_down(over[top:]) + way_down(over[top::-1]))


def way_down(over: Array) -> float:
    """After how many steps from the first of the values (N,), which is positive, they fall to nothing."""
    below = np.flatnonzero(over <= 0)
    if len(below) == 0:
        return float(len(over) - 1)
    k = int(below[0])
    return k - float(over[k] / (over[k] - over[k - 1]))


def _sides(dark: Array, width_mm: float) -> Array:
    """How much of each sample across a run is ink (N, len(PROFILE_MM)), 0 to 1.

    Ink is uneven inside the stroke, so darkness saturates at half depth: what counts is where the sides are. Each side
    is measured against the tape on that side, which may differ (a tape edge under the stroke).
    """
    top = dark[:, np.abs(PROFILE_MM) < 0.4].max(axis=1)
    weight = np.empty_like(dark)
    for side in (LEFT, RIGHT):
        floor = median_filter(np.partition(dark[:, side], FLOOR, axis=1)[:, FLOOR], STEADY, mode="nearest")
        depth = np.maximum(median_filter(top - floor, STEADY, mode="nearest"), 1e-6)
        weight[:, side] = np.clip((dark[:, side] - floor[:, None]) / depth[:, None] / 0.5 - 0.5, 0, 1)
    return weight * (np.abs(PROFILE_MM) <= width_mm / 2 + SIDE_ROOM_MM)


def _middles(sides: Array) -> Array:
    """How far (mm) the middle between the two sides lies along the normal, (N,)."""
    return np.asarray((sides @ PROFILE_MM) / np.maximum(sides.sum(axis=1), 1e-6))


def _scatter(shift: Array) -> float:
    return float(1.4826 * np.median(np.abs(shift - uniform_filter1d(shift, 9))))


def _by_one_side(points_px: Array, sides: Array, closed: bool, mm_per_px: float) -> Array:
    """Shifts (N,) in mm to the middle, taken from one side and the run's own width where the other side is not the
    ink's: under glare, beyond the cut edge, or where another stroke runs in."""
    step = float(PROFILE_MM[1] - PROFILE_MM[0])
    left, right = (sides[:, side].sum(axis=1) * step for side in (LEFT, RIGHT))
    half = float(np.median(left + right)) / 2
    odd = median_filter(np.abs(left + right - 2 * half) > ONE_SIDED_MM, 3, mode="nearest")
    shift, across = _middles(sides), normals(points_px, closed)
    for first, end in _stretches(odd):
        around = np.r_[max(0, first - CONTEXT) : first, end : min(len(odd), end + CONTEXT)]
        around = around[~odd[around]]
        if len(around) < CONTEXT // 2:
            continue
        here = np.arange(first, end)
        middle = points_px[around] + shift[around, None] / mm_per_px * across[around]
        order = 3 if around[0] < first and around[-1] >= end else 2
        at = np.vander((np.r_[around, here] - first) / CONTEXT, order)
        way = at[len(around) :] @ np.linalg.lstsq(at[: len(around)], middle, rcond=None)[0]
        options = np.stack([half - left[here], right[here] - half, shift[here]])
        astray = ((way - points_px[here]) * across[here]).sum(axis=1) * mm_per_px - options
        shift[here] = options[int(np.argmin((astray**2).mean(axis=1)))]
    return shift


def _stretches(flags: Mask) -> list[tuple[int, int]]:
    """First and past-the-end index of each run of True."""
    steps = np.flatnonzero(np.diff(np.r_[False, flags, False]))
    return [(int(a), int(b)) for a, b in steps.reshape(-1, 2)]


def resample(points: Array, step: float, closed: bool = False) -> Array:
    """Points at equal arc length, about ``step`` apart; ends kept, a ring's first point not repeated."""
    around = closed_up(points) if closed else points
    even = resampled(around, max(2, round(length(points, closed) / step) + 1))
    return even[:-1] if closed else even


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
    first, last = points[:1], points[-1:]
    before, after = (last, first) if closed else (first, last)
    along = np.concatenate([points[1:], after]) - np.concatenate([before, points[:-1]])
    size = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)
    return along[:, ::-1] * (-1.0, 1.0) / size[:, None]
