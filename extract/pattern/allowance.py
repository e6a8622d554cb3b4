"""What is taken off or put on along edges: gaps, overlaps, trim allowances, the width of a cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from extract.build import Build, Edge, Figure, Hole, Outcome, Piece, Question, Run, Step
from extract.doors import CannotContinue, Curve, Doubt
from extract.geometry.curve import curve_area, joined, opened, reversed_curve
from extract.geometry.offset import offset_rings
from extract.geometry.runs import piece_named, refused, runs_from, seams_of, with_edges
from extract.geometry.slits import closed_lips
from extract.pattern.changes import outcome, with_changed

_EVERYTHING = ("all", "everything")


def set_off(build: Build, piece: Piece, distances_mm: Mapping[str, float]) -> Piece:
    """The piece with the edges named set off outwards by their distances (inwards where negative), corners clean.

    A short edge that the distance swallows goes; CannotContinue where it is sewn, or the piece would be eaten.
    """
    return _all_set_off(build, {piece.id: distances_mm})[0]


def _all_set_off(build: Build, distances_mm: Mapping[str, Mapping[str, float]]) -> list[Piece]:
    """The pieces named, each with its edges set off."""
    pieces = [piece_named(build, name) for name in distances_mm]
    rings = [
        (
            [edge.curve for edge in piece.edges],
            [float(distances_mm[piece.id].get(edge.id, 0.0)) for edge in piece.edges],
        )
        for piece in pieces
    ]
    return [_with_fresh(build, piece, curves) for piece, curves in zip(pieces, offset_rings(rings), strict=True)]


def _with_fresh(build: Build, piece: Piece, curves: Sequence[Curve | None]) -> Piece:
    edges: list[Edge] = []
    for edge, curve in zip(piece.edges, curves, strict=True):
        if curve is not None:
            edges.append(edge if curve is edge.curve else replace(edge, curve=curve))
        elif seams_of(build, piece.id, (edge.id,)):
            raise refused(
                f"Edge {edge.id} of piece {piece.id} would vanish, and it is sewn.",
                "Take a smaller distance, or take its seam out first.",
            )
    return with_edges(piece, edges)


def leave_gap(build: Build, runs: str | Sequence[str], gap: float = 10.0, both: bool = True) -> Outcome:
    """A gap of ``gap`` mm along seams or edges: half of it comes off each side.

    ``both``: where a run has a partner in a seam, the partner loses its half, too.
    """
    if gap <= 0:
        raise refused("A gap needs a width above 0 mm.", "10 mm is usual between cover panels.")
    chosen = list(runs_from(build, runs))
    if both:
        chosen += [other for run in tuple(chosen) for other in _partners(build, run)]
    return _along(build, chosen, -gap / 2, "The gap", Figure("gap between neighbours", "mm", None, gap))


def add_overlap(build: Build, runs: str | Sequence[str], width: float = 10.0) -> Outcome:
    """A strip of ``width`` mm put on along the runs, to lie under or over the neighbour; the neighbour stays."""
    if width <= 0:
        raise refused("An overlap needs a width above 0 mm.", "Give the width in mm.")
    return _along(build, runs_from(build, runs), width, "The overlap", Figure("overlap", "mm", None, width))


def add_allowance(build: Build, where: str | Sequence[str], width: float = 5.0) -> Outcome:
    """``width`` mm more (less where negative) along runs ("p1:a"), all round pieces ("p1") or everywhere ("all")."""
    if width == 0:
        raise refused("An allowance of 0 mm changes nothing.", "Give the width in mm.")
    figure = Figure("trim allowance", "mm", None, width)
    return _along(build, _named(build, where, lips=False), width, "The allowance", figure)


def make_up_for_cut(build: Build, where: str | Sequence[str] = "all", kerf: float = 1.0) -> Outcome:
    """Half the width of the cut put on all round, so that knife or saw leave the piece as designed; holes get smaller.

    A knife takes next to nothing, a band saw or jigsaw 0.8 to 1.5 mm, a hot wire 0.5 to 1.5 mm (from memory; measure
    your own).
    """
    if kerf <= 0:
        raise refused("A cut needs a width above 0 mm.", "A knife needs no such step.")
    runs = _named(build, where)
    named = {(run.piece, edge) for run in runs for edge in run.edges}
    whole = {piece.id for piece in build.pieces if all((piece.id, edge.id) in named for edge in piece.edges)}
    smaller = _smaller_holes([piece for piece in build.pieces if piece.id in whole], kerf / 2)
    return _along(build, runs, kerf / 2, "The cut", Figure("width of the cut", "mm", None, kerf), smaller)


def _along(
    build: Build,
    runs: Sequence[Run],
    distance: float,
    doing: str,
    figure: Figure,
    holes: Mapping[str, tuple[Hole, ...]] | None = None,
) -> Outcome:
    """Every edge of the runs set off by ``distance``, once, piece by piece; ``holes`` replace a piece's own."""
    edges: dict[str, dict[str, float]] = {}
    for run in runs:
        edges.setdefault(run.piece, {}).update(dict.fromkeys(run.edges, distance))
    pieces = _all_set_off(build, edges)
    gone = [
        f"{piece.id}:{edge.id}"
        for piece in pieces
        for edge in piece_named(build, piece.id).edges
        if all(edge.id != left.id for left in piece.edges)
    ]
    doubts = [Doubt("edge-vanished", f"{doing} left nothing of edge {', '.join(gone)}.")] if gone else []
    pieces = [replace(piece, holes=holes[piece.id]) if holes and piece.id in holes else piece for piece in pieces]
    return outcome(build, with_changed(build, pieces), doing, (figure,), doubts, sound=True)


