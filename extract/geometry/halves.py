"""Pieces parted by their line of symmetry, and made whole again from one half."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import brentq

from extract.build import Edge, Piece
from extract.doors import Array, Curve
from extract.geometry.arc import joint_turnings, points_at, split_at, tangents, tangents_at, ways_at
from extract.geometry.curve import curve_at, curve_length, joined, polyline_curve
from extract.geometry.hermite import hermite_curve
from extract.geometry.mirror import mirror_curve
from extract.geometry.runs import free_id, starting_at
from extract.geometry.symmetry import Axis

_SAMPLES = 32
_CRUMB_MM = 1e-6
_STEP_MM = 5.0
"""Cubics this long follow the mean of two hand-drawn lines to well under a hundredth of a millimetre."""
_CORNER_RAD = np.radians(30.0)
"""What the fit of curves keeps sharp."""
_EASED_MM = 15.0
"""How much of a line that meets the axis may be bent to cross it squarely."""


@dataclass(frozen=True, eq=False)
class Half:
    """The edges of a piece on one side of an axis, in outline order, from axis to axis. ``cut_first`` and ``cut_last``
    say whether the axis cuts an edge there, rather than passing between two."""

    edges: tuple[Edge, ...]
    cut_first: bool
    cut_last: bool


def crossings(outline: Curve, axis: Axis) -> Array:
    """Parameters (K,) at which a closed curve crosses the axis."""
    n = len(outline.controls)
    at = np.arange(n * _SAMPLES + 1) / _SAMPLES
    side = np.sign(axis.offsets(curve_at(outline, at)))
    known = np.flatnonzero(side)
    if not len(known):
        return np.empty(0)
    # a sample on the axis belongs to the side the curve came from
    last = np.maximum.accumulate(np.where(side != 0, np.arange(len(side)), 0))
    side = np.where(side[last] != 0, side[last], side[known[-1]])

    def offset(t: float) -> float:
        return float(axis.offsets(curve_at(outline, np.array([t])))[0])

    found = []
    for k in np.flatnonzero(side[:-1] != side[1:]):
        low, high = offset(at[k]), offset(at[k + 1])
        found.append(at[k] if low == 0 else at[k + 1] if high == 0 else brentq(offset, at[k], at[k + 1], xtol=1e-13))
    return np.array(found) % n


def halved(piece: Piece, axis: Axis, snap_mm: float) -> tuple[Half, Half] | None:
    """The halves on the axis' left and right (to the eye, looking along it); None unless it crosses the outline twice.

    Where the axis passes within ``snap_mm`` of a corner between edges it is taken to pass through it.
    """
    outline = joined([edge.curve for edge in piece.edges], closed=True)
    at = crossings(outline, axis)
    if len(at) != 2:
        return None
    places = [_place(piece, float(t), snap_mm) for t in at]
    if places[0] == places[1]:
        return None
    chains = [_chain(piece, places[0], places[1], axis), _chain(piece, places[1], places[0], axis)]
    left_first = float(np.mean([axis.offsets(edge.curve.controls.reshape(-1, 2)).mean() for edge in chains[0].edges]))
    return (chains[0], chains[1]) if left_first < 0 else (chains[1], chains[0])


def _place(piece: Piece, at: float, snap_mm: float) -> tuple[int, float]:
    """Edge and arc length on it; at a corner the edge that starts there and 0."""
    counts = np.cumsum([0, *(len(edge.curve.controls) for edge in piece.edges)])
    edge = min(int(np.searchsorted(counts, at, side="right")) - 1, len(piece.edges) - 1)
    curve = piece.edges[edge].curve
    way = float(ways_at(curve, np.array([at - counts[edge]]))[0])
    length = curve_length(curve)
    if min(way, length - way) <= (snap_mm if len(piece.edges) > 1 else _CRUMB_MM):
        return (edge, 0.0) if way <= length / 2 else ((edge + 1) % len(piece.edges), 0.0)
    return edge, way


def _chain(piece: Piece, start: tuple[int, float], end: tuple[int, float], axis: Axis) -> Half:
    """The edges from one place on the outline to another, their outer ends put on the axis."""
    n = len(piece.edges)
    edges: list[Edge] = []
    (k, low), (last, high) = start, end
    whole_round = k == last and high <= low
    while True:
        edge = piece.edges[k]
        stop = high if k == last and (edges or not whole_round) else None
        if stop == 0.0 and (edges or low == 0.0):
            break
        edges.append(Edge(edge.id, _between(edge.curve, low, stop), edge.finish))
        if stop is not None:
            break
        k, low = (k + 1) % n, 0.0
    curves = [edge.curve for edge in edges]
    curves[0] = _ending_on(curves[0], axis, first=True)
    curves[-1] = _ending_on(curves[-1], axis, first=False)
    edges = [Edge(edge.id, curve, edge.finish) for edge, curve in zip(edges, curves, strict=True)]
    return Half(tuple(edges), start[1] > 0.0, end[1] > 0.0)


def _between(curve: Curve, low: float, high: float | None) -> Curve:
    parts = split_at(curve, [way for way in (low, high) if way])
    return parts[1 if low else 0]


def _ending_on(curve: Curve, axis: Axis, first: bool) -> Curve:
    """The curve with its first or last point, and the arm there, shifted square to the axis onto it; the curve some way
    off stays as it is."""
    point = curve.controls[0, 0] if first else curve.controls[-1, 3]
    on = axis.point_mm + ((point - axis.point_mm) @ axis.way) * axis.way
    if np.abs(on - point).max() > _CRUMB_MM:
        curve = _with_short_end(curve, first)
    controls, straight = curve.controls.copy(), curve.straight.copy()
    k, near, arm = (0, 0, 1) if first else (-1, 3, 2)
    controls[k, arm] += on - point
    controls[k, near] = on
    if straight[k] and np.abs(on - point).max() <= _CRUMB_MM:
        controls[k] = polyline_curve(controls[k, [0, 3]]).controls[0]
    else:
        straight[k] = False
    return Curve(controls, straight, False)


def squared(half: Half, axis: Axis, smooth_rad: float) -> tuple[Half, tuple[float, float]]:
    """The half with its outer ends made to cross the axis squarely where they do so within ``smooth_rad``, so that the
    whole is smooth there; and the angles, in radians off square, at which its first and last edge met the axis."""
    curves = [edge.curve for edge in half.edges]
    first, off_first = _square_end(curves[0], axis, True, smooth_rad)
    curves[0] = first
    last, off_last = _square_end(curves[-1], axis, False, smooth_rad)
    curves[-1] = last
    edges = tuple(Edge(e.id, curve, e.finish) for e, curve in zip(half.edges, curves, strict=True))
    return Half(edges, half.cut_first, half.cut_last), (off_first, off_last)


def _square_end(curve: Curve, axis: Axis, first: bool, smooth_rad: float) -> tuple[Curve, float]:
    at = 0.0 if first else float(len(curve.controls))
    way = tangents(curve, np.array([at]))[0] if first else _last_tangent(curve)
    square = np.array([-axis.way[1], axis.way[0]])
    square = square if square @ way > 0 else -square
    off = float(np.arctan2(square[0] * way[1] - square[1] * way[0], square @ way))
    if not 1e-12 < abs(off) <= smooth_rad:
        return curve, off
    curve = _with_short_end(curve, first)
    controls, straight = curve.controls.copy(), curve.straight.copy()
    k, near, arm = (0, 0, 1) if first else (-1, 3, 2)
    reach = float(np.linalg.norm(controls[k, arm] - controls[k, near]))
    controls[k, arm] = controls[k, near] + (square if first else -square) * reach
    straight[k] = False
    return Curve(controls, straight, False), off


def _last_tangent(curve: Curve) -> Array:
    return -tangents(Curve(curve.controls[::-1, ::-1], curve.straight[::-1], False), np.array([0.0]))[0]


def _with_short_end(curve: Curve, first: bool) -> Curve:
    """The curve cut once more near its end, so that what is bent there stays short."""
    length = curve_length(curve)
    if length < 2 * _EASED_MM:
        return curve
    return joined(split_at(curve, [_EASED_MM if first else length - _EASED_MM]), closed=False)


def made_whole(half: Half, axis: Axis, other_ids: Sequence[str]) -> tuple[Edge, ...]:
    """The half and its mirror image as one outline. The image's edges are called ``other_ids``, in outline order."""
    image = [
        Edge(id_, mirror_curve(edge.curve, axis.mirror), edge.finish)
        for id_, edge in zip(other_ids, half.edges[::-1], strict=True)
    ]
    return put_together(half, Half(tuple(image), half.cut_last, half.cut_first))


