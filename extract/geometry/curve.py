"""Chains of cubic Béziers: points, length, area, moving, mirroring, joining, SVG path text.

A closed curve's last segment ends exactly where its first one starts. A straight segment keeps its inner controls at
the thirds, so every formula for cubics holds for it as it stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import pairwise

import numpy as np

from extract.doors import Array, Curve

# Gauss–Legendre on stretches of each cubic: the error is far below a nanometre for anything a hand can draw, and a few
# millionths of the length where a cubic turns back on itself in a cusp. The nodes sit symmetrically, so a curve and its
# reverse have the same length.
_STRETCHES, _FEW = 32, 2
_SURE_SHARE = 1e-12
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
_AREA_FORM = np.array([[0, 6, 3, 1], [-6, 0, 3, 3], [-3, -3, 0, 6], [-1, -3, -6, 0]], float)
_MEETING_MM = 1e-6
_SAMPLES = 32
_SETTLED = 1e-13
"""A step in the parameter that is rounding: a pattern is a metre at most, so a ten-thousandth of a nanometre."""
_ASTRAY = 0.02
"""Smoothing shortens a line by one or two per cent, so its places shift by that much of the way and no more."""


def polyline_curve(points_mm: Array, closed: bool = False) -> Curve:
    """Straight segments through ``points_mm`` (N, 2); repeated points are dropped; closed adds the way back."""
    points = np.asarray(points_mm, float).reshape(-1, 2)
    if closed and len(points):
        points = np.vstack([points, points[:1]])
    start, end = points[:-1], points[1:]
    real = (start != end).any(axis=1)
    return Curve(_straight_controls(start[real], end[real]), np.ones(int(real.sum()), bool), closed)


def circle_curve(centre_mm: Sequence[float] | Array, radius_mm: float, tolerance_mm: float = 0.01) -> Curve:
    """Circle from (radius, 0) turning x towards y, in as few multiples of four equal arcs as keep it in tolerance.

    A cubic whose middle lies on the arc strays by R·(θ/(π/2))⁶·2.7e-4, since the error is of order six (de Boor,
    Höllig and Sabin 1987). The default stays well below what a printer resolves.
    """
    arcs = 4
    while 2.8e-4 * radius_mm * (4 / arcs) ** 6 > tolerance_mm:
        arcs += 4
    angle = np.linspace(0, 2 * np.pi, arcs + 1)
    angle[-1] = 0.0  # the last point must equal the first to the bit
    spoke = np.c_[np.cos(angle), np.sin(angle)]
    arm = 4 / 3 * np.tan(np.pi / (2 * arcs)) * np.c_[-spoke[:, 1], spoke[:, 0]]
    unit = np.stack([spoke[:-1], spoke[:-1] + arm[:-1], spoke[1:] - arm[1:], spoke[1:]], axis=1)
    return Curve(np.asarray(centre_mm, float) + radius_mm * unit, np.zeros(arcs, bool), True)


def curve_points(curve: Curve, chord_mm: float = 0.02) -> Array:
    """Points (N, 2) along the curve whose chords stay within ``chord_mm`` of it.

    Straight segments give their ends only; a closed curve does not repeat its first point.
    """
    if not len(curve.controls):
        return np.empty((0, 2))
    at = sample_parameters(curve, chord_mm)
    points = curve_at(curve, at[:-1])
    return points if curve.closed else np.vstack([points, curve.controls[-1:, 3]])


def ring_points(rings: Sequence[Sequence[Curve]], chord_mm: float = 0.02) -> list[Array]:
    """Points (N, 2) along each ring, given as curves that follow one another, the last point not repeated; worked out
    together, which is much quicker."""
    curves = [curve for ring in rings for curve in ring]
    if not curves:
        return []
    counts = [sum(len(curve.controls) for curve in ring) for ring in rings]
    chain = Curve(np.concatenate([c.controls for c in curves]), np.concatenate([c.straight for c in curves]), False)
    at = sample_parameters(chain, chord_mm)[:-1]
    points = curve_at(chain, at)
    bounds = np.searchsorted(at, np.cumsum([0, *counts]))
    return [points[a:b] for a, b in pairwise(bounds.tolist())]


def sample_parameters(curve: Curve, chord_mm: float) -> Array:
    """Parameters (N + 1,) from 0 to the last, so close that chords stay within ``chord_mm`` of the curve.

    Between parameters h apart a chord strays by at most h²/8 · max|B″|, and |B″| of a cubic is largest at an end of
    the segment.
    """
    bend = 6 * np.linalg.norm(np.diff(curve.controls, n=2, axis=1), axis=2).max(axis=1)
    steps = np.maximum(1, np.ceil(np.sqrt(bend / (8 * chord_mm)))).astype(int)
    steps[curve.straight] = 1
    segment = np.repeat(np.arange(len(steps)), steps)
    first = np.repeat(np.cumsum(steps) - steps, steps)
    within = (np.arange(len(segment)) - first) / steps[segment]
    return np.append(segment + within, float(len(steps)))


def bezier_points(controls: Array, t: Array) -> Array:
    """Point (N, 2) of cubic ``controls[i]`` (N, 4, 2) at parameter ``t[i]``."""
    t = t[:, None]
    s = 1 - t
    a, b = s * s, t * t
    return np.asarray(
        s * a * controls[:, 0] + 3 * t * a * controls[:, 1] + 3 * s * b * controls[:, 2] + t * b * controls[:, 3]
    )


def bezier_slopes(controls: Array, t: Array) -> Array:
    """Derivative (N, 2) by the parameter of cubic ``controls[i]`` (N, 4, 2) at ``t[i]``."""
    first, t = 3 * np.diff(controls, axis=1), t[:, None]
    s = 1 - t
    return np.asarray(s * s * first[:, 0] + 2 * s * t * first[:, 1] + t * t * first[:, 2])


def curve_length(curve: Curve) -> float:
    """Arc length in mm."""
    return float(segment_lengths(curve).sum())


def curve_lengths(curves: Sequence[Curve]) -> Array:
    """Arc lengths (K,) in mm of several curves, none of them empty; worked out together, which is much quicker."""
    counts = [len(curve.controls) for curve in curves]
    chain = Curve(np.concatenate([c.controls for c in curves]), np.concatenate([c.straight for c in curves]), False)
    return np.add.reduceat(segment_lengths(chain), np.cumsum([0, *counts[:-1]]))


def segment_lengths(curve: Curve) -> Array:
    """Arc length (N,) of each segment in mm.

    Where one stretch of a cubic and two agree, they are right; only near cusps are more needed.
    """
    lengths = np.linalg.norm(curve.controls[:, 3] - curve.controls[:, 0], axis=1)
    bent = np.flatnonzero(~curve.straight)
    if len(bent):
        found = stretch_lengths(curve.controls[bent], _FEW).sum(axis=1)
        rough = stretch_lengths(curve.controls[bent], _FEW // 2).sum(axis=1)
        unsure = np.abs(found - rough) > _SURE_SHARE * found
        if unsure.any():
            found[unsure] = stretch_lengths(curve.controls[bent[unsure]]).sum(axis=1)
        lengths[bent] = found
    return np.asarray(lengths)


def stretch_lengths(controls: Array, stretches: int = _STRETCHES) -> Array:
    """Arc lengths (K, S) of S stretches, even in the parameter, of each cubic (K, 4, 2)."""
    basis, weights = _quadrature(stretches)
    slope = np.matmul(basis, np.diff(controls, axis=1))
    speed = np.sqrt(slope[..., 0] ** 2 + slope[..., 1] ** 2).reshape(len(controls), stretches, len(_NODES))
    return np.asarray(speed @ weights)


@cache
def _quadrature(stretches: int) -> tuple[Array, Array]:
    """A cubic's slope at the nodes of all stretches from its control differences, and the weights of one stretch."""
    t = (np.arange(stretches)[:, None] + (_NODES + 1) / 2).ravel() / stretches
    s = 1 - t
    return 3 * np.stack([s * s, 2 * s * t, t * t], axis=-1), _WEIGHTS / (2 * stretches)


