"""The outline moved onto the shell's edge, cuts and all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter

from extract.doors import Array, Bytes, FlatView, Mask
from extract.ink.shell_view import Image, lab_of
from extract.ink.silhouette_darts import gap_beside
from extract.ink.silhouette_edge import (
    STEP_MM,
    Floats,
    arc_mean,
    as_floats,
    best_path,
    make_bank,
    peak,
    read,
    sample_across,
    sharpness,
    step_strength,
    tone_shift,
)
from extract.ink.silhouette_ends import guessed_ends
from extract.ink.silhouette_net import CLIP, ShellMap
from extract.ink.silhouette_notches import close_notches
from extract.ink.silhouette_read import Reading
from extract.ink.silhouette_ring import outward_normals, resample, smooth_closed, untangled
from extract.ink.silhouette_shadow import off_shadow
from extract.ink.silhouette_slits import find_slits, with_slits

SPACING_MM = 0.45
"""Points of a ring: chords of scissors' curves then stay within a hundredth of a millimetre."""


BESIDE_MM = np.arange(0.4, 1.7, 0.3)
EVEN, THIN_MM = 1.0, 1.2
"""An edge is doubtful where the log odds so close to it are nearer to even. On scenes with exact truth this leaves half
as much astray untold as asking whether the two sides differ in colour, and marks little more."""

SURELY_SHELL = 1.0
"""Log odds; those of the edge itself are even."""

NET_STEP = 1.0
"""How much the network's log odds count in the first search."""

TINT_FIT = 0.5
"""How much those of the tint count in the last: a shadow has the table's tint. More would roughen the edge."""


@dataclass(frozen=True, eq=False)
class Edge:
    """A refined ring, ``noise_mm`` the scatter of single readings of its edge, and per point whether it is nearly
    even where it runs."""

    ring: Array
    noise_mm: float
    unsure: Mask


def refine(flat: FlatView, ring: Array, reading: Reading) -> Edge:
    """Move the ring onto the edge: a wide search among all edges near it, then the fit of the step's model."""
    ring = resample(_step_towards_edge(flat, ring, reading), SPACING_MM)
    blur = edge_sharpness(flat, ring)
    for inwards_mm, outwards_mm in ((1.2, 0.6), (0.4, 0.4)):
        fitted, noise_mm = _fit_edge(flat, ring, reading, blur, inwards_mm, outwards_mm)
        ring = resample(fitted, SPACING_MM)
    lit = off_shadow(flat, ring, SPACING_MM, reading.map)
    ring = ring if lit is None else resample(untangled(lit), SPACING_MM)
    ring = close_notches(flat, reading, ring, outward_normals(ring, 1.0 / SPACING_MM), SPACING_MM)
    ring = resample(untangled(ring), SPACING_MM)
    ring = with_slits(ring, find_slits(flat, reading, ring))
    ring = resample(untangled(ring), SPACING_MM)
    unsure = doubtful(ring, reading.map) | guessed_ends(flat, reading.models.white, ring)
    return Edge(ring, noise_mm, unsure)


def doubtful(ring: Array, shell: ShellMap, least_mm: float = 3.0) -> Mask:
    """Points where it is nearly even over at least ``least_mm`` whether shell lies inside and table outside."""
    normals = outward_normals(ring, 1.0 / SPACING_MM)
    beside = BESIDE_MM[:, None] * normals[:, None]
    inner, outer = shell.at(ring[:, None] - beside).mean(1), -shell.at(ring[:, None] + beside).mean(1)
    # in the thin end of a cut the other side lies so close that the map says nothing of what is between
    outer[gap_beside(ring, normals) < THIN_MM] = CLIP
    faint = smooth_closed(np.minimum(inner, outer), 2.0) < EVEN
    half = round(least_mm / SPACING_MM / 2)
    lasting = ~maximum_filter1d(~faint, 2 * half + 1, mode="wrap")
    return np.asarray(maximum_filter1d(lasting, 2 * half + 1, mode="wrap"), bool)


