"""Curves against closed formulas, svgpathtools (lengths of the path text) and shapely (dense points)."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import svgpathtools
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from extract.doors import Array, Curve
from extract.geometry.curve import (
    bezier_points,
    circle_curve,
    curve_area,
    curve_at,
    curve_length,
    curve_points,
    joined,
    mirrored,
    nearest_parameters,
    polyline_curve,
    reversed_curve,
    svg_path,
    transformed,
)

SQUARE = np.array([[10.0, 20.0], [13.0, 20.0], [13.0, 23.0], [10.0, 23.0]])


def chain(places: Array) -> Curve:
    """An open chain of cubics from loose control points (3 n + 1, 2)."""
    controls = np.stack([places[i : i + 4] for i in range(0, len(places) - 1, 3)])
    return Curve(controls, np.zeros(len(controls), bool), False)


places = hnp.arrays(float, (10, 2), elements=st.floats(-400, 400).map(lambda v: round(v, 3)))


def test_quarter_arcs_stray_by_the_published_amount() -> None:
    """A 90° arc as one cubic strays by 2.7e-4 R, a 45° arc by 4.2e-6 R: order six (de Boor, Höllig, Sabin 1987)."""
    for tolerance, published in ((1.0, 2.7e-4), (1e-5, 4.2e-6)):
        circle = circle_curve((0, 0), 1.0, tolerance)
        t = np.linspace(0, 1, 401)
        radius = np.linalg.norm(bezier_points(np.repeat(circle.controls[:1], len(t), axis=0), t), axis=1)
        assert np.abs(radius - 1).max() == pytest.approx(published, rel=0.03)


@pytest.mark.parametrize("radius_mm", [0.5, 8.0, 36.0, 150.0])
def test_circle_measures_as_a_circle(radius_mm: float) -> None:
    circle = circle_curve((-30.0, 12.0), radius_mm)
    assert curve_length(circle) == pytest.approx(2 * math.pi * radius_mm, abs=2 * math.pi * 0.01)
    assert curve_area(circle) == pytest.approx(math.pi * radius_mm**2, abs=2 * math.pi * radius_mm * 0.01)
    np.testing.assert_array_equal(circle.controls[-1, 3], circle.controls[0, 0])


def test_parabola_has_its_closed_formula_length_and_area() -> None:
    """y = x² from 0 to 1: length √5/2 + asinh(2)/4; the chord's cap holds 1/6 (Archimedes)."""
    curve = chain(np.array([[0, 0], [1 / 3, 0], [2 / 3, 1 / 3], [1, 1]]))
    assert curve_length(curve) == pytest.approx(math.sqrt(5) / 2 + math.asinh(2) / 4, abs=1e-12)
    assert curve_area(curve) == pytest.approx(1 / 6, abs=1e-12)


def test_square_has_exact_measures_and_four_points() -> None:
    square = polyline_curve(SQUARE, closed=True)
    assert (curve_area(square), curve_length(square)) == (9.0, 12.0)
    np.testing.assert_array_equal(curve_points(square), SQUARE)
    assert svg_path(square) == "M 10 20 L 13 20 L 13 23 L 10 23 Z"


@pytest.mark.parametrize("chord_mm", [0.5, 0.02, 0.001])
@given(places=places)
@settings(max_examples=25, deadline=None)
def test_chords_keep_their_promise(chord_mm: float, places: Array) -> None:
    curve = chain(places)
    line = shapely.LineString(curve_points(curve, chord_mm))
    segment = np.repeat(np.arange(3), 201)
    on_curve = bezier_points(curve.controls[segment], np.tile(np.linspace(0, 1, 201), 3))
    assert shapely.distance(shapely.points(on_curve), line).max() <= chord_mm * (1 + 1e-9)


@given(places=places)
@settings(max_examples=25, deadline=None)
def test_length_and_text_agree_with_svgpathtools(places: Array) -> None:
    curve = chain(places)
    path = svgpathtools.parse_path(svg_path(curve))
    for ours, theirs in zip(curve.controls, path, strict=True):
        np.testing.assert_allclose(ours @ [1, 1j], theirs.bpoints(), atol=1e-4)
    dense = shapely.LineString(curve_points(curve, 1e-4)).length
    assert curve_length(curve) == pytest.approx(dense, rel=1e-4, abs=1e-3)
    assert curve_length(curve) == pytest.approx(path.length(error=1e-6), rel=1e-4, abs=1e-2)