def curve_area(curve: Curve) -> float:
    """Signed area in mm², positive when the curve turns x towards y (clockwise to the eye, since y points down).

    Exact: Green's theorem, ½∮(x dy − y dx), integrated in the Bernstein basis gives
    (6·c01 + 3·c02 + c03 + 3·c12 + 3·c13 + 6·c23) / 20 per cubic, c_ij = P_i × P_j. An open curve is closed by a chord.
    """
    if not len(curve.controls):
        return 0.0
    p = curve.controls - curve.controls[0, 0]  # seen from its first point the closing chord adds nothing
    return float(((p[..., 0] @ _AREA_FORM) * p[..., 1]).sum()) / 20


def svg_path(curve: Curve) -> str:
    """SVG path text in mm: absolute M, L, C and Z, at most four decimals (a tenth of a micrometre)."""
    if not len(curve.controls):
        return ""
    text = np.char.mod("%.4f", np.round(curve.controls, 4) + 0.0)
    text = np.char.rstrip(np.char.rstrip(text, "0"), ".")
    pairs = [[f"{x} {y}" for x, y in segment] for segment in text]
    words = [f"M {pairs[0][0]}"]
    for pair, straight in zip(pairs, curve.straight, strict=True):
        words.append(f"L {pair[3]}" if straight else f"C {pair[1]} {pair[2]} {pair[3]}")
    if curve.closed:
        if curve.straight[-1] and len(pairs) > 1:
            words.pop()  # Z draws that line
        words.append("Z")
    return " ".join(words)


