"""Relief cuts that were cut up to a line: from the tip of a cut on to the stroke just beyond it.

A cut narrows to nothing at its tip, so the last of it is too thin to be seen in a photo, most of all on dark ink. A cut
that is read to end just short of the middle of a drawn line was most likely cut to the line.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely
from shapely import LineString, MultiLineString

from extract.doors import Array, Mask, Silhouette, Stroke
from extract.geometry.planar import closed_up
from extract.geometry.tips import cut_tips

REACH_MM = 0.25
"""From the tip as read, a fifth of a millimetre short as a rule, to the middle of the line: the bound that takes fewest
cuts for what they are not on our own scenes with exact truth."""
GUESS_MM = (-0.75, 1.75)
"""How far ahead of a tip (behind it: negative) a line leaves it a guess whether the cut parts the panels there."""

ASKED_MM = 2.5
"""So much of either side of such a cut is marked."""

OVERRUN_MM = 0.05


def tip_lines(ring_mm: Array, strokes: list[LineString]) -> list[LineString]:
    """Short lines from the tips of the cuts in a ring to the first stroke straight ahead within ``REACH_MM``."""
    if not strokes:
        return []
    barriers = shapely.MultiLineString(strokes)
    out = []
    for tip, ahead in cut_tips(ring_mm):
        ray = LineString([tip, tip + REACH_MM * ahead])
        hits = shapely.get_coordinates(ray.intersection(barriers))
        if len(hits):
            far = float(((hits - tip) @ ahead).min())
            out.append(LineString([tip - OVERRUN_MM * ahead, tip + (far + OVERRUN_MM) * ahead]))
    return out


def guessed_tips(silhouette: Silhouette, strokes: Iterable[Stroke]) -> tuple[Mask, ...]:
    """For each ring, its points at the tips of cuts of which it is a guess whether they reach one of the strokes."""
    lines = [LineString(closed_up(s.points_mm) if s.closed else s.points_mm) for s in strokes]
    barriers = shapely.MultiLineString(lines)
    return tuple(_guessed(ring, barriers) for ring in silhouette.rings_mm)


def _guessed(ring_mm: Array, barriers: MultiLineString) -> Mask:
    out = np.zeros(len(ring_mm), bool)
    for tip, ahead in cut_tips(ring_mm):
        if LineString([tip + off_mm * ahead for off_mm in GUESS_MM]).intersects(barriers):
            out |= np.hypot(*(ring_mm - tip).T) < ASKED_MM
    return out
