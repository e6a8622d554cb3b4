"""The outline taken off the shell's shadow.

On a bright table a shell's soft shadow may be just as light as its tape, and the outline then runs along the shadow's
far side. But the shell ends in a cut face that lies in the dark, to be seen as a fine line between tape and shadow, and
no such line borders the shadow itself. So a fine dark line that runs along just inside the outline is taken for the
edge, where what lies between is the table's own colour in less light, and where all such stretches face one way, as the
shadow of one lamp does, and are about as wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from extract.doors import Array, FlatView, Mask
from extract.ink.silhouette_edge import STEP_MM, Floats, arc_mean, as_floats, best_path, sample_across
from extract.ink.silhouette_ring import outward_normals, smooth_closed

Indices = npt.NDArray[np.int64]

REACH_MM = 2.6
"""A rim that stands up by two millimetres throws so wide a shadow under a lamp at 40°."""

AT_EDGE_MM = 0.3
"""A line so near the outline is the outline's own."""

LEAST_MM = 0.45
"""Narrower shadows are what the fit of the step tells apart by itself."""

SIDE_MM, CORE_MM, ARC_MM = 0.5, 0.3, 2.7
"""The line is compared with so far to either side of it; it is so wide, with the blur of a phone, and looked for in
means over so much of the outline."""

LEAST_DARK = 0.05
"""By what share the line is darker than the lighter of its sides, at least. Along outlines that are right, 95 % of
points show nothing so dark within reach (own scenes with exact truth)."""

MOST_EDGED = 0.1
"""Where the outline itself is as dark a line, it lies on the cut face, and the line inside is the edge of a tape."""

BEND = 0.15
LONG_MM, GAP_MM, ENOUGH_MM = 10.0, 6.0, 20.0
"""A stretch is as long, with gaps bridged; all of them together as long again."""

SHADE = (-1.2, -0.3)
"""Natural logarithm of a shadow's light over the table's: one lamp in a room with light walls leaves 0.3 to 0.75."""

TINTED = 0.1
"""How unequally, in the same measure, a shadow may dim blue, green and red."""

ONE_WAY, FACING, MOST_WIDER = 0.35, 0.25, 2.0
"""Shadows of one lamp: the mean of their unit normals is at least so long, each faces that mean with such a cosine, and
is no wider than so many times the median one."""


@dataclass(frozen=True, eq=False)
class Lines:
    """Per point of a ring: ``inside_mm`` (N,) how far inside the outline a fine dark line runs, where ``seen``;
    ``edged`` (N,) by what share the outline itself is such a line; ``normals`` (N, 2) outwards."""

    inside_mm: Array
    seen: Mask
    edged: Array
    normals: Array


def off_shadow(flat: FlatView, ring: Array, spacing_mm: float) -> Array | None:
    """The ring (N, 2), with points ``spacing_mm`` apart, moved inwards onto the cut face wherever it ran along the
    shadow's far side; None where it does so nowhere."""
    lines = _lines(flat, ring, spacing_mm)
    if lines.seen.sum() * spacing_mm < ENOUGH_MM:
        return None
    shadow = _of_one_lamp(lines, [run for run in _runs(lines.seen) if _shadowed(flat, ring, lines, run)], spacing_mm)
    if not shadow.any():
        return None
    return ring - smooth_closed(np.where(shadow, lines.inside_mm, 0.0), 1.0)[:, None] * lines.normals


