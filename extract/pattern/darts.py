"""Darts and slits: relief cuts closed in computation, and rows of darts put in along an edge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from extract.build import Build, Edge, Figure, Outcome, Question, Run, Seam, Step
from extract.doors import Array, Curve
from extract.geometry.arc import split_at, total_turning
from extract.geometry.curve import curve_length, polyline_curve, transformed
from extract.geometry.reshape import with_ends
from extract.geometry.runs import (
    edge_named,
    piece_named,
    refused,
    renamed_edges,
    run_edges,
    run_from,
    shape_of,
    with_curves,
    with_piece,
)
from extract.geometry.slits import Slit, glued_curve, kept_when_glued, lips_freed, run_length, slit_between, slits_of
from extract.pattern.changes import outcome
from extract.pattern.seams import free_number

_LEAST_LEFT_MM = 2.0
"""Foam that is left between a dart's point and the next edge (common practice, no source)."""
_LEAST_MM = 1e-6


@dataclass(frozen=True)
class Cone:
    """What a flat disc becomes when a wedge is taken out of it and closed: half its point's angle, how far the wall
    stands off flat, the radius of its foot and its rise; ``mouth_mm`` is the wedge's width at the rim."""

    half_apex_deg: float
    slope_deg: float
    foot_mm: float
    rise_mm: float
    mouth_mm: float


def closed_cone(wedge_deg: float, leg_mm: float) -> Cone:
    """The cone from closing a wedge in a disc of radius ``leg_mm``: the rim keeps its length, so
    sin(half the point) = 1 − wedge/360 (common geometry of sheet metal)."""
    sine = 1 - wedge_deg / 360
    half = float(np.arcsin(sine))
    return Cone(
        half_apex_deg=float(np.degrees(half)),
        slope_deg=float(90 - np.degrees(half)),
        foot_mm=leg_mm * sine,
        rise_mm=float(leg_mm * np.cos(half)),
        mouth_mm=float(2 * leg_mm * np.sin(np.radians(wedge_deg) / 2)),
    )


def cap_intake(ball_mm: float, reach_mm: float, around_rad: float = 2 * np.pi) -> float:
    """What a flat sector's rim must lose in all to lie on a ball of radius ``ball_mm``, ``reach_mm`` of way from the
    top: angle · (s − ρ·sin(s/ρ)), since the ball's circle there has radius ρ·sin(s/ρ)."""
    return float(around_rad * (reach_mm - ball_mm * np.sin(reach_mm / ball_mm)))


def row_weights(count: int, profile: str = "tapering") -> Array:
    """Shares (count,) that add up to one: 1 : 2 : 3 : 2 : 1, … towards the corners, or all alike."""
    place = np.arange(count)
    weights = np.minimum(place + 1, count - place).astype(float) if profile == "tapering" else np.ones(count)
    return np.asarray(weights / weights.sum())


def close_slits(build: Build, where: str, level: bool = False) -> Outcome:
    """Closes relief cuts in computation: their two lips become a seam, so that the edge beyond is measured as glued.

    ``where``: the two lips ("p1:b+c"), or a piece ("p1") for all that look like slits. ``level`` gives the second
    lip the shape of the first.
    """
    freed, slits = _slits_named(build, where)
    fresh = freed
    for slit in slits:
        if level:
            fresh = _levelled(fresh, slit)
        fresh = _sewn(fresh, slit.piece, slit.before.id, slit.after.id)
    figures = [figure for slit in slits for figure in _slit_figures(freed, fresh, slit)]
    return outcome(build, fresh, "Closing the slit", figures)