def transformed(curve: Curve, matrix: Array) -> Curve:
    """The curve under the affine ``matrix`` (2, 3); exact, for Béziers are affinely invariant."""
    matrix = np.asarray(matrix, float)
    return Curve(curve.controls @ matrix[:, :2].T + matrix[:, 2], curve.straight, curve.closed)


def mirrored(curve: Curve, axis_x_mm: float) -> Curve:
    """The curve in the upright mirror x = ``axis_x_mm``. Order is kept, so the sign of the area turns over."""
    return transformed(curve, np.array([[-1.0, 0.0, 2 * axis_x_mm], [0.0, 1.0, 0.0]]))


def reversed_curve(curve: Curve) -> Curve:
    """The same curve walked the other way."""
    return Curve(curve.controls[::-1, ::-1], curve.straight[::-1], curve.closed)


def opened(curve: Curve) -> Curve:
    """A closed curve as an open one that ends where it starts."""
    return Curve(curve.controls, curve.straight, False)


def joined(curves: Sequence[Curve], closed: bool) -> Curve:
    """One chain of ``curves``, each starting where the last ended; ValueError where two do not meet."""
    if not curves:
        return Curve(np.empty((0, 4, 2)), np.empty(0, bool), closed)
    controls = np.concatenate([curve.controls for curve in curves])
    following = np.roll(controls[:, 0], -1, axis=0) if closed else controls[1:, 0]
    gap = np.abs(controls[: len(following), 3] - following)
    if gap.size and not gap.max() <= _MEETING_MM:
        raise ValueError(f"curves do not meet: {gap.max():.3g} mm apart")
    return Curve(controls, np.concatenate([curve.straight for curve in curves]), closed)


def curve_at(curve: Curve, at: Array) -> Array:
    """Points (K, 2) at parameters ``at`` (K,): the whole part counts segments, the rest is the place within one."""
    k = np.clip(at.astype(int), 0, len(curve.controls) - 1)
    return bezier_points(curve.controls[k], at - k)


def slope_at(curve: Curve, at: Array) -> Array:
    """Derivatives (K, 2) by the parameter at parameters ``at`` (K,), counted as for ``curve_at``."""
    k = np.clip(at.astype(int), 0, len(curve.controls) - 1)
    return bezier_slopes(curve.controls[k], at - k)


