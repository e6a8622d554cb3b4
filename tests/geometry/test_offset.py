"""Parallels against closed forms (lines, circles, ellipses), L + d·θ, and shapely's buffers."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from extract.doors import Array, CannotContinue, Curve
from extract.geometry.arc import total_turning
from extract.geometry.curve import (
    circle_curve,
    curve_area,
    curve_length,
    curve_points,
    joined,
    polyline_curve,
    reversed_curve,
    subcurve,
    transformed,
)
from extract.geometry.fit import fit_curve
from extract.geometry.offset import offset_ring, parallel_curve


def edges_of(points: Array) -> list[Curve]:
    ring = polyline_curve(points, closed=True)
    return [subcurve(ring, k, k + 1) for k in range(len(points))]


def polygon(curves: tuple[Curve | None, ...]) -> shapely.Polygon:
    return shapely.Polygon(curve_points(joined([c for c in curves if c is not None], True), 0.001))


OBLONG = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])


def test_a_line_moves_sideways_exactly() -> None:
    line = polyline_curve(np.array([[0.0, 0], [30, 40]]))
    np.testing.assert_allclose(parallel_curve(line, 5.0).controls[0, [0, 3]], [[4, -3], [34, 37]], atol=1e-12)


@pytest.mark.parametrize("distance_mm", [-20.0, -5.0, -0.5, 0.5, 5.0, 10.0])
def test_a_circles_parallel_is_a_circle(distance_mm: float) -> None:
    circle = circle_curve((10, -20), 40.0, 1e-4)
    points = curve_points(parallel_curve(circle, distance_mm), 0.001)
    radius = np.linalg.norm(points - [10, -20], axis=1)
    assert np.abs(radius - 40 - distance_mm).max() <= 0.005


@pytest.mark.parametrize("distance_mm", [-8.0, -3.0, 3.0, 10.0])
def test_an_ellipses_parallel_is_exact_to_two_hundredths(distance_mm: float) -> None:
    """The parallel of (a cos u, b sin u) is the point moved along the normal (b cos u, a sin u) / |…|."""
    a, b = 100.0, 60.0
    ellipse = transformed(circle_curve((0, 0), 1.0, 1e-8), np.array([[a, 0, 0.0], [0, b, 0.0]]))
    u = np.linspace(0, 2 * np.pi, 4001)
    normal = np.c_[b * np.cos(u), a * np.sin(u)]
    exact = np.c_[a * np.cos(u), b * np.sin(u)] + distance_mm * normal / np.linalg.norm(normal, axis=1)[:, None]
    found = parallel_curve(ellipse, distance_mm)
    ring = shapely.LinearRing(curve_points(found, 0.0005))
    assert shapely.distance(shapely.points(exact), ring).max() <= 0.02
    assert shapely.distance(shapely.points(curve_points(found, 0.0005)), shapely.LinearRing(exact)).max() <= 0.02
    assert curve_length(found) == pytest.approx(curve_length(ellipse) + distance_mm * 2 * math.pi, abs=0.01)


@given(
    angles=st.lists(st.one_of(st.floats(-40, -2), st.floats(2, 40)), min_size=4, max_size=4),
    distance_mm=st.floats(-6, 6).filter(lambda d: abs(d) > 0.01),
)
@settings(max_examples=40, deadline=None)
def test_a_smooth_parallel_is_longer_by_distance_times_turning(angles: list[float], distance_mm: float) -> None:
    """L + d·θ, the handbook's parallel-curve length, for arcs that run on smoothly; radius never below the distance."""
    place, heading, parts = np.zeros(2), 0.0, []
    for angle in np.radians(angles):
        radius = 40.0 if angle > 0 else -40.0
        arm = radius * 4 / 3 * np.tan(angle / 4)
        side = radius * np.array([-np.sin(heading), np.cos(heading)])
        ahead = np.array([np.cos(heading), np.sin(heading)])
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        end = place + side - turn @ side
        parts.append(np.stack([place, place + arm * ahead, end - arm * (turn @ ahead), end]))
        place, heading = end, heading + angle
    curve = Curve(np.stack(parts), np.zeros(4, bool), False)
    expected = curve_length(curve) + distance_mm * total_turning(curve)
    assert curve_length(parallel_curve(curve, distance_mm)) == pytest.approx(expected, abs=0.005)


def test_a_rectangle_keeps_its_corners() -> None:
    grown = offset_ring(edges_of(OBLONG), [5.0] * 4)
    assert polygon(grown).area == pytest.approx(110 * 70)
    assert [len(c.controls) for c in grown if c is not None] == [1, 1, 1, 1]
    assert polygon(offset_ring(edges_of(OBLONG), [-5.0] * 4)).area == pytest.approx(90 * 50)


