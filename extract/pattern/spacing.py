"""Marks, holes and little shapes at equal steps along an edge or a line, mirrored across the centre line on request."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from extract.build import Build, Detail, Figure, Hole, Outcome, Piece, Question, Step, Use
from extract.doors import Array, Curve
from extract.geometry.arc import normals, points_at, tangents_at
from extract.geometry.curve import (
    circle_curve,
    curve_length,
    curve_points,
    polyline_curve,
    reversed_curve,
    transformed,
)
from extract.geometry.offset import parallel_curve
from extract.geometry.runs import free_id, piece_named, refused, run_curve, run_from, shape_of, with_piece

SHAPES = ("tick", "round", "slot", "square", "diamond", "triangle")
_USES: tuple[Use, ...] = ("score", "burn", "tick", "note")
_LEAST_LEFT_MM = 1.0
"""Foam thinner than this tears between two cuts (common practice, no source)."""
_SAME_MM = 0.01
_MOST = 500
"""More holes than a patient hand punches along one line."""
_TRIANGLE = ((0.0, -0.5), (0.5, 0.5), (-0.5, 0.5))
_CORNERS = {
    "square": ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)),
    "diamond": ((-0.5, 0.0), (0.0, -0.5), (0.5, 0.0), (0.0, 0.5)),
    "triangle": _TRIANGLE,
}
"""Unit shapes: x along the line, y into the piece, clockwise to the eye."""


@dataclass(frozen=True, eq=False)
class _Line:
    """What the shapes stand on: the piece, the curve they are centred on, whether it closes, and whether it is the
    very edge, from which a tick starts."""

    piece: Piece
    curve: Curve
    closed: bool
    edge: bool

    @property
    def length_mm(self) -> float:
        return curve_length(self.curve)


@dataclass(frozen=True, eq=False)
class _Row:
    """Ways of the centres along the line, the free gap between neighbours, and what is left at the start and end."""

    ways_mm: Array
    gap_mm: float
    lead_mm: tuple[float, float]


def space_out(
    build: Build,
    count: int,
    run: str = "",
    line: str = "",
    shape: str = "tick",
    size: float = 6.0,
    deep: float = 0.0,
    inset: float = 0.0,
    place: str = "between",
    margin: float = 0.0,
    pitch: float = 0.0,
    use: str = "cut",
    mirror: bool = False,
) -> Outcome:
    """``count`` shapes along a ``run`` of edges or a drawn ``line`` ("p3:d2"), equal gaps between them; lengths in mm.

    ``size`` is a shape's extent along the line, ``deep`` across it (0: as along); a tick is ``size`` long across.
    ``inset`` moves the row into the piece. ``place``: "ends" fills from end to end, "between" leaves the same gap at
    both ends too, "centred" sets the row with a ``pitch`` in the middle; ``margin`` is kept free at both ends. A closed
    line takes its shapes all round. ``use`` "cut" makes holes of closed shapes, else they are drawn.
    """
    if not 1 <= count <= _MOST or size <= 0 or deep < 0 or margin < 0:
        raise refused(f"There is nothing to space out, or more than {_MOST}.", "Say a count and a size above 0 mm.")
    found = _line(build, run, line, inset)
    row = _row(found, count, 0.0 if shape == "tick" else size, place, margin, pitch)
    curves = _shapes(found, row.ways_mm, shape, size, deep or size)
    if mirror:
        curves = [*curves, *_mirrored(found.piece, curves)]
    piece = _put(found.piece, curves, shape, use)
    return Outcome(with_piece(build, piece), _figures(found, row, len(curves)))


def _line(build: Build, run: str, line: str, inset: float) -> _Line:
    if bool(run) == bool(line):
        raise refused("Shapes stand on an edge or on a drawn line.", "Name one of the two, as in p3:a or p3:d2.")
    if run:
        chosen = run_from(build, run)
        piece = piece_named(build, chosen.piece)
        curve, closed = run_curve(build, chosen), len(chosen.edges) == len(piece.edges)
        curve = Curve(curve.controls, curve.straight, closed)
    else:
        piece, detail = _detail(build, line)
        curve, closed = detail.curve, detail.curve.closed
    return _Line(piece, parallel_curve(curve, -inset), closed, bool(run) and inset == 0)


def _detail(build: Build, line: str) -> tuple[Piece, Detail]:
    name, _, detail_id = line.partition(":")
    piece = piece_named(build, name.strip())
    for detail in piece.details:
        if detail.id == detail_id.strip():
            return piece, detail
    known = ", ".join(detail.id for detail in piece.details) or "none"
    raise refused(f"Piece {piece.id} has no line {detail_id or 'of that name'}.", f"Its lines are: {known}.")


def _row(line: _Line, count: int, along: float, place: str, margin: float, pitch: float) -> _Row:
    length, room = line.length_mm, line.length_mm - 2 * margin
    if line.closed:
        step = length / count
        return _fitting(_Row(step * _numbers(count), step - along, (0.0, step - along)), count, length)
    if place == "centred":
        if count > 1 and pitch <= 0:
            raise refused("A centred row needs a pitch.", "Say how far apart the middles are, in mm.")
        ways = length / 2 + pitch * (_numbers(count) - (count - 1) / 2)
        lead = float(ways[0]) - along / 2
        gap = pitch - along if count > 1 else lead
        return _fitting(_Row(ways, min(gap, gap if lead >= margin - 1e-9 else -1.0), (lead, lead)), count, length)
    if place == "ends":
        gap = (room - count * along) / (count - 1) if count > 1 else (room - along) / 2
        first = margin if count > 1 else margin + gap
    else:
        gap = (room - count * along) / (count + 1)
        first = margin + gap
    ways = first + along / 2 + (gap + along) * _numbers(count)
    return _fitting(_Row(ways, gap, (first, length - float(ways[-1]) - along / 2)), count, length)


def _numbers(count: int) -> Array:
    return np.arange(count, dtype=np.float64)


def _fitting(row: _Row, count: int, length: float) -> _Row:
    if row.gap_mm < 0:
        raise refused(f"{count} of them do not fit on {length:.1f} mm.", "Take fewer, smaller ones or less margin.")
    return row


def _shapes(line: _Line, ways: Array, shape: str, size: float, deep: float) -> list[Curve]:
    tangents = tangents_at(line.curve, ways)
    frames = np.stack([tangents, normals(tangents)], axis=2)
    places = points_at(line.curve, ways)
    unit = _unit(shape, size, deep, line.edge)
    return [transformed(unit, np.c_[frame, place]) for frame, place in zip(frames, places, strict=True)]


def _unit(shape: str, size: float, deep: float, from_edge: bool) -> Curve:
    if shape == "tick":
        start = 0.0 if from_edge else -size / 2
        return polyline_curve(np.array([[0.0, start], [0.0, start + size]]))
    if shape == "round":
        scale = np.array([[1.0, 0.0, 0.0], [0.0, deep / size, 0.0]])
        return transformed(circle_curve((0.0, 0.0), size / 2), scale)
    if shape == "slot":
        return _slot(size, deep)
    return polyline_curve(np.array(_CORNERS[shape]) * [size, deep], closed=True)


def _slot(size: float, deep: float) -> Curve:
    """Straight sides with half circles at both ends; one as deep as long is a circle."""
    radius, reach = min(size, deep) / 2, abs(size - deep) / 2
    ring = circle_curve((0.0, 0.0), radius)
    if reach == 0:
        return ring
    half = len(ring.controls) // 2
    way = np.array([reach, 0.0])
    turned = np.roll(ring.controls, len(ring.controls) // 4, axis=0)  # starts at the upper end, towards +x
    right, left = turned[:half] + way, turned[half:] - way
    sides = [
        polyline_curve(np.stack(ends)).controls for ends in ((right[-1, 3], left[0, 0]), (left[-1, 3], right[0, 0]))
    ]
    controls = np.concatenate([right, sides[0], left, sides[1]])
    straight = np.r_[np.zeros(half, bool), True, np.zeros(half, bool), True]
    upright = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0]])
    curve = Curve(controls, straight, True)
    return curve if size > deep else transformed(curve, upright)


def _mirrored(piece: Piece, curves: Sequence[Curve]) -> list[Curve]:
    """Each shape's image across the piece's centre line, walked the same way round; none of those that lie on it."""
    matrix = _reflection(*_centre_line(piece))
    images = [reversed_curve(transformed(curve, matrix)) for curve in curves]
    middles = np.array([_middle(curve) for curve in curves])
    return [image for image in images if np.linalg.norm(middles - _middle(image), axis=1).min() > _SAME_MM]


def _middle(curve: Curve) -> Array:
    return np.asarray(shapely.MultiPoint(curve_points(curve, 0.1)).envelope.centroid.coords[0])


def _centre_line(piece: Piece) -> tuple[Array, Array]:
    """A point on the piece's centre line and its direction."""
    for detail in piece.details:
        if detail.use == "centre" and len(detail.curve.controls):
            start, end = detail.curve.controls[0, 0], detail.curve.controls[-1, 3]
            return start, (end - start) / max(float(np.linalg.norm(end - start)), 1e-12)
    if piece.copies == "centre" and piece.forward_deg is not None:
        angle = np.radians(piece.forward_deg)
        return np.asarray(shape_of(piece).centroid.coords[0]), np.array([np.cos(angle), np.sin(angle)])
    raise refused(
        f"Piece {piece.id} has no centre line to mirror across.",
        "Draw one, or say that the piece lies on the centre line and which way is forward.",
    )


