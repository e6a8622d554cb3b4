"""The shell's outer boundary in the flat view."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_fill_holes, maximum_filter1d, median_filter
from skimage.measure import find_contours

from extract.doors import Array, Bytes, CannotContinue, FlatView, Mask, Silhouette
from extract.ink.shell_view import TableView, card_white, coarser, lab_of, shrink, table_view, window_of
from extract.ink.silhouette_coarse import best_blob
from extract.ink.silhouette_cut import ColourModels, cut_out
from extract.ink.silhouette_darts import close_notches
from extract.ink.silhouette_edge import (
    STEP_MM,
    Floats,
    arc_mean,
    best_path,
    make_bank,
    peak,
    read,
    sample_across,
    sharpness,
    smooth_closed,
    step_strength,
    tone_shift,
)
from extract.ink.silhouette_slits import find_slits, with_slits

SPACING_MM = 0.45
"""Points of a ring: chords of scissors' curves then stay within a hundredth of a millimetre."""


def find_silhouette(flat: FlatView) -> Silhouette:
    """Outline of the shell, sub-pixel, in plane millimetres.

    Raises CannotContinue when no shell is to be seen, or when it runs out of the picture.
    """
    small = shrink(flat, 1.0)
    white = card_white(small)
    table = table_view(small, white, 1.5)
    coarse = coarser(table, 6)
    found = best_blob(coarse)
    if found is None or found.score < 0.1:
        raise CannotContinue(
            "ink",
            "I cannot find a shell on the table.",
            "Lay the shell flat beside the card on a table of another colour or lightness and take the photo again.",
        )
    rows, columns = np.nonzero(found.blob)
    low = coarse.flat.mm_from_px(np.array([columns.min(), rows.min()], float)) - 30
    high = coarse.flat.mm_from_px(np.array([columns.max(), rows.max()], float)) + 30
    view = window_of(table, low, high)
    mask, models = cut_out(view, _carry(found.blob, coarse, view), white)
    rings = [refine(flat, ring, models) for ring in outlines(mask, view)]
    return Silhouette(tuple(rings), 0.1, tuple(np.zeros(len(ring), bool) for ring in rings))


