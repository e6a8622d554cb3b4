"""Pieces made wider: by a strip along an edge, or by one let in along a line through them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from extract.build import Build, Detail, Edge, Figure, Hole, Outcome, Piece, Question, Run, Step
from extract.doors import Array, Curve
from extract.geometry.arc import joint_turnings, split_at, stretch, ways_at
from extract.geometry.blend import parted, reaching
from extract.geometry.crossing import crossings
from extract.geometry.curve import (
    curve_length,
    curve_points,
    joined,
    polyline_curve,
    reversed_curve,
    segment_lengths,
    transformed,
)
from extract.geometry.offset import welded
from extract.geometry.runs import (
    outline_of,
    piece_named,
    refused,
    run_curve,
    run_edges,
    run_from,
    with_edges,
    with_piece,
)
from extract.pattern.allowance import set_off
from extract.pattern.changes import outcome

_CORNER_DEG = 5.0
_LEAST_MM = 1e-6
_NEAR_END_MM = 0.05
"""A line that meets an edge this near to its end goes through the corner."""


def add_strip(build: Build, run: str, width: float = 10.0, how: str = "moved") -> Outcome:
    """A strip of ``width`` mm put on along a run (taken off where negative).

    "moved": the run goes sideways as it is and keeps its length, so that its seam still fits, as for a strip let in at
    the centre seam. "parallel": the strip is equally wide everywhere and the run gets longer by width · turning. The
    edges beside it run on smoothly either way.
    """
    if width == 0:
        raise refused("A strip of 0 mm changes nothing.", "Give the width in mm.")
    chosen = run_from(build, run)
    piece = piece_named(build, chosen.piece)
    across = _outwards(build, chosen)
    if how == "parallel":
        fresh = set_off(build, piece, dict.fromkeys(chosen.edges, width))
    else:
        fresh = _moved_out(piece, chosen, width * across)
    figures = (
        Figure("width of the strip", "mm", None, width, str(chosen)),
        _extent_figure(piece, fresh, across),
    )
    return outcome(build, with_piece(build, fresh), "The strip", figures)


def widen_through(build: Build, piece: str, line: str, width: float = 20.0) -> Outcome:
    """The piece cut along a straight line and its halves moved apart by ``width`` mm, the outline bridged smoothly.

    ``line``: a line drawn on the piece, by its name ("d2"), or two points ("x,y x,y"). What lies on either side goes
    with its half; a hole on the line stays in the middle.
    """
    if width <= 0:
        raise refused(
            "A strip let in needs a width above 0 mm.", "To make the piece narrower, take a strip off an edge."
        )
    old = piece_named(build, piece)
    foot, along = _straight_line(old, line)
    across = np.array([-along[1], along[0]])
    fresh = _parted(old, foot, along, width / 2 * across)
    figures = (Figure("width let in", "mm", None, width, old.id), _extent_figure(old, fresh, across))
    return outcome(build, with_piece(build, fresh), "The strip", figures)


def _outwards(build: Build, run: Run) -> Array:
    """Unit vector square to the run's chord, out of the piece."""
    curve = run_curve(build, run)
    chord = curve.controls[-1, 3] - curve.controls[0, 0]
    span = float(np.linalg.norm(chord))
    if span <= _NEAR_END_MM or len(run.edges) == len(piece_named(build, run.piece).edges):
        raise refused(f"{run} goes all the way round.", "Put an allowance on instead.")
    return np.array([chord[1], -chord[0]]) / span


def _extent_figure(old: Piece, fresh: Piece, across: Array) -> Figure:
    before, after = (float(np.ptp(curve_points(outline_of(piece)) @ across)) for piece in (old, fresh))
    return Figure("breadth of the piece in that direction", "mm", before, after, old.id)