def test_each_edge_may_have_its_own_distance() -> None:
    mixed = offset_ring(edges_of(OBLONG), [-5.0, 3.0, 0.0, 0.0])
    assert polygon(mixed).bounds == pytest.approx((0, 5, 103, 60))
    assert polygon(mixed).area == pytest.approx(103 * 55)
    assert all(c is not None and c.straight.all() and len(c.controls) == 1 for c in mixed)


def test_a_neighbour_is_trimmed_past_its_own_short_last_stretch() -> None:
    """The left edge ends in a stretch of 0.4 mm that turns by 4°; an upper edge 5 mm lower still meets it cleanly."""
    low = polyline_curve(np.array([[0.0, 60.0], [0.0, 0.4], [-0.03, 0.0]]))
    edges = [polyline_curve(np.array([[-0.03, 0.0], [100.0, 0.0]])), *edges_of(OBLONG)[1:3], low]
    found = offset_ring(edges, [-5.0, 0.0, 0.0, 0.0])
    assert polygon(found).area == pytest.approx(5500)
    assert [len(c.controls) for c in found if c is not None] == [1, 1, 1, 1]


def test_edges_in_line_meet_in_a_step_that_leaves_the_neighbour_alone() -> None:
    points = np.insert(OBLONG, 1, [40.0, 0.0], axis=0)
    for distances, area in (([8.0, 0, 0, 0, 0], 6000 + 40 * 8), ([-8.0, 0, 0, 0, 0], 6000 - 40 * 8)):
        found = offset_ring(edges_of(points), distances)
        assert polygon(found).area == pytest.approx(area)
        assert found[1] is not None and curve_length(found[1]) == pytest.approx(60)


@given(
    radii=st.lists(st.floats(40, 80), min_size=5, max_size=9),
    distance_mm=st.one_of(st.floats(-8, -0.5), st.floats(0.5, 8)),
)
@example(radii=[60, 40, 40, 74.99362836012301, 40], distance_mm=-8)
@settings(max_examples=40, deadline=None)
def test_outlines_agree_with_shapelys_mitred_buffer(radii: list[float], distance_mm: float) -> None:
    turn = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    points = np.array(radii)[:, None] * np.c_[np.cos(turn), np.sin(turn)]
    exact = shapely.Polygon(points).buffer(distance_mm, join_style="mitre", mitre_limit=10)
    found = polygon(offset_ring(edges_of(points), [distance_mm] * len(radii)))
    # On a grid: of outlines that lie a rounding apart, shapely may take the whole for their difference.
    apart = shapely.symmetric_difference(found, exact, grid_size=1e-6)
    assert apart.area == pytest.approx(0, abs=0.01)


def lens(radius: float, half: float) -> list[Curve]:
    """Two arcs that meet in sharp tips at (±half, 0), clockwise to the eye."""
    sag = math.sqrt(radius**2 - half**2)
    a = math.asin(half / radius)
    u = np.linspace(-a, a, 9)
    arm = radius * 4 / 3 * math.tan((u[1] - u[0]) / 4)
    place = np.c_[radius * np.sin(u), sag - radius * np.cos(u)]
    ahead = np.c_[np.cos(u), np.sin(u)]
    controls = np.stack([place[:-1], place[:-1] + arm * ahead[:-1], place[1:] - arm * ahead[1:], place[1:]], axis=1)
    top = Curve(controls, np.zeros(8, bool), False)
    bottom = transformed(top, np.array([[-1.0, 0, 0], [0, -1.0, 0]]))
    return [top, bottom]


@pytest.mark.parametrize("distance_mm", [-12.0, -3.0])
def test_curved_edges_are_trimmed_where_they_cross(distance_mm: float) -> None:
    """Two arcs of radius 100 set in by d meet where circles of radius 100 + d about the same centres do."""
    found = offset_ring(lens(100, 60), [distance_mm] * 2)
    tip = math.sqrt((100 + distance_mm) ** 2 - 80**2)
    assert found[0] is not None
    np.testing.assert_allclose(found[0].controls[[0, -1], [0, 3]], [[-tip, 0], [tip, 0]], atol=0.01)


def test_sharp_tips_are_cut_blunt_at_the_distance() -> None:
    narrow = np.array([[0.0, 0.0], [100.0, -8.0], [100.0, 8.0]])
    grown = polygon(offset_ring(edges_of(narrow), [5.0] * 3))
    rounded = shapely.Polygon(narrow).buffer(5.0, quad_segs=64)
    assert rounded.difference(grown).area < 0.05
    assert grown.bounds[0] == pytest.approx(-5.0, abs=0.01)


def hollow_edges() -> list[Curve]:
    hollow = circle_curve((50.0, 0.0), 6.0, 1e-4)
    half = subcurve(hollow, 0, len(hollow.controls) / 2)
    arc = Curve(half.controls[::-1, ::-1], half.straight[::-1], False)
    flats = [polyline_curve(np.array([[a, 0.0], [b, 0.0]])) for a, b in ((0, 44), (56, 100))]
    return [joined([flats[0], arc, flats[1]], False), *edges_of(OBLONG)[1:]]


