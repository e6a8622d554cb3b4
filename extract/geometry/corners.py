"""Where a shaky polyline truly turns, and the sharp point it was meant to have there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d

from extract.doors import Array
from extract.geometry.planar import arc_length, resampled

_STEP_MM = 0.25
_GUARD_MM = 0.75
"""Half a marker's width or so: within it the traced centre line is rounded off and says nothing about the sides."""
_LOOK_MM = 5.0
"""A few millimetres of line on either side: shorter and noise looks like corners, longer and corners hide others."""
_SIDES_MM = (40.0, 20.0, 10.0)
"""How much of each side may help to place the corner."""
_APART_MM = 3.0
_FROM_END_MM = 1.5
_HAIRPIN_DEG = 120.0
_DRAWN_OUT = 1.25
"""Tolerances by which a corner may lie outside the line as it was traced, so that a rounded one becomes sharp again: a
corner of 90° rounded with a radius of 0.6 mm by a pen's tip lies 0.25 mm outside the middle of its arc."""
_SURE = 6.0
"""Standard deviations of a turn that noise never reaches over a few thousand points."""


@dataclass(frozen=True, eq=False)
class Corner:
    """A corner at ``place_mm`` (2,), nearest to point ``index`` of the line; points less than ``guard_mm`` of way from
    there are rounded off and do not belong to either side."""

    index: int
    place_mm: Array
    guard_mm: float


def find_corners(
    line_mm: Array, ring: bool, corner_deg: float, tolerance_mm: float, noise_mm: float = 0.0
) -> tuple[Corner, ...]:
    """Corners of the polyline ``line_mm`` (N, 2), in order; a ring repeats its first point at the end.

    A corner is a place where the line turns by more than ``corner_deg`` on top of any steady bow. A turn too round to
    be drawn sharp within ``tolerance_mm`` is not one, nor is one that ``noise_mm``, 1 σ from point to point, may well
    have made.
    """
    way = arc_length(line_mm)
    length = way[-1]
    count = int(np.ceil(length / _STEP_MM)) + 1
    if count < 8:
        return ()
    even = resampled(line_mm, count)
    step = length / (count - 1)
    look = min(_LOOK_MM, length / 4)
    kernel, first = _side_kernel(step, look, count)
    sure_deg = max(corner_deg, _SURE * np.degrees(np.sqrt(2) * noise_mm * np.linalg.norm(kernel) / step))
    peaks = _peaks(_kinks(even, kernel, first, ring), sure_deg, step, ring)
    found = []
    for k, peak in enumerate(peaks):
        place = _place(even, step, ring, peaks, k, tolerance_mm)
        if place is not None:
            at = peak.at * step
            index = int(np.argmin(np.abs(way - at)))
            found.append(Corner(index % (len(line_mm) - 1) if ring else index, *place))
    return tuple(sorted(found, key=lambda corner: corner.index))


@dataclass(frozen=True)
class _Peak:
    at: int
    turn_deg: float


def _side_kernel(step: float, look_mm: float, count: int) -> tuple[Array, int]:
    """Weights giving the slope of the line that fits a side's samples best, and the first of those samples."""
    first = max(1, round(_GUARD_MM / step)) if look_mm > 2 * _GUARD_MM else 1
    last = min(first + max(3, round(look_mm / step)), count - 2)
    at = np.arange(first, last + 1) - (first + last) / 2
    return at / (at @ at), first


def _kinks(even: Array, kernel: Array, first: int, ring: bool) -> Array:
    """How much more (N,), in degrees, the line turns at each sample than on the calmer side of it.

    The turn at a sample is the angle between the lines through both its sides. On a steady bow it is as large one
    window further on; at a corner it is not.
    """
    last = first + len(kernel) - 1
    body = even[:-1] if ring else even
    wide = np.pad(body, ((last, last), (0, 0)), mode="wrap") if ring else _odd_pad(body, last)
    windows = np.lib.stride_tricks.sliding_window_view(wide, len(kernel), axis=0)
    n = len(body)
    ahead = windows[last + first : last + first + n] @ kernel
    behind = windows[:n] @ kernel
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    turn = np.degrees(np.arctan2(cross, (behind * ahead).sum(axis=1)))
    return np.abs(turn) - _steady(turn, last + first, ring)


def _steady(turn: Array, away: int, ring: bool) -> Array:
    """The part of each turn (N,) that lasts: the lesser of those ``away`` samples before and after it, where they go
    the same way; past the end of an open line only the other one counts."""
    before, after = np.roll(turn, away), np.roll(turn, -away)
    if not ring:
        at = np.arange(len(turn))
        before = np.where(at >= away, before, np.nan)
        after = np.where(at < len(turn) - away, after, np.nan)
    lasting = np.fmin(np.sign(turn) * before, np.sign(turn) * after)
    return np.clip(np.nan_to_num(lasting), 0.0, np.abs(turn))


def _odd_pad(points: Array, width: int) -> Array:
    """The line carried on past its ends by its own half-turn image, which keeps its direction there."""
    before = 2 * points[:1] - points[width:0:-1]
    after = 2 * points[-1:] - points[-2 : -width - 2 : -1]
    return np.vstack([before, points, after])


