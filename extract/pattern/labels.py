"""Steps that say what a piece is: its name, material, copies, side, direction, notes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from extract.build import Build, Copies, Figure, Outcome, Piece, Question, Step, Stock
from extract.doors import CannotContinue, Doubt
from extract.geometry.runs import outline_of, piece_named, with_piece
from extract.geometry.symmetry import best_axis, straying

ALL = "all"
_LONGEST_NAME = 60
_ALIKE_MM = 2.0
"""More between left and right shows on the centre line (common practice, no source)."""
_THICKEST_MM = 200.0
_DIRECTIONS = {"right": 0.0, "down": 90.0, "left": 180.0, "up": 270.0}
_NOWHERE, _BY_ANGLE = "nowhere", "angle"


def name_piece(build: Build, piece: str, name: str) -> Outcome:
    """Calls a piece by a name; no two pieces share one."""
    name = " ".join(name.split())
    if not name or len(name) > _LONGEST_NAME:
        raise _refused("A piece needs a name.", f"Give it one of at most {_LONGEST_NAME} letters.")
    taken = [other.id for other in build.pieces if name in (other.name, other.id) and other.id != piece]
    if taken:
        raise _refused(f"Piece {taken[0]} is called “{name}” already.", "Choose another name.")
    return Outcome(with_piece(build, replace(piece_named(build, piece), name=name)))


def note_piece(build: Build, piece: str, notes: str) -> Outcome:
    """Puts notes on a piece in place of those it had; they are printed on the list of parts."""
    return Outcome(with_piece(build, replace(piece_named(build, piece), notes=notes.strip())))


def add_stock(build: Build, name: str, thickness: float, neutral: float) -> Outcome:
    """Adds a sheet material, or changes the one of that name."""
    name = " ".join(name.split())
    if not name or len(name) > _LONGEST_NAME:
        raise _refused("A material needs a name.", f"Give it one of at most {_LONGEST_NAME} letters.")
    if not 0 < thickness <= _THICKEST_MM:
        raise _refused(
            f"A sheet of {thickness:g} mm is no sheet to cut from.", f"Give 0.1 to {_THICKEST_MM:g} mm, as measured."
        )
    old = next((stock for stock in build.stocks if stock.name == name), None)
    stock = Stock(name, thickness, neutral)
    stocks = tuple(stock if s.name == name else s for s in build.stocks) if old else (*build.stocks, stock)
    figures = (
        Figure("thickness", "mm", old.thickness_mm if old else None, thickness, name),
        Figure(
            "neutral layer, as a share of the thickness from the inside",
            "",
            old.neutral if old else None,
            neutral,
            name,
        ),
    )
    return Outcome(replace(build, stocks=stocks), figures)


def cut_from(build: Build, stock: str, piece: str = ALL) -> Outcome:
    """Says which material a piece, or every piece, is cut from."""
    thickness = {s.name: s.thickness_mm for s in build.stocks}
    figures = []
    for old in _chosen(build, piece):
        figures.append(Figure("thickness", "mm", thickness.get(old.stock), thickness[stock], old.id))
        build = with_piece(build, replace(old, stock=stock))
    return Outcome(build, tuple(figures))


def set_copies(build: Build, piece: str, how: Copies, count: int) -> Outcome:
    """Says how many of a piece are cut, and how: ``count`` ones, ``count`` pairs, or ``count`` on the centre line."""
    if not 1 <= count <= 500:
        raise _refused(
            f"{count} copies cannot be cut.", "Give a number from 1 to 500; to leave a piece out, remove it."
        )
    figures = []
    doubts = _uneven(piece_named(build, piece)) if how == "centre" and piece != ALL else ()
    for old in _chosen(build, piece):
        figures.append(Figure("parts to cut", "", parts_of_piece(old), count * (2 if how == "pair" else 1), old.id))
        build = with_piece(build, replace(old, copies=how, count=count))
    return Outcome(build, tuple(figures), doubts)


def _uneven(piece: Piece) -> tuple[Doubt, ...]:
    """Tells when a piece that is to lie on the line of symmetry is not symmetrical itself."""
    outline = outline_of(piece)
    most = float(np.abs(straying(outline, best_axis(outline))[1]).max())
    if most <= _ALIKE_MM:
        return ()
    return (
        Doubt(
            "centre-uneven",
            f"The halves of piece {piece.id} differ by up to {most:.1f} mm. The step even-halves makes them alike, "
            "copy-half keeps one of them, unfold makes a half whole.",
        ),
    )


def parts_of_piece(piece: Piece) -> int:
    """How many parts are cut of a piece."""
    return piece.count * (2 if piece.copies == "pair" else 1)


def set_up(build: Build, piece: str, side: str) -> Outcome:
    """Says which side of the foam lies up when a piece is cut."""
    for old in _chosen(build, piece):
        build = with_piece(build, replace(old, up="back" if side == "back" else "face"))
    return Outcome(build)


def set_forward(build: Build, piece: str, towards: str, angle: float) -> Outcome:
    """Says which way on a piece points to the wearer's front: up, down, left or right as printed, or at an angle."""
    way = None if towards == _NOWHERE else _DIRECTIONS.get(towards, angle % 360.0)
    figures = []
    for old in _chosen(build, piece):
        figures.append(Figure("forward direction, from right towards down", "°", old.forward_deg, way, old.id))
        build = with_piece(build, replace(old, forward_deg=way))
    return Outcome(build, tuple(figures))


