"""Heights from parallax, on invented tables whose relief is known, and the geometry that uses them."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from against_truth import report_from_truth, rigid_motion

from extract.camera.flatten import flatten, px_on_shell
from extract.camera.project import mm_from_px, px_from_mm, px_from_table
from extract.camera.relief import find_relief, plan_points, view_points
from extract.camera.solve import solve
from extract.cards.find import find_cards
from extract.doors import Array, FlatView, Photo, PlaneCamera, Relief, Silhouette, Stroke
from extract.geometry.planar import densified
from extract.geometry.relief import height_at, sd_at
from extract.ink.lines import find_strokes
from extract.scene import make_views
from extract.scene.make import with_options
from extract.together import read_together

SIZE_PX = (2000, 1500)


@dataclass(frozen=True, eq=False)
class Table:
    """Two photos of one curled shell, solved, its outline as the first one shows it, and its truth."""

    photos: tuple[Photo, ...]
    cameras: tuple[PlaneCamera, ...]
    rings_mm: tuple[Array, ...]
    truth: dict[str, Any]

    def height(self, points_mm: Array) -> Array:
        """True height above the cards' print at places in the plane frame."""
        place, told = report_from_truth(self.truth), self.truth["sheet"]["height_grid"]
        origin, right, up = place(np.array([[0, 0], [1, 0], [0, 1]], float))
        world = (points_mm - origin) @ np.linalg.inv(np.array([right - origin, up - origin]))
        column, row = ((world - (told["x0"], told["y0"])) / told["step"]).T
        values = np.array(told["values_row_y_col_x"])
        rise = map_coordinates(values, [row, column], order=1, mode="nearest")
        return np.asarray(self.truth["sheet"]["rest_z_mm"] - self.truth["cards"][0]["z_mm"] + rise, float)


@pytest.fixture(scope="module")
def table() -> Table:
    options = with_options("curled", 5, cards=("A4", "A4"), curl_mm=5.0, tilt_deg=22.0, clutter=0, table="kraft")
    scenes = make_views("curled", 5, 2, SIZE_PX, options)
    focal = options.focal_35mm / np.hypot(36, 24) * float(np.hypot(*SIZE_PX))
    photos = tuple(Photo(f"{scene.name}.jpg", scene.image, scene.name, focal) for scene in scenes)
    cameras, _ = solve([find_cards(photo)[0] for photo in photos], photos)
    truth = json.loads(json.dumps(scenes[0].truth))
    place = report_from_truth(truth)
    outline = place(truth["silhouette"]["points"])
    up = np.array(truth["silhouette"]["z"]) - truth["cards"][0]["z_mm"]
    seen = mm_from_px(cameras[0], px_from_table(cameras[0], np.column_stack([outline, -up])))
    return Table(photos, cameras, (seen,), truth)


@pytest.fixture(scope="module")
def relief(table: Table) -> Relief:
    found = find_relief(table.photos, table.cameras, 0, table.rings_mm)
    assert found is not None
    return found


def places_on(table: Table, relief: Relief) -> Array:
    outline = shapely.Polygon(plan_points(table.cameras[0], relief, table.rings_mm[0])).buffer(-2)
    low, high = np.array(outline.bounds).reshape(2, 2)
    x, y = np.meshgrid(np.arange(low[0], high[0], 5), np.arange(low[1], high[1], 5))
    inside = shapely.contains_xy(outline, x, y)
    return np.column_stack([x[inside], y[inside]])


def test_heights_are_found_within_their_own_doubt(table: Table, relief: Relief) -> None:
    places = places_on(table, relief)
    off = height_at(relief, places) - table.height(places)
    # without the map every place would be taken to lie 0.5 mm up
    flat = table.height(places) - 0.5
    assert np.sqrt((off**2).mean()) < 0.4 * np.sqrt((flat**2).mean())
    doubt = np.hypot(sd_at(relief, places), relief.common_sd_mm)
    assert 0.9 < np.mean(np.abs(off) < 2 * doubt) < 0.999
    rim = table.height(places) > 2.0
    assert rim.sum() > 50
    assert abs(off[rim].mean()) < 0.35


def test_lying_height_is_better_known_than_by_rule_of_thumb(table: Table, relief: Relief) -> None:
    truth = float(np.percentile(table.height(places_on(table, relief)), 30))
    assert relief.common_sd_mm < relief.own_common_sd_mm
    assert relief.common_sd_mm < table.cameras[0].bias[1]
    assert abs(relief.lying_mm - truth) < 2.5 * relief.common_sd_mm


def test_outline_is_moved_to_where_it_is_from_straight_above(table: Table, relief: Relief) -> None:
    truth = report_from_truth(table.truth)(table.truth["silhouette"]["points"])
    moved = plan_points(table.cameras[0], relief, table.rings_mm[0])
    before = np.sqrt(((table.rings_mm[0] - truth) ** 2).sum(axis=1).mean())
    after = np.sqrt(((moved - truth) ** 2).sum(axis=1).mean())
    assert before > 0.7 and after < 0.4 * before


