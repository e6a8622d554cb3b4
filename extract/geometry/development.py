"""Rolling a strip of constant slope out flat.

The strip stands on a plane curve c(s) with normal n and leans outwards: X(s, v) = c(s) + v (n cos β + z sin β), where β
is the angle between its rulings and the plane. As n′ = κ T, its metric is (1 + v κ cos β)² ds² + dv²: that of a flat
strip whose near edge has curvature κ cos β (do Carmo 1976, sections 4.2 and 4.4: isometries keep the geodesic
curvature). So the flat edge's tangent turns cos β times as far as the traced one's, at corners too, and the far edge is
its parallel, L + w cos β Θ long where Θ is the whole turning of the traced curve.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from extract.doors import Array, Curve
from extract.geometry.arc import joint_turnings
from extract.geometry.curve import bezier_points, joined

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_COUNTS = (2, 4, 8, 16, 32, 64)
"""Cubics per segment of the source: as many as the tolerance asks for."""
_FLAT_RAD = float(np.radians(0.2))
"""A smaller kink is a fit's rounding, not a corner: 60 mm further out it shifts a point by 0.2 mm."""
_ARC_RAD = float(np.radians(30.0))
"""Longest arc for one cubic; at a radius of 100 mm it strays by 0.0004 mm (de Boor, Höllig and Sabin 1987)."""
_POINT_MM = 1e-9
_BESIDE = 1e-6
"""Parameter by which to step inside an end where two controls coincide, so that the derivative has a direction."""


@dataclass(frozen=True, eq=False)
class Tightest:
    """The place of the traced curve where the rulings come nearest to crossing: ``left`` is how many mm of far edge a
    millimetre of near edge has there (0 or less: they cross), ``radius_mm`` the radius of its bend, 0 at a corner."""

    place_mm: Array
    left: float
    radius_mm: float


@dataclass(frozen=True, eq=False)
class FlatStrip:
    """A strip rolled out. ``near`` starts at the origin along x; both edges are walked as the traced curve is, and the
    strip lies on their side of −90° (x towards y is +90°). ``turn_rad`` is the whole turning, fans at the ends
    included."""

    near: Curve
    far: Curve
    turn_rad: float
    tightest: Tightest


def flat_strip(
    curve: Curve,
    cos_slope: float,
    width_mm: float,
    end_turns_rad: tuple[float, float] = (0.0, 0.0),
    tolerance_mm: float = 0.005,
) -> FlatStrip:
    """The strip of ``width_mm`` on the open ``curve``, on its side of −90°, rolled out.

    ``cos_slope`` is cos β: 0 for a strip square to the plane, 1 for a flat rim, negative where it leans inwards.
    ``end_turns_rad`` are turnings of the traced curve right before its start and after its end that belong to this
    strip: half of a corner that the strip was split at. Every corner that opens the strip becomes a fan about its tip.
    Where ``tightest.left`` is not positive the result is no strip; the caller decides how near to that is too near.
    """
    curve = _without_points(curve)
    parts = _segments(curve, cos_slope, width_mm, tolerance_mm)
    kinks = joint_turnings(curve)
    turns = np.r_[end_turns_rad[0], kinks, end_turns_rad[1]]
    near: list[Curve] = []
    far: list[Curve] = []
    tip, angle = 0j, 0.0
    for k, part in enumerate(parts):
        far += _fan(tip, angle - cos_slope * turns[0] if not k else angle, cos_slope * turns[k], width_mm)
        angle += cos_slope * turns[k] if k else 0.0
        turned = np.exp(1j * angle)
        near.append(_curve(tip + turned * part.near, part.straight))
        far.append(_curve(tip + turned * part.far, part.straight))
        tip, angle = tip + turned * part.near[-1, -1], angle + part.turn
    far += _fan(tip, angle, cos_slope * turns[-1], width_mm)
    total = angle + cos_slope * (turns[0] + turns[-1])
    return FlatStrip(joined(near, False), _bridged(far), float(total), _tightest(curve, parts, kinks, cos_slope))


