"""The shell's outer boundary in the flat view."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import binary_fill_holes
from skimage.measure import find_contours

from extract.doors import Array, CannotContinue, FlatView, Mask, Silhouette
from extract.ink.shell_view import TableView, card_white, crop, shrink, table_view
from extract.ink.silhouette_coarse import best_blob
from extract.ink.silhouette_cut import cut_out
from extract.ink.silhouette_edge import (
    STEP_MM,
    arc_mean,
    best_path,
    make_bank,
    peak,
    read,
    sample_across,
    smooth_closed,
)

SPACING_MM = 0.4
"""Points of a ring: chords of scissors' curves then stay within a hundredth of a millimetre."""


def find_silhouette(flat: FlatView) -> Silhouette:
    """Outline of the shell, sub-pixel, in plane millimetres.

    Raises CannotContinue when no shell is to be seen, or when it runs out of the picture.
    """
    white = card_white(shrink(flat, 3.0))
    coarse = table_view(shrink(flat, 6.0), white, 0.0, 4.0)
    found = best_blob(coarse)
    if found is None or found.score < 0.1:
        raise CannotContinue(
            "ink",
            "I cannot find a shell on the table.",
            "Lay the shell flat beside the card on a table of another colour or lightness and take the photo again.",
        )
    near = _shell_window(flat, coarse, found.blob)
    view = table_view(shrink(near, 1.0), white, 0.0, 1.5)
    mask = cut_out(view, _carry(found.blob, coarse, view))
    rings = [refine(near, ring) for ring in outlines(mask, view)]
    return Silhouette(tuple(rings), 0.1, tuple(np.zeros(len(ring), bool) for ring in rings))


def _shell_window(flat: FlatView, coarse: TableView, blob: Mask, margin_mm: float = 30.0) -> FlatView:
    rows, columns = np.nonzero(blob)
    low = coarse.flat.mm_from_px(np.array([columns.min(), rows.min()], float)) - margin_mm
    high = coarse.flat.mm_from_px(np.array([columns.max(), rows.max()], float)) + margin_mm
    return crop(flat, low, high)


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


def refine(flat: FlatView, ring: Array) -> Array:
    """Move the ring onto the edge: a wide search, then a narrow one along the new normals."""
    for reach_mm, half in ((1.5, 3), (0.6, 2)):
        ring = resample(ring, SPACING_MM)
        normals = outward_normals(ring, 2.0 / SPACING_MM)
        edges = np.arange(-reach_mm, reach_mm + 1e-6, STEP_MM)
        offsets = np.arange(-reach_mm - 1.0, reach_mm + 2.2 + 1e-6, STEP_MM)
        profiles = arc_mean(sample_across(flat, ring, normals, offsets), half)
        bank = make_bank(offsets, edges, 0.2, 1.0)
        reading = read(profiles, bank)
        score = reading.gain / (reading.noise + np.median(reading.noise))[:, None]
        path = best_path(score, 0.2)
        shift = edges[0] + STEP_MM * peak(score, path)
        ring = ring + smooth_closed(shift, 1.0)[:, None] * normals
    return resample(ring, SPACING_MM)
