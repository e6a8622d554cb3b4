"""Pieces and the runs of edges on them: finding, reading as text, joining, cutting, putting new curves in.

Whatever changes an outline goes through ``with_curves`` or ``with_edges``, which keep it closed to the bit, and
``checked``, which refuses an outline that crosses itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely

from extract.build import Build, Edge, Piece, Run, Seam
from extract.doors import Array, CannotContinue, Curve
from extract.geometry.arc import split_at
from extract.geometry.curve import curve_area, curve_points, joined, ring_points
from extract.geometry.sound import LOOP_MM2, are_sound

_MEETING_MM = 1e-6
_HOLE_CHORD_MM = 0.05
_RUN = re.compile(r"\s*([\w-]+)\s*:\s*([\w-]+(?:\s*\+\s*[\w-]+)*)\s*")


def refused(reason: str, advice: str) -> CannotContinue:
    return CannotContinue("pattern", reason, advice)


def piece_named(build: Build, piece_id: str) -> Piece:
    """The piece of that id, else that name; CannotContinue where there is none."""
    for key in ("id", "name"):
        for piece in build.pieces:
            if getattr(piece, key) == piece_id:
                return piece
    known = ", ".join(piece.id for piece in build.pieces) or "none"
    raise refused(f"There is no piece {piece_id}.", f"The pieces are: {known}.")


def edge_named(piece: Piece, edge_id: str) -> Edge:
    """The edge of that id; CannotContinue where there is none."""
    for edge in piece.edges:
        if edge.id == edge_id:
            return edge
    known = ", ".join(edge.id for edge in piece.edges)
    raise refused(f"Piece {piece.id} has no edge {edge_id}.", f"Its edges are: {known}.")


def run_from(build: Build, text: str) -> Run:
    """The run that ``text`` names ("p3:a+b"); CannotContinue where it is unknown or its edges do not follow one
    another."""
    match = _RUN.fullmatch(text)
    if match is None:
        raise refused(f"“{text}” names no edges.", "Write the piece and its edges in order, as in p3:a or p3:a+b.")
    piece = piece_named(build, match[1])
    run = Run(piece.id, tuple(word.strip() for word in match[2].split("+")))
    run_edges(piece, run)
    return run


def runs_from(build: Build, texts: str | Sequence[str]) -> tuple[Run, ...]:
    """Several runs, given as a list or in one text with commas or blanks between."""
    words = texts.replace(",", " ").split() if isinstance(texts, str) else texts
    if not words:
        raise refused("No edges are named.", "Name at least one run, as in p3:a+b.")
    return tuple(run_from(build, word) for word in words)


def run_edges(piece: Piece, run: Run) -> tuple[Edge, ...]:
    """The run's edges; CannotContinue unless they exist and follow one another along the outline."""
    edges = tuple(edge_named(piece, name) for name in run.edges)
    order = [edge.id for edge in piece.edges]
    start = order.index(edges[0].id)
    expected = [order[(start + k) % len(order)] for k in range(len(edges))]
    if len(edges) > len(order) or list(run.edges) != expected:
        raise refused(
            f"The edges of {run} do not follow one another along the piece.",
            f"Its edges come in this order, round and round: {', '.join(order)}.",
        )
    return edges


def run_curve(build: Build, run: Run) -> Curve:
    """The run as one open curve, in outline order."""
    piece = piece_named(build, run.piece)
    return joined([edge.curve for edge in run_edges(piece, run)], closed=False)


def outline_of(piece: Piece) -> Curve:
    """The piece's closed outline."""
    return joined([edge.curve for edge in piece.edges], closed=True)


def shape_of(piece: Piece, chord_mm: float = 0.02) -> shapely.Polygon:
    """The piece's material as a polygon, holes taken out, chords within ``chord_mm``."""
    return shapely.Polygon(
        curve_points(outline_of(piece), chord_mm), [curve_points(hole.curve, chord_mm) for hole in piece.holes]
    )


def piece_area(piece: Piece) -> float:
    """Area of the material in mm², holes taken out."""
    return abs(curve_area(outline_of(piece))) - sum(abs(curve_area(hole.curve)) for hole in piece.holes)


def checked(piece: Piece, doing: str = "This step") -> Piece:
    """The piece as it is; CannotContinue where its outline crosses itself, lies inside out or runs into a hole."""
    all_checked([piece], doing)
    return piece


def all_checked(pieces: Sequence[Piece], doing: str = "This step", holes_only: bool = False) -> None:
    """CannotContinue where the outline of a piece crosses itself, lies inside out or runs into a hole; ``holes_only``
    where the outlines are known to be sound."""
    for piece, outside in zip(pieces, [True] * len(pieces) if holes_only else sound_outlines(pieces), strict=True):
        if not outside:
            raise refused(
                f"{doing} would make the outline of piece {piece.id} cross itself.",
                "Take a smaller distance, or leave out the narrow part.",
            )
    holed = [piece for piece in pieces if piece.holes]
    for piece, shape in zip(holed, _shapes_of(holed), strict=True):
        if not _holes_inside(shape):
            raise refused(
                f"{doing} would run piece {piece.id} into a hole.", "Take a smaller distance, or move the hole."
            )


def _shapes_of(pieces: Sequence[Piece]) -> list[shapely.Polygon]:
    outlines = ring_points([[edge.curve for edge in piece.edges] for piece in pieces], _HOLE_CHORD_MM)
    holes = iter(ring_points([[hole.curve] for piece in pieces for hole in piece.holes], _HOLE_CHORD_MM))
    return [
        shapely.Polygon(ring, [next(holes) for _ in piece.holes]) for piece, ring in zip(pieces, outlines, strict=True)
    ]


