"""Projection against OpenCV's projectPoints, its inverse, and its derivatives against differences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.camera.bundle import moved
from extract.camera.project import PARAMETERS, mm_from_px, parameter_jacobian, px_from_mm, px_from_table
from extract.doors import Array, Lens, PlaneCamera

MakeCamera = Callable[..., PlaneCamera]


@pytest.fixture(scope="module")
def camera_of(bench) -> MakeCamera:
    def make(**truth) -> PlaneCamera:
        phone = bench.phone(**truth)
        rotation, shift = phone.pose()
        lens = Lens(phone.focal_px, phone.centre_px, *phone.distortion)
        return PlaneCamera(lens, bench.size_px, rotation, shift, 0.5, (), np.zeros((PARAMETERS, PARAMETERS)))

    return make


def table_points(count: int = 200) -> Array:
    return np.random.default_rng(4).uniform([-250, -150, -20], [250, 350, 5], (count, 3))


@pytest.mark.parametrize("distortion", [(0.0, 0.0), (-0.05, 0.02), (0.12, -0.08)])
@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 40.0])
def test_projection_is_opencv_s(bench, camera_of: MakeCamera, distortion: tuple[float, float], tilt_deg: float) -> None:
    phone = bench.phone(distortion=distortion, tilt_deg=tilt_deg)
    points = table_points()
    ours = px_from_table(camera_of(distortion=distortion, tilt_deg=tilt_deg), points)
    assert np.abs(ours - phone.sees(points)).max() < 1e-8


@settings(max_examples=60, deadline=None)
@given(
    tilt=st.floats(0, 45),
    bearing=st.floats(0, 360),
    roll=st.floats(0, 360),
    k1=st.floats(-0.15, 0.15),
    k2=st.floats(-0.05, 0.05),
    distance=st.floats(450, 1300),
)
def test_pixels_and_millimetres_are_inverse(
    camera_of: MakeCamera, tilt: float, bearing: float, roll: float, k1: float, k2: float, distance: float
) -> None:
    camera = camera_of(
        tilt_deg=tilt, bearing_deg=bearing, roll_deg=roll, distortion=(k1, k2), distance_mm=distance, aim_mm=(0.0, 0.0)
    )
    points = np.random.default_rng(1).uniform(-140, 140, (50, 2)) * distance / 650
    pixels = px_from_mm(camera, points)
    assert np.abs(px_from_mm(camera, mm_from_px(camera, pixels)) - pixels).max() < 1e-6
    assert np.abs(mm_from_px(camera, pixels) - points).max() < 1e-6


def test_stroke_plane_lies_above_the_cards(bench, camera_of: MakeCamera) -> None:
    points = table_points()[:, :2]
    assert np.abs(px_from_mm(camera_of(), points) - bench.phone().sees(points, height_mm=0.5)).max() < 1e-8


def test_jacobian_is_the_slope(camera_of: MakeCamera) -> None:
    camera, points = camera_of(distortion=(0.03, -0.02)), table_points(40)
    by_parameter, by_point = parameter_jacobian(camera, points)
    for column, step in enumerate([1e-2, 1e-5, 1e-5, *[1e-6] * 3, *[1e-3] * 3, 1e-2, 1e-2]):
        change = np.zeros(PARAMETERS)
        change[column] = step
        slope = (
            (px_from_table(moved(camera, change), points) - px_from_table(moved(camera, -change), points)) / 2 / step
        )
        assert np.abs(by_parameter[:, :, column] - slope).max() < 1e-5 * max(1.0, np.abs(slope).max())
    for axis in range(3):
        step = np.eye(3)[axis] * 1e-3
        slope = (px_from_table(camera, points + step) - px_from_table(camera, points - step)) / 2e-3
        assert np.abs(by_point[:, :, axis] - slope).max() < 1e-6


def test_what_cannot_be_seen_is_infinitely_far(camera_of: MakeCamera) -> None:
    camera = camera_of(tilt_deg=60.0, bearing_deg=0.0, roll_deg=0.0)
    behind = px_from_mm(camera, np.array([[-1e5, 0.0], [1e5, 0.0]]))
    assert np.isinf(behind).all(axis=1).sum() == 1
    horizon = mm_from_px(camera, np.array([[-3000.0, 1500.0], [2000.0, 1500.0], [7000.0, 1500.0]]))
    assert np.isinf(horizon).all(axis=1).any() and np.isfinite(horizon[1]).all()
    # r (1 − 0.3 r²) turns back at r² = 1 / 0.9: no point beyond may come back into the picture.
    folded = camera_of(tilt_deg=0.0, distortion=(-0.3, 0.0), distance_mm=500.0, aim_mm=(0.0, 0.0))
    assert np.isinf(px_from_mm(folded, np.array([[0.0, 600.0]]))).all()
    assert np.isfinite(px_from_mm(folded, np.array([[0.0, 500.0]]))).all()
