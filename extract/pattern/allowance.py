"""What is taken off or put on along edges: gaps, overlaps, trim allowances, the width of a cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from extract.build import Build, Edge, Figure, Hole, Outcome, Piece, Question, Run, Step
from extract.doors import CannotContinue, Curve, Doubt
from extract.geometry.curve import curve_area, reversed_curve
from extract.geometry.offset import offset_ring, parallel_curve
from extract.geometry.runs import piece_named, refused, run_edges, runs_from, seams_of, with_edges
from extract.geometry.slits import closed_lips
from extract.pattern.changes import outcome, with_changed

_EVERYTHING = ("all", "everything")


def set_off(build: Build, piece: Piece, distances_mm: Mapping[str, float]) -> Piece:
    """The piece with the edges named set off outwards by their distances (inwards where negative), corners clean.

    A short edge that the distance swallows goes; CannotContinue where it is sewn, or the piece would be eaten.
    """
    distances = [float(distances_mm.get(edge.id, 0.0)) for edge in piece.edges]
    curves = offset_ring([edge.curve for edge in piece.edges], distances)
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
    plain = _along(build, runs, kerf / 2, "The cut", Figure("width of the cut", "mm", None, kerf))
    named = {run.piece: {edge for other in runs if other.piece == run.piece for edge in other.edges} for run in runs}
    whole = {name for name, edges in named.items() if len(edges) == len(piece_named(build, name).edges)}
    pieces = [_with_smaller_holes(piece, kerf / 2) for piece in plain.build.pieces if piece.id in whole and piece.holes]
    after = with_changed(plain.build, pieces)
    return outcome(build, after, "The cut", plain.figures[:1], plain.doubts)


def _along(build: Build, runs: Sequence[Run], distance: float, doing: str, figure: Figure) -> Outcome:
    """Every edge of the runs set off by ``distance``, once, piece by piece."""
    edges: dict[str, dict[str, float]] = {}
    for run in runs:
        run_edges(piece_named(build, run.piece), run)
        edges.setdefault(run.piece, {}).update(dict.fromkeys(run.edges, distance))
    pieces = [set_off(build, piece_named(build, name), distances) for name, distances in edges.items()]
    gone = [
        f"{old.id}:{edge.id}"
        for old, new in ((piece_named(build, piece.id), piece) for piece in pieces)
        for edge in old.edges
        if all(edge.id != left.id for left in new.edges)
    ]
    doubts = [Doubt("edge-vanished", f"{doing} left nothing of edge {', '.join(gone)}.")] if gone else []
    return outcome(build, with_changed(build, pieces), doing, (figure,), doubts)


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


def _with_smaller_holes(piece: Piece, inwards: float) -> Piece:
    holes: tuple[Hole, ...] = tuple(replace(hole, curve=_smaller(piece, hole, inwards)) for hole in piece.holes)
    return replace(piece, holes=holes)


def _smaller(piece: Piece, hole: Hole, inwards: float) -> Curve:
    against = curve_area(hole.curve) < 0
    try:
        found = parallel_curve(reversed_curve(hole.curve) if against else hole.curve, -inwards)
    except CannotContinue as stop:
        raise refused(f"Hole {hole.id} of piece {piece.id} is smaller than the cut.", "Cut it with a knife.") from stop
    return reversed_curve(found) if against else found


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