def _peaks(kinks: Array, corner_deg: float, step: float, ring: bool) -> list[_Peak]:
    """Places above ``corner_deg`` that top all within ``_APART_MM``, in order along the line.

    A sharp corner shows as a plateau twice the guard wide, so its middle is taken.
    """
    n, reach = len(kinks), max(1, round(_APART_MM / step))
    seen = kinks.copy()
    if not ring:
        margin = max(1, round(_FROM_END_MM / step))
        seen[:margin] = seen[-margin:] = 0
    tops = np.flatnonzero((seen > corner_deg) & (seen == maximum_filter1d(seen, 2 * reach + 1, mode="wrap")))
    peaks: list[_Peak] = []
    for top in tops:
        around = np.arange(top - reach, top + reach + 1)
        around = around if ring else around[(around >= 0) & (around < n)]
        high = around[seen[around % n] >= 0.9 * seen[top]]
        at = round(float(high.mean())) % n
        if all(min(abs(at - p.at), n - abs(at - p.at)) > reach for p in peaks):
            peaks.append(_Peak(at, float(seen[top])))
    return sorted(peaks, key=lambda peak: peak.at)


def _place(
    even: Array, step: float, ring: bool, peaks: list[_Peak], k: int, tolerance_mm: float
) -> tuple[Array, float] | None:
    """Where the corner belongs and how far its rounding reaches, or None where the line is round."""
    body = even[:-1] if ring else even
    at, turn = peaks[k].at, peaks[k].turn_deg
    back, ahead = _room(len(body), ring, peaks, k)
    drawn = body[at]
    meeting = _meeting(body, at, back, ahead, step, ring, tolerance_mm / 3)
    if meeting is not None:
        away = float(np.linalg.norm(body - meeting, axis=1).min())
        # a rounded corner's middle lies this much nearer to either side than to the corner itself
        if away * np.cos(np.radians(min(turn, 180.0)) / 2) <= tolerance_mm and away <= 3 * tolerance_mm:
            nearest = body[np.linalg.norm(body - meeting, axis=1).argmin()]
            return nearest + (meeting - nearest) * min(1.0, _DRAWN_OUT * tolerance_mm / max(away, 1e-9)), _GUARD_MM
    return (drawn, 0.0) if turn >= _HAIRPIN_DEG else None


def _room(n: int, ring: bool, peaks: list[_Peak], k: int) -> tuple[int, int]:
    """Samples free behind and ahead of peak ``k``: half-way to the next corner, or to the end of the line."""
    at = peaks[k].at
    if ring:
        if len(peaks) == 1:
            return n // 2, n // 2
        back = (at - peaks[k - 1].at) % n
        ahead = (peaks[(k + 1) % len(peaks)].at - at) % n
        return back // 2, ahead // 2
    back = (at - peaks[k - 1].at) // 2 if k else at
    ahead = (peaks[k + 1].at - at) // 2 if k + 1 < len(peaks) else n - 1 - at
    return back, ahead


def _meeting(body: Array, at: int, back: int, ahead: int, step: float, ring: bool, good_mm: float) -> Array | None:
    """Where the two sides, prolonged, meet near sample ``at``."""
    sides = []
    for sign, room in ((-1, back), (1, ahead)):
        way = np.arange(round(_GUARD_MM / step), room + 1)
        if len(way) < 4:
            return None
        sides.append(_side(np.asarray(way * step, float), body[(at + sign * way) % len(body)], good_mm))
    return _crossing(sides[0], sides[1])


def _side(way_mm: Array, points: Array, good_mm: float) -> Array:
    """Polynomial coefficients (2 or 3, 2) of the longest stretch that a parabola follows to ``good_mm`` RMS; a line
    where that does as well. The longer the stretch, the less the hand's wobble moves its prolongation."""
    for reach in _SIDES_MM:
        n = max(4, int(np.searchsorted(way_mm, reach)))
        (line, rough), (bow, fine) = (_polynomial(way_mm[:n], points[:n], powers) for powers in (2, 3))
        if n > 6 and fine <= good_mm and rough > 1.25 * fine:
            return bow
        if rough <= good_mm:
            return line
    return bow if way_mm[n - 1] - way_mm[0] > _LOOK_MM / 2 else line


def _polynomial(way_mm: Array, points: Array, powers: int) -> tuple[Array, float]:
    matrix: Array = np.vander(way_mm, powers, increasing=True)
    coefficients = np.asarray(np.linalg.lstsq(matrix, points, rcond=None)[0], float)
    return coefficients, float(np.sqrt(((matrix @ coefficients - points) ** 2).sum(axis=1).mean()))


def _crossing(a: Array, b: Array) -> Array | None:
    """Where two polynomial curves, coefficients (powers, 2) in ascending order, meet near their start."""
    t = np.zeros(2)
    for _ in range(8):
        pa, da = _value(a, t[0]), _slope(a, t[0])
        pb, db = _value(b, t[1]), _slope(b, t[1])
        matrix = np.stack([da, -db], axis=1)
        if abs(np.linalg.det(matrix)) < 0.05:
            return None
        t = t - np.linalg.solve(matrix, pa - pb)
        if np.abs(t).max() > 2 * _LOOK_MM:
            return None
    return (_value(a, t[0]) + _value(b, t[1])) / 2


def _value(c: Array, t: float) -> Array:
    return np.asarray(t ** np.arange(len(c)) @ c)


def _slope(c: Array, t: float) -> Array:
    return np.asarray((np.arange(1, len(c)) * t ** np.arange(len(c) - 1)) @ c[1:])
