"""The outline taken off the shell's shadow.

On a bright table a shell's soft shadow may be just as light as its tape, and the outline then runs along the shadow's
far side. But the shell ends in a cut face that lies in the dark, to be seen as a fine line between tape and shadow, and
no such line borders the shadow itself. So a fine dark line that runs along just inside the outline is taken for the
edge where what lies between is the table's own colour and grain in less light, and where all such stretches are what
one lamp can have made: on one side, equally dark, and as wide as a shadow that falls one way is there. A line that
keeps its distance whichever way the outline faces is the edge of a tape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, grey_closing, grey_opening, uniform_filter1d
from scipy.signal import find_peaks, peak_widths

from extract.doors import Array, FlatView, Mask
from extract.ink.silhouette_edge import STEP_MM, Floats, arc_mean, as_floats, best_path, sample_across
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_ring import outward_normals, runs, smooth_closed

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
"""By what share the line is darker than the darker of its sides, at least. Along outlines that are right, 95 % of
points show nothing so dark within reach (own scenes with exact truth)."""

MOST_EDGED = 0.1
"""Where the outline itself is as dark a line, it lies on the cut face, and the line inside is the edge of a tape."""

BEND, JUMP = 0.15, 8.0
"""What the path of the line pays to bend and to jump, as it must where the outline leaves the shadow's far side."""

LONG_MM, SHORT_MM, GAP_MM, ENOUGH_MM = 10.0, 5.0, 6.0, 20.0
"""One stretch is as long, with gaps bridged, and those that agree with it at least half as long; all of them together
as long again."""

SHADE = (-1.2, -0.3)
"""Natural logarithm of a shadow's light over the table's: one lamp in a room with light walls leaves 0.3 to 0.75."""

TINTED = 0.08
"""How unequally, in the same measure, a shadow may dim blue, green and red."""

LINES_ROOM_MM, NEAR_LINE_MM, WIDEST_MM = 1.6, 0.6, 1.2
"""So much on either side of the line tells how wide it is; so far from where it was found it may lie; and no cut face
is so wide, but a pen's line: on our own scenes up to 0.85 mm are seen of the one and 1.4 of the other."""

NEAR_FACE_MM = 0.25, 0.35
MOST_ROUGHER, SMOOTH = 2.5, 0.03
"""A shadow shows the table's own grain, tape more: the strip, away from the outline and the line so far, is at most so
many times as rough as the table beside it, of which none counts as smoother than a camera's noise."""

ONE_WAY, FACING, ALONE_MM = 0.35, 0.25, 60.0
MOST_WIDER, MOST_NARROWER, ALIKE = 1.8, 2.5, 0.2
"""Shadows of one lamp: the mean of their unit normals is at least so long, each faces the way they fall with such a
cosine, is so much wider or narrower than the median one, the rim's height given, and differs so little from it in the
logarithm of its light. A stretch alone is believed when so long, or where the map doubts that the strip is shell."""

DOUBTED = 2.0
"""Log odds; those of tape beside a tape's edge are as sure as any."""

EVEN_MM = 0.15
"""By how much (mean absolute error) one distance must tell all widths better than a shadow does that falls one way."""


@dataclass(frozen=True, eq=False)
class Lines:
    """Per point of a ring: ``inside_mm`` (N,) how far inside the outline a fine dark line runs, where ``seen``;
    ``edged`` (N,) by what share the outline itself is such a line; ``normals`` (N, 2) outwards."""

    inside_mm: Array
    seen: Mask
    edged: Array
    normals: Array


@dataclass(frozen=True, eq=False)
class Stretch:
    """A run of points, ``at``, whose line may be the cut face: the median width of what lies beyond, the mean outward
    ``normal``, the log of that strip's light over the table's, whether it is ``doubted`` that the strip is shell."""

    at: Indices
    wide_mm: float
    normal: Array
    shade: float
    doubted: bool


