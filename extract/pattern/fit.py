"""How well seams fit: both sides' lengths as they are glued, against bands of tolerance, and where they differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from extract.build import Build, Run, Seam
from extract.doors import Array, Curve
from extract.geometry.arc import tangents_at
from extract.geometry.curve import curve_length, reversed_curve
from extract.geometry.runs import piece_named, run_edges
from extract.geometry.slits import glued_curve, kept_when_glued, run_length
from extract.pattern.registration import drawn_shares

FINE, LOOK_AGAIN, WRONG = "fine", "look again", "wrong"
_STRETCHES = 8
_SAMPLES = 96
_SURE_RAD = 0.02
"""How well two traced directions of one line agree, about one degree."""
_EVEN = 0.3
"""A difference is taken to be spread evenly unless the shapes say otherwise; small against it costs next to nothing."""
_PLAIN_RAD = 0.05
"""Edges that turn less than this in all show no shape to compare."""


@dataclass(frozen=True)
class Bands:
    """Limits of a seam's mismatch: up to the first pair it is fine, up to the second worth another look, beyond wrong.
    Of the two in a pair the one reached first counts. Dressmakers keep to 1/16 in (1.6 mm), many to 1/8 in; foam hides
    1 mm and takes 3 mm with squeezing (common practice, no source)."""

    fine_mm: float = 1.0
    fine_share: float = 0.005
    look_mm: float = 3.0
    look_share: float = 0.01

    def limits_mm(self, length_mm: float) -> tuple[float, float]:
        return min(self.fine_mm, self.fine_share * length_mm), min(self.look_mm, self.look_share * length_mm)

    def verdict(self, mismatch_mm: float, length_mm: float) -> str:
        fine, look = self.limits_mm(length_mm)
        off = abs(mismatch_mm) - 1e-9
        return FINE if off <= fine else LOOK_AGAIN if off <= look else WRONG


@dataclass(frozen=True)
class Stretch:
    """Part of a seam, from and to in mm along its first side, and how much longer the second side is there than it
    should be."""

    start_mm: float
    end_mm: float
    difference_mm: float


@dataclass(frozen=True)
class FitRow:
    """One seam's fit. ``difference_mm`` second less first; ``mismatch_mm`` that less what the layers ask for;
    ``share`` the mismatch over the shorter side; ``worst`` where most of it lies, None where it is fine."""

    number: int
    first: str
    second: str
    first_mm: float
    second_mm: float
    difference_mm: float
    layers_mm: float
    mismatch_mm: float
    share: float
    verdict: str
    worst: Stretch | None = None


def fit_table(build: Build, bands: Bands | None = None, where: bool = True) -> tuple[FitRow, ...]:
    """Every seam's fit, worst first: by verdict, then by how far beyond fine."""
    limits = bands or Bands()
    rows = [fit_of(build, seam, limits, where) for seam in build.seams]
    rank = {WRONG: 0, LOOK_AGAIN: 1, FINE: 2}

    def worse(row: FitRow) -> tuple[int, float, int]:
        fine = limits.limits_mm(min(row.first_mm, row.second_mm))[0]
        return rank[row.verdict], -abs(row.mismatch_mm) / fine, row.number

    return tuple(sorted(rows, key=worse))


def fit_of(build: Build, seam: Seam, bands: Bands | None = None, where: bool = True) -> FitRow:
    """One seam's fit."""
    first, second = run_length(build, seam.first), run_length(build, seam.second)
    mismatch = second - first - seam.layers_mm
    shorter = min(first, second)
    verdict = (bands or Bands()).verdict(mismatch, shorter)
    worst = None
    if where and verdict != FINE:
        worst = max(where_it_differs(build, seam), key=lambda s: s.difference_mm * np.sign(mismatch))
    return FitRow(
        number=seam.number,
        first=str(seam.first),
        second=str(seam.second),
        first_mm=first,
        second_mm=second,
        difference_mm=second - first,
        layers_mm=seam.layers_mm,
        mismatch_mm=mismatch,
        share=mismatch / shorter,
        verdict=verdict,
        worst=worst,
    )


