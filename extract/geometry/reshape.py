"""Curves made longer or shorter, and ends moved, with the shape kept as far as can be."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from extract.doors import Array, Curve
from extract.geometry.curve import bezier_points, curve_length, transformed

_STEEPEST = 50.0
_LEVEL_MM = 1e-9


def with_ends(curve: Curve, start_mm: Array, end_mm: Array) -> Curve:
    """The open curve with its ends put elsewhere: shifted, turned and scaled as a whole, so that its shape stays.

    A curve that ends where it starts can only be shifted; what is left of the way is then spread along it.
    """
    first, last = curve.controls[0, 0], curve.controls[-1, 3]
    old, new = complex(*(last - first)), complex(*(np.asarray(end_mm) - start_mm))
    if abs(old) <= _LEVEL_MM:
        return _spread(curve, np.asarray(start_mm) - first, np.asarray(end_mm) - last)
    ratio = new / old
    turn = np.array([[ratio.real, -ratio.imag], [ratio.imag, ratio.real]])
    moved = transformed(curve, np.c_[turn, start_mm - turn @ first])
    controls = moved.controls.copy()
    controls[0, 0], controls[-1, 3] = start_mm, end_mm
    return Curve(controls, curve.straight, False)


def bulged(curve: Curve, length_mm: float) -> Curve | None:
    """The open curve with the same ends and the given length: its bow over the chord made higher or lower, evenly.

    None where there is no bow to speak of, or the length is less than the chord's.
    """
    first, last = curve.controls[0, 0], curve.controls[-1, 3]
    chord = last - first
    span = float(np.linalg.norm(chord))
    if span <= _LEVEL_MM or length_mm <= span:
        return None
    along = chord / span
    across = np.array([-along[1], along[0]])

    def scaled(factor: float) -> Curve:
        turn = np.outer(along, along) + factor * np.outer(across, across)
        return transformed(curve, np.c_[turn, first - turn @ first])

    def excess(factor: float) -> float:
        return curve_length(scaled(factor)) - length_mm

    if excess(_STEEPEST) < 0 or excess(0.0) > 0:
        return None
    found = scaled(float(brentq(excess, 0.0, _STEEPEST, xtol=1e-12)))
    controls = found.controls.copy()
    controls[0, 0], controls[-1, 3] = first, last
    return Curve(controls, curve.straight, False)


def scaled_to(curve: Curve, length_mm: float, about: float = 0.5) -> Curve:
    """The open curve scaled to the given length, so that every bit grows alike, about a place on its chord: 0 its
    start, 0.5 the middle, 1 its end."""
    start, end = curve.controls[0, 0], curve.controls[-1, 3]
    middle = start + about * (end - start)
    factor = length_mm / curve_length(curve)
    moved = transformed(curve, np.c_[factor * np.eye(2), (1 - factor) * middle])
    controls = moved.controls.copy()
    controls[0, 0], controls[-1, 3] = (
        (start if about == 0 else controls[0, 0]),
        (end if about == 1 else controls[-1, 3]),
    )
    return Curve(controls, curve.straight, False)


def furthest_move(before: Curve, after: Curve) -> float:
    """How far, in mm, the places of two curves with the same segments lie apart at most."""
    count = len(before.controls)
    t = np.tile(np.linspace(0, 1, 9), count)
    gap = np.repeat(after.controls - before.controls, 9, axis=0)
    return float(np.linalg.norm(bezier_points(gap, t), axis=1).max())


def _spread(curve: Curve, at_start: Array, at_end: Array) -> Curve:
    count = len(curve.controls)
    share = (np.arange(count)[:, None] + np.array([0, 1 / 3, 2 / 3, 1]))[..., None] / count
    return Curve(curve.controls + (1 - share) * at_start + share * at_end, curve.straight, False)