def _moved_out(piece: Piece, run: Run, shift: Array) -> Piece:
    order = [edge.id for edge in piece.edges]
    run_edges(piece, run)
    before, after = order.index(run.edges[0]) - 1, (order.index(run.edges[-1]) + 1) % len(order)
    edges = list(piece.edges)
    for k, edge in enumerate(piece.edges):
        curve = edge.curve
        if edge.id in run.edges:
            curve = transformed(curve, np.c_[np.eye(2), shift])
        if k == before % len(order):
            curve = reaching(curve, curve.controls[-1, 3] + shift)
        if k == after:
            curve = reversed_curve(reaching(reversed_curve(curve), edge.curve.controls[0, 0] + shift))
        edges[k] = edge if curve is edge.curve else replace(edge, curve=welded([curve]))
    return with_edges(piece, edges)


def _straight_line(piece: Piece, line: str) -> tuple[Array, Array]:
    """A point on the line and its unit direction."""
    for detail in piece.details:
        if detail.id == line.strip().removeprefix(f"{piece.id}:"):
            ends = detail.curve.controls[[0, -1], [0, 3]]
            return _through(ends)
    try:
        ends = np.array([[float(value) for value in pair.split(",")] for pair in line.split()])
    except ValueError:
        ends = np.empty((0, 2))
    if ends.shape != (2, 2) or not np.isfinite(ends).all():
        known = ", ".join(detail.id for detail in piece.details) or "none"
        raise refused(
            f"“{line[:40]}” names no straight line on piece {piece.id}.", f"Its lines are: {known}. Or give x,y x,y."
        )
    return _through(ends)


def _through(ends: Array) -> tuple[Array, Array]:
    way = ends[1] - ends[0]
    span = float(np.linalg.norm(way))
    if span <= _NEAR_END_MM:
        raise refused("The two points of the line are one.", "Give two points apart from one another.")
    return ends[0], way / span


def _parted(piece: Piece, foot: Array, along: Array, shift: Array) -> Piece:
    """The piece with what lies on the side of ``shift`` moved by it and the rest moved the other way."""
    reach = float(np.abs(curve_points(outline_of(piece)) - foot).sum(axis=1).max()) + 1
    cut = polyline_curve(np.stack([foot - reach * along, foot + reach * along]))
    cuts = [_cut_ways(edge, cut) for edge in piece.edges]
    count = sum(len(ways) for ways in cuts)
    if count < 2 or count % 2:
        raise refused(f"The line does not part piece {piece.id}.", "Choose one that runs right across it.")
    holes: tuple[Hole, ...] = tuple(replace(h, curve=_carried(h.curve, foot, shift, cut)) for h in piece.holes)
    details: tuple[Detail, ...] = tuple(replace(d, curve=_drawn_apart(d, foot, shift, cut)) for d in piece.details)
    edges = _edges_parted(piece.edges, cuts, foot, shift)
    return replace(with_edges(piece, edges), holes=holes, details=details)


def _edges_parted(edges: Sequence[Edge], cuts: Sequence[Array], foot: Array, shift: Array) -> list[Edge]:
    """The outline opened as one chain, so that what is drawn out may run on from edge to edge; it starts at the place
    furthest from all cuts, or at the corner nearest to there."""
    lengths = [curve_length(edge.curve) for edge in edges]
    bounds = np.concatenate([[0.0], np.cumsum(lengths)])
    ways = np.concatenate([start + at for start, at in zip(bounds[:-1], cuts, strict=True)])
    ring = joined([edge.curve for edge in edges], True)
    start = _start_way(ring, np.sort(ways))
    chain = stretch(ring, start, start) if start > 0 else Curve(ring.controls, ring.straight, False)
    total = float(bounds[-1])
    inner = np.sort((bounds[:-1] - start) % total)
    inner = inner[(inner > _LEAST_MM) & (inner < total - _LEAST_MM)]
    turned = np.sort((ways - start) % total)
    side = _side_of(split_at(chain, [float(way) for way in turned])[0], foot, shift)
    parts = parted(chain, [float(way) for way in turned], [float(way) for way in inner], shift, side)
    if len(parts) > len(edges):  # the start lies within an edge
        parts = [*parts[1:-1], welded([parts[-1], parts[0]])]
    first = int(np.searchsorted(bounds, start + _LEAST_MM, side="right")) - 1
    first += int(start - bounds[first] > _LEAST_MM)
    order = [(first + k) % len(edges) for k in range(len(edges))]
    curves = dict(zip(order, parts, strict=True))
    return [replace(edge, curve=welded([curves[k]])) for k, edge in enumerate(edges)]


