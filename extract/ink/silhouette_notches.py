"""The thin ends of an outline's relief cuts put right: each keeps its own sides as far as they are seen apart, and gets
its tip where the picture shows it; notches that are no cuts are bridged."""

from __future__ import annotations

import numpy as np
from shapely import LineString

from extract.doors import Array, FlatView
from extract.ink.silhouette_darts import Frame, Notch, find_notches, frame_of, gap_beside
from extract.ink.silhouette_ends import cut_end
from extract.ink.silhouette_read import Reading

OWN_MM = 1.5
"""Where a cut is wider, the outline's own sides stand, which waver as scissors do."""

LAST_MM = 2.5
"""Where a cut points is said by what is narrower than that, for it may be bent."""

CLEAR_MM = 1.0
"""A cut that would run on to within that of another stays as deep as the outline runs: two lines in the table's own
colour that nearly meet would part the shell."""

SHALLOW_MM = 4.0
"""A notch that is no cut and no deeper is bridged."""


def close_notches(flat: FlatView, reading: Reading, ring: Array, normals: Array, spacing_mm: float) -> Array:
    """Ring with the end of each cut brought to its tip, false notches bridged."""
    notches = find_notches(ring, normals, spacing_mm)
    if not notches:
        return ring
    turn = notches[0].first
    last = [_moved(notch, turn) for notch in find_notches(ring, normals, spacing_mm, LAST_MM)]
    ring, gap = np.roll(ring, -turn, axis=0), np.roll(gap_beside(ring, normals), -turn)
    pieces: list[Array] = []
    taken: list[LineString] = []
    at = 0
    for notch in (_moved(notch, turn) for notch in notches):
        frame = frame_of(ring, notch, spacing_mm)
        if notch.first < at or (frame is None and _deepest(ring, notch)[1] > SHALLOW_MM):
            continue
        tip = None
        if frame is not None:
            end = _last_of(ring, notch, last, spacing_mm) or frame
            tip = cut_end(flat, reading.models.white, end.base.mean(0), end.open_mm, end.axis)
        if frame is None or tip is None:
            pieces.append(ring[at : notch.first])
            at = notch.last + 1
            continue
        onwards = LineString([_deepest(ring, notch)[0], tip])
        if any(onwards.distance(other) < CLEAR_MM for other in (_rest(ring, notch), *taken)):
            continue
        taken.append(onwards)
        inside = np.arange(notch.first, notch.last + 1)
        thin = inside[(gap[inside] < OWN_MM) | ((ring[inside] - tip) @ frame.axis > 0)]
        first, final = (thin[0], thin[-1]) if len(thin) else (notch.first, notch.last)
        pieces += [ring[at:first], tip[None]]
        at = int(final) + 1
    pieces.append(ring[at:])
    return np.vstack(pieces)


def _moved(notch: Notch, turn: int) -> Notch:
    return Notch(notch.first - turn, notch.last - turn)


def _rest(ring: Array, notch: Notch) -> LineString:
    return LineString(np.vstack([ring[notch.last + 1 :], ring[: notch.first]]))


def _last_of(ring: Array, notch: Notch, last: list[Notch], spacing_mm: float) -> Frame | None:
    """The frame of the last of a cut, which may be bent, if it has but one."""
    inner = [one for one in last if notch.first <= one.first and one.last <= notch.last]
    return frame_of(ring, inner[0], spacing_mm) if len(inner) == 1 else None


def _deepest(ring: Array, notch: Notch) -> tuple[Array, float]:
    """Where the outline runs deepest into a notch, and how far (mm) that is from the middle of its mouth."""
    inside = ring[notch.first : notch.last + 1]
    deep = np.hypot(*(inside - inside[[0, -1]].mean(0)).T)
    return inside[int(deep.argmax())], float(deep.max())
