"""Curve fitting against published error orders, and curves against scikit-image's fits and measures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from skimage.draw import polygon2mask
from skimage.measure import EllipseModel, perimeter_crofton

from extract.doors import Array
from extract.geometry.curve import bezier_points, circle_curve, curve_area, curve_length, curve_points
from extract.geometry.fit import fit_circle, fit_curve

RADIUS_MM = 100.0


@pytest.mark.parametrize(("arcs", "published"), [(4, 2.7e-4), (8, 4.2e-6), (16, 6.6e-8)])
def test_circles_stray_by_the_published_amounts(arcs: int, published: float) -> None:
    """Cubics are of order six, so half an arc errs by a 64th (de Boor, Höllig and Sabin 1987, Computer Aided Geometric
    Design 4:269-278); Levien 2021 gives 2.7e-4, 4.2e-6 and 6.6e-8 of the radius for 90°, 45° and 22.5°."""
    circle = circle_curve((0.0, 0.0), RADIUS_MM, 1.1 * published * RADIUS_MM)
    at = bezier_points(np.repeat(circle.controls, 200, axis=0), np.tile(np.linspace(0, 1, 200), len(circle.controls)))
    assert len(circle.controls) == arcs
    assert np.abs(np.hypot(*at.T) - RADIUS_MM).max() == pytest.approx(published * RADIUS_MM, rel=0.03)


def _shaken_ellipse(a: float, b: float, sd_mm: float, seed: int) -> Array:
    turn = np.linspace(0, 2 * math.pi, 1200, endpoint=False)
    noise = gaussian_filter1d(np.random.default_rng(seed).normal(size=(1200, 2)), 8, axis=0, mode="wrap")
    slant = np.array([[math.cos(0.6), math.sin(0.6)], [-math.sin(0.6), math.cos(0.6)]])
    return np.c_[a * np.cos(turn), b * np.sin(turn)] @ slant + (200.0, 120.0) + sd_mm * noise / noise.std()


@pytest.mark.parametrize(("a", "b"), [(60.0, 35.0), (24.0, 18.0)])
def test_a_drawn_ellipse_stays_the_ellipse_that_scikit_image_sees(a: float, b: float) -> None:
    drawn = _shaken_ellipse(a, b, 0.08, seed=1)
    fit = fit_curve(drawn, 0.3, closed=True)
    before = EllipseModel.from_estimate(drawn)
    after = EllipseModel.from_estimate(curve_points(fit.curve, 0.005))
    np.testing.assert_allclose(sorted(after.axis_lengths), sorted(before.axis_lengths), atol=0.1)
    np.testing.assert_allclose(after.center, before.center, atol=0.05)
    assert len(fit.curve.controls) <= 10


def test_an_ellipse_is_not_taken_for_a_circle() -> None:
    drawn = _shaken_ellipse(20.0, 17.0, 0.05, seed=2)
    radius = np.hypot(*(curve_points(fit_curve(drawn, 0.3, closed=True).curve) - (200.0, 120.0)).T)
    assert radius.max() == pytest.approx(20, abs=0.25) and radius.min() == pytest.approx(17, abs=0.25)
    assert fit_circle(drawn)[2].max() > 1.0


def test_area_and_perimeter_agree_with_a_picture_measured_by_scikit_image() -> None:
    """Twenty pixels per mm; a picture's own perimeter is good to a share of a per cent (Crofton's formula)."""
    fit = fit_curve(_shaken_ellipse(22.0, 15.0, 0.05, seed=3) - (170.0, 95.0), 0.2, closed=True).curve
    mask = polygon2mask((1300, 1300), 20 * curve_points(fit, 0.002))
    assert abs(curve_area(fit)) == pytest.approx(mask.sum() / 400, rel=5e-4)
    assert curve_length(fit) == pytest.approx(perimeter_crofton(mask, directions=4) / 20, rel=5e-3)


def test_one_bad_spot_does_not_cost_the_whole_line_its_curve() -> None:
    """A notch that no smooth curve follows within the tolerance, in a line 400 mm long: only it is taken as drawn."""
    x = np.arange(0, 400.0, 0.4)
    y = 12 * np.sin(x / 60)
    y[500:503] += (0.9, 1.4, 0.9)
    fit = fit_curve(np.c_[x, y], 0.2)
    assert fit.max_error_mm <= 0.2 * 1.01
    assert len(fit.curve.controls) < 40
