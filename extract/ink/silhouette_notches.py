"""The thin ends of an outline's relief cuts put right: each keeps its own sides as far as they are seen apart, and gets
its tip where the picture shows it; notches that are no cuts are bridged."""

from __future__ import annotations

import numpy as np
import shapely

from extract.doors import Array, FlatView
from extract.ink.silhouette_darts import UNCLEAR_MM, Notch, Wedge, find_notches, follow, gap_beside, wedge_of
from extract.ink.silhouette_read import Reading
from extract.ink.silhouette_tips import UNSEEN_MM, seen_tip

OWN_MM, LEAST_OWN_MM = 1.5, 1.5
"""Where a cut is wider, the outline's own sides stand, which waver as scissors do; if they are so long."""

BENT_MM, LAST_MM = 1.0, 2.5
"""A cut whose outline lies so far off straight sides is bent: where it points is said by what is narrower than that."""

SHALLOW_MM = 4.0
"""A notch that is no cut and no deeper is bridged."""

WIDE_MM, NET_DOUBTS = 3.0, 1.0
THIN_MM, NET_SURE = 1.1, -1.2
"""A cut narrower than that at its base is believed where the network's log odds of shell are lower than that: most gaps
of a millimetre are creases, tape edges and scratches."""

SHORT_MM = 1.5
"""The map may smear the last of a cut by so much; a tip further back than that contradicts it."""

MOST_SPREADS = 3.0
"""A tip no more than so many standard deviations beyond where the sides of the outline meet is believed."""


def close_notches(flat: FlatView, reading: Reading, ring: Array, normals: Array, spacing_mm: float) -> Array:
    """Ring with the end of each cut brought to its tip, false notches bridged."""
    notches = find_notches(ring, normals, spacing_mm)
    if not notches:
        return ring
    turn = notches[0].first
    last = [_moved(notch, turn) for notch in find_notches(ring, normals, spacing_mm, LAST_MM)]
    ring, gap = np.roll(ring, -turn, axis=0), np.roll(gap_beside(ring, normals), -turn)
    pieces, at = [ring[:0]], 0
    for notch in (_moved(notch, turn) for notch in notches):
        inner = [n for n in last if notch.first <= n.first and n.last <= notch.last]
        notch, wedge, end = _followed(flat, reading, ring, notch, inner, spacing_mm)
        if notch.first < at or (wedge is None and depth_of(ring, notch) > SHALLOW_MM):
            continue
        pieces.append(ring[at : notch.first])
        at = notch.last + 1
        if wedge is None or end is None:
            continue
        thin = notch.first + np.flatnonzero(gap[notch.first : at] < OWN_MM)
        if len(thin) and min(thin[0] - notch.first, notch.last - thin[-1]) * spacing_mm > LEAST_OWN_MM:
            pieces += [ring[notch.first : thin[0]], end[1:2], ring[thin[-1] + 1 : at]]
            continue
        pieces[-1] = _up_to(pieces[-1][::-1], end[0], wedge.axis, spacing_mm)[::-1]
        at += len(ring[at:]) - len(_up_to(ring[at:], end[2], wedge.axis, spacing_mm))
        pieces.append(end)
    pieces.append(ring[at:])
    return np.vstack(pieces)


def _moved(notch: Notch, turn: int) -> Notch:
    return Notch(notch.first - turn, notch.last - turn)


Followed = tuple[Notch, Wedge | None, Array | None]
"""A notch, its frame if it closes in like a cut, and the end (3, 2) of the cut if it is one."""


def _followed(
    flat: FlatView, reading: Reading, ring: Array, notch: Notch, inner: list[Notch], spacing_mm: float
) -> Followed:
    """The cut in a notch, or, where that is bent, in the one ``inner`` notch that is its last."""
    whole = _end_of(flat, reading, ring, notch, spacing_mm)
    if whole[2] is None or len(inner) != 1 or _bent_mm(ring[notch.first : notch.last + 1], whole[2]) < BENT_MM:
        return whole
    rest = _end_of(flat, reading, ring, inner[0], spacing_mm)
    return whole if rest[2] is None else rest


def _end_of(flat: FlatView, reading: Reading, ring: Array, notch: Notch, spacing_mm: float) -> Followed:
    wedge = wedge_of(ring, notch, spacing_mm)
    if wedge is None or not believed(reading, wedge):
        return notch, wedge, None
    end = as_promised(follow(flat, reading.models, wedge), wedge)
    end = seen_tip(flat, reading.models.white, end, wedge.open_mm)
    return notch, wedge, _no_shorter(end, ring[notch.first : notch.last + 1], wedge)


def _bent_mm(inside: Array, end: Array) -> float:
    """How far the outline ``inside`` a cut lies off the straight sides of its ``end`` (90 % of its points), but for the
    last of it, where it is not clear."""
    middle = end[[0, 2]].mean(0)
    axis = end[1] - middle
    deep = (inside - middle) @ (axis / max(float(np.hypot(*axis)), 1e-9))
    clear = inside[deep < deep.max() - UNCLEAR_MM]
    off_mm = shapely.distance(shapely.points(clear), shapely.LineString(end))
    return float(np.percentile(off_mm, 90)) if len(clear) else 0.0


def as_promised(end: Array, wedge: Wedge) -> Array:
    """The end of a cut as followed, or, where that lies much deeper than the outline's own sides promise, as they do:
    a tape's bright edge beside the cut was taken for one of its sides."""
    middle = wedge.base.mean(0)
    if (end[1] - middle) @ wedge.axis < wedge.reach_mm + MOST_SPREADS * wedge.reach_sd_mm:
        return end
    return np.stack([wedge.base[0], middle + wedge.reach_mm * wedge.axis, wedge.base[1]])


def _no_shorter(end: Array, inside: Array, wedge: Wedge) -> Array:
    """The end of a cut with its tip at least as deep as the ring itself ran into it."""
    deep = (inside - wedge.base.mean(0)) @ wedge.axis
    far = int(deep.argmax())
    if (end[1] - wedge.base.mean(0)) @ wedge.axis > deep[far] - SHORT_MM or deep[far] < SHALLOW_MM:
        return end
    return np.stack([end[0], inside[far] + UNSEEN_MM * wedge.axis, end[2]])


def believed(reading: Reading, wedge: Wedge) -> bool:
    """Whether network and tint see table in a narrow cut, too: creases that catch the light may have a table's
    colours."""
    width = float(np.hypot(*(wedge.base[1] - wedge.base[0])))
    if width > WIDE_MM or wedge.open_mm < SHALLOW_MM:
        return True
    inside = wedge.base.mean(0) + np.linspace(0.1, 0.6, 20)[:, None] * wedge.open_mm * wedge.axis
    return float(np.median(reading.net.at(inside) + reading.tint.at(inside))) < (
        NET_DOUBTS if width > THIN_MM else NET_SURE
    )


def _up_to(points: Array, foot: Array, axis: Array, spacing_mm: float, near_mm: float = 5.0) -> Array:
    """Points that run outwards from a cut without those that lie further in than its foot."""
    outside = (points[: round(near_mm / spacing_mm)] - foot) @ axis < -0.5 * spacing_mm
    return points[int(np.argmax(outside)) :] if outside.any() else points


def depth_of(ring: Array, notch: Notch) -> float:
    """How far (mm) a notch runs in from the middle of its mouth."""
    inside = ring[np.arange(notch.first, notch.last + 1) % len(ring)]
    return float(np.hypot(*(inside - inside[[0, -1]].mean(0)).T).max())
