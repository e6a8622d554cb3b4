"""Following ink between places that a hand has set: the way a faint line goes that was not read by itself.

The cheapest way over a map of how dark and thin the ink is (Dijkstra's algorithm, scikit-image's geometric graph), then
drawn to the middle of the ink. Where there is no ink the straight way is kept.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from skimage.graph import MCP_Geometric

from extract.doors import Array, Bytes
from extract.geometry.planar import arc_length

STEP_MM = 0.5
"""A quarter of a marker's width: the way is smoothed to a fraction of it afterwards."""
BROADEST_MM = 6.0
"""What is dark and broader than this is shadow or table, not a marker line."""
ASIDE_MM, ASIDE_SHARE = 12.0, 0.35
"""How far aside of the straight way a line may bow: so much, or that share of its length."""
FAINTEST = 6.0
"""Grey levels of contrast below which nothing is taken for ink."""
INKED = 0.35
"""Share of full darkness that the way must have on average to count as ink."""
LONGEST = 1.8
OPEN_COST = 0.04
AROUND_MM = 1.0
DRAWN = 3
"""Rounds of being drawn to the middle (mean shift); each brings the way nearer by half or more."""
SMOOTH_MM = 2.0


def follow_ink(grey: Bytes, mm_per_px: float, origin_mm: tuple[float, float], points_mm: Array) -> Array:
    """Points (N, 2) mm along the ink from each of ``points_mm`` (M, 2) to the next, all of them on it; ``grey`` is the
    flat view, its pixel (column, row) at origin_mm + mm_per_px · (column, row)."""
    points = np.asarray(points_mm, float)
    ways = [_way(grey, mm_per_px, origin_mm, a, b) for a, b in pairwise(points)]
    return np.vstack([points[:1], *(way[1:] for way in ways)])


def _way(grey: Bytes, mm_per_px: float, origin_mm: tuple[float, float], start: Array, end: Array) -> Array:
    chord, straight = float(np.hypot(*(end - start))), np.stack([start, end])
    aside = max(ASIDE_MM, ASIDE_SHARE * chord)
    corners_px = (np.array([straight.min(axis=0) - aside, straight.max(axis=0) + aside]) - origin_mm) / mm_per_px
    low = np.clip(np.floor(corners_px[0]), 0, None).astype(int)
    high = np.minimum(np.ceil(corners_px[1]), (grey.shape[1] - 1, grey.shape[0] - 1)).astype(int)
    if chord < 2 * STEP_MM or (high - low).min() < 4:
        return straight
    crop = grey[low[1] : high[1] + 1, low[0] : high[0] + 1]
    shrink = min(1.0, mm_per_px / STEP_MM)
    small = np.asarray(cv2.resize(crop, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8)
    scale = np.array([crop.shape[1] / small.shape[1], crop.shape[0] / small.shape[0]]) * mm_per_px
    first = np.asarray(origin_mm) + (low - 0.5) * mm_per_px
    ink = _ink(small, scale.mean())
    ends = [_cell((place - first) / scale - 0.5, ink.shape) for place in (start, end)]
    graph = MCP_Geometric(OPEN_COST + (1 - ink) ** 2)
    graph.find_costs([ends[0]], [ends[1]])
    cells = np.array(graph.traceback(ends[1]))
    way = (_centred(cells, ink, scale.mean()) + 0.5) * scale + first
    if ink[tuple(cells.T)].mean() < INKED or arc_length(way)[-1] > LONGEST * chord:
        return straight
    return _smoothed(way, start, end)


def _ink(grey: Bytes, mm_per_px: float) -> Array:
    """How much every pixel looks like ink, 0 to 1: darker than what lies within a line's width around it."""
    size = 2 * round(BROADEST_MM / mm_per_px / 2) + 1
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    darker = np.asarray(cv2.morphologyEx(cv2.GaussianBlur(grey, (0, 0), 0.8), cv2.MORPH_BLACKHAT, around), float)
    full = max(FAINTEST, float(np.percentile(darker, 98)))
    return np.asarray(np.clip(darker / full, 0.0, 1.0))


def _centred(cells: Array, ink: Array, mm_per_px: float) -> Array:
    """The cells (row, column) as places (x, y), each drawn to the middle of the ink around it: the cheapest way cuts
    every bend inside the line's own width."""
    rows, columns = np.indices(ink.shape, dtype=np.float32)
    weight = ink.astype(np.float32) + 1e-3
    sums = [
        cv2.GaussianBlur(field, (0, 0), AROUND_MM / mm_per_px) for field in (weight * columns, weight * rows, weight)
    ]
    means = np.stack([sums[0] / sums[2], sums[1] / sums[2]], axis=-1)
    at = cells[:, ::-1].astype(np.float32)
    for _ in range(DRAWN):
        looked = cv2.remap(means, at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        at = looked[0]
    return np.asarray(at, float)


def _cell(at: Array, shape: tuple[int, ...]) -> tuple[int, int]:
    column, row = np.clip(np.round(at), 0, (shape[1] - 1, shape[0] - 1)).astype(int)
    return int(row), int(column)


def _smoothed(way: Array, start: Array, end: Array) -> Array:
    """The way without the grid's stairs, from exactly ``start`` to exactly ``end``."""
    step = arc_length(way)[-1] / max(len(way) - 1, 1)
    smooth = gaussian_filter1d(way, SMOOTH_MM / max(step, 1e-6), axis=0, mode="nearest")
    return np.vstack([start, smooth[1:-1], end])
