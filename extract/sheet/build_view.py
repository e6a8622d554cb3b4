"""The build as a picture for the screen: pieces with the names of their edges, both sides of a seam in one colour."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from extract.build import Build, Piece, Seam
from extract.doors import Array, Curve
from extract.geometry.arc import normals, parameters_at, tangents
from extract.geometry.curve import curve_at, curve_length, joined, svg_path
from extract.geometry.runs import outline_of, run_edges, shape_of
from extract.sheet.layout import Box
from extract.sheet.screen import FOAM, LINE, LIT, picture, text, words

SEAM_COLOURS = ("#0f6f9c", "#b3531a", "#5b7d1f", "#8a3f86", "#9a7a08", "#2f4aa8", "#a3324a", "#2a7f6c")
"""Far enough apart in lightness or hue for eyes that take red for green; the number beside them says the same."""
GRID = "#8a2f62"
_STEPS_MM, _MOST_LINES = (5, 10, 20, 50, 100, 200), 8
_LETTER_IN, _DISC_IN = 0.75, 1.9
"""How far inside an edge its letter and a seam's disc stand, in heights of a letter."""
_SHARES = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8)
"""Where along a seam its disc may stand, the best first."""
_WIDE = 0.6
"""How wide a letter is for its height (common practice, no source)."""
Bounds = tuple[float, float, float, float]
_LETTER_SHARE, _LEAST_MM = 1 / 46, 3.0
"""Height of letters as a share of the picture's longer side, so that they read alike for a glove and for a wing."""
_LETTER, _NAME, _SMALLEST = 0.7, 1.25, 0.65
"""Heights of an edge's letter and of a piece's name; on small pieces both are smaller, down to the last share."""


@dataclass(frozen=True, eq=False)
class _Lettered:
    """A piece with the place (2,) of its name and the height of the letters that it has room for."""

    piece: Piece
    middle: Array
    size: float


def build_view(build: Build, lying: Sequence[Piece], lit: Collection[str] = (), measured: str = "") -> str:
    """SVG of the pieces as they are ``lying`` (their places on the sheet); those named in ``lit`` stand out.

    Each side of a seam is drawn in the seam's colour with its number in a disc; edges carry their letters inside. Over
    the piece named in ``measured`` lies a grid with the millimetres of its own coordinates.
    """
    shapes = [shape_of(piece, 0.2) for piece in lying]
    left, top, right, bottom = shapely.total_bounds(np.array(shapes, object)) if shapes else (0.0, 0.0, 1.0, 1.0)
    size = max(_LEAST_MM, _LETTER_SHARE * max(right - left, bottom - top))
    lettered = [_lettered(piece, shape, size) for piece, shape in zip(lying, shapes, strict=True)]
    body = [line for each in lettered for line in _piece(each, size, lit)]
    taken = [place for each in lettered for place in (*_letters(each), *_name_places(each))]
    for nth, seam in enumerate(build.seams):
        body += _seam(seam, SEAM_COLOURS[nth % len(SEAM_COLOURS)], {p.id: p for p in lying}, size, taken)
    for own, piece in zip(build.pieces, lying, strict=True):
        if own.id == measured:
            body += _grid(shape_of(own, 0.2).bounds, shape_of(piece, 0.2).bounds, size)
    return picture(Box(left, top, right, bottom).grown(2 * size), _told(build), size, body)


def _told(build: Build) -> str:
    return f"{len(build.pieces)} pieces with {len(build.seams)} seams"


def _lettered(piece: Piece, shape: shapely.Polygon, size: float) -> _Lettered:
    """Letters beside the edges and the name in the middle of the largest circle, as large as leaves them apart."""
    circle = shapely.maximum_inscribed_circle(shape, tolerance=size / 4)
    room = circle.length / (_LETTER_IN + _LETTER * _half(1) + _NAME * _half(len(piece.id)))
    return _Lettered(piece, np.asarray(circle.coords)[0], min(size, max(room, _SMALLEST * size)))


def _half(letters: int) -> float:
    """From the middle of a word to its corner, in heights of its letters."""
    return float(np.hypot(_WIDE * letters, 1)) / 2


def _letters(on: _Lettered) -> list[Array]:
    return [_beside(edge.curve, _LETTER_IN * on.size) for edge in on.piece.edges]


