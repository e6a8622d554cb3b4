"""Closed rings of points: area, spacing, normals, runs."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from shapely import Polygon, make_valid

from extract.doors import Array, Mask


def smooth_closed(values: Array, sd: float) -> Array:
    """Gaussian smoothing along a closed ring, ``sd`` in points."""
    return np.asarray(gaussian_filter1d(values, sd, axis=0, mode="wrap"), float)


def signed_area(ring: Array) -> float:
    x, y = ring.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def resample(ring: Array, spacing_mm: float) -> Array:
    """Points of a closed ring at even distance along it."""
    closed = np.vstack([ring, ring[:1]])
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    count = max(8, round(along[-1] / spacing_mm))
    at = np.arange(count) * along[-1] / count
    return np.stack([np.interp(at, along, closed[:, i]) for i in (0, 1)], axis=1)


def outward_normals(ring: Array, sd: float) -> Array:
    """Unit normals of a smoothed ring that runs counter-clockwise with y down (negative signed area)."""
    smooth = smooth_closed(ring, sd)
    along = np.roll(smooth, -1, 0) - np.roll(smooth, 1, 0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    return normal / np.maximum(np.hypot(*normal.T), 1e-9)[:, None]


def runs(mask: Mask) -> list[npt.NDArray[np.int64]]:
    """Indices of each run of true points of a closed ring; where all are true, one run from the first point on."""
    if mask.all():
        return [np.arange(len(mask))]
    starts, ends = (np.flatnonzero(mask & ~np.roll(mask, turn)) for turn in (1, -1))
    return [(start + np.arange(((ends - start) % len(mask)).min() + 1)) % len(mask) for start in starts]


def untangled(ring: Array) -> Array:
    """The ring without self-crossings: its largest simple part, running the same way round."""
    polygon = Polygon(ring)
    if polygon.is_valid:
        return ring
    fixed = make_valid(polygon)
    pieces = [part for part in getattr(fixed, "geoms", [fixed]) if part.geom_type in ("Polygon", "MultiPolygon")]
    pieces = [piece for part in pieces for piece in getattr(part, "geoms", [part])]
    if not pieces:
        return ring
    simple = np.asarray(max(pieces, key=lambda piece: piece.area).exterior.coords[:-1], float)
    return simple if signed_area(simple) * signed_area(ring) > 0 else simple[::-1]