def put_together(one: Half, other: Half) -> tuple[Edge, ...]:
    """Two halves as one outline; where the axis cuts an edge its two parts are one again."""
    edges, at = [*one.edges, *other.edges], len(one.edges)
    if one.cut_last:
        edges[at - 1 : at + 1] = [_one(edges[at - 1], edges[at])]
    if one.cut_first and len(edges) > 1:
        edges = [_one(edges[-1], edges[0]), *edges[1:-1]]
    return _unlike(edges)


def _one(first: Edge, second: Edge) -> Edge:
    after = starting_at(second.curve, first.curve.controls[-1, 3])
    return Edge(first.id, joined([first.curve, after], closed=False), first.finish)


def _unlike(edges: Sequence[Edge]) -> tuple[Edge, ...]:
    """The edges, a name that comes twice given up for a free one."""
    named: dict[str, Edge] = {}
    for edge in edges:
        name = free_id([*named, *(e.id for e in edges)], edge.id) if edge.id in named else edge.id
        named[name] = Edge(name, edge.curve, edge.finish)
    return tuple(named.values())


def alike_halves(one: Half, other: Half, axis: Axis, mean: bool) -> tuple[Half, Half] | None:
    """Both halves with one shape: that of ``one``, or their ``mean`` at equal shares of the way from corner to corner.

    Each keeps its own edges, cut where they were cut before, in shares of that way: a neighbour's line may end on one
    side only. None where the halves have unlike corners.
    """
    image = [Edge(e.id, mirror_curve(e.curve, axis.mirror), e.finish) for e in other.edges[::-1]]
    mine, theirs = _stretches(one.edges), _stretches(image)
    if len(mine) != len(theirs):
        return None
    left: list[Edge] = []
    right: list[Edge] = []
    for a, b in zip(mine, theirs, strict=True):
        cuts = _cuts(a), _cuts(b)
        if mean:
            parts = _mean_parts(_whole(a), _whole(b), cuts)
        else:
            length = curve_length(_whole(a))
            parts = [e.curve for e in a], list(split_at(_whole(a), (cuts[1] * length).tolist()))
        if len(parts[1]) != len(b):
            return None
        left += [Edge(e.id, curve, e.finish) for e, curve in zip(a, parts[0], strict=True)]
        right += [Edge(e.id, mirror_curve(curve, axis.mirror), e.finish) for e, curve in zip(b, parts[1], strict=True)]
    return Half(tuple(left), one.cut_first, one.cut_last), Half(tuple(right[::-1]), one.cut_last, one.cut_first)