def _lines(flat: FlatView, ring: Array, spacing_mm: float) -> Lines:
    normals = outward_normals(ring, 1.5 / spacing_mm)
    offsets = np.arange(-REACH_MM - 2 * SIDE_MM, AT_EDGE_MM + 2 * SIDE_MM + 1e-6, STEP_MM)
    seen, _ = sample_across(flat, ring, normals, offsets)
    level = arc_mean(as_floats(seen), round(ARC_MM / spacing_mm)).mean(-1)
    within = (offsets > -REACH_MM - 1e-6) & (offsets < AT_EDGE_MM + 1e-6)
    near, fine = offsets[within], _fine_line(level)[:, within]
    at_edge = np.abs(near) < AT_EDGE_MM - 1e-6
    score = np.clip(fine / LEAST_DARK - 1, -1, 2)
    score[:, at_edge] = 0.0
    path = best_path(score, BEND)
    inside = -near[path]
    dark = smooth_closed(np.where(inside > AT_EDGE_MM, score[np.arange(len(ring)), path], -1.0), 1.0) > 0
    gap, long = round(GAP_MM / spacing_mm), round(LONG_MM / spacing_mm)
    lasting = _opened(~_opened(~dark, gap), long)
    at = np.flatnonzero(lasting & dark)
    if not len(at):
        return Lines(inside, np.zeros(len(ring), bool), inside, normals)
    inside = np.interp(np.arange(len(ring)), at, inside[at], period=len(ring))
    return Lines(inside, lasting, fine[:, at_edge].max(1), normals)


def _fine_line(level: Floats) -> Array:
    """By what share each sample (N, J) is darker than the darker of what lies SIDE_MM to either side of it."""
    core = uniform_filter1d(level, round(CORE_MM / STEP_MM), axis=1)
    far = round(SIDE_MM / STEP_MM)
    sides = np.minimum(np.roll(core, far, axis=1), np.roll(core, -far, axis=1))
    return np.asarray((sides - core) / np.maximum(sides, 0.05), float)


def _opened(mask: Mask, length: int) -> Mask:
    """The mask of a closed ring without runs shorter than ``length``."""
    kept = minimum_filter1d(mask, 2 * (length // 2) + 1, mode="wrap")
    return np.asarray(maximum_filter1d(kept, 2 * (length // 2) + 1, mode="wrap"), bool)


def _runs(mask: Mask) -> list[Indices]:
    """Indices of each run of true points of a closed ring."""
    if mask.all():
        return [np.arange(len(mask))]
    starts, ends = (np.flatnonzero(mask & ~np.roll(mask, turn)) for turn in (1, -1))
    return [(start + np.arange(((ends - start) % len(mask)).min() + 1)) % len(mask) for start in starts]


def _shadowed(flat: FlatView, ring: Array, lines: Lines, run: Indices) -> bool:
    """Whether what lies between line and outline is table in shadow along a run."""
    if np.median(lines.inside_mm[run]) < LEAST_MM or np.median(lines.edged[run]) > MOST_EDGED:
        return False
    middle = np.maximum(0.5 * (lines.inside_mm[run] - 0.3) + 0.15, 0.15)
    between = _light(flat, ring[run] - middle[:, None] * lines.normals[run])
    table = np.mean([_light(flat, ring[run] + off * lines.normals[run]) for off in (0.8, 1.1, 1.4)], axis=0)
    shade = np.median(np.log(between / table), axis=0)
    return bool(SHADE[0] < shade.mean() < SHADE[1] and np.ptp(shade) < 2 * TINTED)


def _light(flat: FlatView, points_mm: Array) -> Array:
    """Light (N, 3) at points, smoothed along them."""
    seen, _ = sample_across(flat, points_mm, np.zeros_like(points_mm), np.zeros(1))
    return np.asarray(uniform_filter1d(as_floats(seen)[:, 0] ** 2.2, 9, axis=0, mode="nearest") + 0.004, float)


def _of_one_lamp(lines: Lines, runs: list[Indices], spacing_mm: float) -> Mask:
    out = np.zeros(len(lines.seen), bool)
    if not runs:
        return out
    every = np.concatenate(runs)
    mean = lines.normals[every].mean(0)
    length = float(np.hypot(*mean))
    if len(every) * spacing_mm < ENOUGH_MM or length < ONE_WAY:
        return out
    usual = float(np.median(lines.inside_mm[every]))
    for run in runs:
        facing = float(lines.normals[run].mean(0) @ mean) / length
        out[run] = facing > FACING and float(np.median(lines.inside_mm[run])) < MOST_WIDER * usual
    return out
