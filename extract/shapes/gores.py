"""A dome from gores to a length, breadth and height, with seams that match.

The dome's level sections are its rim, an ellipse of semi-axes a and b, shrunk by cos φ; its height is c sin φ. Seam k
stands at the eccentric angle t_k. Each gore is laid out on a triangle in the plane of the rim whose apex is the dome's
axis: two sides q_k, q_{k+1} that stand for its seams and a base W that stands for its rim. With the triangle's height p
and the feet −u, v of its sides, the flat gore is bounded by x = −u cos φ and x = v cos φ over y = the way along the
quarter ellipse (p, c). Both of its edges are then as long as the quarter ellipses (q_k, c) and (q_{k+1}, c), whatever
the widths; neighbours share q_k, so their edges are equally long. The conventions differ in W and q:

arc      W = the rim's arc between the seams, q² = ρ² + (W/2)²: on a sphere the centre line is a true meridian
chord    W = the rim's chord, q² = ρ² + (W/2)²: likewise
tangent  W and q from the polygon around the rim: slabs that are parts of cylinders, bent without stretching

where ρ is the rim's radius at the seam, and (W/2)² the mean over the two gores that share it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import degrees, pi, sqrt

import numpy as np

from extract.build import Build, Copies, Figure, Outcome, Piece, Question, Run, Step
from extract.doors import Array, Curve, Doubt
from extract.geometry.curve import curve_length, polyline_curve, reversed_curve
from extract.geometry.ellipse import ellipse_ways
from extract.geometry.hermite import hermite_curve
from extract.shapes.place import added, refused, stock_named, with_seam

CONVENTIONS = {
    "arc": "as wide as the rim's arc",
    "chord": "as wide as the rim's chord",
    "tangent": "as wide as the side of a polygon around the rim",
}
_FEWEST, _MOST = 3, 36
_STEPS = 16
_CAP_STEPS = 6
"""Cubics along a seam, along a gore's share of the cap: at 300 mm they stay within 0.001 mm."""
_LARGEST_CAP = 0.9
_POINTED_DEG = 3.0
"""A pole that lacks less than this is pressed smooth (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Gore:
    """One gore laid flat: ``rim_mm`` its width at the rim, of which ``foot_mm`` lies left of the centre line;
    ``plan_mm`` the height p of its triangle; ``seams_mm`` the sides q of its triangle, left and right."""

    rim_mm: float
    foot_mm: float
    plan_mm: float
    seams_mm: tuple[float, float]

    @property
    def tip_rad(self) -> float:
        """Angle between its edges at the pole."""
        left, right = self.foot_mm / self.plan_mm, (self.rim_mm - self.foot_mm) / self.plan_mm
        return float(np.arctan(left) + np.arctan(right))


def gores_of(length_mm: float, breadth_mm: float, count: int, convention: str, seam_in_front: bool) -> tuple[Gore, ...]:
    """All gores of a dome on an elliptic rim, from the front round by the wearer's left; the height does not matter."""
    a, b = length_mm / 2, breadth_mm / 2
    at = _seam_angles(count, seam_in_front)
    radius = np.hypot(a * np.cos(at), b * np.sin(at))
    if convention == "tangent":
        side = radius / np.cos(pi / count)
        corners = np.stack([a * np.cos(at), b * np.sin(at)], axis=1) / np.cos(pi / count)
        widths = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    else:
        widths = _widths(a, b, at, convention)
        half = widths**2 / 4
        side = np.sqrt(radius**2 + (half + np.roll(half, 1))[[*range(count), 0]] / 2)
    return tuple(_gore(w, q, r) for w, q, r in zip(widths, side[:-1], side[1:], strict=True))


def _seam_angles(count: int, seam_in_front: bool) -> Array:
    """Eccentric angles (count + 1,) of the seams, the first one repeated a turn later."""
    return 2 * pi / count * (np.arange(count + 1, dtype=np.float64) - (0.0 if seam_in_front else 0.5))


def _widths(a: float, b: float, at: Array, convention: str) -> Array:
    rim = np.stack([a * np.cos(at), b * np.sin(at)], axis=1)
    widths = np.linalg.norm(np.diff(rim, axis=0), axis=1) if convention == "chord" else np.diff(ellipse_ways(a, b, at))
    return np.asarray(widths, float)


def _gore(width: float, left: float, right: float) -> Gore:
    foot = (width**2 + left**2 - right**2) / (2 * width)
    return Gore(float(width), float(foot), sqrt(left**2 - foot**2), (float(left), float(right)))


