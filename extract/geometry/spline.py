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


@dataclass(frozen=True, eq=False)
class SplineFit:
    """Cubics ``controls`` (K, 4, 2) between ``knots`` (K + 1,); ``at`` (N,) the points' parameters, ``across`` (N, 2)
    unit vectors across the curve there and ``stray_mm`` (N,) how far each point lies from its foot; ``within`` whether
    all stay in tolerance."""

    controls: Array
    knots: Array
    at: Array
    across: Array
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

    points: Array
    weights: Array
    tolerance: float
    hold: tuple[bool, bool]
    ring: bool


def fit_spline(
    points_mm: Array, tolerance_mm: float, hold: tuple[bool, bool] = (True, True), ring: bool = False
) -> SplineFit:
    """Spline with few spans within ``tolerance_mm`` of ``points_mm`` (N, 2), each point counting for its share of way.

    ``hold`` keeps the first and last point exactly; a ``ring`` repeats its first point and joins smoothly there. The
    fit is not ``within`` where spans would have to get shorter than makes sense.
    """
    way = arc_length(points_mm)
    task = _Task(points_mm, np.gradient(way), tolerance_mm, hold, ring)
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


def _fit(task: _Task, knots: Array, at: Array, known: Array | None = None) -> SplineFit:
    """Least squares and reprojection in turn, while that helps. Where a curve close by tells what lies across
    (``known``, (N, 2)), one round may do."""
    pieces, columns = _pieces_of_basis(knots, task.ring)
    fewest = _ROUNDS[0] if known is None else 1
    worst = np.inf
    for done in range(1, _ROUNDS[1] + 1):
        span, t, _ = _local(knots, at)
        coefficients = _solved(task, _value(_POWERS @ pieces, span, t), columns[span], known)
        controls = pieces @ coefficients[columns]
        feet, across, stray = _feet(task, _POWERS @ controls, knots, at)
        known = across
        before, worst = worst, float(stray.max())
        if worst > _HOPEFUL * task.tolerance:
            break  # the feet on a curve this far off would only put the points in disorder
        at = feet
        if done >= fewest and (worst <= task.tolerance or worst > _GAIN * before):
            break
    return SplineFit(controls, knots, at, across, stray, worst <= task.tolerance and not _bulges(controls, knots).any())


def _bulges(controls: Array, knots: Array) -> np.ndarray:
    polygon = np.linalg.norm(np.diff(controls, axis=1), axis=2).sum(axis=1)
    return polygon > _SLACK * np.diff(knots)


def _value(powers: Array, span: np.ndarray, t: Array) -> Array:
    """Horner's rule: polynomials ``powers`` (K, 4, …) of each one's span at its t."""
    t = t[:, None]
    return ((powers[span, 3] * t + powers[span, 2]) * t + powers[span, 1]) * t + powers[span, 0]


def _local(knots: Array, at: Array) -> tuple[np.ndarray, Array, Array]:
    """Each parameter's span, its place in it (0 to 1) and the span's width."""
    span = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, len(knots) - 2)
    width = knots[span + 1] - knots[span]
    return span, (at - knots[span]) / width, width


def _pieces_of_basis(knots: Array, ring: bool) -> tuple[Array, np.ndarray]:
    """Matrices (K, 4, 4) that take a span's four B-spline coefficients to its Bézier controls, and which coefficients
    (K, 4) those are.

    Written out from the blossom f of the span [c, d] among knots a ≤ b ≤ c < d ≤ e ≤ f: the coefficients are f(a,b,c),
    f(b,c,d), f(c,d,e), f(d,e,f), the controls f(c,c,c), f(c,c,d), f(c,d,d), f(d,d,d) (Ramshaw 1989).
    """
    k = len(knots) - 1
    if ring:
        full = np.r_[knots[-3:-1] - knots[-1], knots, knots[1:3] + knots[-1]]
    else:
        full = np.r_[[knots[0]] * 2, knots, [knots[-1]] * 2]
    a, b, c, d, e, f = (full[i : i + k] for i in range(6))
    unit = np.broadcast_to(np.eye(4), (k, 4, 4))
    abc, bcd, cde, def_ = (unit[:, i] for i in range(4))
    ccd = _between(bcd, cde, b, e, c)
    cdd = _between(bcd, cde, b, e, d)
    bcc = _between(abc, bcd, a, d, c)
    dde = _between(cde, def_, c, f, d)
    pieces = np.stack([_between(bcc, ccd, b, d, c), ccd, cdd, _between(cdd, dde, c, e, d)], axis=1)
    columns = np.arange(k)[:, None] + np.arange(4)
    return pieces, columns % k if ring else columns