def put_darts(
    build: Build,
    run: str,
    count: int = 5,
    depth: float = 40.0,
    intake: float = 0.0,
    ball: float = 0.0,
    profile: str = "tapering",
    spacing: float = 0.0,
) -> Outcome:
    """A row of ``count`` darts along a run, both sides of each equally long, closed at once by seams of their own.

    The longest is ``depth`` mm deep; together they take ``intake`` mm out of the edge, or as much as makes it lie on a
    ball of radius ``ball``. "tapering": deepest and widest in the middle, in steps down to the corners. Their middles
    are ``spacing`` mm apart about the middle of the run, 0: evenly from end to end.
    """
    chosen = run_from(build, run)
    if not all(kept_when_glued(build, chosen)):
        raise refused(f"{chosen} has darts or closed slits in it.", "Name the stretches between them.")
    length, turning = run_length(build, chosen), total_turning(glued_curve(build, chosen))
    total = _intake(intake, ball, length, turning)
    if count < 1 or depth <= 0:
        raise refused("A row needs at least one dart with some depth.", "Give the count and the depth in mm.")
    weights = row_weights(count, profile)
    middles = _middles(length, count, spacing)
    mouths, depths = total * weights, depth * weights / weights.max()
    _refuse_crowded(chosen, middles, mouths, length)
    fresh = _with_darts(build, chosen, middles, mouths, depths)
    now = _run_now(build, fresh, chosen)
    figures = (
        Figure("length of the edge as glued", "mm", length, run_length(fresh, now), str(now)),
        Figure(
            "turning of the edge as glued",
            "°",
            float(np.degrees(turning)),
            float(np.degrees(total_turning(glued_curve(fresh, now)))),
            str(now),
        ),
        Figure("intake of all darts", "mm", None, total, str(now)),
        Figure("distance of their middles", "mm", None, float(np.diff(middles).min()) if count > 1 else 0.0, str(now)),
        *(figure for one in _lips_in(fresh, now) for figure in _dart_figures(one)),
    )
    return outcome(build, fresh, "The darts", figures)


def _slits_named(build: Build, where: str) -> tuple[Build, list[Slit]]:
    """The slits meant, and the build with edges cut so that their lips are edges of their own."""
    if ":" not in where:
        piece = piece_named(build, where.strip())
        freed = lips_freed(build, piece.id)
        found = [slit for slit in slits_of(piece_named(freed, piece.id)) if not _is_sewn(freed, slit)]
        if not found:
            raise refused(f"Piece {piece.id} has no open slit.", "Name the two lips, as in p1:b+c.")
        return freed, found
    run = run_from(build, where)
    piece = piece_named(build, run.piece)
    edges = run_edges(piece, run)
    if len(edges) != 2:
        raise refused(f"{run} are not the two lips of a slit.", "Name two edges that meet in its point.")
    slit = slit_between(piece, *edges)
    if all(one.before is not edges[0] for one in slits_of(piece)):
        raise refused(
            f"{run} do not look like the two lips of a slit.",
            f"They should be about equally long and meet in a point. Name {piece.id} alone to have its slits found.",
        )
    if _is_sewn(build, slit):
        raise refused(f"{run} are sewn already.", "Take their seam out first (unseam).")
    return build, [slit]


def _is_sewn(build: Build, slit: Slit) -> bool:
    sewn = {(run.piece, edge) for seam in build.seams for run in (seam.first, seam.second) for edge in run.edges}
    lips = {(slit.piece, slit.before.id), (slit.piece, slit.after.id)}
    alone = [s for s in build.seams if {s.first.edges, s.second.edges} == {(slit.before.id,), (slit.after.id,)}]
    return bool(alone) or bool(lips & sewn and not _in_long_run(build, slit))


def _in_long_run(build: Build, slit: Slit) -> bool:
    """Whether both lips lie within one side of a seam, as on an edge that was slit after it was sewn."""
    pair = {slit.before.id, slit.after.id}
    return any(
        run.piece == slit.piece and pair < set(run.edges) for seam in build.seams for run in (seam.first, seam.second)
    )


def _sewn(build: Build, piece: str, before: str, after: str) -> Build:
    seam = Seam(free_number(build), Run(piece, (before,)), Run(piece, (after,)))
    return replace(build, seams=(*build.seams, seam))


def _levelled(build: Build, slit: Slit) -> Build:
    """The second lip made the first one turned about the point; the edge beyond follows."""
    piece = piece_named(build, slit.piece)
    left, right = slit.before.curve.controls[0, 0] - slit.apex_mm, slit.after.curve.controls[-1, 3] - slit.apex_mm
    angle = np.arctan2(left[0] * right[1] - left[1] * right[0], left @ right)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    back = Curve(slit.before.curve.controls[::-1, ::-1], slit.before.curve.straight[::-1], False)
    lip = transformed(back, np.c_[turn, slit.apex_mm - turn @ slit.apex_mm])
    order = [edge.id for edge in piece.edges]
    beyond = edge_named(piece, order[(order.index(slit.after.id) + 1) % len(order)])
    moved = with_ends(beyond.curve, lip.controls[-1, 3], beyond.curve.controls[-1, 3])
    return with_piece(build, with_curves(piece, {slit.after.id: lip, beyond.id: moved}))


