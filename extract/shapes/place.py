"""Putting a new shape into a build: beside what is there, edges lettered in order, an id of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from extract.build import Build, Edge, Figure, Finish, Piece, Run, Seam, Stock
from extract.doors import Array, CannotContinue, Curve
from extract.geometry.curve import curve_length, transformed
from extract.geometry.runs import checked, edge_letters, free_piece_id, outline_of

GAP_MM = 20.0
"""Between a new shape and those there: room for a pair of scissors (common practice, no source)."""
_MEETING_MM = 1e-5


def refused(reason: str, advice: str) -> CannotContinue:
    return CannotContinue("pattern", reason, advice)


def added(build: Build, piece: Piece, curves: Sequence[Curve], finishes: Sequence[Finish] = ()) -> tuple[Build, Piece]:
    """The build with a new piece bounded by ``curves`` in order, lettered a, b, …, to the right of all others.

    Gives the piece as placed, too. Whatever id it came with is replaced by the next free one.
    """
    finishes = finishes or [Finish()] * len(curves)
    shift = _way_to_the_right(build, curves)
    moved = _closed_up([transformed(curve, shift) for curve in curves])
    letters = edge_letters(len(curves))
    edges = tuple(Edge(*edge) for edge in zip(letters, moved, finishes, strict=True))
    details = tuple(replace(detail, curve=transformed(detail.curve, shift)) for detail in piece.details)
    holes = tuple(replace(hole, curve=transformed(hole.curve, shift)) for hole in piece.holes)
    placed = checked(replace(piece, id=free_piece_id(build), edges=edges, details=details, holes=holes), "This shape")
    return replace(build, pieces=(*build.pieces, placed)), placed


def with_seam(build: Build, first: Run, second: Run, layers_mm: float = 0.0) -> Build:
    """The build with one more seam between two runs walked in opposite directions, as neighbours are. The second is
    ``layers_mm`` longer on purpose."""
    number = max((seam.number for seam in build.seams), default=0) + 1
    return replace(build, seams=(*build.seams, Seam(number, first, second, layers_mm=layers_mm)))


def edge_figures(piece: Piece, names: dict[str, str]) -> tuple[Figure, ...]:
    """The lengths of the edges in ``names``, each called what its name says."""
    return tuple(
        Figure(names[edge.id], "mm", None, curve_length(edge.curve), f"{piece.id}:{edge.id}")
        for edge in piece.edges
        if edge.id in names
    )


def stock_named(build: Build, name: str) -> Stock | None:
    """The stock of that name, None for no name; CannotContinue where the build has none such."""
    if not name:
        return None
    for stock in build.stocks:
        if stock.name == name:
            return stock
    known = ", ".join(stock.name for stock in build.stocks) or "none yet"
    raise refused(f"There is no stock called {name}.", f"Add it first, or choose one of those there: {known}.")


def levelled(curves: Sequence[Curve]) -> list[Curve]:
    """The curves turned so that the first one's chord runs along x; the shape of a strip then lies flat on the page."""
    chord = curves[0].controls[-1, 3] - curves[0].controls[0, 0]
    reach = float(np.hypot(*chord))
    if reach < 1e-9:
        return list(curves)
    c, s = chord / reach
    return [transformed(curve, np.array([[c, s, 0.0], [-s, c, 0.0]])) for curve in curves]


def _way_to_the_right(build: Build, curves: Sequence[Curve]) -> Array:
    low = np.min([curve.controls.min(axis=(0, 1)) for curve in curves], axis=0)
    shift = np.zeros(2)
    boxes = [outline_of(piece).controls for piece in build.pieces]
    if boxes:
        right = max(float(box[..., 0].max()) for box in boxes)
        top = min(float(box[..., 1].min()) for box in boxes)
        shift = np.array([right + GAP_MM, top]) - low
    return np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])


def _closed_up(curves: Sequence[Curve]) -> list[Curve]:
    """The curves with each end put to the bit on the next one's start; ValueError where they do not meet."""
    whole = []
    for curve, following in zip(curves, [*curves[1:], curves[0]], strict=True):
        gap = np.abs(curve.controls[-1, 3] - following.controls[0, 0]).max()
        if not gap <= _MEETING_MM:
            raise ValueError(f"edges do not meet: {gap:.3g} mm apart")
        controls = curve.controls.copy()
        controls[-1, 3] = following.controls[0, 0]
        whole.append(Curve(controls, curve.straight, False))
    return whole