def _start_way(ring: Curve, ways: Array) -> float:
    """The middle of the longest way between two cuts, or the corner nearest to it that lies within that way."""
    total = curve_length(ring)
    gaps = np.diff(np.append(ways, ways[0] + total))
    longest = int(np.argmax(gaps))
    middle = float((ways[longest] + gaps[longest] / 2) % total)
    corners = np.cumsum(segment_lengths(ring))[np.abs(joint_turnings(ring)) > np.radians(_CORNER_DEG)] % total
    if not len(corners):
        return middle
    away = np.abs((corners - middle + total / 2) % total - total / 2)
    return float(corners[np.argmin(away)]) if away.min() < gaps[longest] / 2 else middle


def _cut_ways(edge: Edge, cut: Curve) -> Array:
    ways = ways_at(edge.curve, crossings(edge.curve, cut)[:, 0])
    ends = ways_at(edge.curve, np.array([0.0, float(len(edge.curve.controls))]))
    if (np.abs(ways[:, None] - ends) <= _NEAR_END_MM).any():
        raise refused("The line goes through a corner.", "Move it a little, or put a strip on along an edge.")
    return ways


def _side_of(part: Curve, foot: Array, shift: Array) -> float:
    away = (curve_points(part, 0.1) - foot) @ shift
    return 1.0 if away[np.argmax(np.abs(away))] > 0 else -1.0


def _sideways(part: Curve, foot: Array, shift: Array) -> Curve:
    """A part that lies on one side of the line, moved to that side."""
    return transformed(part, np.c_[np.eye(2), _side_of(part, foot, shift) * shift])


def _carried(curve: Curve, foot: Array, shift: Array, cut: Curve) -> Curve:
    return curve if len(crossings(curve, cut)) else _sideways(curve, foot, shift)


def _drawn_apart(detail: Detail, foot: Array, shift: Array, cut: Curve) -> Curve:
    """A drawn line, straight across the strip where it crosses it; ticks, rings and the line itself stay in one."""
    curve = detail.curve
    away = np.abs((curve_points(curve) - foot) @ shift)
    if away.max() <= _NEAR_END_MM * np.linalg.norm(shift):
        return curve
    ways = ways_at(curve, crossings(curve, cut)[:, 0])
    if curve.closed or detail.use == "tick" or not len(ways):
        return _carried(curve, foot, shift, cut)
    parts = [_sideways(part, foot, shift) for part in split_at(curve, [float(way) for way in ways])]
    whole = parts[0]
    for part in parts[1:]:
        across = polyline_curve(np.stack([whole.controls[-1, 3], part.controls[0, 0]]))
        whole = joined([whole, across, part], False)
    return whole


STEPS = (
    Step(
        "widen",
        "Put a strip on along an edge",
        (
            Question("run", "run", "Along which edges"),
            Question("width", "length", "How wide (taken off where negative)", 10.0),
            Question("how", "choice", "The edge is moved as it is, or set off evenly", "moved", ("moved", "parallel")),
        ),
        add_strip,
    ),
    Step(
        "widen-through",
        "Let a strip in along a line through a piece",
        (
            Question("piece", "piece", "Which piece"),
            Question("line", "text", "A line drawn on it (d2), or two points x,y x,y"),
            Question("width", "length", "How wide", 20.0),
        ),
        widen_through,
    ),
)