def _stretches(edges: Sequence[Edge]) -> list[list[Edge]]:
    """The edges in groups that part at corners."""
    groups = [[edges[0]]]
    for before, edge in pairwise(edges):
        pair = Curve(np.stack([before.curve.controls[-1], edge.curve.controls[0]]), np.array([False, False]), False)
        if abs(float(joint_turnings(pair)[0])) >= _CORNER_RAD:
            groups.append([])
        groups[-1].append(edge)
    return groups


def _whole(edges: Sequence[Edge]) -> Curve:
    return joined([edge.curve for edge in edges], closed=False)


def _cuts(edges: Sequence[Edge]) -> Array:
    """Shares of the way, between 0 and 1, at which one edge ends and the next begins."""
    way = np.cumsum([curve_length(edge.curve) for edge in edges])
    return np.asarray(way[:-1] / way[-1])


def _mean_parts(one: Curve, other: Curve, cuts: tuple[Array, Array]) -> tuple[list[Curve], list[Curve]]:
    """The mean of two curves at equal shares of their lengths, cut at each one's shares."""
    ends = np.array(
        [(one.controls[0, 0] + other.controls[0, 0]) / 2, (one.controls[-1, 3] + other.controls[-1, 3]) / 2]
    )
    lengths = curve_length(one), curve_length(other)
    if one.straight.all() and other.straight.all() and len(one.straight) == len(other.straight) == 1:
        line = polyline_curve(ends)
        return [line], [line]
    even = np.linspace(0.0, 1.0, max(4, int(np.ceil(max(lengths) / _STEP_MM))) + 1)
    shares = np.unique(np.concatenate([even, *cuts]))
    pairs = list(zip((one, other), lengths, strict=True))
    points = np.mean([points_at(curve, shares * length) for curve, length in pairs], axis=0)
    slopes = np.mean([length * tangents_at(curve, shares * length) for curve, length in pairs], axis=0)
    points[0], points[-1] = ends
    mean = hermite_curve(points, slopes, shares)
    first, second = (_cut_at(mean, np.searchsorted(shares, cut).tolist()) for cut in cuts)
    return first, second


def _cut_at(curve: Curve, joints: Sequence[int]) -> list[Curve]:
    bounds = pairwise([0, *joints, len(curve.controls)])
    return [Curve(curve.controls[a:b], curve.straight[a:b], False) for a, b in bounds]
