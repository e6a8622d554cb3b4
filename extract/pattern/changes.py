"""What a step changed, as figures: lengths of edges, the other sides of their seams, areas."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from extract.build import Build, Edge, Figure, Outcome, Piece, Run
from extract.doors import Doubt
from extract.geometry.curve import curve_length
from extract.geometry.runs import checked, piece_area, with_piece
from extract.geometry.slits import run_length

_SHOWN_MM = 0.005
"""Half of the last figure shown."""


def outcome(
    before: Build, after: Build, doing: str, found: Iterable[Figure] = (), doubts: Iterable[Doubt] = ()
) -> Outcome:
    """The outcome of a step that gave ``after``: its own figures, then every edge, seam and area that changed.

    CannotContinue where a piece that changed crosses itself now.
    """
    for piece in changed_pieces(before, after):
        checked(piece, doing)
    return Outcome(after, (*found, *changed_figures(before, after)), tuple(doubts))


def changed_pieces(before: Build, after: Build) -> list[Piece]:
    """Pieces of ``after`` that are new or not the very ones of ``before``."""
    known = {id(piece) for piece in before.pieces}
    return [piece for piece in after.pieces if id(piece) not in known]


def changed_figures(before: Build, after: Build) -> tuple[Figure, ...]:
    """Lengths of edges and seam sides, and areas, that differ between two builds."""
    old = {piece.id: piece for piece in before.pieces}
    found: list[Figure] = []
    for piece in changed_pieces(before, after):
        if piece.id in old:
            found.extend(_edge_figures(old[piece.id], piece))
    found.extend(_seam_figures(before, after))
    for piece in changed_pieces(before, after):
        if piece.id in old:
            area, now = piece_area(old[piece.id]), piece_area(piece)
            if abs(area - now) > _SHOWN_MM:
                found.append(Figure("area", "mm²", area, now, piece.id))
    return tuple(found)


def with_changed(build: Build, pieces: Iterable[Piece]) -> Build:
    """The build with each of ``pieces`` in place of its former self."""
    for piece in pieces:
        build = with_piece(build, piece)
    return build


def _edge_figures(old: Piece, piece: Piece) -> Iterator[Figure]:
    former: dict[str, Edge] = {edge.id: edge for edge in old.edges}
    for edge in piece.edges:
        was = former.get(edge.id)
        if was is not None and was.curve is edge.curve:
            continue
        length, now = None if was is None else curve_length(was.curve), curve_length(edge.curve)
        if length is None or abs(length - now) > _SHOWN_MM:
            yield Figure("length of the edge", "mm", length, now, f"{piece.id}:{edge.id}")
    for name in former.keys() - {edge.id for edge in piece.edges}:
        yield Figure("length of the edge", "mm", curve_length(former[name].curve), 0.0, f"{piece.id}:{name}")


def _seam_figures(before: Build, after: Build) -> Iterator[Figure]:
    """For each seam with a side that changed: by how much its second side is longer now than meant, and its partner."""
    old = {seam.number: seam for seam in before.seams}
    touched = {piece.id for piece in changed_pieces(before, after)}
    for seam in after.seams:
        was = old.get(seam.number)
        if was is None or not touched & {seam.first.piece, seam.second.piece}:
            continue
        gap = seam_gap(before, was.first, was.second, was.layers_mm)
        now = seam_gap(after, seam.first, seam.second, seam.layers_mm)
        if abs(gap - now) > _SHOWN_MM:
            yield Figure(
                "second side longer than meant", "mm", gap, now, f"seam {seam.number}: {seam.first}, {seam.second}"
            )


def seam_gap(build: Build, first: Run, second: Run, layers_mm: float = 0.0) -> float:
    """By how many mm the second run, as glued, is longer than the first and what the layers ask for."""
    return run_length(build, second) - run_length(build, first) - layers_mm