def nearest_parameters(curve: Curve, points_mm: Array, shares: Array | None = None) -> Array:
    """Parameters (K,) of the curve's places nearest to ``points_mm`` (K, 2): best of a dense sample, then Newton.

    ``shares`` (K,) says about how far along the curve, 0 to 1, each place is to be sought: it decides where the curve
    passes a point twice, as on the two sides of a slit.
    """
    t = np.linspace(0.0, 1.0, _SAMPLES + 1)
    sample = bezier_points(np.repeat(curve.controls, len(t), axis=0), np.tile(t, len(curve.controls)))
    cost = np.linalg.norm(sample - points_mm[:, None], axis=2)
    if shares is not None:
        way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(sample, axis=0), axis=1))])
        off = np.abs(way / way[-1] - shares[:, None])
        cost = cost + _ASTRAY * way[-1] * (np.minimum(off, 1 - off) if curve.closed else off)
    segment, place = np.divmod(np.argmin(cost, axis=1), len(t))
    at = _foot(curve.controls[segment], t[place], points_mm)
    # a foot stopped at a joint may lie beyond it, for the sample there belongs to both cubics
    count = len(curve.controls)
    next_to = segment + (at == 1.0) - (at == 0.0)
    beyond = next_to % count if curve.closed else np.clip(next_to, 0, count - 1)
    over = _foot(curve.controls[beyond], np.where(beyond == segment, at, 1 - at), points_mm)
    nearer = _away(curve, beyond, over, points_mm) < _away(curve, segment, at, points_mm)
    return np.where(nearer, beyond + over, segment + at)


def _away(curve: Curve, segment: np.ndarray, at: Array, points: Array) -> Array:
    return np.asarray(np.linalg.norm(bezier_points(curve.controls[segment], at) - points, axis=1))


def _foot(controls: Array, at: Array, points: Array) -> Array:
    """Newton's way to the nearest place, within each point's own cubic (K, 4, 2)."""
    second = 6 * np.diff(controls, n=2, axis=1)
    for _ in range(8):
        s, t = 1 - at[:, None], at[:, None]
        away = bezier_points(controls, at) - points
        slope = bezier_slopes(controls, at)
        speed = (slope * slope).sum(axis=1) + 1e-12
        gain = speed + (away * (s * second[:, 0] + t * second[:, 1])).sum(axis=1)
        before = at
        at = np.clip(at - (away * slope).sum(axis=1) / np.where(gain > speed / 4, gain, speed), 0.0, 1.0)
        if np.abs(at - before).max(initial=0.0) < _SETTLED:
            break
    return at


def subcurve(curve: Curve, start: float, end: float) -> Curve:
    """The stretch between two parameters; on a closed curve ``end`` ≤ ``start`` runs across the seam."""
    n = len(curve.controls)
    if curve.closed and end <= start:
        end += n
    first, last = int(start), max(int(np.ceil(end)) - 1, int(start))
    which = np.arange(first, last + 1) % n
    controls = curve.controls[which].copy()
    if end - last != 1.0:
        controls[-1] = _part(controls[-1], 0.0, end - last)
    if start > first:
        share = (start - first) / (end - last if first == last else 1.0)
        controls[0] = _part(controls[0], share, 1.0)
    return Curve(controls, curve.straight[which], False)


def _part(controls: Array, start: float, end: float) -> Array:
    """Controls (4, 2) of the stretch of one cubic, by its blossom: row i takes ``end`` i times, ``start`` else."""
    rows = []
    for i in range(4):
        u, v, w = (end if k < i else start for k in range(3))
        a, b, c = 1 - u, 1 - v, 1 - w
        rows.append((a * b * c, u * b * c + a * v * c + a * b * w, u * v * c + u * b * w + a * v * w, u * v * w))
    return np.asarray(np.array(rows) @ controls)


def line_controls(start: Array, end: Array) -> Array:
    """Controls (4, 2) of one line segment; the ends are kept to the bit."""
    step = (end - start) / 3
    return np.array([start, start + step, end - step, end])


def _straight_controls(start: Array, end: Array) -> Array:
    """Controls (N, 4, 2) of line segments; the ends are kept to the bit."""
    step = (end - start) / 3
    return np.stack([start, start + step, end - step, end], axis=1)
