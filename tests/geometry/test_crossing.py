"""Crossings of chains against closed forms and shapely; loops taken off a tangled ring."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.doors import CannotContinue, Curve
from extract.geometry.crossing import crossings, meeting_near, ring_crossings, self_crossings
from extract.geometry.curve import (
    circle_curve,
    curve_area,
    curve_at,
    curve_points,
    joined,
    polyline_curve,
    reversed_curve,
    subcurve,
)
from extract.geometry.untangle import once_round


@given(apart=st.floats(1, 79), radius=st.floats(41, 70))
@settings(max_examples=25, deadline=None)
def test_two_circles_cross_where_they_should(apart: float, radius: float) -> None:
    """Centres d apart with radii 40 and r: x = (d² + 40² − r²) / 2d, if they reach one another."""
    a, b = circle_curve((0, 0), 40, 1e-6), circle_curve((apart, 0), radius, 1e-6)
    x = (apart**2 + 40**2 - radius**2) / (2 * apart)
    found = curve_at(a, crossings(a, b)[:, 0])
    if abs(x) > 39.9:
        assert abs(x) < 40.1 or len(found) == 0
        return
    y = math.sqrt(40**2 - x**2)
    np.testing.assert_allclose(sorted(found.tolist(), key=lambda p: p[1]), [[x, -y], [x, y]], atol=1e-3)


def test_a_loop_crosses_itself_once() -> None:
    """The cubic (0,0) (90,60) (−60,60) (30,0) is symmetrical about x = 15 and crosses itself there."""
    loop = Curve(np.array([[[0.0, 0], [90, 60], [-60, 60], [30, 0]]]), np.zeros(1, bool), False)
    found = self_crossings(loop)
    assert found.shape == (1, 2)
    places = curve_at(loop, found[0])
    np.testing.assert_allclose(places[0], places[1], atol=1e-7)
    assert places[0, 0] == pytest.approx(15)
    assert found.sum() == pytest.approx(1.0)


def test_prolonged_cubics_meet_at_the_mitre() -> None:
    a = polyline_curve(np.array([[0.0, -5], [100, -5]])).controls[0]
    b = polyline_curve(np.array([[105.0, 0], [105, 60]])).controls[0]
    near = meeting_near(a, b, complex(20, 0), complex(0, 20))
    assert near is not None
    assert near == pytest.approx((1.25, -0.25))
    assert meeting_near(a, b, complex(2, 0), complex(0, 20)) is None
    assert meeting_near(a, a, complex(20, 0), complex(20, 0)) is None


def test_loops_that_go_round_the_other_way_are_taken_off() -> None:
    """A square whose corner overshoots by 10 both ways: the triangle beyond the crossing has winding −1."""
    points = np.array([[0.0, 0], [110, 0], [100, -10], [100, 100], [0, 100]])
    ring = polyline_curve(points, closed=True)
    arcs = once_round(ring)
    kept = joined([subcurve(ring, a, b) for a, b in arcs], False)
    assert len(ring_crossings(ring)) == 1
    assert curve_area(kept) == pytest.approx(100 * 100)
    assert shapely.Polygon(curve_points(kept)).symmetric_difference(shapely.box(0, 0, 100, 100)).area < 1e-9


def test_what_falls_apart_or_has_nothing_left_is_refused() -> None:
    eight = polyline_curve(np.array([[0.0, 0], [50, 20], [100, 0], [100, 40], [50, 18], [0, 40]]), closed=True)
    with pytest.raises(CannotContinue, match="fall apart"):
        once_round(eight)
    with pytest.raises(CannotContinue, match="Nothing is left"):
        once_round(reversed_curve(circle_curve((0, 0), 20)))
    whole = circle_curve((0, 0), 20)
    assert once_round(whole) == [(0.0, float(len(whole.controls)))]