def gore_edges(gore: Gore, height_mm: float, top_rad: float = pi / 2) -> list[Curve]:
    """Left seam (rim to top), top where it is cut off below the pole, right seam (top to rim), rim: clockwise to the
    eye, the pole up. ``top_rad`` is the height φ at which the gore ends."""
    at = np.linspace(0.0, top_rad, _STEPS + 1)
    rise = -ellipse_ways(gore.plan_mm, height_mm, at)
    slope = -np.sqrt((gore.plan_mm * np.sin(at)) ** 2 + (height_mm * np.cos(at)) ** 2)
    left, right = (_seam(at, foot, rise, slope) for foot in (-gore.foot_mm, gore.rim_mm - gore.foot_mm))
    rim = polyline_curve(np.stack([right.controls[0, 0], left.controls[0, 0]]))
    if top_rad >= pi / 2:
        return [left, reversed_curve(right), rim]
    top = polyline_curve(np.stack([left.controls[-1, 3], right.controls[-1, 3]]))
    return [left, top, reversed_curve(right), rim]


def _seam(at: Array, foot: float, rise: Array, slope: Array) -> Curve:
    points = np.stack([foot * np.cos(at), rise], axis=1)
    return hermite_curve(points, np.stack([-foot * np.sin(at), slope], axis=1), at)


def dome(
    build: Build,
    length: float,
    breadth: float,
    height: float,
    gores: int = 6,
    convention: str = "tangent",
    front: str = "seam",
    cap: float = 0.0,
    stock: str = "",
    name: str = "dome",
) -> Outcome:
    """A dome of gores; all lengths in mm, of the dome's inside.

    ``front`` says what lies on the centre line in front: a "seam" or a "gore". Gores off the centre line come as pairs,
    drawn for the left. ``cap`` is the length of a disc that takes the place of the tips, 0 for none. With a ``stock``
    the gores are made for the layer of its thickness that keeps its length when bent.
    """
    _check(length, breadth, height, gores, cap)
    sheet = stock_named(build, stock)
    deep = sheet.thickness_mm * sheet.neutral if sheet else 0.0
    size = _Size(length + 2 * deep, breadth + 2 * deep, height + deep, cap, gores, convention, front == "seam")
    flat = gores_of(size.length_mm, size.breadth_mm, gores, convention, size.seam_in_front)
    notes = f"gore by the {convention} convention: {CONVENTIONS[convention]}"
    made: list[Piece] = []
    for number, (k, copies) in enumerate(shown_gores(gores, size.seam_in_front), start=1):
        blank = Piece("", f"{name} {number}", (), stock=stock, copies=copies, notes=notes + _twin_seams(k, size))
        build, piece = added(build, blank, gore_edges(flat[k], size.height_mm, size.top_rad))
        made.append(piece)
    right_seam = "c" if cap else "b"
    for left, right in pairwise(made):
        build = with_seam(build, Run(left.id, (right_seam,)), Run(right.id, ("a",)))
    if cap:
        build = _capped(build, made, size, Piece("", f"{name} cap", (), stock=stock, notes=notes, forward_deg=0.0))
    figures = (*_size_figures((length, breadth, height), size), *_figures(flat, made, size))
    return Outcome(build, figures, _doubts(flat, size))


@dataclass(frozen=True)
class _Size:
    """The dome as it is laid flat: its neutral layer's length, breadth and height, and how it is parted."""

    length_mm: float
    breadth_mm: float
    height_mm: float
    cap_mm: float
    count: int
    convention: str
    seam_in_front: bool

    @property
    def top_rad(self) -> float:
        return float(np.arccos(self.cap_mm / self.length_mm)) if self.cap_mm else pi / 2


