"""Steps of symmetry: a mirrored piece, a half unfolded, how unlike the halves are, halves evened out or one copied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from extract.build import Build, Detail, Edge, Figure, Hole, Outcome, Piece, Question, Seam, Step
from extract.doors import CannotContinue, Curve, Doubt
from extract.geometry.curve import curve_length, curve_points, polyline_curve, transformed
from extract.geometry.halves import Half, alike_halves, halved, made_whole, put_together, squared
from extract.geometry.mirror import mirror_curve, mirrored_piece, upright_mirror
from extract.geometry.planar import distance_to_curve
from extract.geometry.runs import (
    edge_letters,
    free_id,
    free_piece_id,
    outline_of,
    piece_area,
    piece_named,
    run_curve,
    run_edges,
    run_from,
    with_edges,
    with_piece,
)
from extract.geometry.symmetry import Axis, best_axis, straying

SMOOTH_DEG = 15.0
"""A line drawn by hand to cross the centre line squarely is off by no more (common practice, no source)."""
STRAIGHT_MM = 1.5
"""A centre line drawn along a ruler on a rounded form strays by about a marker's width when it is laid flat."""
_SNAP_MM = 1.0
"""A corner this near to the axis was meant to lie on it: half a marker's width."""
_LIKE_MM = 1.0
"""Halves that differ by less are alike for foam (common practice, no source)."""
_GAP_MM = 20.0
_BEST = ""
_Thing = TypeVar("_Thing", Hole, Detail)


def mirror_piece(build: Build, piece: str) -> Outcome:
    """Adds the mirror image of a piece as a piece of its own, to the right of all others."""
    old = piece_named(build, piece)
    right = max(float(e.curve.controls[..., 0].max()) for p in build.pieces for e in p.edges)
    new = replace(mirrored_piece(old, upright_mirror(right + _GAP_MM / 2)), id=free_piece_id(build))
    new = replace(new, name=_free_name(build, f"{old.name} mirrored"))
    figures = (
        Figure("area", "mm²", piece_area(old), piece_area(new), new.id),
        Figure("length around", "mm", curve_length(outline_of(old)), curve_length(outline_of(new)), new.id),
    )
    return Outcome(with_piece(build, new), figures)


def unfold(build: Build, edges: str, straight: float = STRAIGHT_MM, smooth: float = SMOOTH_DEG) -> Outcome:
    """Makes a half whole: the edges along the centre line disappear, and their mirror image is put on the other side.

    Where an edge meets the centre line within ``smooth`` degrees of square it crosses it smoothly.
    """
    run = run_from(build, edges)
    old = piece_named(build, run.piece)
    centre = run_curve(build, run)
    axis, stray = _chord(centre)
    if stray > straight:
        raise _refused(
            f"{run} strays {stray:.1f} mm from a straight line, so it is no centre line.",
            f"Choose the edge along the centre line, or allow more than {straight:g} mm.",
        )
    names = [edge.id for edge in old.edges]
    start = (names.index(run.edges[-1]) + 1) % len(names)
    kept = [old.edges[(start + k) % len(names)] for k in range(len(names) - len(run_edges(old, run)))]
    if not kept:
        raise _refused("Nothing would be left of the piece.", "Choose only the edge along the centre line.")
    half, angles = squared(Half(tuple(kept), False, False), axis, np.radians(smooth))
    fresh = [letter for letter in edge_letters(3 * len(names)) if letter not in names][: len(kept)]
    new = with_edges(replace(old, copies="centre"), made_whole(half, axis, fresh))
    new = replace(new, holes=_both_sides(old.holes, axis, "h"), details=_unfolded_details(old, centre, axis))
    after, doubts = _with_lost_seams(with_piece(build, new), new)
    figures = (
        Figure("centre line strays from straight by", "mm", None, stray, str(run)),
        Figure("area", "mm²", piece_area(old), piece_area(new), new.id),
        Figure("length around", "mm", curve_length(outline_of(old)), curve_length(outline_of(new)), new.id),
        *_square_figures(angles, smooth, new.id),
    )
    return Outcome(after, figures, doubts)