def _without_points(curve: Curve) -> Curve:
    """The curve without segments that are mere points and have no direction."""
    long = np.abs(np.diff(curve.controls, axis=1)).max(axis=(1, 2)) > _POINT_MM
    return curve if long.all() else Curve(curve.controls[long], curve.straight[long], curve.closed)


@dataclass(frozen=True, eq=False)
class _Part:
    """One segment rolled out from the origin along x, as complex controls (N, 4); ``turn`` its flat turning, ``left``
    the least share of far edge, at parameter ``at`` where the radius is ``radius_mm``."""

    near: np.ndarray
    far: np.ndarray
    straight: bool
    turn: float
    left: float
    at: float
    radius_mm: float


def _segments(curve: Curve, cos_slope: float, width: float, tolerance: float) -> list[_Part]:
    """Every segment rolled out, in as few pieces as keep both its edges in tolerance."""
    controls = curve.controls[..., 0] + 1j * curve.controls[..., 1]
    parts = {int(k): _level(abs(controls[k, 3] - controls[k, 0]), width) for k in np.flatnonzero(curve.straight)}
    left = np.flatnonzero(~curve.straight)
    for count in _COUNTS:
        if not len(left):
            break
        rolled, stray = _rolled(controls[left], cos_slope, width, count)
        done = (stray <= tolerance) | (count == _COUNTS[-1])
        parts |= {int(left[i]): rolled[i] for i in np.flatnonzero(done)}
        left = left[~done]
    return [parts[k] for k in range(len(controls))]


def _level(length: float, width: float) -> _Part:
    near = length * np.array([[0, 1, 2, 3]]) / 3 + 0j
    return _Part(near, near - 1j * width, True, 0.0, 1.0, 0.5, np.inf)


def _rolled(controls: np.ndarray, cos_slope: float, width: float, count: int) -> tuple[list[_Part], Array]:
    """Cubics (S, 4) in ``count`` pieces each, and how far (S,) an edge strays from the true one at their quarters."""
    fine = np.linspace(0.0, 1.0, 4 * count + 1)
    nodes = fine[:-1, None] + np.diff(fine)[:, None] * (_NODES + 1) / 2
    inner, _ = _derivatives(controls, nodes.ravel())
    ends, seconds = _derivatives(controls, fine)
    turned = cos_slope * _turning(ends, inner.reshape(len(controls), *nodes.shape))
    steps = np.abs(inner).reshape(len(controls), *nodes.shape) * np.exp(1j * turned[:, :-1, 1:])
    near = np.cumsum(steps @ _WEIGHTS / 2 * np.diff(fine), axis=1)
    near = np.concatenate([np.zeros((len(controls), 1)), near], axis=1)
    heading = np.exp(1j * turned[:, :, 0])
    bend = np.imag(np.conj(ends) * seconds) / np.abs(ends) ** 2
    speed, shrunk = np.abs(ends), np.abs(ends) + width * cos_slope * bend
    near_edge, near_stray = _hermite(near, heading * speed, count)
    far_edge, far_stray = _hermite(near - 1j * width * heading, heading * shrunk, count)
    share = shrunk / speed
    worst = np.argmin(share, axis=1)
    row = np.arange(len(controls))
    radius = speed[row, worst] / np.maximum(np.abs(bend[row, worst]), 1e-300)
    parts = [
        _Part(near_edge[k], far_edge[k], False, turned[k, -1, 0], share[k, worst[k]], fine[worst[k]], radius[k])
        for k in row
    ]
    return parts, np.maximum(near_stray, far_stray)


def _turning(ends: np.ndarray, inner: np.ndarray) -> Array:
    """How far (S, F, 1 + nodes) each cubic has turned at the ends (S, F) of its stretches and the nodes between; past
    the last end there are no nodes and the entries mean nothing."""
    every = np.concatenate([ends[:, :, None], np.pad(inner, ((0, 0), (0, 1), (0, 0)), mode="edge")], axis=2)
    every[:, -1, 1:] = every[:, -1, :1]
    flat = every.reshape(len(ends), -1)
    steps = np.angle(flat[:, 1:] / flat[:, :-1])
    return np.pad(np.cumsum(steps, axis=1), ((0, 0), (1, 0))).reshape(every.shape)


