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
_BEND_SAMPLES = 8
_PROBES = np.linspace(0, 1, 7)[1:-1]


def parallels(
    controls: Array, straight: Mask, distances_mm: Array, bounds: Sequence[int], tolerance_mm: float
) -> list[tuple[Curve, bool]]:
    """Parallels of smooth open chains of cubics ``controls`` (N, 4, 2), one from each of ``bounds`` to the next, every
    chain at one distance, given for its cubics (N,); with each, whether it folded back. Its loops are cut out.

    Worked out together, since one call on many cubics costs little more than on one.
    """
    moved = np.flatnonzero(distances_mm)
    fresh, source = _parallel_cubics(controls[moved], straight[moved], distances_mm[moved], tolerance_mm)
    starts = np.searchsorted(moved[source], bounds)
    folds = _folding(controls, straight, distances_mm)
    found = []
    for k, (a, b) in enumerate(pairwise(bounds)):
        chain = Curve(controls[a:b], straight[a:b], False)
        if distances_mm[a] != 0:
            part = slice(starts[k], starts[k + 1])
            chain = _closed_gaps(fresh[part], straight[moved[source[part]]])
        folded = bool(folds[a:b].any())
        found.append((_without_loops(chain) if folded else chain, folded))
    return found


def _folding(controls: Array, straight: Mask, distances: Array) -> Mask:
    """Which cubics (N,) are somewhere too tight for their distance."""
    folds = np.zeros(len(controls), bool)
    bent = np.flatnonzero(~straight & (distances != 0))
    if not len(bent):
        return folds
    curve = Curve(controls[bent], straight[bent], False)
    bend = curvatures(curve, np.linspace(0, len(bent), _BEND_SAMPLES * len(bent), endpoint=False))
    folds[bent] = (1 + distances[bent, None] * bend.reshape(len(bent), -1) <= 0).any(axis=1)
    return folds


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


def _without_loops(raw: Curve) -> Curve:
    """The parallel without the loops it makes where its source is too tight for it."""
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