def show_symmetry(build: Build, piece: str, line: str = _BEST, mark: bool = False) -> Outcome:
    """Finds the axis in which a piece mirrors itself best, or takes a drawn line, and tells how unlike the halves
    are, edge by edge; ``mark`` draws the axis as a centre line."""
    old = piece_named(build, piece)
    axis = axis_of(old, line)
    points, gap = straying(outline_of(old), axis)
    worst = int(np.argmax(np.abs(gap)))
    figures = [
        *_axis_figures(axis, old.id),
        Figure("halves differ at most by", "mm", None, float(np.abs(gap).max()), old.id),
        Figure("halves differ on average (RMS) by", "mm", None, float(np.sqrt((gap**2).mean())), old.id),
        Figure("most at, from the left", "mm", None, float(points[worst, 0]), old.id),
        Figure("most at, from above", "mm", None, float(points[worst, 1]), old.id),
        *_edge_map(old, axis),
    ]
    if mark:
        build = with_piece(build, replace(old, details=(*old.details, _axis_line(old, axis))))
    return Outcome(build, tuple(figures))


def asymmetry_map(build: Build, piece: str, line: str = _BEST, count: int = 240) -> dict[str, Any]:
    """Plain values for a picture: the axis' ends, ``points`` [x, y] evenly along the outline, and for each by how many
    mm it sticks out further than the other side's mirror image (``by``)."""
    old = piece_named(build, piece)
    axis = axis_of(old, line)
    points, gap = straying(outline_of(old), axis, count)
    ends = _axis_line(old, axis).curve.controls[0, [0, 3]]
    most = float(np.abs(straying(outline_of(old), axis)[1]).max())
    return {"axis": ends.tolist(), "points": points.tolist(), "by": gap.tolist(), "most": most}


def even_halves(build: Build, piece: str, line: str = _BEST, smooth: float = SMOOTH_DEG) -> Outcome:
    """Makes both halves of a piece the mean of what they are now."""
    old = piece_named(build, piece)
    axis, left, right = _parted(old, line)
    halves = alike_halves(left, right, axis, mean=True)
    if halves is None:
        raise _refused(
            f"The halves of piece {old.id} have unlike corners, so there is no mean of them.",
            "Copy the better half instead (copy-half).",
        )
    return _made_even(build, old, halves, axis, smooth)


def copy_half(build: Build, piece: str, keep: str, line: str = _BEST, smooth: float = SMOOTH_DEG) -> Outcome:
    """Keeps one half of a piece and puts its mirror image in place of the other."""
    old = piece_named(build, piece)
    axis, left, right = _parted(old, line)
    towards = {"left": (-1, 0), "right": (1, 0), "upper": (0, -1), "lower": (0, 1)}[keep]
    across = float(np.array(towards) @ [-axis.way[1], axis.way[0]])
    if abs(across) < 0.5:
        raise _refused(
            f"The axis of piece {old.id} lies at {np.degrees(axis.angle_rad):.0f}°, so it has no {keep} half.",
            "Choose left or right of an upright axis, upper or lower of a level one.",
        )
    mine, theirs = (right, left) if across > 0 else (left, right)
    halves = alike_halves(mine, theirs, axis, mean=False) or (mine, _image_of(mine, axis, old))
    return _made_even(build, old, halves, axis, smooth, inside_of=mine)


def axis_of(piece: Piece, line: str = _BEST) -> Axis:
    """The axis along a drawn line of the piece, or the best one."""
    if line == _BEST:
        return best_axis(outline_of(piece))
    for detail in piece.details:
        if detail.id == line:
            return _chord(detail.curve)[0]
    known = ", ".join(detail.id for detail in piece.details) or "none"
    raise _refused(f"Piece {piece.id} has no line {line}.", f"Its lines are: {known}.")


def _chord(curve: Curve) -> tuple[Axis, float]:
    """The axis through both ends of a curve, and how far it strays from that."""
    start, end = curve.controls[0, 0], curve.controls[-1, 3]
    way = end - start
    if not np.linalg.norm(way) > 1e-6:
        raise _refused("A centre line needs two different ends.", "Choose another line.")
    axis = Axis(start, float(np.arctan2(way[1], way[0])) % np.pi)
    return axis, float(np.abs(axis.offsets(curve_points(curve))).max())


def _parted(piece: Piece, line: str) -> tuple[Axis, Half, Half]:
    axis = axis_of(piece, line)
    halves = halved(piece, axis, _SNAP_MM)
    if halves is None:
        raise _refused(
            f"The axis does not part piece {piece.id} into two halves.", "Choose a drawn line that crosses it once."
        )
    return axis, *halves


