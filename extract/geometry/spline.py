"""Cubic splines through noise: least squares of the points' distances from the curve.

Each point is measured from its foot on the curve. Moving the feet and solving again would creep; so after the first
round only the part of the distance across the curve counts in full, since points may slide along it (tangent distance
minimisation, damped: Wang, Pottmann and Liu 2006).

The spline is a B-spline with single knots, so tangent and curvature run on across every joint; all arithmetic happens
on its Bézier pieces. Spans that stray are halved until none does, then joints that turn out idle are taken away again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg.lapack import dposv

from extract.doors import Array
from extract.geometry.planar import arc_length

_SHORTEST_SPAN_MM = 1.0
"""Below a marker's own width there is no shape left to follow."""
_POINTS_PER_SPAN = 8
"""A span has about two free points of its own; four times that many data make it a fit, not a copy."""
_RING_SPANS = 4
_ROUNDS = (2, 6)
_GAIN = 0.7
"""Fewest and most rounds of least squares and reprojection per set of spans; late ones must take off a third."""
_ALONG = 0.1
"""How much distance along the curve counts: enough to keep the feet in place where the curve is nearly straight."""
_HOPEFUL = 20.0
"""A set of spans that strays further than this times the tolerance at first is hardly ever saved by more rounds."""
_KNOTS_APART = 4
"""Joints this many spans apart hardly feel each other."""
_SLACK = 1.5
"""A half circle's control polygon is this much longer than its arc; one still longer bulges between the points."""
_POWERS = np.array([[1.0, 0, 0, 0], [-3, 3, 0, 0], [3, -6, 3, 0], [-1, 3, -3, 1]])
"""Bernstein to powers of t."""
_ENTRIES = np.array([[0, 1], [1, 2]])
"""Where xx, xy and yy stand in a metric."""
_MOMENTS = np.arange(4)[:, None] + np.arange(4)
"""Which powers of t the product of two cubics is summed from."""

Plane = npt.NDArray[np.complex128]
"""Points and vectors of the plane as complex numbers, x + iy."""
Spots = tuple[np.ndarray, Array, Array]
"""The span (N,) in which each parameter lies, its place there, 0 to 1, and the span's width."""


@dataclass(frozen=True, eq=False)
class SplineFit:
    """Cubics ``controls`` (K, 4, 2) between ``knots`` (K + 1,); ``at`` (N,) the points' parameters, ``across`` (N,)
    unit vectors across the curve there and ``stray_mm`` (N,) how far each point lies from its foot; ``within`` whether
    all stay in tolerance."""

    controls: Array
    knots: Array
    at: Array
    across: Plane
    stray_mm: Array
    within: bool

    @property
    def worst(self) -> int:
        return int(np.argmax(self.stray_mm))

    @property
    def rms_mm(self) -> float:
        return float(np.sqrt((self.stray_mm**2).mean()))


@dataclass(frozen=True, eq=False)
class _Task:
    """What stays the same while the knots change."""

    points: Plane
    weights: Array
    tolerance: float
    hold: tuple[bool, bool]
    ring: bool


@dataclass(frozen=True, eq=False)
class _Basis:
    """What stays the same while the feet move: for each of K spans the matrix that takes its four B-spline coefficients
    to its Bézier controls (``pieces``) and to powers of t (``powers``), both (K, 4, 4); their ``places`` (K, 8) among
    the unknowns, the ``count`` x before the y."""

    pieces: Array
    powers: Array
    places: np.ndarray
    count: int


def fit_spline(
    points_mm: Array, tolerance_mm: float, hold: tuple[bool, bool] = (True, True), ring: bool = False
) -> SplineFit:
    """Spline with few spans within ``tolerance_mm`` of ``points_mm`` (N, 2), each point counting for its share of way.

    ``hold`` keeps the first and last point exactly; a ``ring`` repeats its first point and joins smoothly there. The
    fit is not ``within`` where spans would have to get shorter than makes sense.
    """
    way = arc_length(points_mm)
    points = np.ascontiguousarray(points_mm, float).view(complex)[:, 0]
    task = _Task(points, np.gradient(way), tolerance_mm, (False, False) if ring else hold, ring)
    knots = np.linspace(0.0, way[-1], _RING_SPANS + 1 if ring else 2)
    fit = _fit(task, knots, way)
    while not fit.within:
        halves = _halves(fit, tolerance_mm)
        if not len(halves):
            return fit
        fit = _fit(task, np.sort(np.r_[fit.knots, halves]), fit.at)
    return _pruned(task, fit)


def _halves(fit: SplineFit, tolerance: float) -> Array:
    """Middles of the spans that stray, or none if one of them is too short to halve."""
    span = _local(fit.knots, fit.at)[0]
    bad = _bad_spans(fit, tolerance)
    enough = np.bincount(span, minlength=len(fit.knots) - 1)[bad] >= _POINTS_PER_SPAN
    wide = np.diff(fit.knots)[bad] >= 2 * _SHORTEST_SPAN_MM
    return (fit.knots[bad] + fit.knots[bad + 1]) / 2 if (enough & wide).all() else np.empty(0)


