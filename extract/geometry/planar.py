"""Polylines in the plane: arc length, even and dense sampling, distance to a curve."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.ndimage import maximum_filter1d

from extract.doors import Array, Curve
from extract.geometry.curve import curve_points


def arc_length(points_mm: Array) -> Array:
    """Way (N,) along ``points_mm`` (N, 2) from the first point to each."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points_mm, axis=0), axis=1))])


def closed_up(points_mm: Array) -> Array:
    """The ring with its first point repeated at the end."""
    return np.vstack([points_mm, points_mm[:1]])


def without_repeats(points_mm: Array) -> Array:
    """The polyline without points that equal the one before them."""
    keep = np.ones(len(points_mm), bool)
    keep[1:] = (np.diff(points_mm, axis=0) != 0).any(axis=1)
    return points_mm[keep]


def resampled(points_mm: Array, count: int) -> Array:
    """``count`` points evenly spaced by arc length along the polyline, its ends included."""
    way = arc_length(points_mm)
    at = np.linspace(0.0, way[-1], count)
    return np.stack([np.interp(at, way, points_mm[:, k]) for k in (0, 1)], axis=1)


def densified(points_mm: Array, step_mm: float) -> Array:
    """The polyline with points added evenly between its own, so that none lie further apart than ``step_mm``."""
    way = arc_length(points_mm)
    parts = np.maximum(1, np.ceil(np.diff(way) / step_mm - 1e-9)).astype(int)
    start = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(start)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[start]
    inner = points_mm[start] + share[:, None] * (points_mm[start + 1] - points_mm[start])
    return np.vstack([inner, points_mm[-1:]])


def signed_area(ring_mm: Array) -> float:
    """Area of the ring (N, 2), positive clockwise to the eye; crossing parts count with their own sign."""
    x, y = ring_mm.T
    return float(x[:-1] @ y[1:] - y[:-1] @ x[1:] + x[-1] * y[0] - y[-1] * x[0]) / 2


def ring_peaks(values: Array, least: float, apart: int) -> list[int]:
    """Indices where the cyclic ``values`` (N,) exceed ``least`` and are largest among the ``apart`` on either side.

    scipy.ndimage, since importing scipy.signal for this alone takes most of a second.
    """
    highest = maximum_filter1d(values, 2 * apart + 1, mode="wrap")
    top = (values == highest) & (values > least)
    return [int(i) for i in np.flatnonzero(top & ~np.roll(top, 1))]


def distance_to_curve(points_mm: Array, curve: Curve, chord_mm: float = 0.01) -> Array:
    """Distance (N,) of each point to the curve, right to ``chord_mm``."""
    line = curve_points(curve, chord_mm)
    line = closed_up(line) if curve.closed else line
    chords = shapely.STRtree(shapely.linestrings(np.stack([line[:-1], line[1:]], axis=1)))
    found, distance = chords.query_nearest(shapely.points(points_mm), return_distance=True, all_matches=False)
    result = np.empty(len(points_mm))
    result[found[0]] = distance
    return result
