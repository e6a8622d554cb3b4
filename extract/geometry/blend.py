"""Parts of a curve moved aside, the way between drawn out smoothly: no new kinks, and the shape kept as far as can be.

What moves is described by a share of a shift along the arc length, which goes over from one value to another as a
smooth step. Where the curve runs straight along the shift, a straight line is put in instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from extract.doors import Array, Curve
from extract.geometry.arc import joint_turnings, split_at, tangents, tangents_at
from extract.geometry.curve import curve_length, joined, polyline_curve, reversed_curve, segment_lengths, transformed

_IN_LINE_DEG = 0.5
_CORNER_DEG = 5.0
_SPREAD = 1.5
"""A shift is drawn out over so many times its own size on either side, so that it looks meant."""
_ROOM = 0.45
_LEAST_MM = 1e-6
_PARTS = 8


def reaching(curve: Curve, end_mm: Array) -> Curve:
    """The open curve drawn out to end at ``end_mm``, in the direction in which it ended."""
    shift = np.asarray(end_mm) - curve.controls[-1, 3]
    gap, length = float(np.linalg.norm(shift)), curve_length(curve)
    if gap <= _LEAST_MM:
        return curve
    if shift @ _last_tangent(curve) >= gap * np.cos(np.radians(_IN_LINE_DEG)):
        return joined([curve, polyline_curve(np.stack([curve.controls[-1, 3], end_mm]))], False)
    reach = min(_SPREAD * gap, 2 * _ROOM * length)
    way, parts = _cut(curve, np.linspace(length - reach, length, _PARTS + 1))
    u = np.clip((way - length + reach) / reach, 0.0, 1.0)
    share, slope = u * u * (3 - 2 * u), 6 * u * (1 - u) / reach
    return joined(
        [_moved(p, shift, share[k : k + 2], slope[k : k + 2], np.diff(way)[k]) for k, p in enumerate(parts)], False
    )


def parted(chain: Curve, ways_mm: Sequence[float], cuts_mm: Sequence[float], shift: Array, side: float) -> list[Curve]:
    """The open ``chain`` with what lies between the places ``ways_mm`` moved by ``shift`` to one side and the other
    in turn, starting at ``side`` (±1), then cut where it had the arc lengths ``cuts_mm``.

    The gaps are drawn out smoothly as far as the next corner allows; where the chain runs along the shift a straight
    line is put in.
    """
    steps = [_Step.at(chain, way, ways_mm, shift) for way in ways_mm]
    grid = [step.way + step.reach * np.linspace(-1, 1, _PARTS + 1) for step in steps]
    way, parts = _cut(chain, np.concatenate([cuts_mm, ways_mm, *grid]))
    change = side * 2 * (-1.0) ** np.arange(1, len(steps) + 1)
    groups: list[list[Curve]] = [[] for _ in range(len(cuts_mm) + 1)]
    for k, part in enumerate(parts):
        ends = way[k : k + 2]
        shares, slopes = np.full(2, side), np.zeros(2)
        for step, by in zip(steps, change, strict=True):
            at, slope = step.share(ends)
            shares, slopes = shares + by * at, slopes + by * slope
        fresh = _moved(part, shift, shares, slopes, float(ends[1] - ends[0]))
        group = groups[int(np.searchsorted(cuts_mm, ends.mean()))]
        if group and any(step.reach == 0 and abs(step.way - ends[0]) <= _LEAST_MM for step in steps):
            group.append(polyline_curve(np.stack([group[-1].controls[-1, 3], fresh.controls[0, 0]])))
        group.append(fresh)
    return [joined(group, False) for group in groups]


@dataclass(frozen=True)
class _Step:
    """A change of sides at ``way``, spread ``reach`` to either side; 0: at once."""

    way: float
    reach: float

    @classmethod
    def at(cls, chain: Curve, way: float, ways: Sequence[float], shift: Array) -> _Step:
        gap = float(np.linalg.norm(shift))
        if abs(tangents_at(chain, np.array([way]))[0] @ shift) >= gap * np.cos(np.radians(_IN_LINE_DEG)):
            return cls(way, 0.0)
        lengths = np.cumsum(segment_lengths(chain))
        kinks = np.abs(joint_turnings(chain)) > np.radians(_CORNER_DEG)
        room = np.abs(np.concatenate([[0.0], lengths[:-1][kinks], lengths[-1:]]) - way).min()
        others = [_ROOM * abs(way - other) for other in ways if other != way]
        return cls(way, float(min(2 * _SPREAD * gap, 2 * _ROOM * room, *others, np.inf)))

    def share(self, ends: Array) -> tuple[Array, Array]:
        """How far the change is done, 0 to 1, at both ends of a part, and how fast it goes there."""
        if self.reach == 0:
            return np.full(2, float(ends.mean() > self.way)), np.zeros(2)
        u = np.clip((ends - self.way) / self.reach, -1.0, 1.0)
        return (2 + 3 * u - u**3) / 4, 3 * (1 - u * u) / (4 * self.reach)


def _cut(curve: Curve, ways: Array) -> tuple[Array, tuple[Curve, ...]]:
    """The curve cut at its joints and at ``ways``, with the arc lengths of all ends."""
    joints = np.cumsum(segment_lengths(curve))[:-1]
    parts = split_at(curve, [float(way) for way in np.concatenate([joints, ways])])
    return np.concatenate([[0.0], np.cumsum([curve_length(part) for part in parts])]), parts


def _moved(part: Curve, shift: Array, share: Array, slope: Array, length: float) -> Curve:
    """One segment with its ends moved by their shares of ``shift``, its directions there by the shares' slopes."""
    if share[0] == share[1] and not slope.any():
        return transformed(part, np.c_[np.eye(2), share[0] * shift])
    p, q = part.controls[0, 0] + share[0] * shift, part.controls[-1, 3] + share[1] * shift
    t = tangents(part, np.zeros(1))[0] + slope[0] * shift
    u = _last_tangent(part) + slope[1] * shift
    return Curve(np.stack([p, p + length / 3 * t, q - length / 3 * u, q])[None], np.zeros(1, bool), False)


def _last_tangent(curve: Curve) -> Array:
    return -tangents(reversed_curve(curve), np.zeros(1))[0]
