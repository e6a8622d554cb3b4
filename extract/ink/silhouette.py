"""The shell's outer boundary in the flat view.

Four steps, each a file or more: where shell is and where table (silhouette_read, by way of the coarse blobs of
silhouette_coarse, the networks of silhouette_net and the colours of silhouette_colours), which blobs are pieces of the
shell (silhouette_pieces), their edge to a fraction of a pixel (silhouette_refine), and the relief cuts to their tips
(silhouette_notches, silhouette_darts, silhouette_slits, silhouette_ends).
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from shapely import LinearRing, Polygon
from skimage.measure import find_contours

from extract.doors import Array, CannotContinue, FlatView, Mask, Silhouette
from extract.ink.silhouette_net import CARD_MARGIN_MM
from extract.ink.silhouette_pieces import LEAST_PIECE_MM2, pieces
from extract.ink.silhouette_read import Reading, cropped, no_shell, read_shell
from extract.ink.silhouette_refine import SPACING_MM, refine
from extract.ink.silhouette_ring import outward_normals, resample, signed_area, smooth_closed
from extract.ink.silhouette_tint import inked

FLOOR_MM = 0.14
"""Doubt that no averaging removes: the cut face of a shell half a millimetre thick, seen aslant, and its shadow. The
median over scenes with exact truth (tests/bench/bench_edge.py)."""

BEYOND_MM, SURELY_SHELLS, MOST_SHELLS = 3.0, 2.5, 0.025
"""So far outside a further piece log odds of the tint speak as surely for shell along no more of its edge: what is of
the same stuff on both sides of it is the side of a tape roll."""

CARD_BEYOND_MM, LEAST_CARD_MM, LARGEST_ROLL_MM2 = 5.0, 30.0, 20000.0
"""Nor does a tint of neither shell nor table lie so far outside one along so much of its edge, if it is no larger than
the side of a roll: that is the card which tape is rolled on. A coloured pen may lie beside a larger one."""

SCATTER_MM = 3.0
"""Sd of what evens out a tint that the camera's noise makes strange here and there."""

MOST_UNSURE = 0.5
"""Nor is one of which more of the edge is doubtful: a tile burnt out by a lamp."""


def find_silhouette(flat: FlatView) -> Silhouette:
    """Outlines of the shell's pieces, biggest first, relief cuts included, in plane millimetres; points lie about
    0.45 mm apart.

    Raises CannotContinue when no shell is to be seen, when it runs out of the picture, or when a card covers it.
    """
    reading = read_shell(flat)
    found = pieces(reading.map)
    rings = outlines(found.pieces, reading.map.flat)
    if not rings:
        raise no_shell()
    first, *others = (refine(flat, ring, reading) for ring in rings)
    check_whole(first.ring, flat)
    kept = [edge for edge in others if edge.unsure.mean() < MOST_UNSURE and not _rolls_side(edge.ring, reading)]
    edges = [first, *kept]
    noise = float(np.hypot(FLOOR_MM, max(edge.noise_mm for edge in edges)))
    left_out = [*(edge.ring for edge in others if edge not in kept), *outlines(found.left_out, reading.map.flat)]
    middles = tuple(ring.mean(axis=0) for ring in left_out)
    return Silhouette(tuple(edge.ring for edge in edges), noise, tuple(edge.unsure for edge in edges), middles)


def _rolls_side(ring: Array, reading: Reading) -> bool:
    """Whether it is the lit side of a tape roll."""
    return _beside_shell(ring, reading) or (abs(signed_area(ring)) < LARGEST_ROLL_MM2 and _beside_card(ring, reading))


def _beside_shell(ring: Array, reading: Reading) -> bool:
    """Whether beyond the edge lies what is no shell by the map, and has a shell's tint."""
    beyond = ring + BEYOND_MM * outward_normals(ring, 1.0 / SPACING_MM)
    shells = (reading.tint.at(beyond) > SURELY_SHELLS) & (reading.map.at(beyond) < 0)
    return bool(shells.mean() > MOST_SHELLS)


def _beside_card(ring: Array, reading: Reading) -> bool:
    """Whether beyond the edge lies what has a tint of neither shell nor table."""
    strange = replace(reading.map, odds=inked(reading.map.flat, reading.map.odds).astype(np.float32))
    beyond = strange.at(ring + CARD_BEYOND_MM * outward_normals(ring, 1.0 / SPACING_MM))
    even = smooth_closed(beyond.astype(float), SCATTER_MM / SPACING_MM)
    return bool((even > 0.5).sum() * SPACING_MM > LEAST_CARD_MM)


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
                "ink",
                "A card lies on the shell or against it, or a pen lies across both.",
                "Leave a finger's breadth between them, with nothing in it, and try again.",
            )


def outlines(mask: Mask, view: FlatView) -> list[Array]:
    """Outer boundaries of the mask's pieces in mm, evenly spaced, counter-clockwise as seen with y down."""
    padded = cv2.GaussianBlur(np.pad(mask.astype(np.float32), 2), (0, 0), 0.7)
    rings = []
    for contour in find_contours(padded, 0.5):
        ring = view.mm_from_px(contour[:-1, ::-1] - 2)
        area = signed_area(ring)
        if abs(area) > LEAST_PIECE_MM2:
            rings.append(resample(ring if area < 0 else ring[::-1], SPACING_MM))
    return sorted(rings, key=lambda ring: -abs(signed_area(ring)))