def shown_gores(count: int, seam_in_front: bool) -> list[tuple[int, Copies]]:
    """The gores of the left side, those on the centre line once: index and how they are copied."""
    first = 0 if seam_in_front else 1
    paired: list[tuple[int, Copies]] = [(k, "pair") for k in range(first, (count + first) // 2)]
    front: list[tuple[int, Copies]] = [] if seam_in_front else [(0, "centre")]
    last = (count + first) // 2
    back: list[tuple[int, Copies]] = [(last, "centre")] if (count - first) % 2 else []
    return [*front, *paired, *back]


def _twin_seams(k: int, size: _Size) -> str:
    """Which seams of a gore lie on the centre line, where it is glued to its own mirror image."""
    at = _seam_angles(size.count, size.seam_in_front)
    words = []
    for side, angle in (("left", at[k]), ("right", at[k + 1])):
        place = "front" if abs(angle) < 1e-9 else "back" if abs(angle - pi) < 1e-9 else ""
        if place:
            words.append(f"; its {side} seam is the centre line at the {place}, glued to its mirror image")
    return "".join(words)


def _check(length: float, breadth: float, height: float, count: int, cap: float) -> None:
    if min(length, breadth, height) <= 0:
        raise refused("A dome needs a length, a breadth and a height above 0.", "Say all three in mm.")
    if not _FEWEST <= count <= _MOST:
        raise refused(f"A dome has {_FEWEST} to {_MOST} gores, not {count}.", "Most helmets are made of 4 to 8.")
    if not 0 <= cap <= _LARGEST_CAP * length:
        raise refused(
            f"A cap of {cap:g} mm does not fit a dome of {length:g} mm.",
            f"Take 0 for none, or up to {_LARGEST_CAP * length:.0f} mm.",
        )


def _capped(build: Build, made: Sequence[Piece], size: _Size, blank: Piece) -> Build:
    """The build with a disc on the gores' tops: their sides are as long as the tops are wide."""
    build, cap = added(build, blank, _cap_edges(size))
    ids = [edge.id for edge in reversed(cap.edges)]
    for piece, (k, _) in zip(made, shown_gores(size.count, size.seam_in_front), strict=True):
        build = with_seam(build, Run(piece.id, ("b",)), Run(cap.id, (ids[k],)))
    return build


def _cap_edges(size: _Size) -> list[Curve]:
    """The rim shrunk to the cap, cut at the seams, clockwise to the eye, its front towards x."""
    share = size.cap_mm / size.length_mm / (np.cos(pi / size.count) if size.convention == "tangent" else 1.0)
    axes = share / 2 * np.array([size.length_mm, -size.breadth_mm])
    at = _seam_angles(size.count, size.seam_in_front)
    edges = []
    for start, end in zip(at[:0:-1], at[-2::-1], strict=True):
        t = np.linspace(start, end, _CAP_STEPS + 1)
        points, slopes = axes * np.c_[np.cos(t), np.sin(t)], axes * np.c_[-np.sin(t), np.cos(t)]
        bowed = size.convention == "arc"
        edges.append(hermite_curve(points, slopes, t) if bowed else polyline_curve(points[[0, -1]]))
    return edges


def _size_figures(inside: tuple[float, float, float], size: _Size) -> tuple[Figure, ...]:
    layer = (size.length_mm, size.breadth_mm, size.height_mm)
    words = ("length", "breadth", "height")
    return tuple(
        Figure(f"{word} of the dome, inside and in the layer that keeps its length", "mm", before, after, "dome")
        for word, before, after in zip(words, inside, layer, strict=True)
    )


def _figures(flat: Sequence[Gore], made: Sequence[Piece], size: _Size) -> tuple[Figure, ...]:
    figures = []
    for piece, (k, _) in zip(made, shown_gores(size.count, size.seam_in_front), strict=True):
        sides = [curve_length(piece.edges[i].curve) for i in (0, -2)]
        figures += [
            Figure("left seam", "mm", None, sides[0], f"{piece.id}:{piece.edges[0].id}"),
            Figure("right seam", "mm", None, sides[1], f"{piece.id}:{piece.edges[-2].id}"),
            Figure("width at the rim", "mm", None, flat[k].rim_mm, f"{piece.id}:{piece.edges[-1].id}"),
            Figure("centre line", "mm", None, centre_line(flat[k], size.height_mm, size.top_rad), piece.id),
            Figure("angle at the pole", "°", None, degrees(flat[k].tip_rad), piece.id),
        ]
    seams = [ellipse_ways(gore.seams_mm[0], size.height_mm, np.array(size.top_rad)) for gore in flat]
    rims = sum(gore.rim_mm for gore in flat)
    round_rim = float(ellipse_ways(size.length_mm / 2, size.breadth_mm / 2, np.array(2 * pi)))
    return (
        *figures,
        Figure("all seams from rim to top together", "mm", None, float(np.sum(seams)), "dome"),
        Figure("all rims together, beside the rim as an ellipse", "mm", round_rim, rims, "dome"),
        Figure("angles at the pole together (360° for a smooth pole)", "°", None, _pole_deg(flat), "dome"),
    )


def centre_line(gore: Gore, height_mm: float, top_rad: float = pi / 2) -> float:
    """Length of the gore from the rim to its top, square to the rim."""
    return float(ellipse_ways(gore.plan_mm, height_mm, np.array(top_rad)))


def _pole_deg(flat: Sequence[Gore]) -> float:
    return degrees(sum(gore.tip_rad for gore in flat))


def _doubts(flat: Sequence[Gore], size: _Size) -> tuple[Doubt, ...]:
    missing = 360.0 - _pole_deg(flat)
    if size.cap_mm or missing < _POINTED_DEG:
        return ()
    words = f"The gores' tips leave {missing:.1f}° out at the pole, so it comes to a point. "
    return (Doubt("pointed-pole", words + "Take a cap, more gores or the tangent convention for a smooth one."),)


STEPS: tuple[Step, ...] = (
    Step(
        "dome",
        "Make a dome from gores",
        (
            Question("length", "length", "Inside, from front to back"),
            Question("breadth", "length", "Inside, from side to side"),
            Question("height", "length", "Inside, from the rim to the crown"),
            Question("gores", "count", "How many gores all round?", 6),
            Question("convention", "choice", "How is a gore's width taken?", "tangent", tuple(CONVENTIONS)),
            Question("front", "choice", "What lies on the centre line in front?", "seam", ("seam", "gore")),
            Question("cap", "length", "Length of a cap in place of the tips (0: none)", 0.0),
            Question("stock", "stock", "Which material? (none: thickness left out)", ""),
            Question("name", "text", "What is it called?", "dome"),
        ),
        dome,
    ),
)
