"""The best mirror axis of a closed outline, and how far the outline strays from its mirror image.

A closed curve z(s) walked by arc length, as complex numbers about its middle, is mirrored in an axis at angle θ as
e^(2iθ) · conj z, walked backwards. How well that fits z at any shift of the start is the convolution of z with itself:
its largest values give the axes worth trying, all from one Fourier transform. Each is then moved, by least squares on
the distances to the outline, until it can be bettered no more (the point-to-line form of iterative closest points,
Chen and Medioni 1992).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from extract.doors import Array, Curve
from extract.geometry.curve import curve_points
from extract.geometry.mirror import moved, reflection
from extract.geometry.planar import closed_up, distance_to_curve, resampled, ring_peaks

_COARSE = 256
_FINE = 1024
_TRIALS = 6
_FIRST_ROUNDS, _ROUNDS = 6, 40
_SETTLED_MM = 1e-7
_CHORD_MM = 1e-3
_IDLE, _IDLE_ROUNDS = 1e-6, 3
"""Nearest points change from round to round; so little gain, so often, is none."""


@dataclass(frozen=True, eq=False)
class Axis:
    """A line through ``point_mm`` (2,) at ``angle_rad``, in [0, π) from x towards y."""

    point_mm: Array
    angle_rad: float

    @property
    def way(self) -> Array:
        return np.array([np.cos(self.angle_rad), np.sin(self.angle_rad)])

    @property
    def mirror(self) -> Array:
        """Its mirror as an affine matrix (2, 3)."""
        return reflection(self.point_mm, self.angle_rad)

    def offsets(self, points_mm: Array) -> Array:
        """Signed distances (N,) from the axis, positive to the right of its direction to the eye."""
        away = points_mm - self.point_mm
        return np.asarray(away[:, 1] * self.way[0] - away[:, 0] * self.way[1])


def best_axis(outline: Curve) -> Axis:
    """The axis in which the closed ``outline`` mirrors itself best, in the least-squares sense along its length."""
    line = closed_up(curve_points(outline))
    coarse, even = (resampled(line, count + 1)[:-1] for count in (_COARSE, _FINE))
    tried = sorted((_settled(coarse, axis, _FIRST_ROUNDS) for axis in _trials(coarse)), key=lambda pair: pair[0])
    _, axis = min((_settled(even, axis, _ROUNDS) for _, axis in tried[:2]), key=lambda pair: pair[0])
    middle = even.mean(axis=0)
    foot = axis.point_mm + ((middle - axis.point_mm) @ axis.way) * axis.way
    return Axis(foot, axis.angle_rad % np.pi)


def straying(outline: Curve, axis: Axis, count: int = _FINE) -> tuple[Array, Array]:
    """Points (N, 2) evenly along the outline, and how far (N,) the mirror image of each lies from the outline, in mm;
    positive where it lies outside, so that this side sticks out further than the other."""
    line = curve_points(outline, _CHORD_MM)
    points = resampled(closed_up(line), count + 1)[:-1]
    image = moved(points, axis.mirror)
    away = distance_to_curve(image, outline, _CHORD_MM)
    return points, np.where(_inside(line, image), -away, away)


def _inside(ring: Array, points: Array) -> np.ndarray:
    polygon = shapely.Polygon(ring)
    shapely.prepare(polygon)
    return np.asarray(shapely.contains_xy(polygon, points[:, 0], points[:, 1]))


def _trials(even: Array) -> list[Axis]:
    """Axes through the middle of evenly spaced points (N, 2), the most promising few."""
    middle = even.mean(axis=0)
    z = (even - middle) @ np.array([1, 1j])
    fit = np.fft.ifft(np.fft.fft(z) ** 2)
    strength = np.abs(fit)
    peaks = ring_peaks(strength, 0.0, len(z) // 64) or [int(np.argmax(strength))]
    best = sorted(peaks, key=lambda k: -strength[k])[:_TRIALS]
    return [Axis(middle, float(np.angle(fit[k])) / 2) for k in best]


def _settled(even: Array, axis: Axis, rounds: int) -> tuple[float, Axis]:
    """The axis moved to where the mirrored points lie nearest to the outline, and their mean squared distance."""
    tree = cKDTree(even)
    ahead, behind = np.roll(even, -1, axis=0), np.roll(even, 1, axis=0)
    across = np.stack([-(ahead - behind)[:, 1], (ahead - behind)[:, 0]], axis=1)
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    best, idle = (np.inf, axis), 0
    for _ in range(rounds):
        image = moved(even, axis.mirror)
        near = tree.query(image)[1]
        gap = ((image - even[near]) * across[near]).sum(axis=1)
        cost = float((gap**2).mean())
        idle = 0 if cost < best[0] * (1 - _IDLE) else idle + 1
        if cost < best[0]:
            best = cost, axis
        # turning the axis by δ turns the image by 2δ about the axis' point; shifting it by ε across moves it by 2ε
        arm = image - axis.point_mm
        turned = 2 * (arm[:, 0] * across[near][:, 1] - arm[:, 1] * across[near][:, 0])
        side = np.array([-axis.way[1], axis.way[0]])
        step = np.linalg.lstsq(np.c_[turned, 2 * (across[near] @ side)], -gap, rcond=None)[0]
        axis = Axis(axis.point_mm + step[1] * side, axis.angle_rad + float(step[0]))
        if idle == _IDLE_ROUNDS or abs(step[1]) + abs(step[0]) * np.abs(arm).max() < _SETTLED_MM:
            break
    return best
