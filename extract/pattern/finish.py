"""Steps for what is done to a piece besides cutting it out: leaning edges, lines to score or burn, holes."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import shapely

from extract.build import Build, Detail, Figure, Finish, Hole, Outcome, Piece, Question, Step, Use
from extract.doors import CannotContinue
from extract.geometry.curve import circle_curve, curve_length, curve_points, polyline_curve, reversed_curve
from extract.geometry.fit import fit_curve
from extract.geometry.runs import free_id, piece_area, piece_named, runs_from, shape_of, with_piece
from extract.pattern.joint import joint_figures

STEEPEST_DEG = 75.0
"""A flatter blade leaves the foam before it is through (common practice, no source)."""
_LEAST_BRIDGE_MM = 1.0
"""Foam between a hole and an edge, or two holes, that can be cut at all (common practice, no source)."""
_SMOOTH_MM = 0.2
USES: tuple[Use, ...] = ("score", "burn", "tick", "centre", "note", "reference")


def finish_edges(build: Build, edges: list[str], lean: float, longer: Literal["face", "back"]) -> Outcome:
    """Cuts edges leaning: the ``longer`` face of the foam reaches the drawn line, the other lies back."""
    if not 0 <= lean <= STEEPEST_DEG:
        raise _refused(
            f"An edge cannot lean {lean:g}° from square.", f"Give 0 (square) to {STEEPEST_DEG:g}°; 45° is usual."
        )
    finish = Finish(lean, longer) if lean else Finish()
    thickness = {stock.name: stock.thickness_mm for stock in build.stocks}
    figures: list[Figure] = []
    for run in runs_from(build, edges):
        piece = piece_named(build, run.piece)
        if lean and piece.stock in thickness:
            figures += joint_figures(lean, thickness[piece.stock], str(run))
        else:
            figures.append(Figure("lean of the edge", "°", piece_lean(piece, run.edges), lean, str(run)))
        done = tuple(replace(edge, finish=finish) if edge.id in run.edges else edge for edge in piece.edges)
        build = with_piece(build, replace(piece, edges=done))
    return Outcome(build, tuple(figures))


def piece_lean(piece: Piece, edges: tuple[str, ...]) -> float | None:
    """The lean that edges of a piece have in common, None where they differ."""
    leans = {edge.finish.lean_deg for edge in piece.edges if edge.id in edges}
    return leans.pop() if len(leans) == 1 else None


def use_line(build: Build, piece: str, line: str, use: Use) -> Outcome:
    """Says what a line inside a piece is for."""
    old = piece_named(build, piece)
    _detail(old, line)
    details = tuple(replace(d, use=use) if d.id == line else d for d in old.details)
    return Outcome(with_piece(build, replace(old, details=details)))


def draw_line(build: Build, piece: str, points: list[list[float]], use: Use, text: str, smooth: bool) -> Outcome:
    """Draws a line inside a piece, through points in the pattern's millimetres; what lies outside is left off."""
    old = piece_named(build, piece)
    places = np.array(points, float)
    if len(places) < 2 or (places == places[0]).all():
        raise _refused("A line needs two different points.", "Give at least two, as x,y x,y.")
    curve = fit_curve(places, _SMOOTH_MM).curve if smooth and len(places) > 2 else polyline_curve(places)
    inside = shapely.LineString(curve_points(curve)).intersection(shape_of(old))
    pieces = [part for part in shapely.get_parts(shapely.line_merge(inside)) if part.geom_type == "LineString"]
    if not pieces:
        raise _refused(f"That line does not cross piece {old.id}.", "Give points on the piece.")
    whole = len(pieces) == 1 and pieces[0].length > 0.999 * curve_length(curve)
    curves = [curve] if whole else [polyline_curve(np.asarray(part.coords)) for part in pieces]
    details = list(old.details)
    for one in curves:
        details.append(Detail(free_id([d.id for d in details], "d"), use, one, text))
    figures = [
        Figure(f"length of {use} line {d.id}", "mm", None, curve_length(d.curve), old.id)
        for d in details[-len(curves) :]
    ]
    return Outcome(with_piece(build, replace(old, details=tuple(details))), tuple(figures))


