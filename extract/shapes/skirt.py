"""A flared skirt around a traced edge: a strip of constant slope, rolled out exactly, in one part or two halves."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin

import numpy as np
import shapely

from extract.build import Build, Edge, Figure, Finish, Outcome, Piece, Question, Run, Step
from extract.doors import Array, Curve
from extract.geometry.arc import joint_turnings, normals, tangents, ways_at
from extract.geometry.curve import (
    curve_at,
    curve_length,
    curve_points,
    joined,
    nearest_parameters,
    polyline_curve,
    reversed_curve,
    transformed,
)
from extract.geometry.development import FlatStrip, Tightest, flat_strip
from extract.geometry.fit import fit_curve
from extract.geometry.runs import outline_of, piece_named, run_curve, run_from, split_edge
from extract.geometry.slits import kept_when_glued
from extract.shapes.place import added, levelled, refused, stock_named, with_seam

_LEAST_LEFT = 0.02
"""A far edge shrunk to less of the near one than this is a fold, not foam."""
_SHARP_DEG = 60.0
"""What smoothing leaves a corner."""
_AT_A_JOINT_MM = 0.5
"""A seam that would fall this near to a corner of the outline goes to the corner: no sliver of an edge is left."""
_FLUSH_MOST_DEG = 80.0
"""A knife leaning further than this leaves a feather edge."""
_WAYS = {"down": 90.0, "up": -90.0, "left": 180.0, "right": 0.0}


@dataclass(frozen=True)
class _Lean:
    """How the strip stands: its width along the slope, the cosine of the slope, the slope itself in degrees."""

    width_mm: float
    cos_slope: float
    slope_deg: float


def skirt(
    build: Build,
    height: float,
    flare: float,
    run: str = "",
    hole: str = "",
    parts: str = "one",
    back: str = "behind",
    upper: str = "flush",
    seam_lean: float = 0.0,
    smooth: float = 0.0,
    stock: str = "",
    name: str = "skirt",
) -> Outcome:
    """A skirt on a ``run`` of edges, on the outer side of the piece, or around a ``hole`` ("p2:h1"); lengths in mm.

    Its rim lies ``height`` below the plane of the edge and stands ``flare`` further out (negative: further in), the
    same all round. A run of all the piece's edges is a closed opening, as a hole is: the skirt is then parted at its
    back, with ``parts`` = "halves" at its front too. ``upper`` = "flush" leans the upper edge so that its cut face lies
    in the plane of the opening; ``seam_lean`` leans the end seams. With ``smooth`` the skirt follows the edge but for a
    hand's wobble of so much, and is made as long as the edge is. Raises CannotContinue where rulings would cross.
    """
    lean = _lean(height, flare)
    stock_named(build, stock)
    ground, chosen, stock = _ground(build, run, hole, stock)
    piece = piece_named(ground, chosen.piece)
    closed = len(chosen.edges) == len(piece.edges)
    if parts == "halves" and not closed:
        raise refused("Only a skirt around a whole outline has halves.", "Name all edges of the piece, or ask for one.")
    ground, runs = _parted(ground, piece, _back_deg(piece, back), parts == "halves") if closed else (ground, [chosen])
    turns = _turns_between(ground, runs) if closed else [0.0, 0.0]
    build = build if hole else ground
    figures: list[Figure] = [Figure("slope of the skirt", "°", None, lean.slope_deg, name)]
    made = []
    for k, side in enumerate(("left", "right") if len(runs) == 2 else ("",)):
        drawn = run_curve(ground, runs[k])
        curve, strays = _smoothed(drawn, smooth)
        strip = _strip(curve, lean, (turns[k] / 2, turns[k + 1] / 2))
        blank = Piece("", f"{name} {side}".strip(), (), stock=stock, notes=_notes(height, flare))
        build, new = added(build, blank, _outline(strip), _finishes(lean, upper, seam_lean))
        made.append(new)
        figures += _figures(drawn, new, strip, strays)
        build = build if hole else with_seam(build, runs[k], Run(new.id, ("a",)))
    for first, second in zip(made, [*made[1:], made[0]], strict=True) if closed else ():
        build = with_seam(build, Run(first.id, ("d",)), Run(second.id, ("b",)))
    return Outcome(build, tuple(figures))


def _ground(build: Build, run: str, hole: str, stock: str) -> tuple[Build, Run, str]:
    """What the skirt stands on, as a run in a build: the build itself, or one whose only piece is the hole's inside;
    and the stock to cut the skirt from."""
    if bool(run) == bool(hole):
        raise refused("A skirt stands on an edge or around a hole.", "Name one of the two, as in p3:a or p3:h1.")
    if run:
        chosen = run_from(build, run)
        if not all(kept_when_glued(build, chosen)):
            raise refused(
                f"{run} has relief cuts, so once glued it no longer lies in a plane as the pattern does.",
                "Trace the finished opening and stand the skirt on that.",
            )
        return build, chosen, stock or piece_named(build, chosen.piece).stock
    owner, _, name = hole.partition(":")
    piece = piece_named(build, owner.strip())
    for one in piece.holes:
        if one.id == name.strip():
            curve = reversed_curve(one.curve)
            edge = Edge("a", Curve(curve.controls, curve.straight, False))
            inside = Piece("hole", "", (edge,), forward_deg=piece.forward_deg)
            return Build("", (inside,)), Run("hole", ("a",)), stock or piece.stock
    known = ", ".join(one.id for one in piece.holes) or "none"
    raise refused(f"Piece {piece.id} has no hole {name or 'of that name'}.", f"Its holes are: {known}.")


def _lean(height: float, flare: float) -> _Lean:
    if not (height >= 0 and hypot(height, flare) > 0):
        raise refused("A skirt needs a height or a flare.", "Say in mm how far its rim lies below and how far out.")
    width = hypot(height, flare)
    return _Lean(width, flare / width, degrees(atan2(height, flare)))


def _notes(height: float, flare: float) -> str:
    return (
        f"strip of constant slope: rim {height:g} mm below, {abs(flare):g} mm further {'out' if flare >= 0 else 'in'}"
    )


def _finishes(lean: _Lean, upper: str, seam_lean: float) -> list[Finish]:
    """Upper edge, first end, rim, second end. Where the skirt leans out, the plane of the opening cuts away from the
    upper edge of its outer face, so the inner one is the longer."""
    tilt = abs(90.0 - lean.slope_deg)
    top = Finish()
    if upper == "flush" and tilt > 0.05:
        top = Finish(min(tilt, _FLUSH_MOST_DEG), "back" if lean.slope_deg < 90 else "face")
    end = Finish(seam_lean, "face") if seam_lean else Finish()
    return [top, end, Finish(), end]


def _back_deg(piece: Piece, back: str) -> float:
    if back == "behind":
        return 90.0 if piece.forward_deg is None else piece.forward_deg + 180.0
    return _WAYS[back]


def _parted(build: Build, piece: Piece, back_deg: float, halves: bool) -> tuple[Build, list[Run]]:
    """The build with the outline cut at its back, with ``halves`` at its front too, and the runs between."""
    ways_deg = [back_deg, back_deg + 180.0] if halves else [back_deg]
    for way in ways_deg:
        build = _cut_towards(build, piece.id, way)
    piece = piece_named(build, piece.id)
    starts = [_starting_edge(piece, way) for way in ways_deg]
    ids = [edge.id for edge in piece.edges]
    runs = []
    for start, end in zip(starts, [*starts[1:], starts[0]], strict=True):
        count = (end - start - 1) % len(ids) + 1
        runs.append(Run(piece.id, tuple(ids[(start + k) % len(ids)] for k in range(count))))
    return build, runs


def _cut_towards(build: Build, piece_id: str, way_deg: float) -> Build:
    """The build with the edge cut where the outline is met going from its centre in a direction, unless by a joint."""
    piece = piece_named(build, piece_id)
    outline = outline_of(piece)
    way = _way_of(outline, way_deg)
    start = 0.0
    for edge in piece.edges:
        length = curve_length(edge.curve)
        if start + _AT_A_JOINT_MM < way < start + length - _AT_A_JOINT_MM:
            return split_edge(build, piece_id, edge.id, [way - start])
        start += length
    return build


def _starting_edge(piece: Piece, way_deg: float) -> int:
    """Which edge starts nearest to where the outline is met in a direction."""
    outline = outline_of(piece)
    lengths = [curve_length(edge.curve) for edge in piece.edges]
    starts = np.r_[0.0, np.cumsum(lengths)]
    off = np.abs(starts - _way_of(outline, way_deg))
    return int(np.argmin(np.minimum(off, starts[-1] - off)[:-1]))


def _way_of(outline: Curve, way_deg: float) -> float:
    """Arc length at which the outline is met, furthest out, by a ray from its centre of area."""
    points = curve_points(outline)
    shape = shapely.Polygon(points)
    centre = np.array([shape.centroid.x, shape.centroid.y])
    way = np.array([cos(radians(way_deg)), sin(radians(way_deg))])
    reach = 2 * float(np.linalg.norm(points - centre, axis=1).max())
    met = shapely.get_coordinates(shapely.LineString([centre, centre + reach * way]).intersection(shape.exterior))
    if not len(met):
        raise refused("The outline does not go round its own middle.", "Make the skirt on a run of edges instead.")
    far = met[np.argmax((met - centre) @ way)]
    return float(ways_at(outline, nearest_parameters(outline, far[None]))[0])


def _turns_between(build: Build, runs: list[Run]) -> list[float]:
    """Turnings in radians at the start of each run of a closed outline and, once more, at the start of the first."""
    curves = [run_curve(build, run) for run in runs]
    turns = joint_turnings(joined(curves, closed=True))
    ends = np.cumsum([len(curve.controls) for curve in curves]) - 1
    return [float(turns[end]) for end in (ends[-1], *ends)]


def _smoothed(curve: Curve, smooth_mm: float) -> tuple[Curve, float]:
    """The curve without wobbles of up to ``smooth_mm`` but of the same length, and how far the drawn one lies from it.

    Its length comes from a similarity, which changes no direction and the bends by a fraction of a per cent.
    """
    if smooth_mm <= 0:
        return curve, 0.0
    fit = fit_curve(curve_points(curve), smooth_mm, corner_deg=_SHARP_DEG)
    by = curve_length(curve) / curve_length(fit.curve)
    return transformed(fit.curve, np.array([[by, 0.0, 0.0], [0.0, by, 0.0]])), fit.max_error_mm


def _strip(curve: Curve, lean: _Lean, end_turns: tuple[float, float]) -> FlatStrip:
    strip = flat_strip(curve, lean.cos_slope, lean.width_mm, end_turns)
    if strip.tightest.left < _LEAST_LEFT:
        raise _crossing(strip.tightest, lean)
    if not _rim_is_simple(curve, lean.width_mm * lean.cos_slope):
        raise refused(
            "The skirt would run into itself on the far side of a hollow.", "Take less flare, or end the run before it."
        )
    return strip


def _crossing(tightest: Tightest, lean: _Lean) -> Exception:
    x, y = tightest.place_mm
    flare = abs(lean.width_mm * lean.cos_slope)
    if tightest.radius_mm == 0:
        return refused(
            f"At the corner near x {x:.0f}, y {y:.0f} mm the two sides of the skirt would cross.",
            "End the run at that corner and make a second skirt, or round the corner off.",
        )
    return refused(
        f"Near x {x:.0f}, y {y:.0f} mm the edge bends with a radius of {tightest.radius_mm:.1f} mm, less than the "
        f"{flare:.1f} mm by which the skirt spreads, so its rulings would cross.",
        "Take less flare, or leave out the wobble of the edge: smooth=1.",
    )


def _rim_is_simple(curve: Curve, flare: float) -> bool:
    """Whether the rim, seen from above, crosses itself nowhere; the ends of an open run may come near one another."""
    at = np.linspace(0.0, len(curve.controls), 24 * len(curve.controls) + 1)
    at = np.unique(np.r_[at, np.nextafter(np.arange(1.0, len(curve.controls)), 0.0)])
    rim = curve_at(curve, at) - flare * normals(tangents(curve, at))
    return bool(shapely.LineString(rim[:-1]).is_simple)


def _outline(strip: FlatStrip) -> list[Curve]:
    """Upper edge, first end, rim, second end: clockwise to the eye."""
    start = polyline_curve(_ends(strip.near, strip.far, 0))
    end = polyline_curve(_ends(strip.near, strip.far, -1)[::-1])
    near, start, far, end = levelled([strip.near, start, strip.far, end])
    return [reversed_curve(near), start, far, end]


def _ends(near: Curve, far: Curve, which: int) -> Array:
    point = (0, 0) if which == 0 else (-1, 3)
    return np.stack([near.controls[point], far.controls[point]])


def _figures(drawn: Curve, piece: Piece, strip: FlatStrip, strays: float) -> tuple[Figure, ...]:
    upper, first, rim, _ = (curve_length(edge.curve) for edge in piece.edges)
    found = [
        Figure(
            "length of the upper edge, beside the edge it stands on", "mm", curve_length(drawn), upper, f"{piece.id}:a"
        ),
        Figure("length of the rim", "mm", None, rim, f"{piece.id}:c"),
        Figure("width along the slope", "mm", None, first, piece.id),
        Figure("angle the skirt takes up when flat", "°", None, degrees(strip.turn_rad), piece.id),
        Figure("lean of the upper edge from square", "°", None, piece.edges[0].finish.lean_deg, f"{piece.id}:a"),
    ]
    if piece.edges[1].finish.lean_deg:
        lean = piece.edges[1].finish.lean_deg
        found.append(Figure("lean of the end seams from square", "°", None, lean, f"{piece.id}:b+d"))
    if strays:
        found.append(Figure("furthest the upper edge strays from the drawn one", "mm", None, strays, f"{piece.id}:a"))
    return tuple(found)


STEPS: tuple[Step, ...] = (
    Step(
        "skirt",
        "Stand a flared skirt on an edge",
        (
            Question("height", "length", "How far below the edge is the rim?"),
            Question("flare", "length", "How much further out is the rim? (minus: further in)"),
            Question("run", "run", "Which edge does it stand on? (none: around a hole)", ""),
            Question("hole", "text", "Around which hole? (as in p3:h1)", ""),
            Question("parts", "choice", "In one part or in halves?", "one", ("one", "halves")),
            Question("back", "choice", "Where is the back seam?", "behind", ("behind", "down", "up", "left", "right")),
            Question("upper", "choice", "How is the upper edge cut?", "flush", ("flush", "square")),
            Question("seam_lean", "angle", "How far do the end seams lean from square?", 0.0),
            Question("smooth", "length", "How much wobble of the edge may it leave out?", 0.0),
            Question("stock", "stock", "Which material? (none: as the piece it stands on)", ""),
            Question("name", "text", "What is it called?", "skirt"),
        ),
        skirt,
    ),
)
