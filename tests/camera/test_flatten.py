"""The view from above against a picture drawn straight onto the table."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from extract.camera import flatten as room
from extract.camera.flatten import FlattenSettings, card_outlines_mm, flatten, sampling_px_per_mm, seen_region_mm
from extract.camera.project import mm_from_px, px_from_mm
from extract.camera.solve import solve
from extract.doors import Photo, PlaneCamera, TraceSettings


@pytest.fixture(scope="module")
def scene(bench) -> tuple[Photo, PlaneCamera]:
    """A photo in which every pixel's blue and green tell where on the stroke plane it looks: 1 grey level per 2 mm."""
    phone = bench.phone(distortion=(-0.04, 0.01), distance_mm=700.0, aim_mm=(130.0, 120.0), tilt_deg=25.0)
    cards = (bench.lying(bench.a4), bench.lying(bench.small, -100, 300, 0.5))
    photo, seen = bench.shoot(phone, cards)
    (camera,), _ = solve([seen], [photo], TraceSettings(height_mm=0.6))
    width, height = bench.size_px
    x, y = np.meshgrid(np.arange(0, width + 8, 8), np.arange(0, height + 8, 8))
    coarse = mm_from_px(camera, np.column_stack([x.ravel(), y.ravel()])).reshape(*x.shape, 2).astype(np.float32)
    eighth, flags = np.array([[1 / 8, 0, 0], [0, 1 / 8, 0]]), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    table = np.dstack(
        [cv2.warpAffine(np.ascontiguousarray(coarse[..., i]), eighth, (width, height), flags=flags) for i in (0, 1)]
    )
    levels = np.clip(np.rint((table + np.array([200, 150])) / 3), 0, 255).astype(np.uint8)
    return replace(photo, pixels=np.dstack([levels, np.full((height, width), 9, np.uint8)])), camera


def test_every_pixel_shows_its_own_place(scene: tuple[Photo, PlaneCamera]) -> None:
    photo, camera = scene
    flat = flatten(photo, camera, region_mm=(-100.0, -50.0, 350.0, 350.0), mm_per_px=0.5)
    rows, columns = np.mgrid[0 : flat.pixels.shape[0] : 7, 0 : flat.pixels.shape[1] : 7]
    place = flat.mm_from_px(np.column_stack([columns.ravel(), rows.ravel()]))
    seen = flat.pixels[rows.ravel(), columns.ravel(), :2].astype(float) * 3 - (200, 150)
    inside = flat.valid[rows.ravel(), columns.ravel()]
    assert inside.mean() > 0.9
    assert np.abs(seen - place)[inside].max() < 3.1  # one grey level and a rounding
    assert np.abs((seen - place)[inside].mean(axis=0)).max() < 0.05


def test_interpolated_map_is_exact_enough(scene: tuple[Photo, PlaneCamera]) -> None:
    _, camera = scene
    size, step, origin = (2600, 2000), 0.2, (-150.0, -80.0)
    x_px, y_px = room._photo_map(camera, origin, step, size, FlattenSettings().map_step_px)
    pick = np.random.default_rng(0).integers(0, size, (4000, 2))
    exact = px_from_mm(camera, pick * step + origin)
    assert np.abs(np.column_stack([x_px[pick[:, 1], pick[:, 0]], y_px[pick[:, 1], pick[:, 0]]]) - exact).max() < 0.01


def test_raster_follows_photo_sampling_and_keeps_its_bounds(scene: tuple[Photo, PlaneCamera]) -> None:
    photo, camera = scene
    flat = flatten(photo, camera)
    assert flat.mm_per_px == pytest.approx(1 / sampling_px_per_mm(camera), rel=0.2)
    assert flat.pixels.shape[0] * flat.pixels.shape[1] < 16.1e6
    left, top, right, bottom = seen_region_mm(photo, camera)
    assert flat.origin_mm == (left, top)
    height, width = flat.valid.shape
    assert flat.mm_from_px([[width - 1, height - 1]])[0] == pytest.approx([right, bottom], abs=2 * flat.mm_per_px)
    coarse = flatten(photo, camera, settings=FlattenSettings(max_pixels=1e6))
    assert coarse.pixels.shape[0] * coarse.pixels.shape[1] < 1.01e6
    wide = flatten(photo, camera, mm_per_px=1.0, margin_mm=20.0)
    assert wide.origin_mm == pytest.approx((left - 20, top - 20))
    assert not wide.valid[0].any()


def test_coarse_raster_averages_instead_of_skipping(bench, scene: tuple[Photo, PlaneCamera]) -> None:
    photo, camera = scene
    noisy = replace(photo, pixels=np.random.default_rng(0).integers(0, 256, photo.pixels.shape, np.uint8))
    middle = flatten(noisy, camera, mm_per_px=2.0, region_mm=(50.0, 50.0, 250.0, 250.0)).pixels.astype(float)
    # 2 mm hold eight pixels a side: white noise of σ 74 must fall at least sixfold.
    assert middle.std() < 74 / 6


def test_card_outlines_are_the_papers(bench, scene: tuple[Photo, PlaneCamera]) -> None:
    a4, small = card_outlines_mm(scene[1])
    for outline, paper in ((a4, bench.a4.paper_mm), (small, bench.small.paper_mm)):
        sides = np.linalg.norm(outline - np.roll(outline, -1, axis=0), axis=1)
        assert sides == pytest.approx([*paper, *paper], abs=1e-9)
        assert cv2.contourArea(outline.astype(np.float32), oriented=True) > 0
    assert a4[0] == pytest.approx((-13.5, -15.0), abs=1e-9)


def test_ground_far_behind_is_left_out(bench) -> None:
    phone = bench.phone(tilt_deg=48.0, bearing_deg=0.0, roll_deg=0.0, distance_mm=600.0)
    photo, seen = bench.shoot(phone, (bench.lying(bench.a4),))
    (camera,), _ = solve([seen], [photo])
    left, top, right, bottom = seen_region_mm(photo, camera)
    assert max(right - left, bottom - top) < 3000