def _between(low: Array, high: Array, start: Array, end: Array, at: Array) -> Array:
    share = ((at - start) / (end - start))[:, None]
    return (1 - share) * low + share * high


def _solved(task: _Task, local: Array, columns: np.ndarray, across: Array | None) -> Array:
    """B-spline coefficients (n, 2) by the normal equations, from each point's four basis values ``local`` (N, 4) in
    ``columns`` (N, 4); a held end is the end coefficient itself.

    With unit vectors ``across`` (N, 2) the curve, distance along it counts for ``_ALONG`` only.
    """
    n = int(columns.max()) + 1
    pairs = (columns[:, :, None] * n + columns[:, None, :]).ravel()
    products = local[:, :, None] * local[:, None, :]

    def gram(weights: Array) -> Array:
        return np.asarray(np.bincount(pairs, (weights[:, None, None] * products).ravel(), n * n), float).reshape(n, n)

    def moment(values: Array) -> Array:
        return np.asarray(np.bincount(columns.ravel(), (values[:, None] * local).ravel(), n), float)

    x, y = task.points.T
    if across is None:
        only = gram(task.weights)
        normal = np.zeros((2 * n, 2 * n))
        normal[:n, :n] = normal[n:, n:] = only
        right = np.concatenate([moment(task.weights * x), moment(task.weights * y)])
    else:
        xx, yy, xy = _metric(task.weights, across)
        normal = np.empty((2 * n, 2 * n))
        normal[:n, :n], normal[n:, n:] = gram(xx), gram(yy)
        normal[:n, n:] = normal[n:, :n] = gram(xy)
        right = np.concatenate([moment(xx * x + xy * y), moment(xy * x + yy * y)])
    held = np.zeros((2, n), bool)
    if not task.ring:
        held[:, 0], held[:, -1] = task.hold
    if not held.any():
        return _settled(_ridged(normal), right).reshape(2, n).T
    known = np.zeros((2, n))
    known[:, 0], known[:, -1] = task.points[0], task.points[-1]
    free, flat = np.flatnonzero(~held), np.where(held, known, 0.0).ravel()
    flat[free] = _settled(_ridged(normal[free][:, free]), right[free] - normal[free] @ flat)
    return flat.reshape(2, n).T


def _metric(weights: Array, across: Array) -> tuple[Array, Array, Array]:
    """The three entries of each point's distance metric, weight included."""
    x, y = across.T
    share = weights * (1 - _ALONG)
    return weights * _ALONG + share * x * x, weights * _ALONG + share * y * y, share * x * y


def _settled(normal: Array, right: Array) -> Array:
    """The solution, or the smallest of many where too few points bear on a span, as on a few steps that double back."""
    try:
        return np.asarray(np.linalg.solve(normal, right), float)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(normal, right)[0], float)


def _ridged(normal: Array) -> Array:
    diagonal = np.diagonal(normal)
    out = normal.copy()
    np.fill_diagonal(out, diagonal + 1e-9 * diagonal.mean())
    return out


def _feet(task: _Task, powers: Array, knots: Array, at: Array) -> tuple[Array, Array, Array]:
    """Every point's parameter one Newton step nearer to its foot on the curve, order kept; unit vectors (N, 2) across
    the curve and distances (N,) there."""
    span, t, width = _local(knots, at)
    a, b, c, d = (powers[span, k] for k in range(4))
    t = t[:, None]
    away = ((d * t + c) * t + b) * t + a - task.points
    first = (3 * d * t + 2 * c) * t + b
    second = 6 * d * t + 2 * c
    speed = (first * first).sum(axis=1) + 1e-12
    slope = speed + (away * second).sum(axis=1)
    # where the curve's centre of bend is near, Newton's denominator vanishes; Gauss–Newton's does not
    step = (away * first).sum(axis=1) / np.where(slope > speed / 4, slope, speed) * width
    feet = np.maximum.accumulate(np.clip(at - step, 0.0, knots[-1]))
    if not task.ring:
        feet[0], feet[-1] = 0.0, knots[-1]
    span, t, _ = _local(knots, feet)
    a, b, c, d = (powers[span, k] for k in range(4))
    t = t[:, None]
    way = (3 * d * t + 2 * c) * t + b
    stray = np.linalg.norm(((d * t + c) * t + b) * t + a - task.points, axis=1)
    across = np.stack([-way[:, 1], way[:, 0]], axis=1) / (np.linalg.norm(way, axis=1) + 1e-12)[:, None]
    return feet, across, stray