def edge_sharpness(flat: FlatView, ring: Array) -> tuple[float, float]:
    """The picture's own blur across the edge, from points all along it."""
    some = slice(None, None, max(1, len(ring) // 250))
    offsets = np.arange(-1.8, 1.8 + 1e-6, STEP_MM)
    profiles = sample_across(flat, ring[some], outward_normals(ring, 1.5 / SPACING_MM)[some], offsets)[0]
    return sharpness(as_floats(profiles), offsets, np.arange(-0.8, 0.8 + 1e-6, STEP_MM))


def _step_towards_edge(flat: FlatView, ring: Array, reading: Reading, reach_mm: float = 2.4) -> Array:
    normals = outward_normals(ring, 2.0 / SPACING_MM)
    offsets = np.arange(-reach_mm, reach_mm + 1e-6, STEP_MM)
    seen, points = sample_across(flat, ring, normals, offsets)
    words = reading.models.likeness(seen, points) + NET_STEP * reading.net.at(points) + reading.tint.at(points)
    sides = np.cumsum(arc_mean(words, 3) * STEP_MM, axis=1)
    strength = step_strength(arc_mean(as_floats(seen), 3), round(0.4 / STEP_MM))
    score = 0.5 * strength / (np.median(strength.max(1)) + strength.max(1, keepdims=True)) + sides
    calm = ~distracted(flat, ring, normals, reading.models.white)
    path = best_path(_this_side(score * calm[:, None], offsets, ring, normals), 0.3)
    return _moved(ring, offsets[path], normals, calm)


def _this_side(score: Array, offsets: Array, ring: Array, normals: Array) -> Array:
    """The score with what lies past the middle of a narrow cut ruled out: there the other side's edge begins."""
    beyond = offsets[None] > np.maximum(0.5 * gap_beside(ring, normals), STEP_MM)[:, None]
    return np.where(beyond, score - 1e3, score)


def _fit_edge(
    flat: FlatView,
    ring: Array,
    reading: Reading,
    blur: tuple[float, float],
    inwards_mm: float,
    outwards_mm: float,
) -> tuple[Array, float]:
    """The ring on its edge, and the scatter (robust sd, mm) of single readings about it."""
    normals = outward_normals(ring, 1.5 / SPACING_MM)
    edges = np.arange(-inwards_mm, outwards_mm + 1e-6, STEP_MM)
    offsets = np.arange(-inwards_mm - 1.2, outwards_mm + 1.5 + 1e-6, STEP_MM)
    seen, points = sample_across(flat, ring, normals, offsets)
    bank = make_bank(offsets, edges, blur)
    steps = read(arc_mean(as_floats(seen), 2), bank)
    within = slice(round((edges[0] - offsets[0]) / STEP_MM), round((edges[-1] - offsets[0]) / STEP_MM) + 1)
    likeness = shadow_blind(reading.models.likeness(seen[:, within], points[:, within]), seen, seen[:, within])
    # ink beside the edge is as dark as a shadow, but the map knows it from one
    likeness = np.where(reading.map.at(points[:, within]) > SURELY_SHELL, np.maximum(likeness, 1.0), likeness)
    likeness = likeness + TINT_FIT * reading.tint.at(points[:, within])
    sides = np.cumsum(arc_mean(likeness, 2) * STEP_MM, axis=1)
    noise = steps.rest.min(1, keepdims=True)
    calm = ~distracted(flat, ring, normals, reading.models.white)
    score = -5 * steps.rest / (noise + 0.5 * np.median(noise)) + 4 * sides
    path = best_path(_this_side(score * calm[:, None], edges, ring, normals), 0.2)
    at = np.arange(len(path)), path
    shift = edges[0] + STEP_MM * peak(score, path)
    shift = shift - tone_shift(steps.inside[at], steps.beyond[at], bank.blur[0])
    scatter = 1.48 * float(np.median(np.abs(shift - smooth_closed(shift, 2.0))))
    return _moved(ring, shift, normals, calm), scatter


def shadow_blind(likeness: Floats, seen: Bytes, part: Bytes) -> Floats:
    """Likeness of profiles in which what is darker than the shell does not count as shell: ink is as dark as the
    shadow under an edge, and the models, which know ink from the shell's inside, would take one for the other."""
    inner = median_filter(seen[:, :5].mean((1, 2)), 2 * round(6 / SPACING_MM) + 1, mode="wrap")
    dark = part.mean(-1) < 0.85 * inner[:, None]
    return np.where(dark, np.minimum(likeness, 0), likeness).astype(np.float32)


def _moved(ring: Array, shift: Array, normals: Array, calm: Mask) -> Array:
    """The ring shifted along its normals; points that are not to be trusted go onto the chord between those that are,
    which on an outline cut by scissors is off by hundredths of a millimetre."""
    if calm.sum() < 10:
        return ring
    at, count = np.arange(len(ring)), len(ring)
    smooth = smooth_closed(np.interp(at, at[calm], shift[calm], period=count), 1.0)
    moved = ring + smooth[:, None] * normals
    chord = np.stack([np.interp(at, at[calm], moved[calm, i], period=count) for i in (0, 1)], axis=1)
    # Round a corner the chord would cut it off: there the shifts are carried on instead.
    last, following = _trusted_neighbours(calm)
    bent = (normals[last] * normals[following]).sum(1) < 0.94
    return np.where(bent[:, None], moved, chord)


def _trusted_neighbours(calm: Mask) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """For each point of a ring the nearest trusted one before and after (itself when trusted)."""
    count = len(calm)
    at = np.arange(2 * count)
    twice = np.r_[calm, calm]
    last = np.maximum.accumulate(np.where(twice, at, -1))[count:] % count
    following = np.minimum.accumulate(np.where(twice, at, 2 * count)[::-1])[::-1][:count] % count
    return last, following


def distracted(flat: FlatView, ring: Array, normals: Array, white: Image) -> Mask:
    """Points where something crosses the edge from inside (a stroke, a glaring crease): the shell just inside is
    unlike the shell along the edge to either side."""
    seen, _ = sample_across(flat, ring, normals, np.arange(-2.0, -0.7, 0.25))
    lab = lab_of(seen, white).mean(1)
    usual = median_filter(lab, (2 * round(12 / SPACING_MM) + 1, 1), mode="wrap")
    off = np.linalg.norm(lab - usual, axis=1)
    odd = off > max(8.0, 4 * float(np.median(off)))
    return np.asarray(maximum_filter1d(odd, 2 * round(1.4 / SPACING_MM) + 1, mode="wrap"), bool)