@given(places=places)
@settings(max_examples=25, deadline=None)
def test_area_agrees_with_shapely(places: Array) -> None:
    closed = np.vstack([places[:-1], places[:1]])
    curve = Curve(chain(closed).controls, np.zeros(3, bool), True)
    points = curve_points(curve, 1e-3)
    x, y = np.vstack([points, points[:1]]).T
    shoelace = 0.5 * float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))  # shapely has no signed area for crossing rings
    assert curve_area(curve) == pytest.approx(shoelace, abs=1e-3 * curve_length(curve) + 1e-6)
    ring = shapely.Polygon(points) if len(points) > 3 else None
    if ring is not None and ring.is_valid:
        assert abs(curve_area(curve)) == pytest.approx(ring.area, abs=1e-3 * ring.length + 1e-6)


@given(places=places, axis_x_mm=st.floats(-200, 200).map(lambda v: round(v, 3)))
@settings(max_examples=50, deadline=None)
def test_mirroring_twice_changes_nothing(places: Array, axis_x_mm: float) -> None:
    curve = chain(places)
    once = mirrored(curve, axis_x_mm)
    np.testing.assert_allclose(mirrored(once, axis_x_mm).controls, curve.controls, atol=1e-9)
    assert curve_length(once) == pytest.approx(curve_length(curve), abs=1e-9)
    assert curve_area(once) == pytest.approx(-curve_area(curve), abs=1e-7)


@given(places=places, angle=st.floats(-4, 4), shift=st.tuples(st.floats(-300, 300), st.floats(-300, 300)))
@settings(max_examples=50, deadline=None)
def test_rigid_motion_keeps_length_and_area(places: Array, angle: float, shift: tuple[float, float]) -> None:
    curve = chain(places)
    cos, sin = math.cos(angle), math.sin(angle)
    moved = transformed(curve, np.array([[cos, -sin, shift[0]], [sin, cos, shift[1]]]))
    assert curve_length(moved) == pytest.approx(curve_length(curve), rel=1e-10, abs=1e-9)
    assert curve_area(moved) == pytest.approx(curve_area(curve), rel=1e-9, abs=1e-6)


@given(places=places)
@settings(max_examples=50, deadline=None)
def test_reversing_turns_the_area_over(places: Array) -> None:
    curve = chain(places)
    back = reversed_curve(curve)
    np.testing.assert_array_equal(reversed_curve(back).controls, curve.controls)
    assert curve_length(back) == pytest.approx(curve_length(curve), rel=1e-12)
    assert curve_area(back) == pytest.approx(-curve_area(curve), rel=1e-9, abs=1e-6)


def test_joining_demands_that_curves_meet() -> None:
    there = polyline_curve(SQUARE[:3])
    back = polyline_curve(SQUARE[[2, 3, 0]])
    assert curve_area(joined([there, back], closed=True)) == 9.0
    with pytest.raises(ValueError, match="do not meet"):
        joined([there, there], closed=False)
    with pytest.raises(ValueError, match="do not meet"):
        joined([there], closed=True)


def test_repeated_points_make_no_segments() -> None:
    assert len(polyline_curve(SQUARE[[0, 0, 1, 1, 2]]).controls) == 2
    assert svg_path(polyline_curve(SQUARE[:1])) == ""
    assert curve_points(polyline_curve(SQUARE[:1])).shape == (0, 2)


@pytest.mark.parametrize("joint", range(1, 6))
def test_nearest_place_is_found_just_beyond_a_joint(joint: int) -> None:
    """Shapely (GEOS) measures the distance to the same curve, drawn with chords that stray by a micrometre at most."""
    x = np.arange(7) * 40.0
    knots = np.stack([x, 12 * np.sin(x / 30)], axis=1)
    slope = np.stack([np.full(7, 40.0), 16 * np.cos(x / 30)], axis=1)
    a, b = knots[:-1], knots[1:]
    curve = Curve(np.stack([a, a + slope[:-1] / 3, b - slope[1:] / 3, b], axis=1), np.zeros(6, bool), False)
    along = curve_at(curve, joint + np.linspace(-0.03, 0.03, 13))
    points = along + np.array([-0.3, 0.9])
    drawn = shapely.LineString(curve_points(curve, 1e-6))

    found = curve_at(curve, nearest_parameters(curve, points))

    shortest = shapely.distance(shapely.points(points), drawn)
    np.testing.assert_allclose(np.linalg.norm(found - points, axis=1), shortest, atol=1e-4)