def _reflection(point: Array, way: Array) -> Array:
    matrix = 2 * np.outer(way, way) - np.eye(2)
    return np.c_[matrix, point - matrix @ point]


def _put(piece: Piece, curves: Sequence[Curve], shape: str, use: str) -> Piece:
    """The piece with the shapes cut out or drawn. CannotContinue where a cut would leave no foam."""
    if shape != "tick" and use == "cut":
        _check_room(piece, curves)
        holes = list(piece.holes)
        for curve in curves:
            holes.append(Hole(free_id([hole.id for hole in holes], "h"), reversed_curve(curve)))
        return replace(piece, holes=tuple(holes))
    drawn_as: Use = next((known for known in _USES if known == use), "tick" if shape == "tick" else "score")
    details = list(piece.details)
    for curve in curves:
        details.append(Detail(free_id([detail.id for detail in details], "d"), drawn_as, curve))
    return replace(piece, details=tuple(details))


def _check_room(piece: Piece, curves: Sequence[Curve]) -> None:
    foam = shape_of(piece)
    cuts = [shapely.Polygon(curve_points(curve)) for curve in curves]
    shapely.prepare(foam)
    for number, cut in enumerate(cuts, start=1):
        if not foam.contains(cut) or foam.boundary.distance(cut) < _LEAST_LEFT_MM:
            raise refused(
                f"Shape {number} of {len(cuts)} would come within {_LEAST_LEFT_MM:g} mm of the edge or another hole.",
                "Move the row further in, or take smaller ones.",
            )
    near = shapely.STRtree(cuts).query(cuts, "dwithin", _LEAST_LEFT_MM)
    if (near[0] != near[1]).any():
        raise refused("Two of the shapes would run into one another.", "Take fewer or smaller ones.")