def _slit_figures(before: Build, after: Build, slit: Slit) -> Iterator[Figure]:
    where = f"{slit.piece}:{slit.before.id}+{slit.after.id}"
    piece = piece_named(after, slit.piece)
    order = [edge.id for edge in piece.edges]
    at = order.index(slit.before.id)
    now = slit_between(piece, piece.edges[at], piece.edges[(at + 1) % len(order)])
    yield Figure("length of the first lip", "mm", slit.lips_mm[0], now.lips_mm[0], where)
    yield Figure("length of the second lip", "mm", slit.lips_mm[1], now.lips_mm[1], where)
    yield from _dart_figures(now)
    if len(order) < 4:
        return
    run = Run(slit.piece, tuple(order[(at + k) % len(order)] for k in (-1, 0, 1, 2)))
    drawn = sum(curve_length(edge_named(piece_named(before, slit.piece), name).curve) for name in run.edges[::3])
    yield Figure("edge on both sides, with its mouth", "mm", None, drawn + slit.mouth_mm, str(run))
    yield Figure("edge on both sides, as glued", "mm", None, run_length(after, run), str(run))
    turning = total_turning(glued_curve(after, run))
    yield Figure("turning of the edge as glued", "°", None, float(np.degrees(turning)), str(run))


def _dart_figures(slit: Slit) -> Iterator[Figure]:
    where = f"{slit.piece}:{slit.before.id}+{slit.after.id}"
    opening = float(np.degrees(slit.opening_rad))
    cone = closed_cone(opening, max(slit.lips_mm))
    yield Figure("angle taken out", "°", None, opening, where)
    yield Figure("width of its mouth", "mm", None, slit.mouth_mm, where)
    yield Figure("length of its sides", "mm", None, max(slit.lips_mm), where)
    yield Figure("half the angle of the cone it closes to", "°", None, cone.half_apex_deg, where)


def _intake(intake: float, ball: float, length: float, turning: float) -> float:
    if (intake > 0) == (ball > 0):
        raise refused(
            "How much the darts take in is not clear.", "Give either the intake or the radius of a ball, in mm."
        )
    if intake > 0:
        return intake
    if abs(turning) <= _LEAST_MM:
        raise refused("A straight edge belongs to no ball.", "Give the intake in mm.")
    reach = length / abs(turning)
    if reach >= np.pi * ball:
        raise refused(f"A ball of radius {ball:g} mm is too small for this edge.", "Give a larger one, or the intake.")
    return cap_intake(ball, reach, abs(turning))


def _middles(length: float, count: int, spacing: float) -> Array:
    if spacing > 0:
        return np.asarray(length / 2 + spacing * (np.arange(count) - (count - 1) / 2))
    return np.asarray(length * (np.arange(count) + 0.5) / count)


def _refuse_crowded(run: Run, middles: Array, mouths: Array, length: float) -> None:
    starts, ends = middles - mouths / 2, middles + mouths / 2
    if starts[0] <= _LEAST_LEFT_MM or ends[-1] >= length - _LEAST_LEFT_MM:
        raise refused(f"The darts run over the end of {run}.", "Set them closer, fewer, or let them take in less.")
    if (starts[1:] - ends[:-1] < _LEAST_LEFT_MM).any():
        raise refused(f"The darts on {run} run into one another.", "Set them further apart, or let them take in less.")


def _with_darts(build: Build, run: Run, middles: Array, mouths: Array, depths: Array) -> Build:
    """The build with every edge of the run cut into rim and lips, the lips sewn, older seams following."""
    piece = piece_named(build, run.piece)
    shape = shape_of(piece)
    start, sewn, edges = 0.0, [], list(piece.edges)
    names: dict[str, tuple[str, ...]] = {}
    for edge in run_edges(piece, run):
        length = curve_length(edge.curve)
        mine = (middles > start) & (middles < start + length)
        if mine.any():
            spans = np.stack([middles[mine] - mouths[mine] / 2, middles[mine] + mouths[mine] / 2], axis=1) - start
            if spans.min() <= _LEAST_LEFT_MM or spans.max() >= length - _LEAST_LEFT_MM:
                raise refused(f"A dart would fall on the end of edge {edge.id}.", "Change the count or the spacing.")
            fresh = _darted(edge, spans, depths[mine], shape, {other.id for other in piece.edges})
            at = edges.index(edge)
            edges[at : at + 1] = fresh
            names[edge.id] = tuple(one.id for one in fresh)
            sewn += [(fresh[k].id, fresh[k + 1].id) for k in range(1, len(fresh), 3)]
        start += length
    fresh_build = renamed_edges(with_piece(build, replace(piece, edges=tuple(edges))), piece.id, names)
    for before, after in sewn:
        fresh_build = _sewn(fresh_build, piece.id, before, after)
    return fresh_build


