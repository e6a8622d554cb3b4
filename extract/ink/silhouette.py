"""The shell's outer boundary in the flat view.

Three steps, each a file: where the shell lies (silhouette_coarse), its mask to a millimetre (silhouette_cut), its edge
to a fraction of a pixel (silhouette_refine, with the relief cuts in silhouette_darts and silhouette_slits).
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import binary_fill_holes
from shapely import LinearRing, Polygon
from skimage.measure import find_contours

from extract.doors import Array, CannotContinue, FlatView, Mask, Silhouette
from extract.ink.shell_view import TableView, card_white, coarser, shrink, table_view, window_of
from extract.ink.silhouette_coarse import Candidate, candidates
from extract.ink.silhouette_cut import cut_out
from extract.ink.silhouette_refine import SPACING_MM, refine
from extract.ink.silhouette_ring import resample, signed_area

CARD_MARGIN_MM = 1.5
"""A card's paper, its bow and the shadow beside it reach this far past its outline."""

LEAST_SCORE = 0.3
"""Shells on all tables tried score 0.38 and more; a tape roll in its shadow, the best of the rest, at most 0.31."""

LEAST_PIECE_MM2 = 1000.0
"""Half of the smallest panel that counts."""

FLOOR_MM = 0.14
"""Doubt that no averaging removes: the cut face of a shell half a millimetre thick, seen aslant, and its shadow. The
median over scenes with exact truth (tests/bench/bench_edge.py)."""

LIKELY_CROPPED = 0.33
LONGEST_CROP_MM = 450.0
"""A blob that would score so high were it whole, and lies against the picture's rim no longer than a shell is wide, is
a shell cut off; the bare table itself touches the rim along more."""


def no_shell() -> CannotContinue:
    return CannotContinue(
        "ink",
        "I cannot find a shell on the table.",
        "Lay the shell flat beside the card, on a table of another colour or lightness, and take the photo again.",
    )


def cropped() -> CannotContinue:
    return CannotContinue(
        "ink", "The shell runs out of the picture.", "Step back until all of it is in view and try again."
    )


def find_silhouette(flat: FlatView) -> Silhouette:
    """Outline of the shell, relief cuts included, in plane millimetres; points lie about 0.45 mm apart.

    Raises CannotContinue when no shell is to be seen, when it runs out of the picture, or when a card covers it.
    """
    small = shrink(flat, 1.0)
    white = card_white(small)
    table = table_view(small, white, CARD_MARGIN_MM)
    coarse = coarser(table, 6)
    found = pick(candidates(coarse))
    view = _around(found, coarse, table)
    mask, models = cut_out(view, _carry(found, coarse, view), white)
    rings = outlines(mask, view)
    if not rings:
        raise no_shell()
    edges = [refine(flat, ring, models) for ring in rings]
    check_whole(edges[0].ring, flat)
    noise = float(np.hypot(FLOOR_MM, max(edge.noise_mm for edge in edges)))
    return Silhouette(tuple(edge.ring for edge in edges), noise, tuple(edge.unsure for edge in edges))


def pick(ranked: list[Candidate]) -> Mask:
    """The blob that is the shell; raises when there is none, or only one that is cut off by the picture's rim."""
    if ranked and ranked[0].score >= LEAST_SCORE:
        return ranked[0].blob
    if any(c.score_if_whole > LIKELY_CROPPED and 0 < c.touching_mm < LONGEST_CROP_MM for c in ranked):
        raise cropped()
    raise no_shell()


def check_whole(ring: Array, flat: FlatView, most_mm: float = 15.0) -> None:
    """Raise when the outline runs along the picture's rim or along a card for more than ``most_mm``."""
    rim = np.round(flat.px_from_mm(ring)).astype(int)
    reach = round(3.0 / flat.mm_per_px)
    height, width = flat.valid.shape
    blind = np.zeros(len(ring), bool)
    for x, y in ((reach, 0), (-reach, 0), (0, reach), (0, -reach)):
        column, row = rim[:, 0] + x, rim[:, 1] + y
        within = (column >= 0) & (row >= 0) & (column < width) & (row < height)
        blind |= ~within | ~flat.valid[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
    if blind.sum() * SPACING_MM > most_mm:
        raise cropped()
    line = LinearRing(ring)
    for outline in flat.card_outlines_mm:
        if line.intersection(Polygon(outline).buffer(CARD_MARGIN_MM + 1.0)).length > most_mm:
            raise CannotContinue(
                "ink", "A card lies on the shell or against it.", "Leave a finger's breadth between them and try again."
            )


def _around(blob: Mask, coarse: TableView, table: TableView, margin_mm: float = 30.0) -> TableView:
    rows, columns = np.nonzero(blob)
    low, high = (coarse.flat.mm_from_px(np.array([pick(columns), pick(rows)], float)) for pick in (np.min, np.max))
    return window_of(table, low - margin_mm, high + margin_mm)


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
        if abs(area) > LEAST_PIECE_MM2:
            rings.append(resample(ring if area < 0 else ring[::-1], SPACING_MM))
    return sorted(rings, key=lambda ring: -abs(signed_area(ring)))
