"""The shell's outline on painted tables with exact truth, and on path-traced photos.

Areas and perimeters are shapely's; the tone curve is IEC 61966-2-1.
"""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from shapely import Point, Polygon
from shapely import distance as shapely_distance
from shapely import points as shapely_points

from extract.camera.flatten import flatten
from extract.camera.solve import solve
from extract.cards.find import find_cards
from extract.doors import CannotContinue
from extract.ink.silhouette import find_silhouette
from extract.ink.silhouette_ring import resample
from extract.photo import read_photo

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)


def outward_errors(ring, truth):
    """Signed distances (mm) of ring points from the true outline, positive outside; shapely measures."""
    polygon = Polygon(truth)
    at = shapely_points(ring)
    apart = shapely_distance(at, polygon.exterior)
    return np.where(shapely_distance(at, polygon) > 0, apart, -apart)


@pytest.mark.parametrize("table", sorted(tables.TABLES))
def test_outline_is_subpixel_on_every_table(table):
    truth = tables.wavy_ring()
    found = find_silhouette(tables.paint(truth, table))
    errors = outward_errors(found.rings_mm[0], truth)
    assert len(found.rings_mm) == 1
    assert np.sqrt((errors**2).mean()) < 0.15  # what panels of 20 cm² need for an overlap of 0.985
    assert abs(errors.mean()) < 0.05
    assert abs(errors).max() < 1.0
    ours, exact = Polygon(found.rings_mm[0]), Polygon(truth)
    assert ours.is_valid
    assert ours.area == pytest.approx(exact.area, rel=2e-3)
    assert ours.length == pytest.approx(exact.length, rel=5e-3)


@pytest.mark.parametrize("shell", [0.06, 0.6])
def test_brightness_of_the_shell_does_not_pull_the_edge(shell):
    truth = tables.wavy_ring()
    errors = outward_errors(find_silhouette(tables.paint(truth, "planks", shell=shell)).rings_mm[0], truth)
    assert abs(np.median(errors)) < 0.04


def test_blur_of_the_picture_does_not_pull_the_edge():
    truth = tables.wavy_ring()
    errors = outward_errors(find_silhouette(tables.paint(truth, "mat", blur_px=1.2)).rings_mm[0], truth)
    assert abs(np.median(errors)) < 0.05


def test_points_lie_evenly_and_the_stated_doubt_covers_the_error():
    truth = tables.wavy_ring()
    found = find_silhouette(tables.paint(truth, "melamine", seed=2))
    ring = found.rings_mm[0]
    steps = np.hypot(*(np.roll(ring, -1, 0) - ring).T)
    assert steps.min() > 0.3
    assert steps.max() < 0.5
    assert np.mean(abs(outward_errors(ring, truth)) < 2 * found.sigma_mm) > 0.9
    assert found.sigma_mm < 0.2
    assert len(found.unsure[0]) == len(ring)
    assert np.mean(found.unsure[0]) < 0.02


@pytest.mark.parametrize(
    ("table", "mouth_mm", "depth_mm"), [("planks", 20.0, 60.0), ("melamine", 12.0, 60.0), ("gingham", 4.0, 45.0)]
)
def test_relief_cut_is_followed_to_its_tip(table, mouth_mm, depth_mm):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, mouth_mm, depth_mm)
    ring = find_silhouette(tables.paint(truth, table)).rings_mm[0]
    assert Polygon(ring).exterior.distance(Point(tip)) < 2.0
    errors = outward_errors(ring, truth)
    assert np.percentile(abs(errors), 95) < 0.4
    # the cut is open: its middle, half way in, is no shell
    middle = tip + 0.5 * depth_mm * np.array([np.cos(np.radians(70)), np.sin(np.radians(70))])
    assert not Polygon(ring).contains(Point(middle))


@pytest.mark.parametrize(("table", "mouth_mm"), [("planks", 1.6), ("mat", 1.6)])
def test_cut_under_two_millimetres_wide_is_followed(table, mouth_mm):
    truth, tip = tables.with_cut(tables.wavy_ring(), 110.0, mouth_mm, 50.0)
    ring = find_silhouette(tables.paint(truth, table)).rings_mm[0]
    assert Polygon(ring).exterior.distance(Point(tip)) < 5.0  # thinner than 0.2 mm there, less than a pixel
    assert np.percentile(abs(outward_errors(ring, truth)), 95) < 0.4
    middle = tip + 25.0 * np.array([np.cos(np.radians(110)), np.sin(np.radians(110))])
    assert not Polygon(ring).buffer(-0.2).contains(Point(middle))


