"""From a build to the parts that are printed and cut: both of a pair, seams and ticks numbered, all in one layout."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely

from extract.build import Build, Piece, Run, Seam, Use
from extract.doors import Array, Curve, Doubt, Mark, Part, Pattern, StrokeKind
from extract.geometry.arc import normals, parameters_at, tangents
from extract.geometry.curve import curve_at, curve_length, curve_points, joined, polyline_curve, transformed
from extract.geometry.mirror import mirror_curve, mirrored_piece, moved, shifted_piece, upright_mirror
from extract.geometry.runs import outline_of, piece_area, run_edges, shape_of
from extract.geometry.slits import real_ways, run_length

_GAP_MM = 20.0
"""Between the pieces as they lie and what had to be put elsewhere: room for a pair of scissors."""
_TOUCH = 1e-3
"""Share of a piece's area that it may have in common with another: neighbours share a line, and a rounded one."""
_TICK_MM = 6.0
"""Long enough to find, short enough not to be cut to (common practice, no source)."""
_ROOM_STEP_MM = 0.5
_LAYOUT_CHORD_MM = 0.1
_CLEAR_MM, _ENOUGH = 1.5, 0.5
"""Lettering keeps this far from lines inside a piece where it then still has half of its room."""
_WORDS_MM, _WORDS_SHARE = 5.0, 0.2
"""Kept free along the edges for seam numbers and ticks; less on small pieces, whose lettering must stay readable."""
_KINDS: dict[Use, StrokeKind] = {"tick": "tick", "note": "note"}
_FACES = {
    "inside": "The shell stands for the inside of the foam: cut the pieces as they are, the outside comes out longer.",
    "middle": "The shell stands for the middle of the foam's thickness.",
    "outside": "The shell stands for the outside of the foam: the inside comes out shorter.",
}


def parts_of(build: Build, photo_name: str = "", date: str = "", doubts: Sequence[Doubt] = ()) -> Pattern:
    """The pattern of ``build``: every piece once, a pair as "L" and its mirror image "R".

    Pieces lie as they were traced, with those that would lie on others moved below, and the mirror images in a mirrored
    layout to the right. A piece whose back lies up when it is cut is drawn as seen from the back. Ticks carry numbers
    that only their partner shares; runs carry the number of their seam, edges that lean their angle.
    """
    turned = [_seen(piece) for piece in build.pieces]
    lying = _apart(turned)
    numbers = tick_numbers(build)
    parts = [_part(build, piece, numbers) for piece in lying]
    pairs = [(part, piece) for part, piece in zip(parts, lying, strict=True) if part.pair]
    if pairs:
        mirror = upright_mirror(max(_box(piece)[2] for piece in lying) + _GAP_MM / 2)
        parts += [_twin(part, mirrored_piece(piece, mirror), mirror) for part, piece in pairs]
    return Pattern(tuple(parts), photo_name or build.name, date, tuple(doubts), remarks_of(build))


def laid_out(build: Build) -> list[Piece]:
    """The pieces where the pattern shows them, seen on the drawn face."""
    return _apart(build.pieces)


def tick_numbers(build: Build) -> dict[tuple[int, int], int]:
    """The number of each tick, by its seam's number and its place along the seam: 1, 2, … through the whole build, so
    that no number occurs on more than one pair of edges."""
    places = [(seam.number, k) for seam in build.seams for k in range(len(seam.ticks))]
    return {place: number for number, place in enumerate(places, start=1)}


def tick_ways(build: Build, seam: Seam, second: bool) -> Array:
    """Arc lengths (T,) of the seam's ticks from the start of its first or second run, lips of closed slits and all."""
    run = seam.second if second else seam.first
    shares = np.array(seam.ticks, float)
    turned = 1 - shares if second and seam.against else shares
    return real_ways(build, run, turned * run_length(build, run))


