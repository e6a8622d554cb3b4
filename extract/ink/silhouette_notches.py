"""The thin ends of an outline's relief cuts put right: each keeps its own sides as far as they are seen apart, and gets
its tip where the picture shows it; notches that are no cuts are bridged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import LineString, Polygon

from extract.doors import Array, FlatView, Mask
from extract.ink.shell_view import Image
from extract.ink.silhouette_darts import Frame, Notch, find_notches, frame_of, from_outside, gap_beside, mouth_of
from extract.ink.silhouette_ends import BACK_MM, SURE_BESIDE, Start, cut_end, likeliest_end, sureness
from extract.ink.silhouette_read import Reading

OWN_MM = 1.5
"""Where a cut is wider, the outline's own sides stand, which waver as scissors do."""

LAST_MM = 2.5
"""Where a cut points is said by what is narrower than that, for it may be bent."""

CLEAR_MM = 1.0
"""A cut that would run on to within that of another stays as deep as the outline runs: two lines in the table's own
colour that nearly meet would part the shell."""

TURNS_DEG = (-5, 5, -10, 10, -15, 15)
"""Where nothing is seen along a cut as the outline runs into it, such ways beside it are tried, for one side of it may
be astray."""

SHARPEST_BEND = np.cos(np.radians(50))
"""No cut bends more: what the outline runs along beyond its tip is a crease or an edge of tape."""

BEYOND_MM = 5.0
"""Where it is not sure that a cut ends where the outline leads, and sure that it does so much before, it does so there.
Nearer than that both look at the same end."""

SHALLOW_MM = 4.0
"""A notch that is no cut and no deeper is bridged."""


@dataclass(frozen=True, eq=False)
class _Cut:
    """What may be a cut: the ``notch``, its ``frame``, that of the last of it, and that of its ``mouth`` if its sides
    are seen there."""

    notch: Notch
    frame: Frame
    end: Frame
    mouth: Frame | None


@dataclass(frozen=True, eq=False)
class _Ended:
    """The ``tip`` (2,) of a cut, the ``stretch`` of ring that gives way to it, and from where (2,) it goes on there."""

    tip: Array
    stretch: Notch
    start: Array


def close_notches(flat: FlatView, reading: Reading, ring: Array, normals: Array, spacing_mm: float) -> Array:
    """Ring with the end of each cut brought to its tip, false notches bridged."""
    notches = find_notches(ring, normals, spacing_mm)
    if not notches:
        return ring
    turn = notches[0].first
    last = [_moved(notch, turn) for notch in find_notches(ring, normals, spacing_mm, LAST_MM)]
    ring, gap = np.roll(ring, -turn, axis=0), np.roll(gap_beside(ring, normals), -turn)
    white, pieces = reading.models.white, list[Array]()
    taken: list[LineString] = []
    shell = Polygon(ring).buffer(0)
    at = 0
    for notch in (_moved(notch, turn) for notch in notches):
        frame = frame_of(ring, notch, spacing_mm)
        if notch.first < at or (frame is None and _deepest(ring, notch)[1] > SHALLOW_MM):
            continue
        cut = None if frame is None else _cut(ring, notch, last, frame, spacing_mm)
        ended = None if cut is None else _ended(flat, white, ring, gap, cut)
        if ended is None or not from_outside(shell, ring[[notch.first, notch.last]].mean(0), ended.tip):
            pieces.append(ring[at : notch.first])
            at = notch.last + 1
            continue
        onwards = LineString([ended.start, ended.tip])
        if any(onwards.distance(other) < CLEAR_MM for other in (_rest(ring, notch), *taken)):
            continue
        taken.append(onwards)
        pieces += [ring[at : ended.stretch.first], ended.tip[None]]
        at = ended.stretch.last + 1
    pieces.append(ring[at:])
    return np.vstack(pieces)


def _cut(ring: Array, notch: Notch, last: list[Notch], frame: Frame, spacing_mm: float) -> _Cut:
    return _Cut(notch, frame, _last_of(ring, notch, last, spacing_mm) or frame, mouth_of(ring, notch, spacing_mm))