def _partners(build: Build, run: Run) -> list[Run]:
    """The other sides of the seams that hold edges of the run; not those where it is sewn to itself."""
    found = []
    for seam in seams_of(build, run.piece, run.edges):
        for one, other in ((seam.first, seam.second), (seam.second, seam.first)):
            if one.piece == run.piece and set(one.edges) & set(run.edges) and other.edges != run.edges:
                found.append(other)
    return found


def _named(build: Build, where: str | Sequence[str], lips: bool = True) -> list[Run]:
    """Runs for words that name runs, whole pieces, or everything; without ``lips`` whole pieces leave out the closed
    slits, whose sides are glued as they are."""
    words = where.replace(",", " ").split() if isinstance(where, str) else list(where)
    if not words:
        raise refused("Nothing is named.", "Name runs (p1:a), pieces (p1) or all.")
    found: list[Run] = []
    for word in words:
        if ":" in word:
            found.extend(runs_from(build, word))
            continue
        pieces = build.pieces if word in _EVERYTHING else (piece_named(build, word),)
        for piece in pieces:
            closed = {} if lips else closed_lips(build, piece.id)
            found.extend(Run(piece.id, (edge.id,)) for edge in piece.edges if edge.id not in closed)
    return found


def _smaller_holes(pieces: Sequence[Piece], inwards: float) -> dict[str, tuple[Hole, ...]]:
    """The holes of each piece that has any, ``inwards`` narrower on all sides."""
    holes = [(piece, hole) for piece in pieces for hole in piece.holes]
    against = [curve_area(hole.curve) < 0 for _, hole in holes]
    rings = [
        ([opened(reversed_curve(hole.curve) if turned else hole.curve)], [-inwards])
        for (_, hole), turned in zip(holes, against, strict=True)
    ]
    try:
        found = offset_rings(rings)
    except CannotContinue as stop:
        raise refused("A hole is smaller than the cut.", "Cut it with a knife.") from stop
    fresh: dict[str, tuple[Hole, ...]] = {}
    for (piece, hole), turned, curves in zip(holes, against, found, strict=True):
        ring = joined([curve for curve in curves if curve is not None], True)
        narrower = replace(hole, curve=reversed_curve(ring) if turned else ring)
        fresh[piece.id] = (*fresh.get(piece.id, ()), narrower)
    return fresh


STEPS = (
    Step(
        "gap",
        "Leave a gap between neighbours",
        (
            Question("runs", "runs", "Along these edges"),
            Question("gap", "length", "Width of the gap, half off each side", 10.0),
            Question("both", "flag", "Take the other half off the edges sewn to them", True),
        ),
        leave_gap,
    ),
    Step(
        "overlap",
        "Put a strip on that lies over or under the neighbour",
        (Question("runs", "runs", "Along these edges"), Question("width", "length", "How wide", 10.0)),
        add_overlap,
    ),
    Step(
        "allowance",
        "Put on some foam to trim off later",
        (
            Question("where", "text", "Edges (p1:a), whole pieces (p1) or all", "all"),
            Question("width", "length", "How wide", 5.0),
        ),
        add_allowance,
    ),
    Step(
        "kerf",
        "Make up for the width of the cut",
        (
            Question("where", "text", "Edges (p1:a), whole pieces (p1) or all", "all"),
            Question("kerf", "length", "What the knife or saw takes", 1.0),
        ),
        make_up_for_cut,
    ),
)