def remarks_of(build: Build) -> tuple[str, ...]:
    """What must be known about the whole build when cutting."""
    stocks = [
        f"{s.name}: {s.thickness_mm:g} mm thick; when bent, its length stays at {s.neutral:g} of that from the inside"
        f"{' (until measured)' if s.neutral == 0.5 else ''}."
        for s in build.stocks
    ]
    noted: dict[str, list[str]] = {}
    for piece in build.pieces:
        if piece.notes:
            noted.setdefault(piece.notes, []).append(_number(piece))
    notes = [f"{'Part' if len(n) == 1 else 'Parts'} {', '.join(n)}: {text}" for text, n in noted.items()]
    return (_FACES[build.face], *stocks, *notes)


def _seen(piece: Piece) -> Piece:
    """The piece as it is drawn: from the side that lies up."""
    if piece.up == "face":
        return piece
    left, _, right, _ = _box(piece)
    return mirrored_piece(piece, upright_mirror((left + right) / 2))


def _box(piece: Piece) -> tuple[float, float, float, float]:
    controls = np.concatenate([edge.curve.controls.reshape(-1, 2) for edge in piece.edges])
    (left, top), (right, bottom) = controls.min(axis=0), controls.max(axis=0)
    return float(left), float(top), float(right), float(bottom)


def _apart(pieces: Sequence[Piece]) -> list[Piece]:
    """The pieces, with those that would lie on one before them moved into rows below all others."""
    shapes = [_area_of(piece) for piece in pieces]
    tree = shapely.STRtree(shapes)
    moved: set[int] = set()
    for k, shape in enumerate(shapes):
        below = [j for j in tree.query(shape).tolist() if j < k and j not in moved]
        if any(shapes[j].intersection(shape).area > _TOUCH * min(shape.area, shapes[j].area) for j in below):
            moved.add(k)
    lying = [piece for k, piece in enumerate(pieces) if k not in moved]
    if not moved:
        return lying
    return [pieces[k] if k not in moved else p for k, p in enumerate(_in_rows(pieces, moved, lying))]


def _in_rows(pieces: Sequence[Piece], moved: set[int], lying: Sequence[Piece]) -> Iterator[Piece]:
    """All pieces in order, the ``moved`` ones side by side in rows below those that stay."""
    boxes = np.array([_box(piece) for piece in lying]).reshape(-1, 4)
    left, bottom = float(boxes[:, 0].min()), float(boxes[:, 3].max())
    width = max(float(boxes[:, 2].max()) - left, *(_box(pieces[k])[2] - _box(pieces[k])[0] for k in moved), 0.0)
    x, y, tall = left, bottom + _GAP_MM, 0.0
    for k, piece in enumerate(pieces):
        if k not in moved:
            yield piece
            continue
        box = _box(piece)
        if x > left and x + box[2] - box[0] > left + width:
            x, y, tall = left, y + tall + _GAP_MM, 0.0
        yield shifted_piece(piece, x - box[0], y - box[1])
        x, tall = x + box[2] - box[0] + _GAP_MM, max(tall, box[3] - box[1])


def _part(build: Build, piece: Piece, numbers: dict[tuple[int, int], int]) -> Part:
    label, room = _label_place(piece)
    room -= min(_WORDS_MM, _WORDS_SHARE * room)
    number = _number(piece)
    thickness = next((s.thickness_mm for s in build.stocks if s.name == piece.stock), 0.0)
    outline = outline_of(piece)
    return Part(
        number=number,
        side="L" if piece.copies == "pair" else "",
        outline=outline,
        holes=tuple(hole.curve for hole in piece.holes),
        marks=(*_details(piece), *_seam_marks(build, piece, numbers), *_leans(piece)),
        area_mm2=piece_area(piece),
        perimeter_mm=curve_length(outline),
        sigma_mm=piece.sigma_mm,
        label_mm=label,
        room_mm=room,
        name="" if piece.name in (number, piece.id) else piece.name,
        stock=piece.stock,
        thickness_mm=thickness,
        copies=piece.count,
        pair=piece.copies == "pair",
        on_centre=piece.copies == "centre",
        mirrored=piece.up == "back",
        forward_deg=piece.forward_deg,
        notes=piece.notes,
        piece=piece.id,
    )