def _figures(line: _Line, row: _Row, made: int) -> tuple[Figure, ...]:
    where = line.piece.id
    return (
        Figure("length of the line", "mm", None, line.length_mm, where),
        Figure("gap between neighbours along the line", "mm", None, row.gap_mm, where),
        Figure("free at the start", "mm", None, row.lead_mm[0], where),
        Figure("free at the end", "mm", None, row.lead_mm[1], where),
        Figure("shapes made", "", None, float(made), where),
    )


STEPS: tuple[Step, ...] = (
    Step(
        "space-out",
        "Put marks, holes or little shapes at equal steps",
        (
            Question("count", "count", "How many?"),
            Question("run", "run", "Along which edge? (none: along a drawn line)", ""),
            Question("line", "text", "Along which drawn line? (as in p3:d2)", ""),
            Question("shape", "choice", "Which shape?", "tick", SHAPES),
            Question("size", "length", "How long along the line? (a tick: across it)", 6.0),
            Question("deep", "length", "How deep across the line? (0: as long)", 0.0),
            Question("inset", "length", "How far inside the edge?", 0.0),
            Question("place", "choice", "How do they lie?", "between", ("ends", "between", "centred")),
            Question("margin", "length", "Kept free at both ends", 0.0),
            Question("pitch", "length", "From middle to middle (when centred)", 0.0),
            Question("use", "choice", "Cut through, or drawn?", "cut", ("cut", *_USES)),
            Question("mirror", "flag", "Mirrored across the centre line, too?", False),
        ),
        space_out,
    ),
)