def _carry(blob: Mask, source: TableView, target: TableView) -> Mask:
    """The blob in another view's pixels."""
    scale = target.flat.mm_per_px / source.flat.mm_per_px
    shift = source.flat.px_from_mm(np.asarray(target.flat.origin_mm))
    move = np.array([[scale, 0, shift[0]], [0, scale, shift[1]]])
    size = target.seen.shape[::-1]
    soft = cv2.warpAffine(blob.astype(np.float32), move, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.asarray(soft > 0.5, bool)


def outlines(mask: Mask, view: TableView) -> list[Array]:
    """Outer boundaries of the mask's pieces in mm, evenly spaced, counter-clockwise as seen with y down."""
    padded = cv2.GaussianBlur(np.pad(binary_fill_holes(mask).astype(np.float32), 2), (0, 0), 0.7)
    rings = []
    for contour in find_contours(padded, 0.5):
        ring = view.flat.mm_from_px(contour[:-1, ::-1] - 2)
        area = signed_area(ring)
        if abs(area) > 1000:
            rings.append(resample(ring if area < 0 else ring[::-1], SPACING_MM))
    return sorted(rings, key=lambda ring: -abs(signed_area(ring)))


def signed_area(ring: Array) -> float:
    x, y = ring.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def resample(ring: Array, spacing_mm: float) -> Array:
    """Points of a closed ring at even distance along it."""
    closed = np.vstack([ring, ring[:1]])
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    count = max(8, round(along[-1] / spacing_mm))
    at = np.arange(count) * along[-1] / count
    return np.stack([np.interp(at, along, closed[:, i]) for i in (0, 1)], axis=1)


def outward_normals(ring: Array, sd: float) -> Array:
    """Unit normals of a smoothed ring that runs counter-clockwise with y down (negative signed area)."""
    smooth = smooth_closed(ring, sd)
    along = np.roll(smooth, -1, 0) - np.roll(smooth, 1, 0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    return normal / np.maximum(np.hypot(*normal.T), 1e-9)[:, None]


def refine(flat: FlatView, ring: Array, models: ColourModels) -> Array:
    """Move the ring onto the edge: a wide search among all edges near it, then the fit of the step's model."""
    ring = resample(_step_towards_edge(flat, ring, models), SPACING_MM)
    blur = edge_sharpness(flat, ring)
    for inwards_mm, outwards_mm in ((1.2, 0.6), (0.4, 0.4)):
        ring = resample(_fit_edge(flat, ring, models, blur, inwards_mm, outwards_mm), SPACING_MM)
    ring = close_notches(flat, models, ring, outward_normals(ring, 1.0 / SPACING_MM), SPACING_MM)
    ring = resample(ring, SPACING_MM)
    ring = with_slits(ring, find_slits(flat, models, ring, outward_normals(ring, 2.0 / SPACING_MM)))
    return resample(ring, SPACING_MM)


def edge_sharpness(flat: FlatView, ring: Array) -> tuple[float, float]:
    """The picture's own blur across the edge, from points all along it."""
    some = slice(None, None, max(1, len(ring) // 250))
    offsets = np.arange(-1.8, 1.8 + 1e-6, STEP_MM)
    profiles = sample_across(flat, ring[some], outward_normals(ring, 1.5 / SPACING_MM)[some], offsets)[0]
    return sharpness(profiles / np.float32(255), offsets, np.arange(-0.8, 0.8 + 1e-6, STEP_MM))


def _step_towards_edge(flat: FlatView, ring: Array, models: ColourModels, reach_mm: float = 1.6) -> Array:
    normals = outward_normals(ring, 2.0 / SPACING_MM)
    offsets = np.arange(-reach_mm, reach_mm + 1e-6, STEP_MM)
    seen, points = sample_across(flat, ring, normals, offsets)
    sides = np.cumsum(arc_mean(models.likeness(seen, points), 3) * STEP_MM, axis=1)
    strength = step_strength(arc_mean(seen / np.float32(255), 3), round(0.4 / STEP_MM))
    score = 0.5 * strength / (np.median(strength.max(1)) + strength.max(1, keepdims=True)) + sides
    calm = ~distracted(flat, ring, normals, models.white)
    path = best_path(score * calm[:, None], 0.3)
    return _moved(ring, offsets[path], normals, calm)


def _fit_edge(
    flat: FlatView,
    ring: Array,
    models: ColourModels,
    blur: tuple[float, float],
    inwards_mm: float,
    outwards_mm: float,
) -> Array:
    normals = outward_normals(ring, 1.5 / SPACING_MM)
    edges = np.arange(-inwards_mm, outwards_mm + 1e-6, STEP_MM)
    offsets = np.arange(-inwards_mm - 1.2, outwards_mm + 1.5 + 1e-6, STEP_MM)
    seen, points = sample_across(flat, ring, normals, offsets)
    bank = make_bank(offsets, edges, blur)
    reading = read(arc_mean(seen / np.float32(255), 2), bank)
    within = slice(round((edges[0] - offsets[0]) / STEP_MM), round((edges[-1] - offsets[0]) / STEP_MM) + 1)
    likeness = shadow_blind(models.likeness(seen[:, within], points[:, within]), seen, seen[:, within])
    sides = np.cumsum(arc_mean(likeness, 2) * STEP_MM, axis=1)
    noise = reading.rest.min(1, keepdims=True)
    calm = ~distracted(flat, ring, normals, models.white)
    score = -5 * reading.rest / (noise + 0.5 * np.median(noise)) + 4 * sides
    path = best_path(score * calm[:, None], 0.2)
    at = np.arange(len(path)), path
    shift = edges[0] + STEP_MM * peak(score, path)
    shift = shift - tone_shift(reading.inside[at], reading.beyond[at], bank.blur[0])
    return _moved(ring, shift, normals, calm)


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


def distracted(flat: FlatView, ring: Array, normals: Array, white: npt.NDArray[np.float32]) -> Mask:
    """Points where something crosses the edge from inside (a stroke, a glaring crease): the shell just inside is
    unlike the shell along the edge to either side."""
    seen, _ = sample_across(flat, ring, normals, np.arange(-2.0, -0.7, 0.25))
    lab = lab_of(seen, white).mean(1)
    usual = median_filter(lab, (2 * round(12 / SPACING_MM) + 1, 1), mode="wrap")
    off = np.linalg.norm(lab - usual, axis=1)
    odd = off > max(8.0, 4 * float(np.median(off)))
    return np.asarray(maximum_filter1d(odd, 2 * round(1.4 / SPACING_MM) + 1, mode="wrap"), bool)
