"""What the foam's thickness does to lengths where it is bent.

A bent sheet is as long as its neutral layer: L = θ·(r + k·t), with the angle θ in radians, the inside radius r, the
thickness t and the share k of it, from the inside, where the length stays: the mean-line rule of sheet metal with
k = 0.5. Foam gives way inside more than it stretches outside, so k is the maker's to measure. Layers that lie over
one another differ by θ times the distance of their neutral layers. Flat pieces that meet at an angle keep the size of
the face they were drawn on; for them see the joint.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from extract.build import Build, Detail, Face, Figure, Hole, Outcome, Piece, Question, Step, Stock
from extract.doors import Array, Curve
from extract.geometry.curve import curve_points, transformed
from extract.geometry.runs import outline_of, piece_named, refused, with_curves, with_piece
from extract.geometry.slits import run_length
from extract.pattern.changes import outcome
from extract.pattern.seams import fit_doubts, fit_figures, lengthened, seam_numbered, with_seam

SHARES: dict[Face, float] = {"inside": 0.0, "middle": 0.5, "outside": 1.0}
"""Share of the thickness, from the inside, at which the shell lies."""


def bent_length(angle_rad: float, inside_mm: float, thickness_mm: float, share: float = 0.5) -> float:
    """Length in mm of the layer at ``share`` of the thickness in a bend of inside radius ``inside_mm``:
    θ·(r + k·t)."""
    return angle_rad * (inside_mm + share * thickness_mm)


def layer_difference(angle_rad: float, apart_mm: float) -> float:
    """By how much the outer of two layers ``apart_mm`` apart is longer in a bend: θ·d."""
    return angle_rad * apart_mm


def choose_face(build: Build, face: str) -> Outcome:
    """Says which face of the foam the shell stands for; kept and printed."""
    chosen: Face = next(name for name in SHARES if name == face)
    figure = Figure(
        "share of the thickness, from the inside, where the shell lies", "", SHARES[build.face], SHARES[chosen]
    )
    return Outcome(replace(build, face=chosen), (figure,))


def choose_neutral(build: Build, stock: str, share: float) -> Outcome:
    """Says at which share of a stock's thickness, from the inside of a bend, the length stays."""
    old = _stock(build, stock)
    stocks = tuple(replace(one, neutral=share) if one is old else one for one in build.stocks)
    figure = Figure("neutral layer, share of the thickness from the inside", "", old.neutral, share, stock)
    return Outcome(replace(build, stocks=stocks), (figure,))


def allow_layers(
    build: Build,
    seam: int,
    angle: float = 0.0,
    radius: float = 0.0,
    apart: float = 0.0,
    lies: str = "outside",
    lengthen: bool = False,
) -> Outcome:
    """Lets a seam's second side be longer because it lies outside the first in a bend (shorter: inside).

    The seam turns by ``angle`` degrees on the finished form, or lies round ``radius`` mm as the first side is drawn.
    The layers are ``apart`` mm, 0: from the middle-most layer of one stock to that of the other. ``lengthen`` reshapes
    the second side at once.
    """
    one = seam_numbered(build, seam)
    turning = _turning(angle, radius, run_length(build, one.first))
    distance = apart or _between_neutrals(build, one.first.piece, one.second.piece)
    layers = layer_difference(turning, distance) * (1 if lies == "outside" else -1)
    after = with_seam(build, replace(one, layers_mm=layers))
    if lengthen:
        after = lengthened(after, one, run_length(after, one.first) + layers)
    now = seam_numbered(after, seam)
    figures = (
        Figure("turning of the seam", "°", None, float(np.degrees(turning)), f"seam {seam}"),
        Figure("distance of the layers", "mm", None, distance, f"seam {seam}"),
        Figure("second side longer for the thickness", "mm", one.layers_mm, layers, f"seam {seam}"),
    )
    return outcome(build, after, "The thickness", (*figures, *fit_figures(after, now)), fit_doubts(after, now))


