"""Bent sheets, layers and joints against published figures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from extract.build import Build, Detail, Edge, Hole, Outcome, Piece, Run, Seam, Stock
from extract.doors import CannotContinue, Curve
from extract.geometry.curve import circle_curve, curve_length, polyline_curve, reversed_curve, subcurve
from extract.geometry.runs import outline_of, shape_of
from extract.geometry.slits import run_length
from extract.pattern.joint import joint, joint_figures
from extract.pattern.thickness import (
    allow_bend,
    allow_layers,
    bent_length,
    choose_face,
    choose_neutral,
    layer_difference,
)


def oblong(name: str, width: float, deep: float = 60.0, stock: str = "10 mm") -> Piece:
    ring = polyline_curve(np.array([[0.0, 0], [width, 0], [width, deep], [0, deep]]), closed=True)
    return Piece(name, name, tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcd")), stock=stock)


STOCKS = (Stock("10 mm", 10.0), Stock("2 mm", 2.0))
BUILD = Build(
    "moth",
    (oblong("p1", 300), oblong("p2", 300, stock="2 mm")),
    (Seam(1, Run("p1", ("a",)), Run("p2", ("c",))),),
    STOCKS,
)


def value(found: Outcome, what: str) -> float:
    return next(figure.after for figure in found.figures if figure.what == what)


def test_mean_diameter_rule() -> None:
    """A ring of 650 mm outside diameter from 10 mm plate is π·(650 − 10) long: TAFE NSW toolbox tem6_2_2 prints
    640 × 3.142, to the nearest mm 2011; with exact π 2010.62."""
    length = bent_length(2 * math.pi, 650 / 2 - 10, 10, 0.5)
    assert length == pytest.approx(2010.62, abs=0.005)
    assert round(640 * 3.142) == round(length) == 2011


@pytest.mark.parametrize(
    ("thickness", "around", "half", "quarter"),
    [
        (2, 12.57, 6.28, 3.14),
        (5, 31.42, 15.71, 7.85),
        (6, 37.70, 18.85, 9.42),
        (10, 62.83, 31.42, 15.71),
        (12, 75.40, 37.70, 18.85),
    ],
)
def test_inner_and_outer_faces_differ_by_turning_times_thickness(
    thickness: float, around: float, half: float, quarter: float
) -> None:
    """2πt around, πt to the middle, πt/2 in a 90° bend (computed from the formula); a ball of 6 in in 1/2 in foam has
    5 in inside, so 1 in of diameter, 3.14 in of girth (a puppet makers' forum)."""
    assert layer_difference(2 * math.pi, thickness) == pytest.approx(around, abs=0.005)
    assert layer_difference(2 * math.pi, thickness / 2) == pytest.approx(half, abs=0.005)
    bend = [bent_length(math.pi / 2, 40, thickness, share) for share in (0.0, 1.0)]
    assert bend[1] - bend[0] == pytest.approx(quarter, abs=0.005)
    assert 25.4 * math.pi * 6 - layer_difference(2 * math.pi, 12.7) == pytest.approx(25.4 * math.pi * 5)


@pytest.mark.parametrize(
    ("between", "lean", "shifts", "gaps"),
    [
        (90, 45, (2.00, 6.00, 10.00), (2.83, 8.49, 14.14)),
        (120, 30, (1.15, 3.46, 5.77), (2.00, 6.00, 10.00)),
        (135, 22.5, (0.83, 2.49, 4.14), (1.53, 4.59, 7.65)),
        (150, 15, (0.54, 1.61, 2.68), (1.04, 3.11, 5.18)),
        (170, 5, (0.17, 0.52, 0.87), (0.35, 1.05, 1.74)),
        (112.468, 33.766, (1.34, 4.01, 6.69), (2.22, 6.67, 11.12)),
    ],
)
def test_edges_lean_half_the_missing_angle(
    between: float, lean: float, shifts: tuple[float, ...], gaps: tuple[float, ...]
) -> None:
    """β = (180° − δ)/2, t·tan β and 2t·sin β, computed; the last row's angle between faces is that of the five-sided
    pyramid of side 12 and height 24 in a published roof-framing article (slope 71.01°), its bevel 33.766°."""
    for thickness, shift, gap in zip((2, 6, 10), shifts, gaps, strict=True):
        found = joint(between, thickness)
        assert found.lean_deg == pytest.approx(lean, abs=0.0005)
        assert (found.shift_mm, found.gap_mm) == (pytest.approx(shift, abs=0.006), pytest.approx(gap, abs=0.006))


def test_joints_tell_their_figures() -> None:
    assert [round(f.after, 2) for f in joint_figures(45, 10)] == [45, 90, 10.0, 14.14]
    with pytest.raises(CannotContinue, match="cannot meet"):
        joint(0, 5)


def test_a_layer_over_a_base_is_longer_by_turning_times_offset() -> None:
    """2 mm over 10 mm, both neutral in the middle: 6 mm apart; half a turn makes π·6 = 18.85 mm."""
    found = allow_layers(BUILD, 1, angle=180, lengthen=True)
    assert value(found, "distance of the layers") == pytest.approx(6.0)
    assert found.build.seams[0].layers_mm == pytest.approx(6 * math.pi)
    assert run_length(found.build, found.build.seams[0].second) == pytest.approx(300 + 6 * math.pi)
    assert found.doubts == ()


def test_the_radius_says_the_turning_too() -> None:
    found = allow_layers(BUILD, 1, radius=100, apart=10, lies="inside")
    assert value(found, "turning of the seam") == pytest.approx(math.degrees(3.0))
    assert found.build.seams[0].layers_mm == pytest.approx(-30.0)
    assert found.build.pieces == BUILD.pieces
    with pytest.raises(CannotContinue, match="not clear"):
        allow_layers(BUILD, 1)
    with pytest.raises(CannotContinue, match="not clear"):
        allow_layers(BUILD, 1, radius=100, angle=30)


def test_face_and_neutral_layer_are_kept() -> None:
    assert choose_face(BUILD, "outside").build.face == "outside"
    found = choose_neutral(BUILD, "10 mm", 0.6)
    assert [stock.neutral for stock in found.build.stocks] == [0.6, 0.5]
    with pytest.raises(CannotContinue, match="no stock"):
        choose_neutral(BUILD, "cork", 0.5)


@pytest.mark.parametrize(("face", "share"), [("inside", 0.0), ("middle", 0.5), ("outside", 1.0)])
@pytest.mark.parametrize("neutral", [0.4, 0.5, 0.6])
def test_a_bent_piece_is_as_long_as_its_neutral_layer(face: str, share: float, neutral: float) -> None:
    build = choose_neutral(choose_face(BUILD, face).build, "10 mm", neutral).build
    found = allow_bend(build, "p1", radius=120)
    turning = 300 / 120
    expected = turning * (120 - share * 10 + neutral * 10)
    assert value(found, "extent along the bend") == pytest.approx(expected)
    left, top, right, bottom = shape_of(found.build.pieces[0]).bounds
    assert (right - left, bottom - top) == (pytest.approx(expected), pytest.approx(60))
    if share == neutral:
        assert expected == pytest.approx(300)


def test_holes_keep_their_size_in_a_bent_piece() -> None:
    hole = reversed_curve(circle_curve((250.0, 30.0), 8.0))
    tick: Curve = polyline_curve(np.array([[250.0, 0.0], [250.0, 6.0]]))
    score: Curve = polyline_curve(np.array([[50.0, 30.0], [150.0, 30.0]]))
    piece = replace(
        BUILD.pieces[0],
        holes=(Hole("h1", hole), Hole("h2", reversed_curve(circle_curve((100.0, 30.0), 8.0)), fixed=False)),
        details=(Detail("d1", "tick", tick), Detail("d2", "score", score)),
    )
    build = replace(BUILD, pieces=(piece, BUILD.pieces[1]))
    fresh = allow_bend(build, "p1", angle=90).build.pieces[0]
    grown = (300 + math.pi / 2 * 5) / 300
    assert curve_length(fresh.holes[0].curve) == pytest.approx(curve_length(hole))
    assert curve_length(fresh.holes[1].curve) > curve_length(hole) + 0.5
    assert curve_length(fresh.details[0].curve) == pytest.approx(6.0)
    assert curve_length(fresh.details[1].curve) == pytest.approx(100 * grown)
    assert curve_length(outline_of(fresh)) == pytest.approx(600 * grown + 120)
    assert "radius" in fresh.notes


def test_a_bend_tighter_than_the_foam_is_refused() -> None:
    outside = choose_face(BUILD, "outside").build
    with pytest.raises(CannotContinue, match="tighter"):
        allow_bend(outside, "p1", radius=8)
    with pytest.raises(CannotContinue, match="no material"):
        allow_bend(replace(BUILD, pieces=(oblong("p1", 300, stock=""),), seams=()), "p1", radius=80)
