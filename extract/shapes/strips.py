"""Strips: straight ones cut to a length or a measured edge, and a centre strip from widths measured along it."""

from __future__ import annotations

import re
from math import ceil, isfinite, radians

import numpy as np
from scipy.interpolate import PchipInterpolator

from extract.build import Build, Detail, Figure, Outcome, Piece, Question, Run, Step
from extract.doors import Array, Curve
from extract.geometry.curve import polyline_curve, reversed_curve
from extract.geometry.hermite import hermite_curve
from extract.geometry.runs import run_from
from extract.geometry.slits import run_length
from extract.shapes.place import added, edge_figures, refused, stock_named, with_seam

_MOST_STATIONS = 200
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


def bent_length(length_mm: float, turn_deg: float, layer_mm: float) -> float:
    """Length to cut so that a strip reaches along ``length_mm`` while its neutral layer lies ``layer_mm`` outside.

    Mean-line rule: in a bend of θ radians and radius r the layer at r + d is θ (r + d) long, d·θ more than at r.
    """
    return length_mm + radians(turn_deg) * layer_mm


def strip(
    build: Build,
    width: float,
    length: float = 0.0,
    run: str = "",
    turn: float = 0.0,
    over: float = 0.0,
    longest: float = 0.0,
    count: int = 1,
    stock: str = "",
    name: str = "strip",
) -> Outcome:
    """A straight strip ``width`` wide, as long as ``run`` or ``length``; all in mm.

    Where it bends by ``turn`` degrees in wear, its stock's neutral layer makes it longer, ``over`` mm of other foam
    between it and the measured layer too. Longer than ``longest`` it is cut in equal parts. ``count`` strips are cut.
    """
    if width <= 0 or (length > 0) == bool(run):
        raise refused("A strip needs a width and either a length or an edge to follow.", "Say one of the two.")
    if count < 1:
        raise refused("Not even one strip is asked for.", "Say a count of 1 or more.")
    followed = run_from(build, run) if run else None
    measured = run_length(build, followed) if followed else length
    whole = bent_length(measured, turn, over + _neutral(build, stock))
    if whole <= 0:
        raise refused("The bend takes up the whole strip.", "Check the angle; it is minus only on a hollow side.")
    parts = max(1, ceil(whole / longest - 1e-9)) if longest > 0 else 1
    corners = np.array([[0.0, 0], [whole / parts, 0], [whole / parts, width], [0, width], [0, 0]])
    blank = Piece("", name, (), stock=stock, count=count * parts)
    build, piece = added(build, blank, [polyline_curve(corners[k : k + 2]) for k in range(4)])
    if followed and parts == 1:
        build = with_seam(build, followed, Run(piece.id, ("c",)), whole - measured)
    return Outcome(
        build,
        (
            Figure("length, as measured and as cut", "mm", measured, whole, piece.id),
            Figure("length of each part", "mm", None, whole / parts, piece.id),
            Figure("width", "mm", None, width, piece.id),
            Figure("strips to cut", "", None, float(count * parts), piece.id),
        ),
    )


def centre_strip(
    build: Build,
    widths: str,
    length: float,
    turn: float = 0.0,
    over: float = 0.0,
    stock: str = "",
    name: str = "centre strip",
) -> Outcome:
    """A strip on the centre line from its ``widths`` (mm, two or more, at equal steps from the front end to the back).

    Both halves are alike. Between two stations the edge is a smooth curve that is nowhere wider or narrower than both
    (monotone cubics, Fritsch and Butland 1984). ``turn``, ``over`` and ``stock`` lengthen it as they do a straight
    strip.
    """
    measured = _widths(widths)
    if length <= 0:
        raise refused("A centre strip needs a length.", "Measure along the centre line, in mm.")
    whole = bent_length(length, turn, over + _neutral(build, stock))
    if whole <= 0:
        raise refused("The bend takes up the whole strip.", "Check the angle; it is minus only on a hollow side.")
    curves, edges = _bounds(whole, measured)
    axis = Detail("centre", "centre", polyline_curve(np.array([[0.0, 0.0], [whole, 0.0]])))
    blank = Piece("", name, (), details=(axis,), stock=stock, copies="centre", forward_deg=180.0)
    build, piece = added(build, blank, curves)
    words = dict(zip((edge.id for edge in piece.edges), edges, strict=True))
    figures = (
        Figure("length on the centre line, as measured and as cut", "mm", length, whole, piece.id),
        Figure("widest", "mm", None, float(measured.max()), piece.id),
        *edge_figures(piece, words),
    )
    return Outcome(build, figures)


