"""The spread of places, lengths and shapes against brute force over the same covariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import Polygon

from extract.camera.bundle import moved
from extract.camera.project import mm_from_px, px_from_mm
from extract.camera.solve import solve
from extract.camera.uncertainty import (
    area_sd_mm2,
    length_sd_mm,
    place_covariance_mm2,
    sd_mm_at,
    shape_sd_mm,
    shape_sd_mm_at,
)
from extract.doors import Array, PlaneCamera


@pytest.fixture(scope="module")
def camera(bench) -> PlaneCamera:
    cards = (bench.lying(bench.a4), bench.lying(bench.small, -200, 400, 0.3))
    photo, seen = bench.shoot(bench.phone(distance_mm=800.0, aim_mm=(50.0, 200.0)), cards, 0.1)
    return solve([seen], [photo])[0][0]


def outline() -> Array:
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    return np.column_stack([100 + 220 * np.cos(angle), 380 + 150 * np.sin(angle)])


def draws(camera: PlaneCamera, points: Array, count: int = 1500) -> Array:
    """(count, N, 2) where the points would be read by cameras drawn from the covariance and the bias."""
    rng, pixels = np.random.default_rng(8), px_from_mm(camera, points)
    steps = rng.multivariate_normal(np.zeros(11), camera.covariance, count, method="eigh")
    read = []
    for step in steps:
        other = replace(moved(camera, step), height_mm=camera.height_mm + camera.bias[1] * rng.normal())
        read.append(mm_from_px(other, pixels) * (1 + camera.bias[0] * rng.normal()))
    return np.array(read)


def test_places_and_lengths_spread_as_foretold(camera: PlaneCamera) -> None:
    # 1500 draws know a standard deviation to 1.8 %; three of those, and a little for the second order.
    points = outline()
    read = draws(camera, points)
    spread = np.sqrt(((read - points) ** 2).sum(axis=2).mean(axis=0))
    assert sd_mm_at(camera, points) == pytest.approx(spread, rel=0.07)
    for closed in (False, True):
        ends = np.concatenate([read, read[:, :1]], axis=1) if closed else read
        lengths = np.linalg.norm(np.diff(ends, axis=1), axis=2).sum(axis=1)
        assert length_sd_mm(camera, points, closed) == pytest.approx(lengths.std(), rel=0.07)
    places = (read - points).transpose(1, 0, 2)
    covariance = np.einsum("nki,nkj->nij", places, places) / len(read)
    assert place_covariance_mm2(camera, points) == pytest.approx(covariance, abs=0.1 * covariance.max())
    areas = [Polygon(ring).area for ring in read]
    assert area_sd_mm2(camera, points) == pytest.approx(np.std(areas), rel=0.07)


def test_shape_spreads_as_foretold(bench, camera: PlaneCamera) -> None:
    points = outline()
    left = np.array([bench.rigid_residual_mm(read, points) for read in draws(camera, points)])
    assert shape_sd_mm(camera, points) == pytest.approx(np.sqrt((left**2).mean()), rel=0.07)
    assert shape_sd_mm_at(camera, points) == pytest.approx(np.sqrt((left**2).mean(axis=0)), rel=0.1)


def test_printer_scale_alone_grows_a_circle(camera: PlaneCamera) -> None:
    # A circle of radius r scaled by 1 + s moves every point by s r, whatever the rigid motion.
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    circle = np.column_stack([90 + 200 * np.cos(angle), 300 + 200 * np.sin(angle)])
    only_scale = replace(camera, covariance=np.zeros((11, 11)), bias=(0.002, 0.0))
    assert shape_sd_mm(only_scale, circle) == pytest.approx(0.4, rel=1e-6)
    perimeter = 40 * 400 * np.sin(np.pi / 40)
    assert length_sd_mm(only_scale, circle, closed=True) == pytest.approx(0.002 * perimeter, rel=1e-6)


def test_a_point_has_no_shape(camera: PlaneCamera) -> None:
    assert shape_sd_mm(camera, np.array([[10.0, 20.0]])) == 0.0
    assert length_sd_mm(camera, np.array([[10.0, 20.0]])) == 0.0
    assert sd_mm_at(camera, np.zeros((0, 2))).shape == (0,)
