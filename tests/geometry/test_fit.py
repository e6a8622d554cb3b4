"""Fitting against shapes known in closed form, with and without a shaky hand."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import shapely
import svgpathtools
from scipy.ndimage import gaussian_filter1d
from skimage.measure import CircleModel

from extract.doors import Array
from extract.geometry.curve import bezier_points, curve_area, curve_length, curve_points, polyline_curve, svg_path
from extract.geometry.fit import fit_circle, fit_curve, scatter
from extract.geometry.planar import closed_up, densified, distance_to_curve, resampled
from extract.geometry.spline import fit_spline

LINE = np.array([[3.0, 5.0], [163.0, 60.0]])
WAVE_X = np.linspace(0, 200, 801)
WAVE = np.c_[WAVE_X, 25 * np.sin(WAVE_X / 45)]


def ellipse(a: float, b: float, step_mm: float = 0.25) -> Array:
    turn = np.linspace(0, 2 * np.pi, int(2 * np.pi * a / step_mm), endpoint=False)
    return np.c_[a * np.cos(turn), b * np.sin(turn)]


def shaken(points: Array, sd_mm: float, seed: int, over_mm: float = 2.0, step_mm: float = 0.25) -> Array:
    """The points moved by a hand: Gaussian noise of ``sd_mm`` smoothed over ``over_mm`` of way (0: point by point)."""
    noise = np.random.default_rng(seed).normal(size=points.shape)
    if over_mm:
        noise = gaussian_filter1d(noise, over_mm / step_mm, axis=0, mode="wrap")
    return points + sd_mm * noise / noise.std()


def stray_from(points: Array, shape: shapely.Geometry) -> float:
    return float(shapely.distance(shapely.points(points), shape).max())


def largest_turn_deg(controls: Array, closed: bool) -> float:
    """Largest turn of the tangent at any joint."""
    out = controls[:, 3] - controls[:, 2]
    into = controls[:, 1] - controls[:, 0]
    pairs = zip(out, np.roll(into, -1, axis=0), strict=True)
    turns = [abs(math.degrees(math.atan2(a[0] * b[1] - a[1] * b[0], a @ b))) for a, b in pairs]
    return max(turns if closed else turns[:-1], default=0.0)


@pytest.mark.parametrize("sd_mm", [0.0, 0.05, 0.1])
def test_shaky_line_becomes_one_line(sd_mm: float) -> None:
    fit = fit_curve(shaken(resampled(LINE, 680), sd_mm, seed=1), 0.4, keep_ends=False)
    assert fit.curve.straight.tolist() == [True]


def test_loose_ends_follow_the_whole_line_not_its_first_point() -> None:
    points = shaken(resampled(LINE, 680), 0.1, seed=2, over_mm=0.5)
    loose = fit_curve(points, 0.5, keep_ends=False).curve
    held = fit_curve(points, 0.5).curve
    np.testing.assert_array_equal(curve_points(held), points[[0, -1]])
    longer = shapely.LineString([2 * LINE[0] - LINE[1], 2 * LINE[1] - LINE[0]])
    assert stray_from(curve_points(loose), longer) < 0.04


@pytest.mark.parametrize("tolerance_mm", [0.5, 0.1, 0.02, 0.004])
def test_smooth_curve_is_followed_within_any_tolerance(tolerance_mm: float) -> None:
    fit = fit_curve(WAVE, tolerance_mm)
    true = shapely.LineString(np.c_[x := np.linspace(0, 200, 20001), 25 * np.sin(x / 45)])
    assert fit.max_error_mm <= tolerance_mm * 1.01
    assert stray_from(curve_points(fit.curve, 0.001), true) <= tolerance_mm * 1.05 + 1e-3
    np.testing.assert_array_equal(curve_points(fit.curve)[[0, -1]], WAVE[[0, -1]])
    assert largest_turn_deg(fit.curve.controls, closed=False) < 0.01


def test_long_smooth_side_needs_few_cubics() -> None:
    """A panel side 200 mm long, drawn smoothly with a slight shake: one to four cubics."""
    counts = [len(fit_curve(shaken(WAVE, 0.06, seed), 0.3).curve.controls) for seed in range(5)]
    assert max(counts) <= 4


def test_error_falls_with_the_fourth_power_of_the_spans() -> None:
    """Splines joined in curvature are of order four (de Boor, A Practical Guide to Splines): a tenth of the tolerance
    costs no more than 10^(1/4) = 1.8 times the spans; halving spans one by one may waste a third on top."""
    spans = [len(fit_spline(WAVE, tolerance).controls) for tolerance in (1e-2, 1e-3, 1e-4)]
    assert spans[2] / spans[0] < 100**0.25 * 1.33


def test_quarter_circle_as_one_cubic_reaches_the_published_error() -> None:
    """Levien gives 2.7e-4 R for 90° with the arc's tangents kept; with free
    tangents the fit must do better than that. R = 100 mm."""
    turn = np.linspace(0, np.pi / 2, 629)
    fit = fit_spline(100 * np.c_[np.cos(turn), np.sin(turn)], 0.027)
    t = np.linspace(0, 1, 400)
    radius = np.linalg.norm(bezier_points(np.repeat(fit.controls[:1], 400, axis=0), t), axis=1)
    assert len(fit.controls) == 1
    assert np.abs(radius - 100).max() < 0.027


@pytest.mark.parametrize(("radius_mm", "sd_mm"), [(8.0, 0.05), (25.0, 0.1), (120.0, 0.1)])
def test_shaky_circle_becomes_a_circle(radius_mm: float, sd_mm: float) -> None:
    true = ellipse(radius_mm, radius_mm)
    points = shaken(true, sd_mm, seed=3)
    fit = fit_curve(points, 0.4, closed=True)
    assert len(fit.curve.controls) in (4, 8)
    assert curve_length(fit.curve) == pytest.approx(2 * math.pi * radius_mm, rel=0.01)
    assert stray_from(curve_points(fit.curve, 0.002), shapely.LinearRing(true)) < 2 * sd_mm


def test_circle_agrees_with_scikit_image() -> None:
    points = shaken(ellipse(30, 30), 0.3, seed=4)[:200] + np.array([400, 300])
    centre, radius, stray = fit_circle(points)
    theirs = CircleModel.from_estimate(points)
    assert np.abs(stray).max() == pytest.approx(np.abs(theirs.residuals(points)).max(), rel=0.1)
    assert (stray**2).sum() <= (theirs.residuals(points) ** 2).sum() + 1e-9
    np.testing.assert_allclose(np.r_[centre, radius], np.r_[theirs.center, theirs.radius], atol=0.1)


@pytest.mark.parametrize("sd_mm", [0.0, 0.05, 0.1])
def test_ellipse_is_smooth_all_round(sd_mm: float) -> None:
    """Area πab; the curve strays no further than the tolerance and the noise together."""
    points = shaken(ellipse(60, 35), sd_mm, seed=5)
    fit = fit_curve(points, 0.3, closed=True)
    true = shapely.LinearRing(ellipse(60, 35, 0.01))
    assert largest_turn_deg(fit.curve.controls, closed=True) < 0.01
    assert curve_area(fit.curve) == pytest.approx(math.pi * 60 * 35, rel=2e-3)
    assert stray_from(curve_points(fit.curve), true) < 0.3 + sd_mm
    assert len(fit.curve.controls) <= 10


CORNERS = {
    "right angle": ([[0, 0], [60, 0], [60, 45]], 90),
    "blunt": ([[0, 0], [60, 0], [110, 35]], 35),
    "acute": ([[0, 0], [60, 0], [25, 25]], 145),
}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", CORNERS)
def test_corner_stays_sharp_and_in_place(name: str, seed: int) -> None:
    line = np.array(CORNERS[name][0], float)
    points = shaken(densified(line, 0.25), 0.1, seed, over_mm=0.5)
    fit = fit_curve(points, 0.5)
    off = np.linalg.norm(fit.curve.controls[1:, 0] - line[1], axis=1).min()
    assert fit.curve.straight.tolist() == [True, True]
    # sides that lie a little off meet further off, the flatter the crossing
    assert off < 0.15 / math.sin(math.radians(CORNERS[name][1]))
    assert largest_turn_deg(fit.curve.controls, closed=False) == pytest.approx(CORNERS[name][1], abs=2)


def test_corner_between_bows_is_where_the_bows_meet() -> None:
    """Two arcs of radius 80 mm meeting at 70°."""
    turn = np.linspace(0, 0.7, 226)
    arc = 80 * np.c_[np.sin(turn), 1 - np.cos(turn)]
    half = math.radians(35)
    right = arc @ np.array([[math.cos(half), math.sin(half)], [-math.sin(half), math.cos(half)]])
    points = np.vstack([(right * [-1, 1])[::-1], right[1:]])
    fit = fit_curve(shaken(points, 0.1, seed=6, over_mm=0.5), 0.4)
    assert np.linalg.norm(fit.curve.controls[1:, 0], axis=1).min() < 0.15


def test_rectangle_is_four_lines_whatever_its_first_point() -> None:
    box = np.array([[0, 0], [80, 0], [80, 50], [0, 50]], float)
    ring = densified(closed_up(box), 0.25)[:-1]
    for start in (0, 37, 320):
        fit = fit_curve(shaken(np.roll(ring, -start, axis=0), 0.05, seed=7, over_mm=0.5), 0.3, closed=True)
        assert fit.curve.straight.tolist() == [True] * 4
        assert stray_from(box, shapely.LinearRing(curve_points(fit.curve))) < 0.1
        assert fit.curve.closed and (fit.curve.controls[-1, 3] == fit.curve.controls[0, 0]).all()


def test_drop_with_one_corner_closes() -> None:
    turn = np.linspace(0, 2 * np.pi, 600, endpoint=False)
    drop = np.c_[40 * np.sin(turn / 2) * np.sin(turn), 30 * (1 - np.cos(turn))]
    fit = fit_curve(shaken(drop, 0.05, seed=8), 0.3, closed=True)
    assert fit.max_error_mm <= 0.35
    np.testing.assert_array_equal(fit.curve.controls[-1, 3], fit.curve.controls[0, 0])
    path = svgpathtools.parse_path(svg_path(fit.curve))
    assert path.isclosed()


def test_point_by_point_noise_does_not_bend_a_line() -> None:
    points = shaken(resampled(LINE, 680), 0.12, seed=9, over_mm=0)
    assert scatter(points) == pytest.approx(0.12, rel=0.15)
    assert fit_curve(points, 0.3, keep_ends=False).curve.straight.tolist() == [True]


@pytest.mark.parametrize("points", [[[0, 0]], [[0, 0], [4, 3]], [[0, 0], [0, 0], [4, 3]], [[0, 0], [1, 0], [1, 1]]])
@pytest.mark.parametrize("closed", [False, True])
def test_shortest_lines_are_served(points: list[list[float]], closed: bool) -> None:
    fit = fit_curve(np.array(points, float), 0.3, closed)
    assert np.isfinite(fit.curve.controls).all()
    assert fit.max_error_mm <= 0.3


@pytest.mark.parametrize("size_mm", [0.05, 0.127, 1.0])
def test_a_loop_smaller_than_the_tolerance_is_still_a_line(size_mm: float) -> None:
    """As a line may leave where a node comes to lie in the cut edge twice."""
    loop = np.array([[107, -108], [107.001, -108], [107 + 0.3 * size_mm, -108 - size_mm], [107, -108]])
    curve = fit_curve(loop, 0.3).curve
    assert len(curve.controls)
    np.testing.assert_allclose(curve.controls[[0, -1], [0, 3]], loop[[0, -1]], atol=1e-9)


def test_zigzag_is_followed_within_tolerance() -> None:
    """Teeth closer together than any corner can be told apart pass for scatter, which at most doubles the tolerance."""
    teeth = np.c_[np.arange(30) * 1.5, np.arange(30) % 2 * 2.0]
    assert fit_curve(teeth, 0.2).max_error_mm <= 0.4 * 1.01


def test_smoothing_brings_drawn_lines_nearer_to_what_was_meant(shared_photos: Path) -> None:
    """Drawn lines of rendered scenes, whose files hold both what the hand meant and what it drew."""
    before, after, counts, length = [], [], 0, 0.0
    for file in sorted(shared_photos.glob("*.truth.json")):
        for line in json.loads(file.read_text())["lines"]:
            meant = polyline_curve(np.array(line["design_points_before_jitter"]), line["closed"])
            drawn = np.array(line["points"])
            fit = fit_curve(drawn, 0.3, line["closed"])
            assert fit.max_error_mm <= 0.33
            counts, length = counts + len(fit.curve.controls), length + line["length_mm"]
            before.append(distance_to_curve(resampled(drawn, 400), meant))
            after.append(distance_to_curve(resampled(curve_points(fit.curve), 400), meant))
    assert np.sqrt(np.mean(np.square(after))) < 0.9 * np.sqrt(np.mean(np.square(before)))
    assert counts / length * 100 < 4


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("tolerance_mm", [0.2, 0.05])
def test_tiny_tangles_are_fitted_or_left_as_drawn(tolerance_mm: float, closed: bool) -> None:
    """Random walks of 15 steps, 2 mm long, as at the tip of a cut: some made the normal equations singular. The curve
    must be finite, end where the walk ends, and stay within twice the tolerance, the most that scatter may claim."""
    rng = np.random.default_rng(0)
    for _ in range(120):
        walk = np.cumsum(rng.normal(0, 0.1, (15, 2)), axis=0)
        for points in (walk, np.round(walk, 1)):
            fit = fit_curve(points, tolerance_mm, closed)
            assert np.isfinite(fit.curve.controls).all()
            assert fit.max_error_mm <= 2 * tolerance_mm * 1.01
            if not closed:
                np.testing.assert_allclose(fit.curve.controls[[0, -1], [0, 3]], points[[0, -1]], atol=1e-9)
