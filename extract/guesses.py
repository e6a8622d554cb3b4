"""Stretches of the cut edge that look too much like the table, and tips of cuts that end beside a line: the maker is
asked, and the answers settle them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from scipy.spatial import cKDTree

from extract.doors import Array, Mask, Silhouette
from extract.geometry.planar import arc_length
from extract.geometry.redraw import Line
from extract.geometry.tips import cut_tips

LEAST_MM = 3.0
"""What is shorter is not asked about: a wrong place as short as that shows on no part."""
TIP_MM = 8.0
"""A stretch no longer than that round the tip of a cut asks whether the cut ends there."""
REACH_MM = 3.0
"""An answer belongs to the stretch that its place lies on, by a finger's width on a screen."""
THIN_MM = 0.1
AT_TIP_MM = 0.6


def stretches(unsure: Mask) -> list[Array]:
    """Indices of each run of True round a ring, in order; one that crosses the ring's beginning is one run."""
    count = len(unsure)
    if not unsure.any():
        return []
    turn = 0 if unsure.all() else int(np.argmin(unsure))
    marked = (np.flatnonzero(np.roll(unsure, -turn)) + turn) % count
    ends = np.flatnonzero((np.diff(marked) != 1) & (np.diff(marked) != 1 - count)) + 1
    return np.split(marked, ends)


def guesses(silhouette: Silhouette) -> list[dict[str, Any]]:
    """The stretches as they are asked about, the longest first: JSON-ready, mm."""
    found = []
    for number, (ring, unsure) in enumerate(zip(silhouette.rings_mm, silhouette.unsure, strict=True), start=1):
        for run in stretches(unsure):
            points = ring[run]
            length = float(arc_length(points)[-1])
            if length >= LEAST_MM:
                thin = shapely.get_coordinates(shapely.LineString(points).simplify(THIN_MM))
                found.append(
                    {
                        "edge": f"edge-{number}",
                        "at": np.round(points[len(points) // 2], 3).tolist(),
                        "length": round(length, 1),
                        "tip": length < TIP_MM and _holds_a_tip(points, ring),
                        "points": np.round(thin, 3).tolist(),
                    }
                )
    return sorted(found, key=lambda each: -each["length"])


def _holds_a_tip(points: Array, ring: Array) -> bool:
    return any(np.hypot(*(points - tip).T).min() < AT_TIP_MM for tip, _ in cut_tips(ring))


def still_unsure(old: Silhouette, rings: Mapping[str, Line], right: Sequence[Array]) -> tuple[Mask, ...]:
    """For every ring as it lies now, where it is still a guess: not where a hand set it, nor where the maker said that
    it runs right."""
    return tuple(
        _still(ring, _answered(ring, unsure, right), line)
        for ring, unsure, line in zip(old.rings_mm, old.unsure, rings.values(), strict=True)
    )


def on_a_guess(silhouette: Silhouette, place: Array) -> bool:
    """Whether the place lies on a stretch that is asked about."""
    return any(
        _near(ring[run], place)
        for ring, unsure in zip(silhouette.rings_mm, silhouette.unsure, strict=True)
        for run in stretches(unsure)
    )


def _answered(ring: Array, unsure: Mask, right: Sequence[Array]) -> Mask:
    left = unsure.copy()
    for run in stretches(unsure):
        if any(_near(ring[run], place) for place in right):
            left[run] = False
    return left


def _near(points: Array, place: Array) -> bool:
    return float(np.hypot(*(points - place).T).min()) <= REACH_MM


def _still(ring: Array, unsure: Mask, line: Line) -> Mask:
    if not unsure.any() or len(line.points_mm) == 0:
        return np.zeros(len(line.points_mm), bool)
    # A ring that a hand pulled has other points; each is what the nearest one of before was.
    _, nearest = cKDTree(ring).query(line.points_mm)
    return np.asarray(unsure[nearest] & ~line.by_hand, bool)