def _bad_spans(fit: SplineFit, tolerance: float) -> np.ndarray:
    """Spans that stray from their points or bulge between them."""
    strays = _local(fit.knots, fit.at)[0][fit.stray_mm > tolerance]
    return np.union1d(strays, np.flatnonzero(_bulges(fit.controls, fit.knots)))


def _pruned(task: _Task, fit: SplineFit) -> SplineFit:
    """The fit without the joints it can spare, tried in order of how little happens at them, many at a time."""
    fewest = _RING_SPANS if task.ring else 1
    needed: set[float] = set()
    while len(chosen := _idle_knots(fit, needed)[: len(fit.knots) - 1 - fewest]):
        trial = _fit(task, np.setdiff1d(fit.knots, chosen), fit.at, fit.across)
        if trial.within:
            fit = trial
            continue
        span = np.searchsorted(trial.knots, chosen) - 1
        missed = np.isin(span[:, None] + np.array([-1, 0, 1]), _bad_spans(trial, task.tolerance)).any(axis=1)
        needed.update(chosen[missed] if missed.any() else chosen)
    return fit


def _idle_knots(fit: SplineFit, needed: set[float]) -> Array:
    """Inner knots worth trying to go without, none near another, the idlest first."""
    width = np.diff(fit.knots)
    third = np.diff(fit.controls, n=3, axis=1)[:, 0] / (width**3)[:, None]
    action = np.linalg.norm(np.diff(third, axis=0), axis=1) * np.minimum(width[1:], width[:-1]) ** 3
    chosen: list[int] = []
    for k in np.argsort(action) + 1:
        if fit.knots[k] not in needed and all(abs(k - other) >= _KNOTS_APART for other in chosen):
            chosen.append(k)
    return fit.knots[chosen]


def _fit(task: _Task, knots: Array, at: Array, across: Plane | None = None) -> SplineFit:
    """Least squares and reprojection in turn, while that helps. Where a curve close by tells what lies ``across`` (N,),
    one round may do."""
    basis = _basis(knots, task.ring)
    fewest, across = (_ROUNDS[0], np.zeros_like(task.points)) if across is None else (1, across)
    spots, worst = _local(knots, at), np.inf
    for done in range(1, _ROUNDS[1] + 1):
        controls = _solved(task, basis, spots, across)
        curve = controls @ _POWERS.T
        feet = _feet(task, curve, knots, at, spots)
        spots = _local(knots, feet)
        way = _value(_slope(curve), spots)
        across = 1j * way / (np.abs(way) + 1e-12)
        stray = np.abs(_value(curve, spots) - task.points)
        before, worst = worst, float(stray.max())
        if worst > _HOPEFUL * task.tolerance:
            break  # the feet on a curve this far off would only put the points in disorder
        at = feet
        if done >= fewest and (worst <= task.tolerance or worst > _GAIN * before):
            break
    found = controls.view(float).reshape(-1, 4, 2)
    return SplineFit(found, knots, at, across, stray, worst <= task.tolerance and not _bulges(found, knots).any())


def _bulges(controls: Array, knots: Array) -> np.ndarray:
    polygon = np.linalg.norm(np.diff(controls, axis=1), axis=2).sum(axis=1)
    return polygon > _SLACK * np.diff(knots)


def _value(powers: Plane, spots: Spots) -> Plane:
    """Horner's rule: polynomials ``powers`` (K, degree + 1) of each one's span at its place."""
    span, t, _ = spots
    *lower, highest = powers.T
    value = highest[span]
    for power in reversed(lower):
        value = value * t + power[span]
    return value


def _slope(powers: Plane) -> Plane:
    """The derivatives (K, degree) of polynomials ``powers`` (K, degree + 1)."""
    return powers[:, 1:] * np.arange(1, powers.shape[1])


def _local(knots: Array, at: Array) -> Spots:
    span = np.searchsorted(knots[1:-1], at, side="right")
    width = np.diff(knots)[span]
    return span, (at - knots[span]) / width, width


def _basis(knots: Array, ring: bool) -> _Basis:
    """The B-splines of the spans between ``knots`` (K + 1,).

    Written out from the blossom f of the span [c, d] among knots a ≤ b ≤ c < d ≤ e ≤ f: the coefficients are f(a,b,c),
    f(b,c,d), f(c,d,e), f(d,e,f), the controls f(c,c,c), f(c,c,d), f(c,d,d), f(d,d,d) (Ramshaw 1989).
    """
    k = len(knots) - 1
    if ring:
        full = np.concatenate([knots[-3:-1] - knots[-1], knots, knots[1:3] + knots[-1]])
    else:
        full = np.concatenate([knots[[0, 0]], knots, knots[[-1, -1]]])
    a, b, c, d, e, f = (full[i : i + k] for i in range(6))
    unit = np.broadcast_to(np.eye(4), (k, 4, 4))
    abc, bcd, cde, def_ = (unit[:, i] for i in range(4))
    ccd = _between(bcd, cde, b, e, c)
    cdd = _between(bcd, cde, b, e, d)
    bcc = _between(abc, bcd, a, d, c)
    dde = _between(cde, def_, c, f, d)
    pieces = np.stack([_between(bcc, ccd, b, d, c), ccd, cdd, _between(cdd, dde, c, e, d)], axis=1)
    columns, count = np.arange(k)[:, None] + np.arange(4), k if ring else k + 3
    return _Basis(pieces, _POWERS @ pieces, np.hstack([columns % count, columns % count + count]), count)


