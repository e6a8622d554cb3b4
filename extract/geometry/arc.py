"""Chains of cubics by arc length: the place at a length, its tangent and curvature, how far a curve turns, cutting.

Lengths are found by Gauss–Legendre quadrature and inverted by Newton's method, both to well below a micrometre. Turning
and curvature are positive where the curve turns x towards y (clockwise to the eye).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from extract.doors import Array, Curve
from extract.geometry.curve import bezier_slopes, curve_at, segment_lengths, stretch_lengths, subcurve

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
_CLOSE_MM = 1e-10
_NEWTON = 12
_CRUMB_MM = 1e-7
"""A cut this near to a joint is made at the joint: a shorter segment has no direction worth the name."""
_TURN_SAMPLES = 64


def parameters_at(curve: Curve, way_mm: Array) -> Array:
    """Parameters (K,) of ``curve`` (whole part counts segments) at arc lengths ``way_mm`` (K,), held to its ends."""
    way = np.atleast_1d(np.asarray(way_mm, float))
    starts = np.concatenate([[0.0], np.cumsum(segment_lengths(curve))])
    way = np.clip(way, 0.0, starts[-1])
    segment = np.clip(np.searchsorted(starts, way, side="right") - 1, 0, len(curve.controls) - 1)
    rest = np.minimum(way - starts[segment], np.diff(starts)[segment])
    at = rest / np.maximum(np.diff(starts)[segment], 1e-300)
    bent = ~curve.straight[segment]
    if bent.any():
        at[bent] = _inverted(curve.controls[segment[bent]], rest[bent])
    return np.asarray(segment + at)


def ways_at(curve: Curve, at: Array) -> Array:
    """Arc lengths (K,) in mm from the start to parameters ``at`` (K,)."""
    at = np.clip(np.atleast_1d(np.asarray(at, float)), 0.0, len(curve.controls))
    lengths = segment_lengths(curve)
    segment = np.clip(at.astype(int), 0, len(curve.controls) - 1)
    rest = at - segment
    part = rest * lengths[segment]
    bent = ~curve.straight[segment]
    if bent.any():
        part[bent] = _part_lengths(curve.controls[segment[bent]], rest[bent])
    return np.asarray(np.concatenate([[0.0], np.cumsum(lengths)])[segment] + part)


def points_at(curve: Curve, way_mm: Array) -> Array:
    """Points (K, 2) at arc lengths ``way_mm`` (K,)."""
    return curve_at(curve, parameters_at(curve, way_mm))


def tangents_at(curve: Curve, way_mm: Array) -> Array:
    """Unit tangents (K, 2) at arc lengths ``way_mm`` (K,); at a corner the one of the side ahead."""
    return tangents(curve, parameters_at(curve, way_mm))


def tangents(curve: Curve, at: Array) -> Array:
    """Unit tangents (K, 2) at parameters ``at`` (K,). Where a control point lies on its end, the limit."""
    k = np.clip(np.asarray(at).astype(int), 0, len(curve.controls) - 1)
    controls, t = curve.controls[k], (np.asarray(at) - k)[:, None]
    slope = bezier_slopes(controls, t[:, 0])
    vanishing = np.linalg.norm(slope, axis=1) <= 1e-9 * _reach(controls)
    if vanishing.any():
        sign = np.where(t < 0.5, 1.0, -1.0)
        bend = sign * _bend(controls, t)
        chord = controls[:, 3] - controls[:, 0]
        bend = np.where(np.linalg.norm(bend, axis=1, keepdims=True) > 1e-9 * _reach(controls)[:, None], bend, chord)
        slope = np.where(vanishing[:, None], bend, slope)
    return np.asarray(slope / np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-300))


def end_tangents(curve: Curve) -> Array:
    """Unit tangents (N, 2) at the end of each segment."""
    back = Curve(curve.controls[:, ::-1], curve.straight, False)
    return -tangents(back, np.arange(len(curve.controls), dtype=float))


def curvatures(curve: Curve, at: Array) -> Array:
    """Curvatures (K,) in 1/mm at parameters ``at`` (K,)."""
    k = np.clip(np.asarray(at).astype(int), 0, len(curve.controls) - 1)
    controls, t = curve.controls[k], (np.asarray(at) - k)[:, None]
    slope, bend = bezier_slopes(controls, t[:, 0]), _bend(controls, t)
    cross = slope[:, 0] * bend[:, 1] - slope[:, 1] * bend[:, 0]
    cubed = np.linalg.norm(slope, axis=1) ** 3
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(curve.straight[k] | (cross == 0), 0.0, cross / cubed)


def normals(tangents: Array) -> Array:
    """The unit vectors (K, 2) to the right of ``tangents`` to the eye: into a piece whose outline runs clockwise."""
    return np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)


def total_turning(curve: Curve) -> float:
    """Radians by which the tangent turns on the whole way, corners between segments included; a closed curve's last
    corner too, so that it gives ±2π when it does not cross itself."""
    return float(segment_turnings(curve).sum() + joint_turnings(curve).sum())


def segment_turnings(curve: Curve) -> Array:
    """Radians (N,) by which the tangent turns within each segment."""
    turn = _turns(curve.controls)
    turn[curve.straight] = 0.0
    return turn


def joint_turnings(curve: Curve) -> Array:
    """Radians in (−π, π] by which the tangent turns at each joint: (N − 1,), or (N,) on a closed curve, the last
    where it closes."""
    n = len(curve.controls)
    if not n:
        return np.empty(0)
    first, last = tangents(curve, np.arange(n, dtype=float)), end_tangents(curve)
    ahead = np.roll(first, -1, axis=0)
    turn = _angle(last, ahead)
    return turn if curve.closed else turn[:-1]


def split_at(curve: Curve, ways_mm: Sequence[float]) -> tuple[Curve, ...]:
    """An open curve cut at the given arc lengths, in order; neighbours share their ends to the bit.

    Cuts at the very ends, or twice at one place, give no empty pieces.
    """
    total = float(segment_lengths(curve).sum())
    ways = sorted({w for w in ways_mm if _CRUMB_MM < w < total - _CRUMB_MM})
    if not ways:
        return (curve,)
    at = [0.0, *_off_the_joints(curve, np.array(ways)), float(len(curve.controls))]
    parts = [subcurve(curve, start, end) for start, end in pairwise(at) if end > start]
    return tuple(_meeting(parts))


def stretch(curve: Curve, start_mm: float, end_mm: float) -> Curve:
    """The open part between two arc lengths; on a closed curve ``end_mm`` ≤ ``start_mm`` runs across the seam."""
    at = _off_the_joints(curve, np.array([start_mm, end_mm]))
    start, end = at
    if curve.closed and start >= len(curve.controls):
        start = 0.0
    return subcurve(curve, float(start), float(end))


def _off_the_joints(curve: Curve, ways: Array) -> Array:
    """Parameters at ``ways``, put on a joint where one is nearer than a crumb."""
    at = parameters_at(curve, ways)
    joints = np.concatenate([[0.0], np.cumsum(segment_lengths(curve))])
    near = np.abs(joints[:, None] - ways).argmin(axis=0)
    return np.where(np.abs(joints[near] - ways) <= _CRUMB_MM, near, at).astype(float)


def _meeting(parts: list[Curve]) -> list[Curve]:
    """The parts with each start set to the bit on the end before it."""
    whole = parts[:1]
    for part in parts[1:]:
        controls = part.controls.copy()
        controls[0, 0] = whole[-1].controls[-1, 3]
        whole.append(Curve(controls, part.straight, False))
    return whole


def _inverted(controls: Array, rest: Array) -> Array:
    """Parameters (K,) in 0…1 where each cubic (K, 4, 2) has come ``rest`` (K,) far: Newton within a bracket."""
    unique, which = np.unique(controls, axis=0, return_inverse=True)
    which = which.reshape(-1)
    table = np.cumsum(np.pad(stretch_lengths(unique), ((0, 0), (1, 0))), axis=1)[which]
    count = table.shape[1] - 1
    cell = np.clip((table <= rest[:, None]).sum(axis=1) - 1, 0, count - 1)
    row = np.arange(len(rest))
    base, width = table[row, cell], table[row, cell + 1] - table[row, cell]
    low, high = cell / count, (cell + 1) / count
    start = low.copy()
    at = low + np.clip((rest - base) / np.maximum(width, 1e-300), 0.0, 1.0) / count
    for _ in range(_NEWTON):
        off = base + _between(controls, start, at) - rest
        if np.abs(off).max() <= _CLOSE_MM:
            break
        high, low = np.where(off > 0, at, high), np.where(off <= 0, at, low)
        step = at - off / np.maximum(np.linalg.norm(bezier_slopes(controls, at), axis=1), 1e-300)
        at = np.where((step >= low) & (step <= high), step, (low + high) / 2)
    return np.asarray(at)


def _part_lengths(controls: Array, t: Array) -> Array:
    """Arc lengths (K,) of cubics (K, 4, 2) from 0 to ``t`` (K,)."""
    table = np.cumsum(np.pad(stretch_lengths(controls), ((0, 0), (1, 0))), axis=1)
    count = table.shape[1] - 1
    cell = np.clip((t * count).astype(int), 0, count - 1)
    return np.asarray(table[np.arange(len(t)), cell] + _between(controls, cell / count, t))


def _between(controls: Array, start: Array, end: Array) -> Array:
    """Arc lengths (K,) of cubics (K, 4, 2) between two parameters not far apart."""
    half = (end - start) / 2
    t = ((start + end) / 2)[:, None] + half[:, None] * _NODES
    s = 1 - t
    basis = 3 * np.stack([s * s, 2 * s * t, t * t], axis=-1)
    slope = basis @ np.diff(controls, axis=1)
    return np.asarray((np.sqrt((slope**2).sum(axis=2)) @ _WEIGHTS) * half)


def _bend(controls: Array, t: Array) -> Array:
    second = 6 * np.diff(controls, n=2, axis=1)
    return np.asarray((1 - t) * second[:, 0] + t * second[:, 1])


def _reach(controls: Array) -> Array:
    return np.asarray(np.abs(np.diff(controls, axis=1)).max(axis=(1, 2)))


def _turns(controls: Array) -> Array:
    """Turning (N,) of cubics (N, 4, 2), summed over small steps so that a full turn is not lost."""
    n = len(controls)
    t = np.linspace(0.0, 1.0, _TURN_SAMPLES + 1)
    inner = np.stack([bezier_slopes(controls, np.full(n, at)) for at in t[1:-1]], axis=1) if n else np.empty((0, 1, 2))
    chain = Curve(controls, np.zeros(n, bool), False)
    first, last = tangents(chain, np.arange(n, dtype=float)), end_tangents(chain)
    slopes = np.concatenate([first[:, None], inner, last[:, None]], axis=1)
    return np.asarray(_angle(slopes[:, :-1], slopes[:, 1:]).sum(axis=1))


def _angle(a: Array, b: Array) -> Array:
    """Angles in (−π, π] from vectors ``a`` to ``b``, both (…, 2)."""
    cross = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return np.asarray(np.arctan2(cross, (a * b).sum(axis=-1)))
