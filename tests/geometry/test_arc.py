"""Arc length, tangents, curvature and turning against closed formulas and scipy's quadrature."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.integrate import quad

from extract.doors import Array, Curve
from extract.geometry.arc import (
    curvatures,
    joint_turnings,
    parameters_at,
    points_at,
    split_at,
    stretch,
    tangents_at,
    total_turning,
    ways_at,
)
from extract.geometry.curve import circle_curve, curve_at, curve_length, joined, polyline_curve, reversed_curve

PARABOLA = Curve(np.array([[[0, 0], [1 / 3, 0], [2 / 3, 1 / 3], [1, 1]]], float), np.zeros(1, bool), False)
SQUARE = polyline_curve(np.array([[0.0, 0], [40, 0], [40, 40], [0, 40]]), closed=True)
places = hnp.arrays(float, (10, 2), elements=st.floats(-300, 300).map(lambda v: round(v, 3)))
steps = hnp.arrays(float, 10, elements=st.floats(15, 60))
offsets = hnp.arrays(float, 10, elements=st.floats(-100, 100))


def chain(loose: Array) -> Curve:
    controls = np.stack([loose[i : i + 4] for i in (0, 3, 6)])
    return Curve(controls, np.zeros(3, bool), False)


def test_parabola_by_its_closed_formula() -> None:
    """y = x²: s(x) = x√(1+4x²)/2 + asinh(2x)/4, curvature 2/(1+4x²)^1.5, turning atan 2x (any calculus book)."""
    x = np.linspace(0, 1, 13)
    way = x * np.sqrt(1 + 4 * x**2) / 2 + np.arcsinh(2 * x) / 4
    np.testing.assert_allclose(ways_at(PARABOLA, x), way, atol=1e-12)
    np.testing.assert_allclose(points_at(PARABOLA, way), np.c_[x, x**2], atol=1e-9)
    np.testing.assert_allclose(curvatures(PARABOLA, parameters_at(PARABOLA, way)), 2 / (1 + 4 * x**2) ** 1.5, rtol=1e-8)
    np.testing.assert_allclose(tangents_at(PARABOLA, way)[:, 1], np.sin(np.arctan(2 * x)), atol=1e-9)
    assert total_turning(PARABOLA) == pytest.approx(math.atan(2), abs=1e-12)


def quadrature(controls: Array, t: float) -> float:
    slope = 3 * np.diff(controls, axis=0)

    def speed(u: float) -> float:
        return math.hypot(*((1 - u) ** 2 * slope[0] + 2 * u * (1 - u) * slope[1] + u * u * slope[2]))

    return float(quad(speed, 0, t, limit=200, epsabs=1e-10)[0])


@given(ahead=steps, aside=offsets, share=st.floats(0, 1))
@settings(max_examples=40, deadline=None)
def test_lengths_of_curves_without_cusps_to_a_nanometre(ahead: Array, aside: Array, share: float) -> None:
    """Controls that always go ahead never let the pen stand still; scipy's adaptive quadrature is the judge."""
    curve = chain(np.c_[np.cumsum(ahead), aside])
    assert ways_at(curve, np.array([share]))[0] == pytest.approx(quadrature(curve.controls[0], share), abs=1e-6)
    way = share * curve_length(curve)
    assert ways_at(curve, parameters_at(curve, np.array([way])))[0] == pytest.approx(way, abs=1e-6)


@given(loose=places, shares=st.lists(st.floats(0, 1), min_size=1, max_size=6))
@settings(max_examples=40, deadline=None)
def test_lengths_come_back_even_from_cusps(loose: Array, shares: list[float]) -> None:
    curve = chain(loose)
    total = curve_length(curve)
    way = np.array(shares) * total
    np.testing.assert_allclose(ways_at(curve, parameters_at(curve, way)), way, atol=1e-6 + 1e-5 * total)


@pytest.mark.parametrize("radius_mm", [3.0, 40.0, 250.0])
def test_circle_turns_once_and_bends_evenly(radius_mm: float) -> None:
    circle = circle_curve((5, -3), radius_mm, 1e-7)
    assert total_turning(circle) == pytest.approx(2 * math.pi, abs=1e-9)
    np.testing.assert_allclose(
        curvatures(circle, parameters_at(circle, np.linspace(0, curve_length(circle), 50))), 1 / radius_mm, rtol=2e-3
    )
    assert total_turning(reversed_curve(circle)) == pytest.approx(-2 * math.pi, abs=1e-9)


def test_corners_count_as_turning() -> None:
    """Hopf's theorem: a closed curve that does not cross itself turns once, whatever its corners."""
    assert total_turning(SQUARE) == pytest.approx(2 * math.pi)
    np.testing.assert_allclose(joint_turnings(SQUARE), math.pi / 2)
    ell = polyline_curve(np.array([[0.0, 0], [9, 0], [9, 5], [20, 5]]))
    assert total_turning(ell) == pytest.approx(0, abs=1e-12)
    np.testing.assert_allclose(joint_turnings(ell), [math.pi / 2, -math.pi / 2])


def test_a_control_point_on_its_end_still_has_a_direction() -> None:
    curve = Curve(np.array([[[0, 0], [0, 0], [3, 4], [3, 4]]], float), np.zeros(1, bool), False)
    np.testing.assert_allclose(tangents_at(curve, np.array([0.0, 2.5, 5.0])), np.tile([0.6, 0.8], (3, 1)), atol=1e-9)


@given(ahead=steps, aside=offsets, shares=st.lists(st.floats(0.01, 0.99), min_size=1, max_size=5, unique=True))
@settings(max_examples=40, deadline=None)
def test_pieces_of_a_cut_curve_add_up(ahead: Array, aside: Array, shares: list[float]) -> None:
    curve = chain(np.c_[np.cumsum(ahead), aside])
    total = curve_length(curve)
    parts = split_at(curve, [s * total for s in shares])
    whole = joined(list(parts), closed=False)
    assert sum(curve_length(part) for part in parts) == pytest.approx(total, abs=1e-6)
    np.testing.assert_array_equal(whole.controls[0, 0], curve.controls[0, 0])
    np.testing.assert_array_equal(whole.controls[-1, 3], curve.controls[-1, 3])
    for before, after in pairwise(parts):
        np.testing.assert_array_equal(before.controls[-1, 3], after.controls[0, 0])


def test_cutting_at_a_joint_or_an_end_leaves_no_crumbs() -> None:
    open_square = polyline_curve(np.array([[0.0, 0], [40, 0], [40, 40]]))
    assert [len(p.controls) for p in split_at(open_square, [0.0, 40.0, 40.0 + 1e-9, 80.0])] == [1, 1]
    assert len(split_at(open_square, [-5.0, 95.0])) == 1


def test_a_stretch_of_a_ring_runs_across_its_seam() -> None:
    part = stretch(SQUARE, 150.0, 10.0)
    assert curve_length(part) == pytest.approx(20.0)
    np.testing.assert_allclose(part.controls[[0, -1], [0, 3]], [[0, 10], [10, 0]], atol=1e-12)
    np.testing.assert_allclose(curve_at(part, np.array([1.0])), [[0, 0]], atol=1e-12)