def _between(low: Array, high: Array, start: Array, end: Array, at: Array) -> Array:
    share = ((at - start) / (end - start))[:, None]
    return (1 - share) * low + share * high


def _solved(task: _Task, basis: _Basis, spots: Spots, across: Plane) -> Plane:
    """Bézier controls (K, 4) by the normal equations; a held end is the end coefficient itself.

    With unit vectors ``across`` (N,) the curve, distance along it counts for ``_ALONG`` only; where they are nought it
    counts alike all ways.
    """
    k, n = len(basis.pieces), basis.count
    grams, pulls = _moments(task, spots, across, k)
    splines = basis.powers[:, None]
    blocks = (splines.swapaxes(2, 3) @ grams @ splines)[:, _ENTRIES].swapaxes(2, 3)
    rows = basis.places[:, :, None] * 2 * n + basis.places[:, None]
    normal = _summed(rows, blocks, 4 * n * n).reshape(2 * n, 2 * n)
    right = _summed(basis.places, pulls @ splines, 2 * n)
    ends = np.flatnonzero(task.hold)
    held, tips = ends * (n - 1), task.points[-ends]
    known = np.concatenate([tips.real, tips.imag])
    found = _settled(normal, right, np.concatenate([held, held + n]), known)[basis.places]
    return ((found[:, None, :4] + 1j * found[:, None, 4:]) @ basis.pieces.swapaxes(1, 2))[:, 0]


def _moments(task: _Task, spots: Spots, across: Plane, k: int) -> tuple[Array, Array]:
    """What the points of each span say, summed up as moments of t: metrics xx, xy and yy (K, 3, 4, 4) and pulls of x
    and y (K, 2, 1, 4)."""
    span, t, _ = spots
    x, y = task.points.real, task.points.imag
    xx, xy, yy = _metric(task.weights, across)
    said = np.array([xx, xy, yy, xx * x + xy * y, xy * x + yy * y])[:, None] * np.vander(t, 7, increasing=True).T
    first = np.concatenate([[0], np.flatnonzero(span[1:] > span[:-1]) + 1])  # of each span that has points
    sums = np.zeros((k, 5, 7))
    sums[span[first]] = np.add.reduceat(said, first, axis=2).transpose(2, 0, 1)
    return sums[:, :3, _MOMENTS], sums[:, 3:, None, :4]


def _summed(places: np.ndarray, values: Array, count: int) -> Array:
    return np.asarray(np.bincount(places.ravel(), values.ravel(), count), float)


def _metric(weights: Array, across: Plane) -> tuple[Array, Array, Array]:
    """The three entries of each point's distance metric, weight included."""
    x, y = across.real, across.imag
    share = weights * (1 - _ALONG)
    return weights * _ALONG + share * x * x, share * x * y, weights * _ALONG + share * y * y


def _settled(normal: Array, right: Array, held: np.ndarray, known: Array) -> Array:
    """The solution with the ``held`` unknowns ``known``; the smallest of many where too few points bear on a span, as
    on a few steps that double back."""
    right = right - normal[:, held] @ known
    normal[held], normal[:, held] = 0.0, 0.0
    diagonal = np.einsum("ii->i", normal)
    diagonal += 1e-9 * diagonal.sum() / (len(right) - len(held))
    diagonal[held], right[held] = 1.0, known
    _, solution, fault = dposv(normal, right)
    return np.asarray(np.linalg.lstsq(normal, right)[0] if fault else solution, float)


def _feet(task: _Task, curve: Plane, knots: Array, at: Array, spots: Spots) -> Array:
    """Every point's parameter one Newton step nearer to its foot on the curve, order kept."""
    slope = _slope(curve)
    away, first, second = _value(curve, spots) - task.points, _value(slope, spots), _value(_slope(slope), spots)
    speed = _dot(first, first) + 1e-12
    steep = speed + _dot(away, second)
    # where the curve's centre of bend is near, Newton's denominator vanishes; Gauss–Newton's does not
    step = _dot(away, first) / np.where(steep > speed / 4, steep, speed) * spots[2]
    feet = np.maximum.accumulate(np.minimum(np.maximum(at - step, 0.0), knots[-1]))
    if not task.ring:
        feet[0], feet[-1] = 0.0, knots[-1]
    return feet


def _dot(a: Plane, b: Plane) -> Array:
    return a.real * b.real + a.imag * b.imag