def drop_line(build: Build, piece: str, line: str) -> Outcome:
    """Takes a line inside a piece away."""
    old = piece_named(build, piece)
    gone = _detail(old, line)
    kept = tuple(detail for detail in old.details if detail.id != line)
    figure = Figure(f"length of {gone.use} line {line}", "mm", curve_length(gone.curve), None, old.id)
    return Outcome(with_piece(build, replace(old, details=kept)), (figure,))


def cut_hole(build: Build, piece: str, x: float, y: float, across: float, fixed: bool) -> Outcome:
    """Cuts a round hole of diameter ``across`` at (x, y) in the pattern's millimetres."""
    old = piece_named(build, piece)
    if not across > 0:
        raise _refused("A hole needs a width.", "Give its diameter in millimetres.")
    foam, middle = shape_of(old), shapely.Point(x, y)
    room = float(foam.boundary.distance(middle)) if foam.contains(middle) else 0.0
    if room < across / 2 + _LEAST_BRIDGE_MM:
        most = max(0.0, 2 * (room - _LEAST_BRIDGE_MM))
        raise _refused(
            f"A hole of {across:g} mm does not fit there on piece {old.id}.",
            f"There is room for {most:.1f} mm, with {_LEAST_BRIDGE_MM:g} mm of foam left around it.",
        )
    hole = Hole(free_id([h.id for h in old.holes], "h"), reversed_curve(circle_curve((x, y), across / 2, 1e-3)), fixed)
    new = replace(old, holes=(*old.holes, hole))
    figures = (
        Figure("room from the hole to the nearest edge", "mm", None, room - across / 2, old.id),
        Figure("area", "mm²", piece_area(old), piece_area(new), old.id),
    )
    return Outcome(with_piece(build, new), figures)


def fill_hole(build: Build, piece: str, hole: str) -> Outcome:
    """Takes a hole away."""
    old = piece_named(build, piece)
    if all(one.id != hole for one in old.holes):
        known = ", ".join(one.id for one in old.holes) or "none"
        raise _refused(f"Piece {old.id} has no hole {hole}.", f"Its holes are: {known}.")
    new = replace(old, holes=tuple(one for one in old.holes if one.id != hole))
    return Outcome(with_piece(build, new), (Figure("area", "mm²", piece_area(old), piece_area(new), old.id),))


def _detail(piece: Piece, line: str) -> Detail:
    for detail in piece.details:
        if detail.id == line:
            return detail
    known = ", ".join(detail.id for detail in piece.details) or "none"
    raise _refused(f"Piece {piece.id} has no line {line}.", f"Its lines are: {known}.")


def _refused(reason: str, advice: str) -> CannotContinue:
    return CannotContinue("pattern", reason, advice)


_PIECE = Question("piece", "piece", "Which piece")
_LINE = Question("line", "text", "Which line inside it, such as d1")

STEPS = (
    Step(
        "finish",
        "Cut edges square or leaning",
        (
            Question("edges", "runs", "Which edges, such as p3:a+b"),
            Question("lean", "angle", "How far from square", 0.0),
            Question("longer", "choice", "Which side of the foam reaches the drawn line", "face", ("face", "back")),
        ),
        finish_edges,
    ),
    Step(
        "line-use",
        "Say what a line inside a piece is for",
        (_PIECE, _LINE, Question("use", "choice", "What for", None, USES)),
        use_line,
    ),
    Step(
        "line",
        "Draw a line inside a piece",
        (
            _PIECE,
            Question("points", "points", "Through which points"),
            Question("use", "choice", "What for", "score", USES),
            Question("text", "text", "Words beside it", ""),
            Question("smooth", "flag", "As one smooth line", False),
        ),
        draw_line,
    ),
    Step("line-away", "Take a line inside a piece away", (_PIECE, _LINE), drop_line),
    Step(
        "hole",
        "Cut a round hole",
        (
            _PIECE,
            Question("x", "length", "Its middle, from the left"),
            Question("y", "length", "Its middle, from above"),
            Question("across", "length", "Its diameter"),
            Question("fixed", "flag", "Keeps its size when the piece is resized", True),
        ),
        cut_hole,
    ),
    Step("hole-away", "Take a hole away", (_PIECE, Question("hole", "text", "Which hole, such as h1")), fill_hole),
)