def _derivatives(controls: np.ndarray, t: Array) -> tuple[np.ndarray, np.ndarray]:
    """First and second derivatives (S, T) of complex cubics (S, 4), a hair inside an end where the first vanishes."""
    d = np.diff(controls, axis=1)
    second = np.diff(d, axis=1)
    vanishing = np.abs(d[:, [0, 2]]) <= 1e-9 * np.abs(d).max(axis=1, keepdims=True)
    t = np.clip(t, _BESIDE * vanishing[:, :1], 1 - _BESIDE * vanishing[:, 1:])
    s = 1 - t
    first = s * s * d[:, :1] + 2 * s * t * d[:, 1:2] + t * t * d[:, 2:]
    return 3 * first, 6 * (s * second[:, :1] + t * second[:, 1:])


def _hermite(points: np.ndarray, slopes: np.ndarray, count: int) -> tuple[np.ndarray, Array]:
    """Complex controls (S, count, 4) through every fourth sample, and how far (S,) they lie from those between."""
    p, arm = points[:, ::4], slopes[:, ::4] / (3 * count)
    controls = np.stack([p[:, :-1], p[:, :-1] + arm[:, :-1], p[:, 1:] - arm[:, 1:], p[:, 1:]], axis=2)
    t = np.array([0.25, 0.5, 0.75])
    basis = np.stack([(1 - t) ** 3, 3 * (1 - t) ** 2 * t, 3 * (1 - t) * t**2, t**3])
    between = points[:, :-1].reshape(len(points), count, 4)[:, :, 1:]
    return controls, np.asarray(np.abs(controls @ basis - between).max(axis=(1, 2)))


def _fan(tip: complex, angle: float, turn: float, width: float) -> list[Curve]:
    """The far edge's arc about a corner's tip, from the ruling square to ``angle``; none for a kink too small."""
    if turn <= _FLAT_RAD * 1e-3 or width <= 0:
        return []
    count = int(np.ceil(turn / _ARC_RAD))
    at = angle + np.linspace(0, turn, count + 1)
    spoke = -1j * np.exp(1j * at)
    arm = 4 / 3 * np.tan(turn / count / 4) * 1j * spoke
    unit = np.stack([spoke[:-1], spoke[:-1] + arm[:-1], spoke[1:] - arm[1:], spoke[1:]], axis=1)
    return [_curve(tip + width * unit, False)]


def _curve(controls: np.ndarray, straight: bool) -> Curve:
    return Curve(np.stack([controls.real, controls.imag], axis=-1), np.full(len(controls), straight), False)


def _bridged(curves: list[Curve]) -> Curve:
    """The far edge's stretches as one chain; where a tiny hollow kink makes two overlap they meet half-way."""
    controls = [curve.controls.copy() for curve in curves]
    for before, after in pairwise(controls):
        shift = (after[0, 0] - before[-1, 3]) / 2
        before[-1, 2:] += shift
        after[0, :2] -= shift
        after[0, 0] = before[-1, 3]
    return Curve(np.concatenate(controls), np.concatenate([curve.straight for curve in curves]), False)


def _tightest(curve: Curve, parts: list[_Part], kinks: Array, cos_slope: float) -> Tightest:
    closing = -cos_slope * kinks
    if len(closing) and closing.max() > _FLAT_RAD:
        return Tightest(curve.controls[int(np.argmax(closing)), 3], -np.inf, 0.0)
    k = min(range(len(parts)), key=lambda i: parts[i].left)
    place = bezier_points(curve.controls[k : k + 1], np.array([parts[k].at]))[0]
    return Tightest(place, parts[k].left, parts[k].radius_mm)