def remove_piece(build: Build, piece: str) -> Outcome:
    """Takes a piece out of the build, and its seams with it."""
    old = piece_named(build, piece)
    seams = tuple(s for s in build.seams if old.id not in (s.first.piece, s.second.piece))
    figures = (
        Figure("pieces", "", len(build.pieces), len(build.pieces) - 1),
        Figure("seams", "", len(build.seams), len(seams)),
    )
    return Outcome(replace(build, pieces=tuple(p for p in build.pieces if p.id != old.id), seams=seams), figures)


def _chosen(build: Build, piece: str) -> tuple[Piece, ...]:
    return build.pieces if piece == ALL else (piece_named(build, piece),)


def _refused(reason: str, advice: str) -> CannotContinue:
    return CannotContinue("pattern", reason, advice)


_PIECE = Question("piece", "piece", "Which piece")
_ANY_PIECE = Question("piece", "piece", "Which piece, or all", ALL)

STEPS = (
    Step("name", "Name a piece", (_PIECE, Question("name", "text", "Its name")), name_piece),
    Step("notes", "Write notes on a piece", (_PIECE, Question("notes", "text", "The notes", "")), note_piece),
    Step(
        "stock",
        "Add a material, or change one",
        (
            Question("name", "text", "What it is called, such as “foam 6”"),
            Question("thickness", "length", "How thick it is"),
            Question(
                "neutral", "share", "Where its length stays when it bends, from the inside (0.5 until measured)", 0.5
            ),
        ),
        add_stock,
    ),
    Step(
        "cut-from",
        "Choose the material of a piece",
        (Question("stock", "stock", "Which material"), _ANY_PIECE),
        cut_from,
    ),
    Step(
        "copies",
        "Say how many are cut",
        (
            _ANY_PIECE,
            Question(
                "how",
                "choice",
                "Single, a left and right pair, or on the centre line",
                "one",
                ("one", "pair", "centre"),
            ),
            Question("count", "count", "How many of these", 1),
        ),
        set_copies,
    ),
    Step(
        "up",
        "Say which side lies up",
        (_ANY_PIECE, Question("side", "choice", "The drawn face, or the back", "face", ("face", "back"))),
        set_up,
    ),
    Step(
        "forward",
        "Say which way points to the front",
        (
            _ANY_PIECE,
            Question("towards", "choice", "Which way", _BY_ANGLE, (*_DIRECTIONS, _BY_ANGLE, _NOWHERE)),
            Question("angle", "angle", "At an angle: from right towards down", 0.0),
        ),
        set_forward,
    ),
    Step("remove", "Take a piece out", (_PIECE,), remove_piece),
)