def _name_places(on: _Lettered) -> list[Array]:
    """Places along what is written on the piece: both ends and the middle of every line."""
    return [
        on.middle + np.array([aside * _WIDE * height * len(line), down])
        for line, height, down in _written(on)
        for aside in (-0.5, 0.0, 0.5)
    ]


def _written(on: _Lettered) -> Iterator[tuple[str, float, float]]:
    """The lines on a piece, each with its height and how far below the middle it stands."""
    yield on.piece.id, _NAME * on.size, 0.0
    if on.piece.name and on.piece.name != on.piece.id.removeprefix("p"):
        yield on.piece.name, 0.8 * on.size, 1.2 * on.size


def _piece(on: _Lettered, size: float, lit: Collection[str]) -> Iterator[str]:
    piece = on.piece
    path = " ".join(svg_path(curve) for curve in (outline_of(piece), *(hole.curve for hole in piece.holes)))
    fill = LIT if piece.id in lit else FOAM
    yield (
        f'<path d="{path}" fill="{fill}" fill-rule="evenodd" stroke="{LINE}" stroke-width="{size / 12:.2f}">'
        f"<title>{words(f'{piece.id} {piece.name}'.strip())}</title></path>"
    )
    for detail in piece.details:
        yield f'<path d="{svg_path(detail.curve)}" fill="none" stroke="{LINE}" stroke-width="{size / 20:.2f}"/>'
    for edge, (x, y) in zip(piece.edges, _letters(on), strict=True):
        yield text(x, y, edge.id, _LETTER * on.size)
    x, y = on.middle
    for nth, (line, height, down) in enumerate(_written(on)):
        yield text(x, y + down, line, height, bold=nth == 0)


def _grid(own: Bounds, lying: Bounds, size: float) -> Iterator[str]:
    """Lines at round millimetres of a piece's ``own`` coordinates, drawn where it is ``lying``."""
    left, top, right, bottom = lying
    longer = max(own[2] - own[0], own[3] - own[1])
    step = next((each for each in _STEPS_MM if longer / each <= _MOST_LINES), _STEPS_MM[-1])
    stroke = f'stroke="{GRID}" stroke-width="{size / 18:.2f}"'
    for value in np.arange(np.ceil(own[0] / step), np.floor(own[2] / step) + 1) * step:
        x = value - own[0] + left
        yield f'<path d="M{x:.2f} {top:.2f}V{bottom:.2f}" {stroke}/>'
        yield text(x, top - 0.6 * size, f"{value:.0f}", 0.7 * size, GRID)
    for value in np.arange(np.ceil(own[1] / step), np.floor(own[3] / step) + 1) * step:
        y = value - own[1] + top
        yield f'<path d="M{left:.2f} {y:.2f}H{right:.2f}" {stroke}/>'
        yield text(left - size, y, f"{value:.0f}", 0.7 * size, GRID)


def _seam(seam: Seam, colour: str, pieces: dict[str, Piece], size: float, taken: list[Array]) -> Iterator[str]:
    """Both sides in the seam's colour; their discs go where the least is ``taken``, and take it."""
    for run in (seam.first, seam.second):
        if run.piece not in pieces:
            continue
        curve = joined([edge.curve for edge in run_edges(pieces[run.piece], run)], closed=False)
        yield f'<path d="{svg_path(curve)}" fill="none" stroke="{colour}" stroke-width="{size / 4:.2f}"/>'
        x, y = place = _free([_beside(curve, _DISC_IN * size, share) for share in _SHARES], taken, 1.3 * size)
        taken.append(place)
        yield f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{0.72 * size:.2f}" fill="{colour}"/>'
        yield text(x, y, str(seam.number), 0.85 * size, colour="#fff")


def _free(places: Sequence[Array], taken: Sequence[Array], room_mm: float) -> Array:
    """The first of the places with so much room to all that is taken, or the one with the most."""
    room = [min((float(np.hypot(*(place - other))) for other in taken), default=room_mm) for place in places]
    return places[next((n for n, free in enumerate(room) if free >= room_mm), int(np.argmax(room)))]


def _beside(curve: Curve, inwards_mm: float, share: float = 0.5) -> Array:
    """A place inside the foam, beside a stretch of outline, so much of its length along it."""
    there = parameters_at(curve, np.array([curve_length(curve) * share]))
    foot: Array = curve_at(curve, there)[0] + inwards_mm * normals(tangents(curve, there))[0]
    return foot