def allow_bend(build: Build, piece: str, along: float = 0.0, radius: float = 0.0, angle: float = 0.0) -> Outcome:
    """Makes a piece as long, in the direction in which it is bent, as its neutral layer must be.

    ``along`` is that direction in degrees from x towards y. The bend has ``radius`` mm on the face that the shell
    stands for, or turns by ``angle`` degrees over the piece's whole extent. Fixed holes keep their size.
    """
    old = piece_named(build, piece)
    stock = _stock_of(build, old)
    way = np.array([np.cos(np.radians(along)), np.sin(np.radians(along))])
    reach = curve_points(outline_of(old)) @ way
    extent = float(np.ptp(reach))
    turning = _turning(angle, radius, extent)
    at_face = extent / turning
    inside = at_face - SHARES[build.face] * stock.thickness_mm
    if inside < 0:
        raise refused(
            f"A bend of {at_face:.1f} mm radius is tighter than {stock.thickness_mm:g} mm of foam.",
            "Check which face the shell stands for, and the radius.",
        )
    length = bent_length(turning, inside, stock.thickness_mm, stock.neutral)
    note = f"Length for a bend of radius {at_face:.0f} mm included."
    fresh = _stretched(old, way, length / extent, float((reach.max() + reach.min()) / 2))
    fresh = replace(fresh, notes=f"{old.notes} {note}".strip())
    figures = (
        Figure("turning of the bend", "°", None, float(np.degrees(turning)), old.id),
        Figure("inside radius of the bend", "mm", None, inside, old.id),
        Figure("extent along the bend", "mm", extent, length, old.id),
    )
    return outcome(build, with_piece(build, fresh), "The thickness", figures)


def _turning(angle_deg: float, radius_mm: float, length_mm: float) -> float:
    if (angle_deg > 0) == (radius_mm > 0):
        raise refused("How much it bends is not clear.", "Give either the angle in degrees or the radius in mm.")
    return float(np.radians(angle_deg)) if angle_deg > 0 else length_mm / radius_mm


def _between_neutrals(build: Build, under: str, over: str) -> float:
    """From the neutral layer of the piece below to that of the piece above, which lies on it."""
    low, high = (_stock_of(build, piece_named(build, name)) for name in (under, over))
    return (1 - low.neutral) * low.thickness_mm + high.neutral * high.thickness_mm


def _stock_of(build: Build, piece: Piece) -> Stock:
    if not piece.stock:
        raise refused(f"Piece {piece.id} has no material yet.", "Say first which sheet it is cut from.")
    return _stock(build, piece.stock)


def _stock(build: Build, name: str) -> Stock:
    for stock in build.stocks:
        if stock.name == name:
            return stock
    known = ", ".join(stock.name for stock in build.stocks) or "none yet"
    raise refused(f"There is no stock “{name}”.", f"The stocks are: {known}.")


def _stretched(piece: Piece, way: Array, factor: float, middle_mm: float) -> Piece:
    """The piece scaled along ``way`` about the line where the way there is ``middle_mm``; ticks and fixed holes are
    only carried along."""
    turn = np.eye(2) + (factor - 1) * np.outer(way, way)
    matrix = np.c_[turn, (1 - factor) * middle_mm * way]
    fresh = with_curves(piece, {edge.id: transformed(edge.curve, matrix) for edge in piece.edges})
    holes: tuple[Hole, ...] = tuple(
        replace(hole, curve=_carried(hole.curve, matrix) if hole.fixed else transformed(hole.curve, matrix))
        for hole in piece.holes
    )
    details: tuple[Detail, ...] = tuple(
        replace(one, curve=_carried(one.curve, matrix) if one.use == "tick" else transformed(one.curve, matrix))
        for one in piece.details
    )
    return replace(fresh, holes=holes, details=details)


def _carried(curve: Curve, matrix: Array) -> Curve:
    """The curve shifted as its middle is moved, its size kept."""
    middle = curve_points(curve).mean(axis=0)
    shift = matrix[:, :2] @ middle + matrix[:, 2] - middle
    return transformed(curve, np.c_[np.eye(2), shift])


STEPS = (
    Step(
        "face",
        "Say which face of the foam the shell stands for",
        (Question("face", "choice", "The shell gives the size of this face", None, tuple(SHARES)),),
        choose_face,
    ),
    Step(
        "neutral",
        "Say where a sheet keeps its length when it is bent",
        (
            Question("stock", "stock", "Which material"),
            Question("share", "share", "Share of the thickness from the inside of the bend", 0.5),
        ),
        choose_neutral,
    ),
    Step(
        "thickness",
        "Let one side of a seam be longer for the foam's thickness",
        (
            Question("seam", "seam", "Which seam"),
            Question("angle", "angle", "The seam turns by this much on the form", 0.0),
            Question("radius", "length", "Or it lies round this radius", 0.0),
            Question("apart", "length", "Distance of the layers (0: from the sheets)", 0.0),
            Question("lies", "choice", "The second side lies", "outside", ("outside", "inside")),
            Question("lengthen", "flag", "Reshape the second side now", False),
        ),
        allow_layers,
    ),
    Step(
        "bend",
        "Give a piece the length it needs to be bent",
        (
            Question("piece", "piece", "Which piece"),
            Question("along", "angle", "Bent along this direction, from x towards y", 0.0),
            Question("radius", "length", "Radius on the face the shell stands for", 0.0),
            Question("angle", "angle", "Or the angle it turns by in all", 0.0),
        ),
        allow_bend,
    ),
)