def _ended(flat: FlatView, white: Image, ring: Array, gap: Array, cut: _Cut) -> _Ended | None:
    """Where a cut into which the outline runs ends; None where it is none."""
    notch, between = cut.notch, ring[[cut.notch.first, cut.notch.last]].mean(0)
    if (tip := _bent(flat, white, cut.end, cut.mouth)) is not None:
        return _Ended(tip, notch, between)
    tip, astray = _tip(flat, white, cut.end, cut.mouth)
    if tip is not None:
        own = _within(notch, (gap < OWN_MM) | ((ring - tip) @ cut.frame.axis > 0))
        return _Ended(tip, own, between if astray else _deepest(ring, notch)[0])
    tip = likeliest_end(flat, white, _starts(cut.end, cut.mouth))
    return None if tip is None else _Ended(tip, notch, between)


def _bent(flat: FlatView, white: Image, end: Frame, mouth: Frame | None) -> Array | None:
    """Where the cut surely ends from whose way the outline turns off; None where it does not."""
    if mouth is None or end.axis @ mouth.axis > SHARPEST_BEND:
        return None
    return likeliest_end(flat, white, _starts(mouth, mouth))


def _tip(flat: FlatView, white: Image, end: Frame, mouth: Frame | None) -> tuple[Array | None, bool]:
    """Where the cut ends into which the outline runs, and whether it runs astray beyond that: a crease or an edge of
    tape may go on from the tip, but seen from its mouth the cut ends before."""
    base = end.base.mean(0)
    tip = cut_end(flat, white, base, end.open_mm, end.axis)
    if tip is None or mouth is None:
        return tip, False
    if sureness(flat, white, tip, (tip - base) / np.hypot(*(tip - base))) > SURE_BESIDE:
        return tip, False
    surer = likeliest_end(flat, white, [(mouth.base.mean(0), 0.0, mouth.axis)])
    if surer is None or (tip - surer) @ mouth.axis < BEYOND_MM:
        return tip, False
    return surer, True


def _moved(notch: Notch, turn: int) -> Notch:
    return Notch(notch.first - turn, notch.last - turn)


def _within(notch: Notch, given_up: Mask) -> Notch:
    """From the first to the last point of a notch that is to be given up, or all of it."""
    at = notch.first + np.flatnonzero(given_up[notch.first : notch.last + 1])
    return Notch(int(at[0]), int(at[-1])) if len(at) else notch


def _rest(ring: Array, notch: Notch) -> LineString:
    return LineString(np.vstack([ring[notch.last + 1 :], ring[: notch.first]]))


def _last_of(ring: Array, notch: Notch, last: list[Notch], spacing_mm: float) -> Frame | None:
    """The frame of the last of a cut, which may be bent, if it has but one."""
    inner = [one for one in last if notch.first <= one.first and one.last <= notch.last]
    return frame_of(ring, inner[0], spacing_mm) if len(inner) == 1 else None


def _starts(end: Frame, mouth: Frame | None) -> list[Start]:
    """Ways beside that of a cut's end, and those its mouth tells."""
    far = max(end.open_mm - BACK_MM, 0.0)
    beside = [(end.base.mean(0), far, _turned(end.axis, turn)) for turn in TURNS_DEG]
    if mouth is None:
        return beside
    return [*beside, *((mouth.base.mean(0), 0.0, _turned(mouth.axis, turn)) for turn in (0, *TURNS_DEG[:2]))]


def _turned(way: Array, by_deg: float) -> Array:
    cos, sin = np.cos(np.radians(by_deg)), np.sin(np.radians(by_deg))
    return np.array([[cos, -sin], [sin, cos]]) @ way


def _deepest(ring: Array, notch: Notch) -> tuple[Array, float]:
    """Where the outline runs deepest into a notch, and how far (mm) that is from the middle of its mouth."""
    inside = ring[notch.first : notch.last + 1]
    deep = np.hypot(*(inside - inside[[0, -1]].mean(0)).T)
    return inside[int(deep.argmax())], float(deep.max())
