"""The truth of an invented scene against independent libraries: OpenCV's projection and ChArUco detector, shapely and
scikit-image for areas, Pillow for EXIF, and the format of the path-traced photos where they are at hand."""

from __future__ import annotations

import io
import json
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps
from scipy.ndimage import map_coordinates
from shapely import Polygon
from skimage.measure import label, regionprops

from extract.cards.design import board, card_design
from extract.scene import PRESETS, TABLES, Scene, make_scene, write_scene
from extract.scene.coverage import patch, rings_of
from extract.scene.make import with_options

SMALL_PX = (1680, 1260)


@cache
def scene(preset: str) -> Scene:
    options = with_options(preset, 11, orientation=1, clutter=1, table="melamine")
    return make_scene(preset, 11, SMALL_PX, options)


def projected(truth: dict[str, Any], points: np.ndarray) -> np.ndarray:
    camera = truth["camera"]
    turn = cv2.Rodrigues(np.array(camera["R_world_to_cam"]))[0]
    shift, matrix = np.array(camera["t_world_to_cam_mm"]), np.array(camera["K"])
    lens = np.array(camera["dist_k1_k2_p1_p2_k3"], float)
    return cv2.projectPoints(np.asarray(points, float).reshape(-1, 1, 3), turn, shift, matrix, lens)[0].reshape(-1, 2)


@pytest.mark.parametrize("preset", PRESETS)
def test_detector_finds_chess_corners_where_truth_says(preset: str) -> None:
    """cv2.aruco.CharucoDetector of OpenCV 5 has no half-pixel bias; its scatter on such pictures is a few 0.01 px."""
    made = scene(preset)
    grey = cv2.cvtColor(made.image, cv2.COLOR_BGR2GRAY)
    for card in made.truth["cards"]:
        family = {"A4": "A4", "LETTER": "Letter", "SMALL": "small"}[card["name"].removeprefix("CARD-")]
        detector = cv2.aruco.CharucoDetector(board(card_design(family, card["index"])))
        found, ids, _, _ = detector.detectBoard(grey)
        assert ids is not None
        assert len(ids) >= 0.8 * len(card["charuco_corners_px"])
        true = np.array([card["charuco_corners_px"][str(i)] for i in np.ravel(ids)])
        off = np.reshape(found, (-1, 2)) - true
        assert np.sqrt(np.mean(off**2)) < 0.15
        assert np.all(np.abs(off.mean(axis=0)) < 0.05)


@pytest.mark.parametrize("preset", ["typical", "curled"])
def test_truth_pixels_follow_opencv_projection(preset: str) -> None:
    truth = scene(preset).truth
    for card in truth["cards"]:
        world = np.array(list(card["charuco_corners_world_mm"].values()))
        pixels = np.array(list(card["charuco_corners_px"].values()))
        assert np.abs(projected(truth, world) - pixels).max() < 0.002


@pytest.mark.parametrize("preset", ["easy", "typical", "curled", "two-colour"])
def test_ink_lies_on_its_centre_line(preset: str) -> None:
    """Where the picture is darkest across a stroke, projected by OpenCV, is where the truth has its centre line."""
    made = scene(preset)
    grey = cv2.cvtColor(made.image, cv2.COLOR_BGR2GRAY).astype(float)
    across = np.linspace(-2.2, 2.2, 45)
    means = []
    for line in made.truth["lines"]:
        points, z = np.array(line["points"]), np.array(line["z"])
        ahead = np.gradient(points, axis=0)
        normal = np.c_[-ahead[:, 1], ahead[:, 0]] / np.linalg.norm(ahead, axis=1, keepdims=True)
        inner = slice(6, -6)
        spots = points[inner, None] + across[:, None] * normal[inner, None]
        world = np.concatenate([spots, np.broadcast_to(z[inner, None, None], (*spots.shape[:2], 1))], axis=2)
        pixels = projected(made.truth, world)
        profile = map_coordinates(grey, [pixels[:, 1], pixels[:, 0]], order=1).reshape(spots.shape[:2])
        dark = np.clip(np.median(profile[:, [0, 1, -2, -1]], axis=1, keepdims=True) - profile, 0, None) ** 2
        clear = dark.max(axis=1) > 400
        centre = (dark * across).sum(axis=1)[clear] / dark.sum(axis=1)[clear]
        means.append(np.median(centre))
    # Half a pixel is about 0.2 mm here; a wrong half-pixel rule or height would show at once.
    assert abs(np.mean(means)) < 0.02
    assert np.sqrt(np.mean(np.square(means))) < 0.06


@pytest.mark.parametrize("preset", PRESETS)
def test_panels_fill_the_silhouette(preset: str) -> None:
    truth = scene(preset).truth
    outline = Polygon(truth["silhouette"]["exact_points"])
    assert outline.area == pytest.approx(truth["silhouette"]["area_mm2"], rel=1e-5)
    for key in ("panels_black", "panels_all_colours"):
        faces = [Polygon(panel["polygon"], panel["holes"]) for panel in truth[key]]
        assert len(faces) > 3
        assert all(
            face.area == pytest.approx(panel["area_mm2"], rel=1e-3, abs=0.1)
            for face, panel in zip(faces, truth[key], strict=True)
        )
        # Faces under 1 mm², slivers between a stroke's end and the edge, are not listed.
        assert sum(panel["area_mm2"] for panel in truth[key]) == pytest.approx(outline.area, abs=5)