def off_shadow(flat: FlatView, ring: Array, spacing_mm: float, shell: ShellMap | None = None) -> Array | None:
    """The ring (N, 2), with points ``spacing_mm`` apart, moved inwards onto the cut face wherever it ran along the
    shadow's far side; None where it does so nowhere. ``shell`` is the map, if one is known."""
    lines = _lines(flat, ring, spacing_mm)
    if lines.seen.sum() * spacing_mm < ENOUGH_MM:
        return None
    found = [stretch for run in runs(lines.seen) if (stretch := _stretch(flat, ring, lines, run, shell))]
    shadow = _of_one_lamp(lines, found, spacing_mm)
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
    path = best_path(score, BEND, jump=JUMP)
    inside = -near[path]
    dark = smooth_closed(np.where(inside > AT_EDGE_MM, score[np.arange(len(ring)), path], -1.0), 1.0) > 0
    gap, short = round(GAP_MM / spacing_mm), round(SHORT_MM / spacing_mm)
    bridged = grey_closing(dark.astype(np.uint8), 2 * (gap // 2) + 1, mode="wrap")
    lasting = grey_opening(bridged, 2 * (short // 2) + 1, mode="wrap") > 0
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


def _stretch(flat: FlatView, ring: Array, lines: Lines, run: Indices, shell: ShellMap | None) -> Stretch | None:
    """The stretch along a run where what lies between line and outline is table in shadow; None where it is not."""
    wide = float(np.median(lines.inside_mm[run]))
    if wide < LEAST_MM or np.median(lines.edged[run]) > MOST_EDGED:
        return None
    points, normals, inside = ring[run], lines.normals[run], lines.inside_mm[run]
    if _line_mm(flat, points - inside[:, None] * normals, normals) > WIDEST_MM:
        return None
    middle = np.maximum(0.5 * inside, 0.15)
    between = _along(_light(flat, points, normals, -middle[:, None]))[:, 0]
    table = _along(_light(flat, points, normals, np.array([0.8, 1.1, 1.4]))).mean(1)
    shade = np.median(np.log(between / table), axis=0)
    if not SHADE[0] < shade.mean() < SHADE[1] or np.ptp(shade) > TINTED:
        return None
    across = np.linspace(NEAR_FACE_MM[0], np.maximum(inside - NEAR_FACE_MM[1], NEAR_FACE_MM[0]), 5, axis=1)
    rough, table_rough = (_roughness(_light(flat, points, normals, off)) for off in (-across, across + 0.55))
    if rough > MOST_ROUGHER * max(table_rough, SMOOTH):
        return None
    doubted = shell is not None and float(np.median(shell.at(points - middle[:, None] * normals))) < DOUBTED
    return Stretch(run, wide, normals.mean(0), float(shade.mean()), doubted)


def _line_mm(flat: FlatView, points_mm: Array, normals: Array) -> float:
    """How wide the dark line along points (N, 2) is, at half its depth; nothing where none is."""
    offsets = np.arange(-LINES_ROOM_MM, LINES_ROOM_MM + 1e-6, STEP_MM)
    level = np.median(_light(flat, points_mm, normals, offsets).mean(-1), axis=0)
    at, told = find_peaks(-level, prominence=LEAST_DARK * level.max())
    near = np.abs(offsets[at]) < NEAR_LINE_MM
    if not near.any():
        return 0.0
    plainest = at[near][told["prominences"][near].argmax()]
    return float(peak_widths(-level, [plainest])[0][0] * STEP_MM)


def _light(flat: FlatView, points_mm: Array, normals: Array, offsets_mm: Array) -> Array:
    """Light (N, J, 3) at offsets (J,) or (N, J) along the normals of N points."""
    seen, _ = sample_across(flat, points_mm, normals, offsets_mm)
    return as_floats(seen).astype(float) ** 2.2 + 0.004


def _along(light: Array) -> Array:
    """Smoothed along an outline."""
    return np.asarray(uniform_filter1d(light, 9, axis=0, mode="nearest"), float)


def _roughness(light: Array) -> float:
    """Robust sd of the log of light (N, J, 3) along an outline, without what changes over more than two millimetres."""
    level = np.log(light.mean(-1))
    fine = level - gaussian_filter1d(level, 4.0, axis=0, mode="nearest")
    return 1.48 * float(np.median(np.abs(fine)))


def _of_one_lamp(lines: Lines, found: list[Stretch], spacing_mm: float) -> Mask:
    """Points of those stretches that one lamp can have shaded: all others are put aside until the rest agree."""
    out = np.zeros(len(lines.seen), bool)
    while True:
        kept = _agreeing(lines, found, spacing_mm)
        if len(kept) == len(found):
            break
        found = kept
    if not found or _keeps_its_distance(lines, np.concatenate([stretch.at for stretch in found])):
        return out
    for stretch in found:
        out[stretch.at] = True
    return out


def _keeps_its_distance(lines: Lines, at: Indices) -> bool:
    """Whether the line runs equally far inside whichever way the outline faces, as the edge of a tape may but no
    shadow's does."""
    normals, wide_mm = lines.normals[at], lines.inside_mm[at]
    falling = np.abs(wide_mm - normals @ np.linalg.lstsq(normals, wide_mm, rcond=None)[0]).mean()
    return bool(np.abs(wide_mm - np.median(wide_mm)).mean() < falling - EVEN_MM)


def _agreeing(lines: Lines, found: list[Stretch], spacing_mm: float) -> list[Stretch]:
    """Those stretches that lie on one side, are as dark as most and as wide as a shadow that falls one way is there;
    none where they are too few or lie all round."""
    if not found:
        return []
    every = np.concatenate([stretch.at for stretch in found])
    mean = lines.normals[every].mean(0)
    enough = ENOUGH_MM if len(found) > 1 or found[0].doubted else ALONE_MM
    longest = max(len(stretch.at) for stretch in found)
    if len(every) * spacing_mm < enough or longest * spacing_mm < LONG_MM or np.hypot(*mean) < ONE_WAY:
        return []
    way = _fall(lines.normals[every], lines.inside_mm[every], mean / np.hypot(*mean))
    weights = [len(stretch.at) for stretch in found]
    facing = np.array([stretch.normal @ way for stretch in found])
    ratio = np.array([stretch.wide_mm for stretch in found]) / np.maximum(facing, 0.05)
    shade = np.array([stretch.shade for stretch in found])
    width = ratio / np.median(np.repeat(ratio, weights))
    alike = np.abs(shade - np.median(np.repeat(shade, weights))) < ALIKE
    fits = (facing > FACING) & (width < MOST_WIDER) & (width > 1 / MOST_NARROWER) & alike
    return [stretch for stretch, fit in zip(found, fits, strict=True) if fit]


def _fall(normals: Array, wide_mm: Array, mean: Array) -> Array:
    """Unit vector along which the shadow falls: its width along a normal is its length times the normal's share of that
    vector. The ``mean`` normal where the widths say nothing like it."""
    fall, *_ = np.linalg.lstsq(normals, wide_mm, rcond=None)
    length = float(np.hypot(*fall))
    return np.asarray(fall / length if fall @ mean > 0.5 * length > 0 else mean, float)
