"""Few smooth cubics from a dense, shaky polyline.

The line is broken at its corners. Every piece between them becomes one straight line, if that serves, or else a cubic
spline with continuous tangent and curvature, fitted by least squares with the points' parameters moved to their feet
on the curve (intrinsic parametrisation, Hoschek 1988). Spans that stray are halved until none does, which takes about
half as many spans again as the fewest possible. Each span is one cubic Bézier.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from extract.doors import Array, Curve
from extract.geometry.corners import Corner, find_corners
from extract.geometry.curve import circle_curve, joined, polyline_curve
from extract.geometry.planar import arc_length, closed_up, densified, distance_to_curve, without_repeats
from extract.geometry.spline import fit_spline

_STEP_MM = 0.5
"""Points no further apart than this: sparse polylines count by their length, not by how they were thinned."""
_FEWEST_STEPS = 12
_PLAINLY = 0.2
"""RMS as a share of the tolerance below which no finer shape is worth its while."""
_WOBBLE_MM = 8.0
"""Way over which a hand's wobble is one and the same error, so that a line has length / this many errors of its own."""
_MOST_SCATTER = 2.0
_MENDS, _MEND_MM = 8, 3.0
"""Times to try again with other corners where a curve strays, and how far around it a corner may be to blame."""


@dataclass(frozen=True, eq=False)
class FittedCurve:
    """A curve and how far the given points lie from it."""

    curve: Curve
    max_error_mm: float
    rms_error_mm: float


def fit_curve(
    points_mm: Array,
    tolerance_mm: float,
    closed: bool = False,
    corner_deg: float = 30.0,
    keep_ends: bool = True,
) -> FittedCurve:
    """Smooth chain of cubics and lines within ``tolerance_mm`` of the polyline ``points_mm`` (N, 2).

    Turns sharper than ``corner_deg`` within a few millimetres stay sharp, all else is smooth, also across the seam of
    a closed line. ``keep_ends`` holds the two ends of an open line where they are. Where single points scatter more
    than the tolerance allows, four standard deviations of that scatter, up to twice the tolerance, take its place: a
    lone noisy point is no reason to bend.
    """
    points = without_repeats(np.asarray(points_mm, float).reshape(-1, 2))
    if len(points) < 3:
        return _measured(polyline_curve(points, closed), points, tolerance_mm)
    line = closed_up(points) if closed else points
    line = densified(line, min(_STEP_MM, arc_length(line)[-1] / _FEWEST_STEPS))
    noise = scatter(line)
    tolerance = min(max(tolerance_mm, 4 * noise), _MOST_SCATTER * tolerance_mm)
    corners = find_corners(line, closed, corner_deg, tolerance, noise)
    for _ in range(_MENDS):
        curve = _fitted(line, closed, corners, tolerance, keep_ends)
        if not len(curve.controls):  # a speck that comes back to its start within the tolerance
            break
        fit = _measured(curve, points, tolerance)
        if fit.max_error_mm <= tolerance * 1.01:
            return fit
        corners = _mended(line, closed, corners, fit.curve, tolerance)
    return _measured(polyline_curve(points, closed), points, tolerance)


def _mended(
    line: Array, closed: bool, corners: tuple[Corner, ...], curve: Curve, tolerance: float
) -> tuple[Corner, ...]:
    """The corners next to where the curve strays as they were drawn; where there is none, a break where it is worst."""
    body, way = (line[:-1] if closed else line), arc_length(line)
    stray = distance_to_curve(body, curve, tolerance / 50)
    bad = way[: len(body)][stray > tolerance]
    out = []
    for corner in corners:
        apart = np.abs(bad - way[corner.index])
        apart = np.minimum(apart, way[-1] - apart) if closed else apart
        near = corner.guard_mm > 0 and bool((apart < _MEND_MM).any())
        out.append(Corner(corner.index, line[corner.index], 0.0) if near else corner)
    if not any(old is not new for old, new in zip(corners, out, strict=True)):
        worst = int(stray.argmax())
        out = [corner for corner in out if corner.index != worst] + [Corner(worst, line[worst], 0.0)]
    return tuple(sorted(out, key=lambda corner: corner.index))


def fit_circle(points_mm: Array) -> tuple[Array, float, Array]:
    """Centre (2,), radius and the distances (N,) of the points (N, 2) from the circle that fits them best.

    Kåsa's algebraic circle made geometric by Gauss–Newton steps on the distances.
    """
    middle = points_mm.mean(axis=0)
    q = points_mm - middle
    solution = np.linalg.lstsq(np.c_[2 * q, np.ones(len(q))], (q**2).sum(axis=1), rcond=None)[0]
    centre = solution[:2]
    radius = float(np.sqrt(solution[2] + centre @ centre))
    for _ in range(4):
        spoke = q - centre
        reach = np.linalg.norm(spoke, axis=1)
        slope = np.c_[spoke / np.maximum(reach, 1e-12)[:, None], np.ones(len(q))]
        step = np.linalg.lstsq(slope, reach - radius, rcond=None)[0]
        centre, radius = centre + step[:2], radius + float(step[2])
    stray = np.abs(np.linalg.norm(q - centre, axis=1) - radius)
    return centre + middle, radius, stray


def scatter(points_mm: Array) -> float:
    """1 σ of noise from point to point across the line: third differences cancel any smooth shape and carry √20 times
    the noise; the median forgives corners."""
    if len(points_mm) < 8:
        return 0.0
    third = np.diff(points_mm, n=3, axis=0)
    way = points_mm[3:] - points_mm[:-3]
    across = third[:, 0] * -way[:, 1] + third[:, 1] * way[:, 0]
    across /= np.maximum(np.linalg.norm(way, axis=1), 1e-12)
    return float(1.4826 * np.median(np.abs(across)) / np.sqrt(20))


