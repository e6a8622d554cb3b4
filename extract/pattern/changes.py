"""What a step changed, as figures: lengths of edges, the other sides of their seams, areas."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from extract.build import Build, Edge, Figure, Outcome, Piece, Run, Seam
from extract.doors import Curve, Doubt
from extract.geometry.curve import curve_length, curve_lengths
from extract.geometry.runs import all_checked, piece_area, with_piece
from extract.geometry.slits import run_length

Length = Callable[[Curve], float]

_SHOWN_MM = 0.005
"""Half of the last figure shown."""


def outcome(
    before: Build,
    after: Build,
    doing: str,
    found: Iterable[Figure] = (),
    doubts: Iterable[Doubt] = (),
    sound: bool = False,
) -> Outcome:
    """The outcome of a step that gave ``after``: its own figures, then every edge, seam and area that changed.

    CannotContinue where a piece that changed runs into a hole or, unless its outline is known to be ``sound``, crosses
    itself now.
    """
    all_checked(changed_pieces(before, after), doing, holes_only=sound)
    return Outcome(after, (*found, *changed_figures(before, after)), tuple(doubts))


def changed_pieces(before: Build, after: Build) -> list[Piece]:
    """Pieces of ``after`` that are new or not the very ones of ``before``."""
    known = {id(piece) for piece in before.pieces}
    return [piece for piece in after.pieces if id(piece) not in known]


def changed_figures(before: Build, after: Build) -> tuple[Figure, ...]:
    """Lengths of edges and seam sides, and areas, that differ between two builds."""
    changed = changed_pieces(before, after)
    old = {piece.id: piece for piece in before.pieces}
    pairs = [(old[piece.id], piece) for piece in changed if piece.id in old]
    touched = {piece.id for piece in changed}
    seams = [seam for seam in after.seams if touched & {seam.first.piece, seam.second.piece}]
    beside = {run.piece for seam in seams for run in (seam.first, seam.second)}
    length = _lengths([p for build in (before, after) for p in build.pieces if p.id in touched | beside])
    found: list[Figure] = [figure for pair in pairs for figure in _edge_figures(*pair, length)]
    found.extend(_seam_figures(before, after, seams, length))
    for was, piece in pairs:
        area, now = piece_area(was), piece_area(piece)
        if abs(area - now) > _SHOWN_MM:
            found.append(Figure("area", "mm²", area, now, piece.id))
    return tuple(found)


def _lengths(pieces: Iterable[Piece]) -> Length:
    """Lengths of the pieces' edges, all worked out at once and kept."""
    curves = list({id(edge.curve): edge.curve for piece in pieces for edge in piece.edges}.values())
    if not curves:
        return curve_length
    known = {id(curve): float(length) for curve, length in zip(curves, curve_lengths(curves), strict=True)}
    return lambda curve: known[id(curve)]


def with_changed(build: Build, pieces: Iterable[Piece]) -> Build:
    """The build with each of ``pieces`` in place of its former self."""
    for piece in pieces:
        build = with_piece(build, piece)
    return build


def _edge_figures(old: Piece, piece: Piece, length: Length) -> Iterator[Figure]:
    former: dict[str, Edge] = {edge.id: edge for edge in old.edges}
    for edge in piece.edges:
        was = former.get(edge.id)
        if was is not None and was.curve is edge.curve:
            continue
        before, now = None if was is None else length(was.curve), length(edge.curve)
        if before is None or abs(before - now) > _SHOWN_MM:
            yield Figure("length of the edge", "mm", before, now, f"{piece.id}:{edge.id}")
    for name in [name for name in former if not any(edge.id.startswith(name) for edge in piece.edges)]:
        yield Figure("length of the edge", "mm", length(former[name].curve), 0.0, f"{piece.id}:{name}")


def _seam_figures(before: Build, after: Build, seams: Iterable[Seam], length: Length) -> Iterator[Figure]:
    """By how much more the second side of each of the ``seams`` is too long now than it was."""
    old = {seam.number: seam for seam in before.seams}
    for seam in seams:
        was = old.get(seam.number)
        if was is None:
            continue
        gap = seam_gap(before, was.first, was.second, was.layers_mm, length)
        now = seam_gap(after, seam.first, seam.second, seam.layers_mm, length)
        if abs(gap - now) > _SHOWN_MM:
            where = f"seam {seam.number}: {seam.first}, {seam.second}"
            yield Figure("second side longer than meant", "mm", gap, now, where)


def seam_gap(build: Build, first: Run, second: Run, layers_mm: float = 0.0, length: Length = curve_length) -> float:
    """By how many mm the second run, as glued, is longer than the first and what the layers ask for."""
    return run_length(build, second, length) - run_length(build, first, length) - layers_mm