def _image_of(half: Half, axis: Axis, piece: Piece) -> Half:
    """The half's mirror image, its edges under new names."""
    taken = [edge.id for edge in piece.edges]
    fresh = [letter for letter in edge_letters(2 * len(taken) + 2) if letter not in taken]
    image = [
        replace(edge, id=name, curve=mirror_curve(edge.curve, axis.mirror))
        for name, edge in zip(fresh, half.edges[::-1], strict=False)
    ]
    return Half(tuple(image), half.cut_last, half.cut_first)


def _made_even(
    build: Build, old: Piece, halves: tuple[Half, Half], axis: Axis, smooth: float, inside_of: Half | None = None
) -> Outcome:
    """The piece made of two mirror images; what lies inside is mirrored from the half ``inside_of``, if given."""
    (one, angles), (other, _) = (squared(half, axis, np.radians(smooth)) for half in halves)
    new = with_edges(old, _from(put_together(one, other), old.edges[0].id))
    if inside_of is not None:
        middle = np.mean([axis.offsets(e.curve.controls.reshape(-1, 2)).mean() for e in inside_of.edges])
        side = float(np.sign(middle))
        new = replace(new, holes=_one_side(old.holes, axis, side, "h"), details=_one_side(old.details, axis, side, "d"))
    before, after = straying(outline_of(old), axis)[1], straying(outline_of(new), axis)[1]
    move = distance_to_curve(curve_points(outline_of(new), 0.05), outline_of(old))
    build, doubts = _with_lost_seams(with_piece(build, new), new)
    figures = (
        *_axis_figures(axis, new.id),
        Figure("halves differ at most by", "mm", float(np.abs(before).max()), float(np.abs(after).max()), new.id),
        Figure("the outline moved at most by", "mm", None, float(move.max()), new.id),
        Figure("area", "mm²", piece_area(old), piece_area(new), new.id),
        *_length_figures(old.edges, new.edges, new.id),
        *_square_figures(angles, smooth, new.id),
    )
    return Outcome(build, figures, doubts)


def _from(edges: Sequence[Edge], first: str) -> tuple[Edge, ...]:
    """The edges in their order, beginning where the piece began before if it still has that edge."""
    start = next((k for k, edge in enumerate(edges) if edge.id == first), 0)
    return (*edges[start:], *edges[:start])


def _length_figures(old: Sequence[Edge], new: Sequence[Edge], where: str) -> list[Figure]:
    before = {edge.id: curve_length(edge.curve) for edge in old}
    after = {edge.id: curve_length(edge.curve) for edge in new}
    return [
        Figure("length of the edge", "mm", before.get(id_), after.get(id_), f"{where}:{id_}")
        for id_ in sorted(before.keys() | after.keys(), key=lambda name: (len(name), name))
        if abs(before.get(id_, 0.0) - after.get(id_, 0.0)) > 0.005
    ]


def _square_figures(angles: tuple[float, float], smooth: float, where: str) -> list[Figure]:
    figures = []
    for angle in np.degrees(np.abs(angles)):
        what = "an edge met the centre line off square by"
        figures.append(Figure(what, "°", float(angle), 0.0 if angle <= smooth else float(angle), where))
    return figures


def _axis_figures(axis: Axis, where: str) -> list[Figure]:
    return [
        Figure("axis, from right towards down", "°", None, float(np.degrees(axis.angle_rad)), where),
        Figure("axis passes, from the left", "mm", None, float(axis.point_mm[0]), where),
        Figure("axis passes, from above", "mm", None, float(axis.point_mm[1]), where),
    ]


def _edge_map(piece: Piece, axis: Axis) -> list[Figure]:
    """The largest difference along each edge, with its sign: positive where it sticks out further than its mate."""
    points, gap = straying(outline_of(piece), axis)
    far = np.stack([distance_to_curve(points, edge.curve) for edge in piece.edges])
    owner = far.argmin(axis=0)
    figures = []
    for k, edge in enumerate(piece.edges):
        mine = gap[owner == k]
        if len(mine):
            most = float(mine[np.argmax(np.abs(mine))])
            figures.append(
                Figure("sticks out further than the other side by", "mm", None, most, f"{piece.id}:{edge.id}")
            )
    return figures


def _axis_line(piece: Piece, axis: Axis) -> Detail:
    """The axis as a centre line from end to end of the piece."""
    along = (curve_points(outline_of(piece)) - axis.point_mm) @ axis.way
    ends = axis.point_mm + np.array([[along.min()], [along.max()]]) * axis.way
    return Detail(free_id([d.id for d in piece.details], "d"), "centre", polyline_curve(ends))


