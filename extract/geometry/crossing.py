"""Where chains of cubics cross one another or themselves: found on chords, sharpened by Newton's method."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from extract.doors import Array, Curve
from extract.geometry.curve import curve_at, sample_parameters, slope_at

_CHORD_MM = 0.05
_MEETING_MM = 1e-7
_APART = 1e-6
"""Parameters nearer than this are one and the same crossing."""
_NEWTON = 8
_NEWTON_LONG = 16
_EXACT_MM = 1e-10
_CUSP_CHORD_MM = 0.005

Pairs = npt.NDArray[np.intp]


def crossings(a: Curve, b: Curve, chord_mm: float = _CHORD_MM) -> Array:
    """Parameters (K, 2) on ``a`` and ``b`` of the places where they cross or touch, in order along ``a``."""
    at_a, at_b = sample_parameters(a, chord_mm), sample_parameters(b, chord_mm)
    lines_a, lines_b = _chords(a, at_a), _chords(b, at_b)
    first, second = shapely.STRtree(shapely.linestrings(lines_b)).query(shapely.linestrings(lines_a), "intersects")
    return _sharpened(a, b, _starts(at_a, at_b, first, second))


def self_crossings(curve: Curve, chord_mm: float = _CUSP_CHORD_MM) -> Array:
    """Parameters (K, 2), the earlier one first, of the places where the open ``curve`` crosses itself."""
    at = sample_parameters(curve, chord_mm)
    lines = shapely.linestrings(_chords(curve, at))
    first, second = shapely.STRtree(lines).query(lines, "intersects")
    later = second > first + 1
    found = _sharpened(curve, curve, _starts(at, at, first[later], second[later]))
    return found[found[:, 1] > found[:, 0] + _APART]


def ring_crossings(ring: Curve, chord_mm: float = _CUSP_CHORD_MM) -> Array:
    """Parameters (K, 2), the earlier one first, of the places where the closed ``ring`` crosses itself."""
    last = float(len(ring.controls))
    found = self_crossings(ring, chord_mm)
    return found[(found[:, 0] > _APART) | (found[:, 1] < last - _APART)]


def meeting_near(a: Array, b: Array, along: complex, before: complex) -> tuple[float, float] | None:
    """Parameters where cubic ``a`` (4, 2), prolonged past its end by the vector ``along``, meets cubic ``b``,
    prolonged before its start by ``-before`` (vectors as x + iy): t in 0…2 and u in −1…1, past 1 and below 0 on the
    straight prolongations.

    Newton's method from the two ends that are to meet; None where it does not arrive. Plain numbers, since for two
    cubics they are far quicker than arrays.
    """
    first, second = _powers(a), _powers(b)
    end, start = sum(first), second[0]
    t, u = 1.0, 0.0
    for _ in range(_NEWTON_LONG):
        place, slope = (end + (t - 1) * along, along) if t > 1 else _value(first, t)
        other, rise = (start + u * before, before) if u < 0 else _value(second, u)
        gap = place - other
        if abs(gap) <= _EXACT_MM:
            return (t, u) if t > 0 and u < 1 else None
        across = (slope.conjugate() * rise).imag
        if across == 0:
            return None
        t = min(max(t - (gap.conjugate() * rise).imag / across, 0.0), 2.0)
        u = min(max(u - (gap.conjugate() * slope).imag / across, -1.0), 1.0)
    return None


def _powers(controls: Array) -> tuple[complex, complex, complex, complex]:
    """A cubic's coefficients of 1, t, t² and t³, x + iy."""
    p, q, r, s = (complex(x, y) for x, y in controls.tolist())
    return p, 3 * (q - p), 3 * (p - 2 * q + r), s - p + 3 * (q - r)


def _value(c: tuple[complex, complex, complex, complex], t: float) -> tuple[complex, complex]:
    return c[0] + t * (c[1] + t * (c[2] + t * c[3])), c[1] + t * (2 * c[2] + 3 * t * c[3])


def _chords(curve: Curve, at: Array) -> Array:
    points = curve_at(curve, at)
    return np.stack([points[:-1], points[1:]], axis=1)


def _starts(at_a: Array, at_b: Array, first: Pairs, second: Pairs) -> Array:
    """First guesses (K, 2): the middles of chords that cross."""
    return np.stack([at_a[first] + at_a[first + 1], at_b[second] + at_b[second + 1]], axis=1) / 2


def _sharpened(a: Curve, b: Curve, start: Array) -> Array:
    """Newton's method on a(t) = b(u) from each guess; what does not arrive is dropped, so are repeats."""
    if not len(start):
        return np.empty((0, 2))
    most = np.array([len(a.controls), len(b.controls)], float)
    at = start
    for _ in range(_NEWTON):
        gap = curve_at(a, at[:, 0]) - curve_at(b, at[:, 1])
        if np.abs(gap).max() <= _EXACT_MM:
            break
        da, db = slope_at(a, at[:, 0]), -slope_at(b, at[:, 1])
        det = da[:, 0] * db[:, 1] - da[:, 1] * db[:, 0]
        det = np.where(np.abs(det) < 1e-12, np.inf, det)
        step = np.stack([gap[:, 0] * db[:, 1] - gap[:, 1] * db[:, 0], da[:, 0] * gap[:, 1] - da[:, 1] * gap[:, 0]], 1)
        at = np.clip(at - step / det[:, None], 0.0, most)
    gap = np.linalg.norm(curve_at(a, at[:, 0]) - curve_at(b, at[:, 1]), axis=1)
    at = at[gap <= _MEETING_MM]
    at = at[np.lexsort((at[:, 1], at[:, 0]))]
    keep = np.ones(len(at), bool)
    keep[1:] = (np.abs(np.diff(at, axis=0)) > _APART).any(axis=1)
    return at[keep]
