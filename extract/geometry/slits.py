"""Relief cuts in an outline: found, closed in computation, and left out where a run is measured as it is glued.

A slit is two edges that follow one another and meet in a point inside the piece, its **lips**. It counts as closed
when the build has a seam between them. A run may hold closed slits: its lips are glued to one another, so its glued
length and curve leave them out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import uniform_filter1d

from extract.build import Build, Edge, Piece, Run
from extract.doors import Array, Curve
from extract.geometry.arc import joint_turnings, points_at, ways_at
from extract.geometry.curve import curve_length, curve_points, joined, segment_lengths, transformed
from extract.geometry.offset import welded
from extract.geometry.planar import closed_up, resampled, ring_peaks
from extract.geometry.runs import outline_of, piece_named, run_edges, split_edge

_HAIRPIN_DEG = 110.0
"""A slit that opens by more than 70° is a notch of the shape, not a relief cut."""
_MOUTH_DEG = 40.0
_CORNER_DEG = 20.0
_STEP_MM = 0.25
_LOOK_MM = 2.0
"""A corner turns the outline as a whole within a marker's width or two, however rounded it was drawn."""
_SNAP_MM = 1.0
_LONGEST_SHARE = 0.4
_UNEQUAL_SHARE = 0.25
_UNEQUAL_MM = 3.0
"""A hand's two cuts of one slit differ by a few millimetres at most (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Slit:
    """Lips ``before`` (walked to the apex) and ``after`` (walked from it); ``opening_rad`` the angle seen from the apex
    between the two ends of the mouth, ``mouth_mm`` their distance."""

    piece: str
    before: Edge
    after: Edge
    apex_mm: Array
    opening_rad: float
    mouth_mm: float

    @property
    def lips_mm(self) -> tuple[float, float]:
        return curve_length(self.before.curve), curve_length(self.after.curve)


def slits_of(piece: Piece) -> tuple[Slit, ...]:
    """Every pair of neighbouring edges that looks like a relief cut: a sharp hollow corner between two like lengths."""
    found = []
    for before, after in zip(piece.edges, [*piece.edges[1:], *piece.edges[:1]], strict=True):
        if before is after or _turn_between(before.curve, after.curve) > -np.radians(_HAIRPIN_DEG):
            continue
        slit = slit_between(piece, before, after)
        longer, shorter = max(slit.lips_mm), min(slit.lips_mm)
        if longer - shorter <= max(_UNEQUAL_MM, _UNEQUAL_SHARE * longer):
            found.append(slit)
    return tuple(found)


def lips_freed(build: Build, piece_id: str) -> Build:
    """The build with the piece's edges cut at the point and the mouth of everything that looks like a relief cut, so
    that each lip is an edge of its own; seams follow. Rounded corners, as a hand and a marker leave them, count."""
    piece = piece_named(build, piece_id)
    lengths = [curve_length(edge.curve) for edge in piece.edges]
    starts = np.concatenate([[0.0], np.cumsum(lengths)])
    found = _slit_ways(outline_of(piece))
    for k, edge in reversed(list(enumerate(piece.edges))):
        ways = [way - starts[k] for way in found if starts[k] < way < starts[k + 1]]
        inner = [way for way in ways if _SNAP_MM < way < lengths[k] - _SNAP_MM]
        build = split_edge(build, piece.id, edge.id, inner)
    return build


def _slit_ways(outline: Curve) -> list[float]:
    """Arc lengths along the closed outline of the points and mouths of slits."""
    length = curve_length(outline)
    count = int(np.ceil(length / _STEP_MM))
    step = length / count
    way = np.diff(resampled(closed_up(curve_points(outline)), count + 1), axis=0)
    ahead = np.roll(way, -1, axis=0)
    turn = np.arctan2(way[:, 0] * ahead[:, 1] - way[:, 1] * ahead[:, 0], (way * ahead).sum(axis=1))
    wide = uniform_filter1d(turn, width := 2 * round(_LOOK_MM / step) + 1, mode="wrap") * width
    points = ring_peaks(-wide, np.radians(_HAIRPIN_DEG), width)
    corners = ring_peaks(wide, np.radians(_MOUTH_DEG), width)
    found: set[int] = set()
    for apex in points:
        back = [(apex - k) % count for k in corners]
        ahead_of = [(k - apex) % count for k in corners]
        if corners and max(min(back), min(ahead_of)) * step <= _LONGEST_SHARE * length:
            found |= {apex, corners[int(np.argmin(back))], corners[int(np.argmin(ahead_of))]}
    around = np.arange(-width, width + 1)
    middles = [k + around @ turn[(k + around) % count] / turn[(k + around) % count].sum() for k in found]
    return sorted(_settled(outline, float((k + 1) * step % length), length) for k in middles)


def _settled(outline: Curve, way: float, length: float) -> float:
    """The way of the sharpest joint nearby, if any is a corner by itself."""
    joints = np.cumsum(segment_lengths(outline))
    turns = np.abs(joint_turnings(outline))
    gap = np.abs((joints - way + length / 2) % length - length / 2)
    near = (gap <= _LOOK_MM) & (turns > np.radians(_CORNER_DEG))
    return float(joints[np.flatnonzero(near)[np.argmax(turns[near])]] % length) if near.any() else way


def slit_between(piece: Piece, before: Edge, after: Edge) -> Slit:
    """The slit with these two lips."""
    apex = before.curve.controls[-1, 3]
    left, right = before.curve.controls[0, 0] - apex, after.curve.controls[-1, 3] - apex
    opening = abs(float(np.arctan2(left[0] * right[1] - left[1] * right[0], left @ right)))
    return Slit(piece.id, before, after, apex, opening, float(np.linalg.norm(right - left)))


def closed_lips(build: Build, piece_id: str) -> dict[str, str]:
    """Lips of the closed slits of a piece: the one walked to the apex, and its other."""
    order = [edge.id for edge in piece_named(build, piece_id).edges]
    following = dict(zip(order, [*order[1:], *order[:1]], strict=True))
    found = {}
    for seam in build.seams:
        a, b = seam.first, seam.second
        if a.piece == b.piece == piece_id and len(a.edges) == len(b.edges) == 1 and seam.against:
            for one, other in ((a.edges[0], b.edges[0]), (b.edges[0], a.edges[0])):
                if following[one] == other:
                    found[one] = other
    return found


def kept_when_glued(build: Build, run: Run) -> tuple[bool, ...]:
    """For each edge of the run, whether it stays visible when the slits within the run are closed."""
    lips = closed_lips(build, run.piece) if len(run.edges) > 2 else {}
    gone = {name for a, b in pairwise(run.edges) if lips.get(a) == b for name in (a, b)}
    return tuple(name not in gone for name in run.edges)


def run_length(build: Build, run: Run, length: Callable[[Curve], float] = curve_length) -> float:
    """Arc length in mm of the run as it is glued: lips of closed slits do not count. ``length`` tells a curve's."""
    edges = run_edges(piece_named(build, run.piece), run)
    kept = kept_when_glued(build, run)
    return sum(length(edge.curve) for edge, stays in zip(edges, kept, strict=True) if stays)


