"""How plainly a short straight bar stands across a line, and what its ink looks like.

A tick is one pull of the pen: straight through the line, darker than the tape on both its sides for a few millimetres
on either side of the line, and then it stops. Along a skeleton bent by creases that is hard to see; along the one
straight line that shows it best it is plain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from extract.doors import Array, FlatView
from extract.ink.branches import way_down
from extract.ink.darkness import InkField, sampled, strongest

STEP_MM = 0.2
FIRST_MM, SHORTEST_MM, LONGEST_MM = 1.4, 3.0, 8.0
"""Of one half: where the line's own ink is left behind, and how far ticks reach (common practice, no source)."""
BEYOND_MM = (0.8, 3.2)
"""Where nothing more is to be seen, beyond the end of a half and its blur."""
SIDE_MM = 1.6
SLOPES, SHIFTS_MM = np.tan(np.radians(np.arange(-9, 9.1, 3))), np.arange(-0.4, 0.41, 0.2)
"""A bent skeleton tells the way to some ten degrees and the place to half a millimetre."""
_LEANS = np.stack(np.meshgrid(SLOPES, SHIFTS_MM, indexing="ij"), axis=-1).reshape(-1, 2)
PROFILE_MM = 2.4
_BOX = 5
"""Samples: the middle of a bar, and the tape beside it, are seen over a millimetre."""
_FAR = round((LONGEST_MM + BEYOND_MM[1]) / STEP_MM)
_WIDE = round((SHIFTS_MM[-1] + SLOPES[-1] * STEP_MM * _FAR + PROFILE_MM) / STEP_MM) + _BOX // 2


@dataclass(frozen=True, eq=False)
class Bars:
    """The best straight bar through each of K places. ``strength`` is the share of light that its weaker half takes
    more than the tape on either side and than what lies beyond its end; ``reach_mm`` (K, 2) how far the halves go,
    ahead and back. ``width_mm`` at half depth and ``glint``, how much brighter than the tape around them its sides are
    for its depth, are those of both halves' mean profile."""

    strength: Array
    reach_mm: Array
    foot_mm: Array
    ahead: Array
    width_mm: Array
    glint: Array


def find_bars(foot_mm: Array, ahead: Array, field: InkField, flat: FlatView) -> Bars:
    """Bars near each place (K, 2) and unit direction (K, 2)."""
    taken = _patches(foot_mm, ahead, field, flat)
    mean = uniform_filter1d(taken, _BOX, axis=2)
    side = round(SIDE_MM / STEP_MM)
    tape = np.maximum(np.roll(mean, side, axis=2), np.roll(mean, -side, axis=2))
    rows = np.arange(taken.shape[1])
    along = (mean - tape)[:, rows, np.array([_columns(*lean) for lean in _LEANS])]
    gain, far = ending(np.stack([along[..., _FAR:], along[..., _FAR::-1]], axis=2))
    weaker = gain.min(axis=2)
    places, best = np.arange(len(foot_mm)), weaker.argmax(axis=1)
    strength, reach, lean = weaker[places, best], far[places, best], _LEANS[best]
    width, glint = np.array([_shape(*told) for told in zip(taken, reach, lean, strict=True)]).reshape(-1, 2).T
    aside = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    way = ahead + lean[:, :1] * aside
    return Bars(strength, reach, foot_mm + lean[:, 1:] * aside, way / np.hypot(*way.T)[:, None], width, glint)


def ending(contrast: Array) -> tuple[Array, Array]:
    """For the best place to end, how much more contrast there is before it than beyond, and that place in mm;
    ``contrast`` (…, N) every ``STEP_MM`` from the line on."""
    total = np.cumsum(np.concatenate([np.zeros((*contrast.shape[:-1], 1)), contrast], axis=-1), axis=-1)
    first = round(FIRST_MM / STEP_MM)
    near, far = (round(mm / STEP_MM) for mm in BEYOND_MM)
    end = np.arange(round(SHORTEST_MM / STEP_MM), round(LONGEST_MM / STEP_MM) + 1)
    before = (total[..., end] - total[..., first : first + 1]) / (end - first)
    beyond = (total[..., end + far] - total[..., end + near]) / (far - near)
    gain = before - np.abs(beyond)
    best = gain.argmax(axis=-1)
    return np.take_along_axis(gain, best[..., None], axis=-1)[..., 0], end[best] * STEP_MM


def _patches(foot_mm: Array, ahead: Array, field: InkField, flat: FlatView) -> Array:
    """Share of light taken (K, 2 ``_FAR`` + 1, 2 ``_WIDE`` + 1) along each way and across it."""
    along, across = (STEP_MM * np.arange(-n, n + 1) for n in (_FAR, _WIDE))
    aside = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    grid = foot_mm[:, None, None] + along[:, None, None] * ahead[:, None, None] + across[:, None] * aside[:, None, None]
    ratio = sampled(field.ratio, flat.px_from_mm(grid.reshape(-1, 2)))
    return np.asarray(1 - np.exp(-strongest(ratio).astype(float))).reshape(len(foot_mm), len(along), len(across))


def _columns(slope: float, shift_mm: float) -> np.ndarray:
    """The column of a patch in which each of its rows meets a bar."""
    return _WIDE + np.round(shift_mm / STEP_MM + slope * np.arange(-_FAR, _FAR + 1)).astype(int)


def _shape(taken: Array, reach_mm: Array, lean: Array) -> tuple[float, float]:
    """Width and glint of one bar in its patch."""
    first = round(FIRST_MM / STEP_MM)
    ahead, back = (np.arange(first, round(far / STEP_MM) + 1) for far in reach_mm)
    rows, half = _FAR + np.r_[ahead, -back], round(PROFILE_MM / STEP_MM)
    across = np.arange(-half, half + 1)
    profile = taken[rows[:, None], _columns(*lean)[rows, None] + across].mean(axis=0)
    at = STEP_MM * across
    tape = [float(np.median(profile[side])) for side in (at < -1.3, at > 1.3)]
    top = half - 2 + int(np.argmax(profile[half - 2 : half + 3]))
    depth = max(float(profile[top]) - max(tape), 0.02)
    glint = max(tape[0] - float(profile[at < -0.5].min()), tape[1] - float(profile[at > 0.5].min())) / depth
    over = profile - (float(profile[top]) + max(tape)) / 2
    return (STEP_MM * (way_down(over[top:]) + way_down(over[top::-1])) if over[top] > 0 else 0.0), glint