def test_photos_from_one_side_tell_no_height(table: Table) -> None:
    assert find_relief((table.photos[0],) * 2, (table.cameras[0],) * 2, 0, table.rings_mm) is None


def bump() -> Relief:
    """A hill of 4 mm, 60 mm wide."""
    x, y = np.meshgrid(np.arange(-100, 101, 4.0), np.arange(-100, 101, 4.0))
    hill = 0.5 + 4 * np.exp(-0.5 * (x**2 + y**2) / 30**2)
    return Relief((-100.0, -100.0), 4.0, hill, np.full_like(hill, 0.1), 0.5, 0.1, 0.5, 0.1)


def leaning(table: Table) -> PlaneCamera:
    """A solved camera, its frame's origin on the hill."""
    camera = table.cameras[0]
    middle = np.array([*table.rings_mm[0].mean(axis=0), 0.0])
    return replace(camera, shift_mm=camera.shift_mm + camera.rotation @ middle)


def test_lifting_and_sighting_undo_each_other(table: Table) -> None:
    camera, hill = leaning(table), bump()
    places = np.random.default_rng(0).uniform(-80, 80, (200, 2))
    seen = view_points(camera, hill, places)
    assert np.linalg.norm(seen - places, axis=1).max() > 0.5
    assert plan_points(camera, hill, seen) == pytest.approx(places, abs=1e-4)
    # the same by way of the picture: where the raised point and its image on the stroke plane are seen
    raised = px_from_table(camera, np.column_stack([places, -height_at(hill, places)]))
    assert px_from_mm(camera, seen) == pytest.approx(raised, abs=1e-6)
    assert px_on_shell(camera, hill, places) == pytest.approx(raised, abs=1e-9)


def test_view_with_relief_shows_every_place_where_it_is(table: Table) -> None:
    """The photo holds in every pixel its own coordinates; the view must hold those of the raised places."""
    camera, hill = leaning(table), bump()
    width, height = table.photos[0].size_px
    x, y = np.meshgrid(np.arange(width) / width * 250, np.arange(height) / height * 250)
    ramp = Photo("ramp", np.dstack([x, y, x]).astype(np.uint8), "")
    flat = flatten(ramp, camera, 0.5, region_mm=(-80, -80, 80, 80), relief=hill)
    places = np.random.default_rng(1).uniform(-75, 75, (300, 2))
    column, row = np.rint(flat.px_from_mm(places)).astype(int).T
    expected = px_on_shell(camera, hill, flat.mm_from_px(np.column_stack([column, row]))) / (width, height) * 250
    assert np.abs(flat.pixels[row, column, :2] - expected).max() < 1.2


@pytest.fixture(scope="module")
def first(table: Table) -> tuple[FlatView, Silhouette, tuple[Stroke, ...]]:
    """What the first photo shows by itself."""
    silhouette = Silhouette(table.rings_mm, 0.1, (np.zeros(len(table.rings_mm[0]), bool),))
    flat = flatten(table.photos[0], table.cameras[0])
    return flat, silhouette, find_strokes(flat, silhouette)


def test_lines_of_both_photos_are_better_than_of_one(
    table: Table, first: tuple[FlatView, Silhouette, tuple[Stroke, ...]]
) -> None:
    place = report_from_truth(table.truth)
    ink = np.vstack([densified(place(line["points"]), 0.1) for line in table.truth["lines"]])
    tree = cKDTree(ink)

    def off(strokes: tuple[Stroke, ...]) -> float:
        """RMS distance from the drawn lines after the best rigid motion."""
        points = np.vstack([s.points_mm for s in strokes if s.kind == "marker"])
        for _ in range(4):
            apart, nearest = tree.query(points)
            near = apart < 3
            turn, shift, _ = rigid_motion(points[near], ink[nearest[near]])
            points = points @ turn.T + shift
        return float(np.sqrt((tree.query(points)[0][near] ** 2).mean()))

    both = read_together(table.photos, table.cameras, 0, *first)
    assert {doubt.code for doubt in both.doubts} == {"shell-stands-up"}
    assert both.relief is not None and both.cameras[0].height_mm == both.relief.lying_mm
    assert off(both.strokes) < 0.6 * off(first[2])


def test_a_shell_moved_between_the_photos_is_noticed(
    table: Table, first: tuple[FlatView, Silhouette, tuple[Stroke, ...]]
) -> None:
    """The second camera's frame shifted by 3 mm stands for a shell that was pushed while the cards lay still."""
    second = table.cameras[1]
    for push in ([0.0, 3.0, 0.0], [3.0, 0.0, 0.0]):
        pushed = replace(second, shift_mm=second.shift_mm + second.rotation @ np.array(push))
        seen = read_together(table.photos, (table.cameras[0], pushed), 0, *first)
        assert [doubt.code for doubt in seen.doubts] == ["shell-moved"]
        assert seen.relief is None and seen.strokes is first[2]