def _twin(left: Part, image: Piece, mirror: Array) -> Part:
    """The right part of a pair; ``image`` is the piece mirrored."""
    x, y = moved(np.array([left.label_mm]), mirror)[0].tolist()
    outline = outline_of(image)
    return replace(
        left,
        side="R",
        outline=outline,
        holes=tuple(hole.curve for hole in image.holes),
        marks=tuple(replace(mark, curve=_mirrored_mark(mark, mirror)) for mark in left.marks),
        area_mm2=piece_area(image),
        perimeter_mm=curve_length(outline),
        label_mm=(x, y),
        forward_deg=image.forward_deg,
    )


def _mirrored_mark(mark: Mark, mirror: Array) -> Curve:
    """Stretches of the outline keep the foam on their right, lines inside their direction."""
    return mirror_curve(mark.curve, mirror) if mark.use in ("seam", "lean") else transformed(mark.curve, mirror)


def _number(piece: Piece) -> str:
    return piece.id.removeprefix("p")


def _label_place(piece: Piece) -> tuple[tuple[float, float], float]:
    """Centre and radius of the largest circle on the foam that is clear of lines, if that leaves enough of it, or else
    of any."""
    foam = _area_of(piece)
    label, room = _free_circle(foam)
    lines = [shapely.linestrings(curve_points(d.curve, _LAYOUT_CHORD_MM)) for d in piece.details if d.use != "tick"]
    clear = foam.difference(shapely.union_all(lines).buffer(_CLEAR_MM)) if lines else foam
    largest = max(shapely.get_parts(clear), key=shapely.area, default=foam)
    if lines and largest.area > 1:
        beside, less = _free_circle(largest)
        if less >= _ENOUGH * room:
            return beside, less
    return label, room


def _area_of(piece: Piece) -> shapely.Geometry:
    """The foam as seen from afar; an outline that touches itself is no obstacle."""
    shape = shape_of(piece, _LAYOUT_CHORD_MM)
    return shape if shape.is_valid else shapely.make_valid(shape, method="structure", keep_collapsed=False)


def _free_circle(shape: shapely.Geometry) -> tuple[tuple[float, float], float]:
    spoke = shapely.maximum_inscribed_circle(shape, tolerance=_ROOM_STEP_MM)
    x, y = np.asarray(spoke.coords)[0]
    return (float(x), float(y)), float(spoke.length)


def _details(piece: Piece) -> Iterator[Mark]:
    for detail in piece.details:
        yield Mark(_KINDS.get(detail.use, "marker"), detail.colour, detail.curve, detail.text, detail.use)


def _seam_marks(build: Build, piece: Piece, numbers: dict[tuple[int, int], int]) -> Iterator[Mark]:
    for seam in build.seams:
        for run, second in ((seam.first, False), (seam.second, True)):
            if run.piece == piece.id:
                yield from _run_marks(build, seam, second, piece, numbers)


def _run_marks(
    build: Build, seam: Seam, second: bool, piece: Piece, numbers: dict[tuple[int, int], int]
) -> Iterator[Mark]:
    """The seam's number along the run, and its ticks from the edge inwards."""
    back = piece.up == "back"
    curve = _run_curve(piece, seam.second if second else seam.first, back)
    yield Mark("note", "black", curve, f"seam {seam.number}", "seam")
    if not seam.ticks:
        return
    ways = tick_ways(build, seam, second)
    places = parameters_at(curve, curve_length(curve) - ways if back else ways)
    feet, across = curve_at(curve, places), normals(tangents(curve, places))
    for k, (foot, inwards) in enumerate(zip(feet, across, strict=True)):
        line = polyline_curve(np.array([foot, foot + _TICK_MM * inwards]))
        yield Mark("tick", "black", line, f"{numbers[seam.number, k]}", "tick")


def _run_curve(piece: Piece, run: Run, back: bool) -> Curve:
    """The run's curve on a piece as drawn, in the drawn outline's own order."""
    edges = run.edges[::-1] if back else run.edges
    return joined([edge.curve for edge in run_edges(piece, Run(piece.id, edges))], closed=False)


def _leans(piece: Piece) -> Iterator[Mark]:
    for edge in piece.edges:
        if edge.finish.lean_deg:
            longer = "top" if edge.finish.longer == piece.up else "underside"
            yield Mark("note", "black", edge.curve, f"{abs(edge.finish.lean_deg):g}° {longer} longer", "lean")