def _measured(curve: Curve, points: Array, tolerance: float) -> FittedCurve:
    if not len(curve.controls):
        return FittedCurve(curve, 0.0, 0.0)
    stray = distance_to_curve(points, curve, tolerance / 50)
    return FittedCurve(curve, float(stray.max()), _rms(stray))


def _fitted(line: Array, closed: bool, corners: tuple[Corner, ...], tolerance: float, keep_ends: bool) -> Curve:
    if closed and not corners:
        return _smooth_ring(line, tolerance)
    pieces = _ring_pieces(line, corners) if closed else _open_pieces(line, corners)
    last = len(pieces) - 1
    loose = not (closed or keep_ends)
    curves = [_piece(p, tolerance, (not (loose and k == 0), not (loose and k == last))) for k, p in enumerate(pieces)]
    return joined(curves, closed)


def _open_pieces(line: Array, corners: tuple[Corner, ...]) -> list[Array]:
    """The line cut at its corners; what is rounded off around a corner belongs to no piece."""
    way = arc_length(line)
    starts = [(line[:1], 0.0)] + [(c.place_mm[None], way[c.index] + c.guard_mm) for c in corners]
    ends = [(c.place_mm[None], way[c.index] - c.guard_mm) for c in corners] + [(line[-1:], way[-1])]
    return [
        without_repeats(np.vstack([start, line[(way > low) & (way < high)], end]))
        for (start, low), (end, high) in zip(starts, ends, strict=True)
    ]


def _ring_pieces(line: Array, corners: tuple[Corner, ...]) -> list[Array]:
    """The same for a ring, opened at its first corner."""
    first = corners[0]
    turned = closed_up(np.roll(line[:-1], -first.index, axis=0))
    later = tuple(Corner(c.index - first.index, c.place_mm, c.guard_mm) for c in corners[1:])
    pieces = _open_pieces(turned, later)
    way = arc_length(pieces[0])
    pieces[0] = np.vstack([first.place_mm, pieces[0][way > first.guard_mm]])
    way = arc_length(pieces[-1])
    pieces[-1] = np.vstack([pieces[-1][way < way[-1] - first.guard_mm], first.place_mm])
    return pieces


def _smooth_ring(line: Array, tolerance: float) -> Curve:
    centre, radius, stray = fit_circle(line[:-1])
    fit = fit_spline(line, tolerance, ring=True)
    if stray.max() <= tolerance and _rms(stray) <= max(_PLAINLY * tolerance, _as_good(line) * fit.rms_mm):
        return circle_curve(centre, radius, tolerance / 20)
    if not fit.within:
        opened = closed_up(np.roll(line[:-1], -fit.worst, axis=0))
        return joined([_piece(opened, tolerance, (True, True))], closed=True)
    fit.controls[-1, 3] = fit.controls[0, 0]  # equal but for rounding
    return Curve(fit.controls, np.zeros(len(fit.controls), bool), True)


def _piece(points: Array, tolerance: float, hold: tuple[bool, bool]) -> Curve:
    """A piece without corners: a line, a spline, or two pieces meeting where no spline could follow.

    A line must not only stay in tolerance but also serve nearly as well as the spline does: a gentle bow that happens
    to be shallower than the tolerance is still a bow.
    """
    if len(points) < 3:
        return polyline_curve(points)
    if len(points) < _FEWEST_STEPS:
        points = densified(points, arc_length(points)[-1] / _FEWEST_STEPS)
    ends = _line_ends(points, hold)
    serves = _strays_from_line(points, ends).max() <= tolerance
    bow = _rms(_strays_from_line(points, _line_ends(points, (False, False)))) if serves else np.inf
    if bow <= _PLAINLY * tolerance:
        return polyline_curve(ends)
    fit = fit_spline(points, tolerance, hold)
    if bow <= _as_good(points) * fit.rms_mm:
        return polyline_curve(ends)
    if fit.within:
        return Curve(fit.controls, np.zeros(len(fit.controls), bool), False)
    at = min(max(fit.worst, 1), len(points) - 2)
    halves = (points[: at + 1], (hold[0], True)), (points[at:], (True, hold[1]))
    return joined([_piece(half, tolerance, held) for half, held in halves], closed=False)


def _line_ends(points: Array, hold: tuple[bool, bool]) -> Array:
    """Ends (2, 2) of the best line through the held ends."""
    ends = points[[0, -1]]
    if all(hold):
        return ends
    anchor = ends[hold.index(True)] if any(hold) else points.mean(axis=0)
    direction = np.linalg.svd(points - anchor, full_matrices=False)[2][0]
    return anchor + ((ends - anchor) @ direction)[:, None] * direction


def _strays_from_line(points: Array, ends: Array) -> Array:
    """Distances (N,) of the points from the line segment."""
    way = ends[1] - ends[0]
    share = np.clip((points - ends[0]) @ way / max(float(way @ way), 1e-24), 0.0, 1.0)
    return np.asarray(np.linalg.norm(points - ends[0] - share[:, None] * way, axis=1))


def _as_good(points: Array) -> float:
    """Ratio of RMS errors up to which the simpler shape is as good: a spline bends after every wobble of a short line,
    and gains little on a long one unless there is something to follow."""
    return 1.25 + 5 * _WOBBLE_MM / float(arc_length(points)[-1])


def _rms(values: Array) -> float:
    return float(np.sqrt((values**2).mean()))