def _bounds(length: float, widths: Array) -> tuple[list[Curve], list[str]]:
    """Right edge, back end, left edge, front end, clockwise with the front on the left; pointed ends have no edge."""
    at = np.linspace(0.0, length, len(widths))
    half = half_width(at, widths)
    points, slopes = np.stack([at, -half(at)], axis=1), np.stack([np.ones_like(at), -half(at, 1)], axis=1)
    upper = hermite_curve(points, slopes, at)
    lower = reversed_curve(hermite_curve(points * [1, -1], slopes * [1, -1], at))
    curves, names = [upper], ["length of the right edge"]
    if widths[-1] > 0:
        curves.append(polyline_curve(np.stack([upper.controls[-1, 3], lower.controls[0, 0]])))
        names.append("width of the back end")
    curves.append(lower)
    names.append("length of the left edge")
    if widths[0] > 0:
        curves.append(polyline_curve(np.stack([lower.controls[-1, 3], upper.controls[0, 0]])))
        names.append("width of the front end")
    return curves, names


def half_width(at: Array, widths: Array) -> PchipInterpolator:
    """Half of the strip's width as a function of the way along it."""
    return PchipInterpolator(at, widths / 2)


def _widths(text: str) -> Array:
    words = re.split(r"[;\s]+|,(?=\s)", text.strip())
    words = [word.removesuffix("mm").replace(",", ".") for word in words if word and word != "mm"]
    if not all(_NUMBER.fullmatch(word) for word in words):
        raise refused(
            f"“{text[:60]}” is no list of widths.", "Write them in mm with blanks between, as in 40 52 60 52."
        )
    found = np.array([float(word) for word in words])
    if not 2 <= len(found) <= _MOST_STATIONS:
        raise refused(
            f"A centre strip needs 2 to {_MOST_STATIONS} widths, not {len(found)}.", "Measure at equal steps."
        )
    if not all(isfinite(w) for w in found) or found.min() < 0 or (found[1:-1] <= 0).any() or found.max() <= 0:
        raise refused("A width of 0 or less would part the strip.", "Only its two ends may come to a point.")
    return found


def _neutral(build: Build, stock: str) -> float:
    sheet = stock_named(build, stock)
    return sheet.thickness_mm * sheet.neutral if sheet else 0.0


_BEND = (
    Question("turn", "angle", "How far does it bend in wear, all in all?", 0.0),
    Question("over", "length", "How much foam lies between it and the layer measured?", 0.0),
)

STEPS: tuple[Step, ...] = (
    Step(
        "strip",
        "Cut a straight strip",
        (
            Question("width", "length", "Width"),
            Question("length", "length", "Length (0: as long as an edge)", 0.0),
            Question("run", "run", "The edge it follows (none: a length of its own)", ""),
            *_BEND,
            Question("longest", "length", "Longest part the foam allows (0: in one)", 0.0),
            Question("count", "count", "How many?", 1),
            Question("stock", "stock", "Which material? (none: thickness left out)", ""),
            Question("name", "text", "What is it called?", "strip"),
        ),
        strip,
    ),
    Step(
        "centre-strip",
        "Make a centre strip from measured widths",
        (
            Question("widths", "text", "Widths in mm at equal steps, front to back, with blanks between"),
            Question("length", "length", "Length along the centre line"),
            *_BEND,
            Question("stock", "stock", "Which material? (none: thickness left out)", ""),
            Question("name", "text", "What is it called?", "centre strip"),
        ),
        centre_strip,
    ),
)