def glued_curve(build: Build, run: Run) -> Curve:
    """The run as one open curve with its slits closed: what lies beyond each is turned about its apex until the ends
    of the mouth meet. Where the run starts nothing moves."""
    edges = run_edges(piece_named(build, run.piece), run)
    kept = kept_when_glued(build, run)
    if all(kept):
        return joined([edge.curve for edge in edges], False)
    motion = np.eye(3)
    parts: list[Curve] = []
    at = 0
    while at < len(edges):
        if kept[at]:
            parts.append(transformed(edges[at].curve, motion[:2]))
            at += 1
        else:
            motion = motion @ _closing(edges[at].curve, edges[at + 1].curve)
            at += 2
    return welded(parts)


def real_ways(build: Build, run: Run, glued_mm: Array) -> Array:
    """Arc lengths (K,) along the run's own curve, lips and all, of places given along the glued run."""
    edges = run_edges(piece_named(build, run.piece), run)
    kept = np.array(kept_when_glued(build, run))
    lengths = np.array([curve_length(edge.curve) for edge in edges])
    real = np.concatenate([[0.0], np.cumsum(lengths)])
    glued = np.concatenate([[0.0], np.cumsum(np.where(kept, lengths, 0.0))])
    place = np.clip(np.searchsorted(glued, glued_mm, side="left") - 1, 0, len(edges) - 1)
    return np.asarray(real[place] + (np.asarray(glued_mm) - glued[place]))


def glued_ways(build: Build, run: Run, at: Array) -> Array:
    """Arc lengths (K,) along the glued run of parameters ``at`` on its own curve; a place on a lip counts as its
    mouth."""
    edges = run_edges(piece_named(build, run.piece), run)
    kept = np.array(kept_when_glued(build, run))
    lengths = np.array([curve_length(edge.curve) for edge in edges])
    real = np.concatenate([[0.0], np.cumsum(lengths)])
    glued = np.concatenate([[0.0], np.cumsum(np.where(kept, lengths, 0.0))])
    return np.interp(ways_at(joined([edge.curve for edge in edges], False), at), real, glued)


def _closing(before: Curve, after: Curve) -> Array:
    """The motion (3, 3) that lays the lip ``after`` on the lip ``before``, the ends of the mouth together."""
    apex, start, end = before.controls[-1, 3], before.controls[0, 0], after.controls[-1, 3]
    left, right = start - apex, end - apex
    angle = np.arctan2(right[0] * left[1] - right[1] * left[0], right @ left)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    motion = np.eye(3)
    motion[:2, :2], motion[:2, 2] = turn, start - turn @ end
    return motion


def _turn_between(before: Curve, after: Curve) -> float:
    """Turn, in radians, from the last stretch of one edge to the first of the next, hooks at the corner passed over."""
    lengths = curve_length(before), curve_length(after)
    look = min(_LOOK_MM, *lengths)
    into = before.controls[-1, 3] - points_at(before, np.array([lengths[0] - look]))[0]
    out = points_at(after, np.array([look]))[0] - after.controls[0, 0]
    return float(np.arctan2(into[0] * out[1] - into[1] * out[0], into @ out))