def test_drawn_silhouette_has_the_area_scikit_image_measures() -> None:
    points = np.array(scene("typical").truth["silhouette"]["exact_points"])
    step = 0.5
    raster = (points - points.min(axis=0)) / step + 3
    size = tuple(np.ceil(raster.max(axis=0) + 4).astype(int))
    drawn = patch(rings_of([Polygon(raster)]), size)
    assert drawn is not None
    area = Polygon(points).area
    assert drawn.cover.sum() * step**2 == pytest.approx(area, rel=1e-5)
    whole = np.zeros(size[::-1])
    whole[drawn.box] = drawn.cover
    regions = regionprops(label(whole > 0.5))
    assert max(region.area for region in regions) * step**2 == pytest.approx(area, rel=1e-3)


def test_cover_of_shapes_with_known_area() -> None:
    """Exact by construction: a shifted square, a disc's polygon with a hole, a shape that leaves the picture."""
    square = patch([np.array([[2.25, 3.5], [7.25, 3.5], [7.25, 6.0], [2.25, 6.0]])], (20, 10))
    assert square is not None
    assert square.cover.sum() == pytest.approx(12.5, abs=1e-6)
    assert square.cover[0, 0] == pytest.approx(0.25 * 1.0, abs=1e-6)
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    circle = np.c_[np.cos(turn), np.sin(turn)]
    washer = Polygon(30 + 20 * circle, [30 + 7 * circle])
    ring = patch(rings_of([washer]), (60, 60))
    assert ring is not None
    assert ring.cover.sum() == pytest.approx(washer.area, rel=1e-6)
    beyond = patch([np.array([[-5.5, -5.5], [4.5, -5.5], [4.5, 4.5], [-5.5, 4.5]])], (9, 9))
    assert beyond is not None
    assert beyond.cover.sum() == pytest.approx(25, abs=1e-6)
    assert patch([np.array([[50.0, 0], [60, 0], [60, 9]])], (9, 9)) is None


def test_same_seed_same_scene_other_seed_other_scene() -> None:
    size = (336, 252)
    first, again, other = (make_scene("typical", seed, size) for seed in (3, 3, 4))
    assert np.array_equal(first.image, again.image)
    assert json.dumps(first.truth) == json.dumps(again.truth)
    assert first.truth["silhouette"]["area_mm2"] != other.truth["silhouette"]["area_mm2"]
    shapes = {json.dumps(scene(preset).truth["silhouette"]) for preset in PRESETS}
    assert len(shapes) == len(PRESETS)


def test_design_does_not_depend_on_pixels() -> None:
    small, large = (make_scene("multi-card", 5, size).truth for size in ((252, 189), (336, 252)))
    for key in ("lines", "ticks", "silhouette", "panels_black"):
        assert small[key] == large[key]
    assert small["camera"]["K"][0][0] == pytest.approx(large["camera"]["K"][0][0] * 0.75)


@pytest.mark.parametrize("table", TABLES)
def test_every_table_renders(table: str) -> None:
    options = with_options("typical", 2, table=table, curves=1, straights=0, branches=0, ticks=0)
    image = make_scene("typical", 2, (504, 378), options).image
    assert image.std() > 12
    assert 25 < image.mean() < 235


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_exif_turns_the_file_upright(orientation: int, tmp_path: Path) -> None:
    """Pillow's exif_transpose is the reference for what an orientation means."""
    made = make_scene(
        "easy", 1, (504, 378), with_options("easy", 1, orientation=orientation, focal_35mm=26.4, branches=0)
    )
    photo = write_scene(made, tmp_path)
    stored = Image.open(io.BytesIO(photo.read_bytes()))
    assert stored.size == (504, 378)
    assert stored.getexif().get_ifd(0x8769)[0xA405] == 26
    upright = np.asarray(ImageOps.exif_transpose(stored))[..., ::-1].astype(int)
    assert upright.shape == made.image.shape
    assert np.abs(upright - made.image).mean() < 4
    truth = json.loads(photo.with_suffix(".truth.json").read_text())
    assert (truth["image"]["width"], truth["image"]["height"]) == made.image.shape[1::-1]


def test_unknown_preset_is_named() -> None:
    with pytest.raises(ValueError, match="multi-card"):
        make_scene("nothing", 0)


def test_truth_has_the_keys_of_the_path_traced_photos(shared_photos: Path) -> None:
    theirs = json.loads((shared_photos / "typical_0023.truth.json").read_text())
    ours = scene("typical").truth
    assert set(theirs) - set(ours) == set()
    for key in ("camera", "sheet", "silhouette"):
        assert set(theirs[key]) - set(ours[key]) <= {"distance_mm", "min_height_above_rest_mm"}
    for key in ("lines", "ticks", "panels_black", "cards"):
        assert set(theirs[key][0]) - set(ours[key][0]) == set()
