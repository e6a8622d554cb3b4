"""Parallels of cubics as cubics, without the loops that cusps make.

Distances are positive to the left of the way walked, which is out of an outline that runs clockwise to the eye.
A parallel at distance d of a curve with curvature κ (positive clockwise) runs at (1 + d·κ) times its speed, so it is
d times the turning longer (the classical formula L + d·θ), and folds back in cusps where 1 + d·κ < 0. Each cubic of
the parallel takes its ends, tangents and speeds there (Hermite), halved until it keeps in tolerance.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from extract.doors import Array, Curve, Mask
from extract.geometry.arc import curvatures, tangents
from extract.geometry.crossing import self_crossings
from extract.geometry.curve import bezier_points, curve_length, curve_points, joined, subcurve

_MOST_HALVINGS = 10
SPECK_MM = 0.5
"""A loop no longer than this is a tight bend's remainder, not a shape."""
_PROBES = np.linspace(0, 1, 9)[1:-1]


def parallels(curves: Sequence[Curve], distances_mm: Sequence[float], tolerance_mm: float) -> list[Curve]:
    """The parallel of each smooth open curve (no kinks inside), within ``tolerance_mm``; its loops are cut out.

    Worked out together, since one call on many cubics costs little more than on one.
    """
    sizes = [len(curve.controls) for curve in curves]
    controls = np.concatenate([curve.controls for curve in curves])
    straight = np.concatenate([curve.straight for curve in curves])
    fresh, source = _parallel_cubics(
        controls, straight, np.repeat(np.asarray(distances_mm, float), sizes), tolerance_mm
    )
    owner = np.repeat(np.arange(len(curves)), sizes)[source]
    found = []
    for k, (curve, distance) in enumerate(zip(curves, distances_mm, strict=True)):
        mine = owner == k
        raw = curve if distance == 0 else _closed_gaps(fresh[mine], straight[source[mine]])
        found.append(_without_loops(raw, curve, distance))
    return found


def left_of(tangent: Array) -> Array:
    """The unit vectors (K, 2) to the left of unit tangents, seen with y down: out of a clockwise outline."""
    return np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)


def _parallel_cubics(controls: Array, straight: Mask, distance: Array, tolerance: float) -> tuple[Array, Array]:
    """Parallels (M, 4, 2) of cubics (N, 4, 2), in order, and the number of the cubic that each belongs to."""
    done, order, source = [], [], []
    which, place, width = np.arange(len(controls)), np.zeros(len(controls)), 1.0
    for level in range(_MOST_HALVINGS + 1):
        trial = _hermite(controls, distance)
        good = straight[which] if level < _MOST_HALVINGS else np.ones(len(which), bool)
        good[~good] = _strays(controls[~good], distance[~good], trial[~good]) <= tolerance
        done.append(trial[good])
        order.append(place[good])
        source.append(which[good])
        if good.all():
            break
        width /= 2
        controls = np.stack(_halves(controls[~good]), axis=1).reshape(-1, 4, 2)
        distance = np.repeat(distance[~good], 2)
        place = np.stack([place[~good], place[~good] + width], axis=1).ravel()
        which = np.repeat(which[~good], 2)
    owner = np.concatenate(source)
    rank = np.lexsort((np.concatenate(order), owner))
    return np.concatenate(done)[rank], owner[rank]


def _hermite(controls: Array, distance: Array) -> Array:
    """Cubics (N, 4, 2) with the ends, end tangents and end speeds of the parallels."""
    gap = np.linalg.norm(controls[:, 3] - controls[:, 0], axis=1)
    ends = []
    for chain, sign in ((controls, 1.0), (controls[:, ::-1], -1.0)):
        curve, at = Curve(chain, np.zeros(len(chain), bool), False), np.arange(len(chain), dtype=float)
        tangent, bend = tangents(curve, at), sign * curvatures(curve, at)
        arm = np.linalg.norm(chain[:, 1] - chain[:, 0], axis=1)
        still = ~np.isfinite(bend) | (arm <= 1e-9 * gap)
        arm = np.where(still, gap / 3, arm * (1 + distance * np.where(still, 0.0, bend)))
        place = chain[:, 0] + (sign * distance)[:, None] * left_of(tangent)
        ends.append((place, place + arm[:, None] * tangent))
    return np.stack([ends[0][0], ends[0][1], ends[1][1], ends[1][0]], axis=1)


def _strays(controls: Array, distance: Array, trial: Array) -> Array:
    """How far (N,) each trial cubic lies off the parallel, sideways, at worst."""
    n, m = len(controls), len(_PROBES)
    curve, t = Curve(controls, np.zeros(n, bool), False), np.tile(_PROBES, n)
    left = left_of(tangents(curve, np.repeat(np.arange(n), m) + t))
    truth = bezier_points(np.repeat(controls, m, axis=0), t) + np.repeat(distance, m)[:, None] * left
    off = bezier_points(np.repeat(trial, m, axis=0), t) - truth
    return np.asarray(np.abs((off * left).sum(axis=1)).reshape(n, m).max(axis=1))


def _halves(controls: Array) -> tuple[Array, Array]:
    """Both halves of each cubic (N, 4, 2), by de Casteljau."""
    a = (controls[:, :-1] + controls[:, 1:]) / 2
    b = (a[:, :-1] + a[:, 1:]) / 2
    c = (b[:, 0] + b[:, 1]) / 2
    first = np.stack([controls[:, 0], a[:, 0], b[:, 0], c], axis=1)
    return first, np.stack([c, b[:, 1], a[:, 2], controls[:, 3]], axis=1)


def _closed_gaps(controls: Array, straight: Mask) -> Curve:
    """One open chain; joints that a kink too small to see has opened are closed half-way."""
    controls = controls.copy()
    controls[:-1, 3] = controls[1:, 0] = (controls[:-1, 3] + controls[1:, 0]) / 2
    step = (controls[straight, 3] - controls[straight, 0]) / 3
    controls[straight, 1], controls[straight, 2] = controls[straight, 0] + step, controls[straight, 3] - step
    return Curve(controls, straight, False)


def _without_loops(raw: Curve, source: Curve, distance: float) -> Curve:
    """The parallel without the loops it makes where its source is too tight for it."""
    n = len(source.controls)
    bend = curvatures(source, np.linspace(0, n, 16 * n, endpoint=False))
    if (1 + distance * bend > 0).all():
        return raw
    parts, start = [], 0.0
    for leave, enter in self_crossings(raw):
        if leave >= start and _folds(subcurve(raw, leave, enter)):
            parts.append(subcurve(raw, start, leave))
            start = enter
    parts.append(subcurve(raw, start, float(len(raw.controls))))
    return joined([*(ending_at(a, b.controls[0, 0]) for a, b in pairwise(parts)), parts[-1]], False)


def _folds(loop: Curve) -> bool:
    """Whether the loop turns right about somewhere, as in a cusp, or is too small to be meant."""
    if curve_length(loop) <= SPECK_MM:
        return True
    steps = np.diff(curve_points(loop, 0.005), axis=0)
    return bool(((steps[1:] * steps[:-1]).sum(axis=1) < 0).any())


def ending_at(curve: Curve, end_mm: Array) -> Curve:
    """The open curve with its last point put on ``end_mm``; for places that differ by rounding only."""
    controls = curve.controls.copy()
    controls[-1, 3] = end_mm
    return Curve(controls, curve.straight, curve.closed)