def _both_sides(holes: Sequence[Hole], axis: Axis, stem: str) -> tuple[Hole, ...]:
    """The holes and their mirror images."""
    found = list(holes)
    for hole in holes:
        found.append(
            replace(hole, id=free_id([h.id for h in found], stem), curve=mirror_curve(hole.curve, axis.mirror))
        )
    return tuple(found)


def _unfolded_details(piece: Piece, centre: Curve, axis: Axis) -> tuple[Detail, ...]:
    """The lines inside and their mirror images; those on the axis once, and the axis itself as a centre line."""
    found = list(piece.details)
    for detail in piece.details:
        if np.abs(axis.offsets(curve_points(detail.curve))).max() > _LIKE_MM:
            image = transformed(detail.curve, axis.mirror)
            found.append(replace(detail, id=free_id([d.id for d in found], "d"), curve=image))
    ends = np.array([centre.controls[0, 0], centre.controls[-1, 3]])
    return (*found, Detail(free_id([d.id for d in found], "d"), "centre", polyline_curve(ends)))


def _one_side(things: Sequence[_Thing], axis: Axis, side: float, stem: str) -> tuple[_Thing, ...]:
    """What lies on the kept side with its mirror image, and what lies across the axis as it is."""
    found: list[_Thing] = []
    twins: list[_Thing] = []
    for thing in things:
        off = side * axis.offsets(curve_points(thing.curve))
        if off.max() <= _LIKE_MM and off.min() < -_LIKE_MM:
            continue
        found.append(thing)
        if off.min() >= -_LIKE_MM and off.max() > _LIKE_MM:
            twins.append(thing)
    for thing in twins:
        closed = isinstance(thing, Hole)
        curve = mirror_curve(thing.curve, axis.mirror) if closed else transformed(thing.curve, axis.mirror)
        found.append(replace(thing, id=free_id([one.id for one in found], stem), curve=curve))
    return tuple(found)


def _with_lost_seams(build: Build, piece: Piece) -> tuple[Build, tuple[Doubt, ...]]:
    """The build without the seams whose edges on ``piece`` are gone."""
    ids = {edge.id for edge in piece.edges}

    def whole(seam: Seam) -> bool:
        return all(run.piece != piece.id or ids.issuperset(run.edges) for run in (seam.first, seam.second))

    lost = [seam for seam in build.seams if not whole(seam)]
    doubts = tuple(
        Doubt("seam-lost", f"Seam {s.number} ({s.first} to {s.second}) is gone with its edge.") for s in lost
    )
    return replace(build, seams=tuple(seam for seam in build.seams if whole(seam))), doubts


def _free_name(build: Build, wanted: str) -> str:
    names = [piece.name for piece in build.pieces]
    return wanted if wanted not in names else free_id(names, f"{wanted} ")


def _refused(reason: str, advice: str) -> CannotContinue:
    return CannotContinue("pattern", reason, advice)


_PIECE = Question("piece", "piece", "Which piece")
_LINE = Question("line", "text", "A line drawn on it that is the axis (the best axis when left out)", _BEST)
_SMOOTH = Question("smooth", "angle", "Edges this near to square cross the centre line smoothly", SMOOTH_DEG)

STEPS = (
    Step("mirror", "Add the mirror image as a piece of its own", (_PIECE,), mirror_piece),
    Step(
        "unfold",
        "Unfold a half along its centre line",
        (
            Question("edges", "run", "The edges along the centre line, such as p3:a"),
            Question("straight", "length", "How far they may stray from straight", STRAIGHT_MM),
            _SMOOTH,
        ),
        unfold,
    ),
    Step(
        "symmetry",
        "See how alike the halves are",
        (_PIECE, _LINE, Question("mark", "flag", "Draw the axis as a centre line", False)),
        show_symmetry,
    ),
    Step("even-halves", "Make both halves the mean of the two", (_PIECE, _LINE, _SMOOTH), even_halves),
    Step(
        "copy-half",
        "Copy one half onto the other",
        (
            _PIECE,
            Question("keep", "choice", "Which half to keep", None, ("left", "right", "upper", "lower")),
            _LINE,
            _SMOOTH,
        ),
        copy_half,
    ),
)
