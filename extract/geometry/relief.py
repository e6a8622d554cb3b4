"""Reading a map of heights between its nodes."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from extract.doors import Array, Relief


def height_at(relief: Relief, points_mm: Array) -> Array:
    """(N,) heights of the shell above the cards at (N, 2) places, bilinear; beyond the map as at its rim."""
    return _read(relief, relief.heights_mm, points_mm)


def sd_at(relief: Relief, points_mm: Array) -> Array:
    """(N,) 1 σ of single heights, without what all have in common."""
    return _read(relief, relief.sd_mm, points_mm)


def _read(relief: Relief, values: Array, points_mm: Array) -> Array:
    columns, rows = ((np.asarray(points_mm, float) - relief.origin_mm) / relief.step_mm).T
    return np.asarray(map_coordinates(values, [rows, columns], order=1, mode="nearest"), float)