def sound_outlines(pieces: Sequence[Piece]) -> list[bool]:
    """Whether each piece's outline runs clockwise to the eye and does not cross itself by more than a fit's rounding at
    a corner leaves."""
    return are_sound([[edge.curve for edge in piece.edges] for piece in pieces], loop_mm2=LOOP_MM2)


def _holes_inside(shape: shapely.Polygon) -> bool:
    """Whether all holes lie inside the outline and none meets another."""
    if shape.is_valid:
        return True
    whole = shapely.make_valid(shapely.Polygon(shape.exterior))
    holes = [shapely.make_valid(shapely.Polygon(ring)) for ring in shape.interiors]
    apart = shapely.union_all(holes).area >= sum(hole.area for hole in holes) - LOOP_MM2
    return apart and all(whole.contains(hole) for hole in holes)


def with_piece(build: Build, piece: Piece) -> Build:
    """The build with ``piece`` in place of the one of the same id, or added at the end."""
    if any(old.id == piece.id for old in build.pieces):
        return replace(build, pieces=tuple(piece if old.id == piece.id else old for old in build.pieces))
    return replace(build, pieces=(*build.pieces, piece))


def with_curves(piece: Piece, curves: Mapping[str, Curve]) -> Piece:
    """The piece with new curves on the edges named; CannotContinue where they leave the outline open."""
    edges = [replace(edge, curve=curves.get(edge.id, edge.curve)) for edge in piece.edges]
    return with_edges(piece, edges)


def with_edges(piece: Piece, edges: Sequence[Edge]) -> Piece:
    """The piece with all its edges anew, each one's start set to the bit on the end before it."""
    if len({edge.id for edge in edges}) < len(edges):
        raise ValueError(f"two edges of piece {piece.id} have one name")
    whole = []
    for before, edge in zip([edges[-1], *edges[:-1]], edges, strict=True):
        end, start = before.curve.controls[-1, 3], edge.curve.controls[0, 0]
        if not np.abs(end - start).max() <= _MEETING_MM:
            raise refused(f"The outline of piece {piece.id} would not close.", "Choose edges that leave it whole.")
        whole.append(edge if (end == start).all() else replace(edge, curve=starting_at(edge.curve, end)))
    return replace(piece, edges=tuple(whole))


def starting_at(curve: Curve, start_mm: Array) -> Curve:
    """The open curve with its first point put on ``start_mm``; for places that differ by rounding only."""
    controls = curve.controls.copy()
    controls[0, 0] = start_mm
    return Curve(controls, curve.straight, curve.closed)


def split_edge(build: Build, piece_id: str, edge_id: str, ways_mm: Sequence[float]) -> Build:
    """The build with one edge cut at the given arc lengths into "a1", "a2", …; seams follow."""
    piece = piece_named(build, piece_id)
    edge = edge_named(piece, edge_id)
    parts = split_at(edge.curve, ways_mm)
    if len(parts) == 1:
        return build
    names = _part_names(piece, edge_id, len(parts))
    fresh = [replace(edge, id=name, curve=part) for name, part in zip(names, parts, strict=True)]
    at = piece.edges.index(edge)
    piece = replace(piece, edges=(*piece.edges[:at], *fresh, *piece.edges[at + 1 :]))
    return renamed_edges(with_piece(build, piece), piece.id, {edge_id: names})


def renamed_edges(build: Build, piece_id: str, names: Mapping[str, Sequence[str]]) -> Build:
    """The build whose seams name the new edges of a piece: each old one stands for those in ``names``."""

    def follow(run: Run) -> Run:
        if run.piece != piece_id:
            return run
        return Run(run.piece, tuple(new for old in run.edges for new in names.get(old, (old,))))

    seams = tuple(replace(seam, first=follow(seam.first), second=follow(seam.second)) for seam in build.seams)
    return replace(build, seams=seams)


def free_piece_id(build: Build) -> str:
    """The next id in the count of pieces."""
    taken = [int(piece.id[1:]) for piece in build.pieces if re.fullmatch(r"p\d+", piece.id)]
    return f"p{max(taken, default=0) + 1}"


def free_id(taken: Sequence[str], stem: str) -> str:
    """``stem`` with the first number, from 1, that no id in ``taken`` has."""
    return next(name for name in _counted(stem) if name not in taken)


def edge_letters(count: int) -> tuple[str, ...]:
    """ "a", "b", … "z", "aa", "ab", … for ``count`` edges."""
    return tuple(_letters(k) for k in range(count))


def seams_of(build: Build, piece_id: str, edges: Sequence[str] | None = None) -> tuple[Seam, ...]:
    """The seams that hold any of the piece's ``edges`` (any of its edges at all when None)."""
    return tuple(
        seam for seam in build.seams if any(_touches(run, piece_id, edges) for run in (seam.first, seam.second))
    )


def _touches(run: Run, piece_id: str, edges: Sequence[str] | None) -> bool:
    return run.piece == piece_id and (edges is None or any(edge in edges for edge in run.edges))


def _part_names(piece: Piece, edge_id: str, count: int) -> tuple[str, ...]:
    taken = {edge.id for edge in piece.edges if edge.id != edge_id}
    names: list[str] = []
    for name in _counted(edge_id):
        if len(names) == count:
            break
        if name not in taken:
            names.append(name)
    return tuple(names)


def _counted(stem: str) -> Iterator[str]:
    number = 0
    while True:
        number += 1
        yield f"{stem}{number}"


def _letters(k: int) -> str:
    return (_letters(k // 26 - 1) if k >= 26 else "") + chr(ord("a") + k % 26)