def where_it_differs(build: Build, seam: Seam) -> tuple[Stretch, ...]:
    """The seam in stretches, each with the mismatch that lies in it; they add up to the whole.

    Ticks drawn across both sides are matched where there are equally many, else corners within the seam. Else the two
    shapes are laid along one another so that they turn at the same places; where they show no shape, the difference is
    spread evenly.
    """
    first, second = glued_curve(build, seam.first), glued_curve(build, seam.second)
    second = reversed_curve(second) if seam.against else second
    lengths = curve_length(first), curve_length(second)
    pairs = _paired(_tick_ways(build, seam, lengths))
    if pairs is None:
        pairs = _paired((_corner_ways(build, seam.first, False), _corner_ways(build, seam.second, seam.against)))
    if pairs is None:
        steps = np.full(_STRETCHES, lengths[0] / _STRETCHES)
        weights = _weights(first, second, lengths, steps)
        pairs = _summed(steps), _summed(_stretched(steps, lengths, weights))
    spread = seam.layers_mm / lengths[0]
    steps = np.diff(pairs[0])
    return tuple(
        Stretch(float(start), float(start + step), float(other - step * (1 + spread)))
        for start, step, other in zip(pairs[0], steps, np.diff(pairs[1]), strict=False)
    )


def _paired(ways: tuple[Array, Array]) -> tuple[Array, Array] | None:
    """The arc lengths of both sides where they say something: equally many, and more than the two ends."""
    return ways if len(ways[0]) == len(ways[1]) > 2 else None


def _tick_ways(build: Build, seam: Seam, lengths: tuple[float, float]) -> tuple[Array, Array]:
    """Arc lengths of the ends and of the ticks drawn across each side, in the seam's own order."""
    sides = ((seam.first, False, lengths[0]), (seam.second, seam.against, lengths[1]))
    first, second = (
        np.array([0.0, *sorted(share * length for share in drawn_shares(build, run, against).values()), length])
        for run, against, length in sides
    )
    return first, second


def _corner_ways(build: Build, run: Run, against: bool) -> Array:
    """Arc lengths from the seam's start to its ends and the corners between its edges, slits left out."""
    edges = run_edges(piece_named(build, run.piece), run)
    lengths = [curve_length(e.curve) for e, kept in zip(edges, kept_when_glued(build, run), strict=True) if kept]
    return np.concatenate([[0.0], np.cumsum(lengths[::-1] if against else lengths)])


def _weights(first: Curve, second: Curve, lengths: tuple[float, float], steps: Array) -> Array:
    """Shares (K,) of the difference that lie in each of ``steps`` of the first side, so that both sides turn alike;
    even where their shapes say nothing."""
    even = np.full(len(steps), 1 / len(steps))
    fine = np.linspace(0.0, 1.0, _SAMPLES + 1)
    angle, other = _direction(first, fine), _direction(second, fine)
    if np.ptp(angle) < _PLAIN_RAD or np.ptp(other) < _PLAIN_RAD:
        return even
    shares = _summed(steps) / lengths[0]

    def misfit(unknown: Array) -> Array:
        weights = unknown[:-1] / max(unknown[:-1].sum(), 1e-9)
        to = _summed(_stretched(steps, lengths, weights)) / lengths[1]
        turned = (np.interp(np.interp(fine, shares, to), fine, other) - angle - unknown[-1]) / _SURE_RAD
        return np.concatenate([turned / np.sqrt(len(fine)), _EVEN * (weights - even)])

    start = np.append(even, float((other - angle).mean()))
    low, high = np.append(np.zeros(len(steps)), -np.inf), np.append(np.ones(len(steps)), np.inf)
    found = least_squares(misfit, start, bounds=(low, high), max_nfev=30).x[:-1]
    return np.asarray(found / found.sum()) if found.sum() > 0 else even


def _stretched(steps: Array, lengths: tuple[float, float], weights: Array) -> Array:
    """What the steps of the first side are on the second when it differs by the given shares of the difference."""
    return np.maximum(steps + (lengths[1] - lengths[0]) * weights, 0.0)


def _summed(steps: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(steps)])


def _direction(curve: Curve, shares: Array) -> Array:
    """Unwrapped direction, in radians, at shares of the length."""
    tangent = tangents_at(curve, shares * curve_length(curve))
    return np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0]))