def test_a_hollow_gets_narrower_with_clean_corners() -> None:
    """A half-round hollow of radius 6 with 4 mm put on: a slot 4 wide and 4 deep that ends in a half circle."""
    found = polygon(offset_ring(hollow_edges(), [4.0, 0.0, 0.0, 0.0]))
    assert found.area == pytest.approx(6400 - 16 - math.pi * 2**2 / 2, abs=0.01)


def test_a_valley_too_tight_is_cut_out_not_folded() -> None:
    """The parallel at 8 mm of a parabola with radius 3 in its bottom: two flanks that meet on the axis."""
    x = np.array([-20.0, 20.0])
    valley = Curve(
        np.array([[[x[0], 400 / 6], [-20 / 3, -200 / 9], [20 / 3, -200 / 9], [x[1], 400 / 6]]]),
        np.zeros(1, bool),
        False,
    )
    found = parallel_curve(valley, -8.0)
    points = curve_points(found, 0.002)
    near = shapely.distance(shapely.points(points), shapely.LineString(curve_points(valley, 0.0005)))
    assert near.min() >= 8 - 0.005
    assert near.max() <= 8 + 0.005
    assert shapely.LineString(points).is_simple
    foot = math.sqrt(8**2 - 3**2)  # on the axis, where the normal from (x, x²/6) ends: 8² = x² + 3²
    assert np.abs(points - [0.0, foot**2 / 6 + 3.0]).sum(axis=1).min() <= 0.01


@cache
def slit_outline() -> list[Curve]:
    """An oblong with a slit 60 mm deep that opens by 20°, its mouth rounded to 1 mm as a hand leaves it, as one edge
    from the slit's point all round."""
    half = math.radians(10)
    mouth, deep = 60 * math.sin(half), 60 * math.cos(half)
    points = [[0, 0], [100 - mouth, 0], [100, deep], [100 + mouth, 0], [200, 0], [200, 120], [0, 120]]
    sharp = shapely.Polygon(points)
    smooth = sharp.buffer(-1.0, quad_segs=16).buffer(1.0, quad_segs=16)
    ring = fit_curve(np.asarray(smooth.exterior.coords)[:-1][::-1], 0.02, closed=True).curve
    ring = ring if curve_area(ring) > 0 else reversed_curve(ring)
    start = int(np.argmin(np.linalg.norm(ring.controls[:, 0] - [100, deep], axis=1)))
    return [Curve(np.roll(ring.controls, -start, axis=0), np.roll(ring.straight, -start), False)]


@pytest.mark.parametrize("distance_mm", [-6.0, -2.0, -0.5, 0.5, 2.0, 6.0])
def test_a_slit_outline_lies_between_shapelys_round_and_mitred_offsets(distance_mm: float) -> None:
    """Ours has mitres up to a limit, so it covers shapely's round buffer and stays within its mitred one (outwards; the
    other way about inwards), whether the slit gets narrower, closes from its point, or opens."""
    edges = slit_outline()
    source = shapely.Polygon(curve_points(edges[0], 0.002)[:-1])
    found = polygon(offset_ring(edges, [distance_mm]))
    rounded = source.buffer(distance_mm, quad_segs=64)
    mitred = source.buffer(distance_mm, join_style="mitre", mitre_limit=10)
    least, most = (rounded, mitred) if distance_mm > 0 else (mitred, rounded)
    assert least.buffer(-0.03).difference(found).area <= 0.05
    assert found.difference(most.buffer(0.03)).area <= 0.05


def test_a_short_edge_may_vanish() -> None:
    clipped = np.array([[0.0, 0], [98, 0], [100, 2], [100, 60], [0, 60]])
    found = offset_ring(edges_of(clipped), [-10.0] * 5)
    assert found[1] is None
    assert polygon(found).area == pytest.approx(80 * 40, abs=1e-6)


@pytest.mark.parametrize("distances", [[-30.0] * 4, [-60.0, 0, 0, 0], [-30.0, 0, -30.0, 0], [-200.0] * 4])
def test_an_offset_that_eats_the_piece_is_refused(distances: list[float]) -> None:
    with pytest.raises(CannotContinue, match=r"left|apart|tight"):
        offset_ring(edges_of(OBLONG), distances)


def test_a_notch_too_narrow_is_refused() -> None:
    notched = np.array([[0.0, 0], [45, 0], [45, 40], [53, 40], [53, 0], [100, 0], [100, 60], [0, 60]])
    with pytest.raises(CannotContinue, match=r"left|apart|tight"):
        offset_ring(edges_of(notched), [5.0] * 8)
    with pytest.raises(CannotContinue, match=r"left|apart|tight"):
        parallel_curve(circle_curve((0, 0), 10.0), -12.0)