def _darted(edge: Edge, spans: Array, depths: Array, shape: shapely.Polygon, taken: set[str]) -> list[Edge]:
    """Rim, lip, lip, rim, … of one edge; each dart's point lies square to the middle of its mouth."""
    parts = split_at(edge.curve, [float(way) for way in spans.ravel()])
    rims, found = iter(_free_names(edge.id, "", len(spans) + 1, taken)), []
    lips = iter(_free_names(edge.id, "v", 2 * len(spans), taken))
    for k, part in enumerate(parts):
        if k % 2 == 0:
            found.append(replace(edge, id=next(rims), curve=part))
            continue
        left, right = part.controls[0, 0], part.controls[-1, 3]
        apex = _apex(left, right, float(depths[k // 2]), shape)
        found.append(replace(edge, id=next(lips), curve=polyline_curve(np.stack([left, apex]))))
        found.append(replace(edge, id=next(lips), curve=polyline_curve(np.stack([apex, right]))))
    return found


def _apex(left: Array, right: Array, depth: float, shape: shapely.Polygon) -> Array:
    """The dart's point; CannotContinue where it, or the way to it, leaves the piece."""
    chord = right - left
    inwards = np.array([-chord[1], chord[0]]) / np.linalg.norm(chord)
    middle = (left + right) / 2
    apex = middle + depth * inwards
    free = 2 * _LEAST_LEFT_MM
    clear = shape.buffer(-_LEAST_LEFT_MM) if depth > free else shape
    way = shapely.LineString(np.stack([middle + min(free, depth / 2) * inwards, apex]))
    if clear.is_empty or not clear.covers(way):
        raise refused(
            f"A dart {depth:.0f} mm deep is deeper than the piece there, or runs into a hole.",
            "Make the darts shorter.",
        )
    return np.asarray(apex)


def _free_names(stem: str, letter: str, count: int, taken: set[str]) -> list[str]:
    found: list[str] = []
    number = 0
    while len(found) < count:
        number += 1
        if f"{stem}{letter}{number}" not in taken:
            found.append(f"{stem}{letter}{number}")
    return found


def _run_now(before: Build, after: Build, run: Run) -> Run:
    """The run's edges under their new names, lips and all."""
    old, order = {edge.id for edge in piece_named(before, run.piece).edges}, piece_named(after, run.piece).edges
    names = [edge.id for edge in order]
    first = run.edges[0] if run.edges[0] in names else _free_names(run.edges[0], "", 1, old - {run.edges[0]})[0]
    count = len(run.edges) + len(names) - len(old)
    at = names.index(first)
    return Run(run.piece, tuple(names[(at + k) % len(names)] for k in range(count)))


def _lips_in(build: Build, run: Run) -> list[Slit]:
    piece = piece_named(build, run.piece)
    kept: Sequence[bool] = kept_when_glued(build, run)
    edges = run_edges(piece, run)
    pairs = [k for k, stays in enumerate(kept) if not stays][::2]
    return [slit_between(piece, edges[k], edges[k + 1]) for k in pairs]


STEPS = (
    Step(
        "close-slit",
        "Close relief cuts, so that edges count as glued",
        (
            Question("where", "text", "The two lips (p1:b+c), or a piece for all its slits"),
            Question("level", "flag", "Give the second lip the shape of the first", False),
        ),
        close_slits,
    ),
    Step(
        "dart-row",
        "Put a row of darts in along an edge",
        (
            Question("run", "run", "Along which edges"),
            Question("count", "count", "How many", 5),
            Question("depth", "length", "How deep the longest is", 40.0),
            Question("intake", "length", "What they take out of the edge in all", 0.0),
            Question("ball", "length", "Or the radius of the ball it should lie on", 0.0),
            Question("profile", "choice", "Their sizes along the row", "tapering", ("tapering", "even")),
            Question("spacing", "length", "Distance of their middles (0: evenly from end to end)", 0.0),
        ),
        put_darts,
    ),
)