@pytest.mark.parametrize("table", ["melamine", "dark_cloth"])
def test_strokes_that_run_to_the_edge_leave_no_notch(table):
    truth = tables.wavy_ring()
    across = [tables.CENTRE + way for way in ((-130, -20), (130, 30))]
    down = [tables.CENTRE + way for way in ((-30, -110), (20, 110))]
    flat = tables.paint(truth, table, strokes=[(across, 1.6), (down, 2.2)])
    errors = outward_errors(find_silhouette(flat).rings_mm[0], truth)
    assert abs(errors).max() < 1.0
    assert np.sqrt((errors**2).mean()) < 0.15


@pytest.mark.parametrize("table", ["melamine", "gingham", "planks"])
def test_bare_table_has_no_shell(table):
    with pytest.raises(CannotContinue, match="cannot find a shell"):
        find_silhouette(tables.paint(None, table))


def test_shell_must_lie_inside_the_picture():
    flat = tables.paint(tables.wavy_ring() + np.array([70.0, 0.0]), "planks")
    with pytest.raises(CannotContinue, match="out of the picture"):
        find_silhouette(flat)


def test_card_on_the_shell_is_told():
    with pytest.raises(CannotContinue, match="card lies on the shell"):
        find_silhouette(tables.paint(tables.wavy_ring(), "planks", card=tables.CARD + np.array([75.0, 65.0])))


def test_the_outline_does_not_depend_on_the_frame():
    """A view cropped elsewhere, the same pixels otherwise, gives the same ring."""
    flat = tables.paint(tables.wavy_ring(), "mat")
    moved = replace(flat, origin_mm=(1000.0, -500.0), card_outlines_mm=(tables.CARD + np.array([1120.0, -400.0]),))
    one, other = (find_silhouette(view).rings_mm[0] for view in (flat, moved))
    apart = outward_errors(other - (1120.0, -400.0), one)
    assert abs(apart).max() < 0.02


@pytest.mark.parametrize("name", ["typical_0023", "multi-card_0043"])
def test_outline_on_path_traced_photos(shared_photos, name):
    """Truth of the renderer, after the best rigid motion: where the frame sits is the plane's business."""
    photo = read_photo(shared_photos / f"{name}.jpg")
    sightings, _ = find_cards(photo)
    (camera,), _ = solve([sightings], [photo])
    found = find_silhouette(flatten(photo, camera))
    truth = json.loads((shared_photos / f"{name}.truth.json").read_text())
    outline = resample(in_plane_frame(truth, truth["silhouette"]["points"]), 0.1)
    ring = moved_onto(found.rings_mm[0], outline)
    apart = cKDTree(outline).query(ring)[0]
    assert np.sqrt((apart[apart < 1] ** 2).mean()) < 0.25
    assert np.mean(apart < 1) > 0.99
    assert np.mean(cKDTree(resample(ring, 0.1)).query(outline)[0] < 1) > 0.99
    assert Polygon(ring).area == pytest.approx(truth["silhouette"]["area_mm2"], rel=5e-3)


def in_plane_frame(truth, points):
    """Truth points in the frame of the lowest-numbered card of the first family."""
    order = ["CARD-A4", "CARD-LETTER", "CARD-SMALL"]
    card = min(truth["cards"], key=lambda card: (order.index(card["name"]), card["index"]))
    corner, right, _, down = np.array(card["outline_mm"])
    axes = [(way - corner) / np.linalg.norm(way - corner) for way in (right, down)]
    board = np.array(card["spec"]["squares"]) * card["spec"]["square"]
    return (np.array(points) - corner) @ np.transpose(axes) - (np.array(card["spec"]["size"]) - board) / 2


def moved_onto(points, target):
    """Points moved rigidly onto a dense target by nearest neighbours (least squares by scipy's Rotation)."""
    tree = cKDTree(target)
    for _ in range(10):
        apart, near = tree.query(points)
        ours, theirs = points[apart < 2], target[near[apart < 2]]
        flat = [np.c_[p - p.mean(0), np.zeros(len(p))] for p in (theirs, ours)]
        turn = Rotation.align_vectors(*flat)[0].as_matrix()[:2, :2]
        points = (points - ours.mean(0)) @ turn.T + theirs.mean(0)
    return points
