"""The ± of points, lengths and areas, and the maps that show it."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from scipy.special import ellipe

from extract.camera.uncertainty import area_sd_mm2, length_sd_mm
from extract.doors import (
    Array,
    CardDesign,
    CardSighting,
    Curve,
    FlatView,
    Lens,
    Panel,
    Pattern,
    Photo,
    PlacedCard,
    PlaneCamera,
    Relief,
    Silhouette,
    Stroke,
    TraceSettings,
    Tracing,
)
from extract.geometry.scalecard import chess_corners_mm
from extract.maps import height_jpg, sure_jpg
from extract.report import report
from extract.sureness import (
    ALIKE_MM,
    edge_sd_mm,
    length_on_shell_mm,
    panel_sds,
    point_sds_mm,
    stroke_length,
    stroke_sds,
)

SCALE_SD = 0.001


def square(side: float) -> Array:
    return np.array([[0, 0], [side, 0], [side, side], [0, side]], float)


def straight(ring: Array) -> Curve:
    ends = np.roll(ring, -1, axis=0)
    share = np.array([0, 1 / 3, 2 / 3, 1])[None, :, None]
    return Curve(ring[:, None] + share * (ends - ring)[:, None], np.ones(len(ring), bool), True)


def stroke(points: Array, sigma: float, closed: bool = False) -> Stroke:
    return Stroke("s1", "marker", "black", closed, 1.6, sigma, points)


@pytest.fixture
def tracing() -> Tracing:
    """A square shell of 200 mm under a camera known exactly, but for the print's scale: 0.1 %."""
    design = CardDesign("A4", 0, (9, 6), 30.0, 22.0, 0, (297.0, 210.0))
    corners = chess_corners_mm(design)
    card = PlacedCard(CardSighting(design, corners, corners, 0.1), 0.0, 0.0, 0.0, 0.1)
    lens = Lens(800.0, (399.5, 299.5))
    camera = PlaneCamera(
        lens, (800, 600), np.eye(3), np.array([-100.0, -100, 500]), 0.5, (card,), np.zeros((11, 11)), (SCALE_SD, 0.0)
    )
    grey = np.random.default_rng(0).integers(60, 200, (600, 800, 1), np.uint8)
    photo = Photo("shell.jpg", np.repeat(grey, 3, axis=2), "0")
    shell = square(200.0)
    panel = Panel("p1", straight(shell), (), 40_000.0, 800.0, 0.05)
    flat = FlatView(np.zeros((4, 4, 3), np.uint8), 1.0, (0.0, 0.0), np.ones((4, 4), bool))
    return Tracing(
        photos=(photo,),
        cameras=(camera,),
        read_from=0,
        flat=flat,
        silhouette=Silhouette((shell,), 0.1, (np.zeros(4, bool),)),
        strokes=(stroke(np.array([[20.0, 100], [180, 100]]), 0.2),),
        panels=(panel,),
        pattern=Pattern((), "shell.jpg", "2026-01-01"),
        doubts=(),
        settings=TraceSettings(),
        sigma_mm=(0.1, 0.2),
        px_per_mm=(1.5, 1.7),
        cut_colour="black",
    )


def test_a_scale_error_moves_points_by_their_distance_from_the_middle(tracing: Tracing) -> None:
    places = np.array([[100.0, 100], [200, 100], [200, 200], [0, 100]])
    expected = SCALE_SD * np.linalg.norm(places - 100, axis=1)
    assert point_sds_mm(tracing, places) == pytest.approx(expected, abs=0.004)


def test_a_line_s_own_part_and_the_camera_s_add_in_squares(tracing: Tracing) -> None:
    (line,) = tracing.strokes
    # its own camera part: the scale over a line of 160 mm, resampled ends, is left out again
    own = edge_sd_mm(line, tracing)
    assert own == pytest.approx(math.sqrt(0.2**2 - (SCALE_SD * 80) ** 2), rel=1e-6)
    length, sigma = stroke_length(line, tracing)
    assert length == pytest.approx(160.0)
    assert sigma == pytest.approx(math.hypot(SCALE_SD * 160, math.sqrt(2) * own), rel=1e-6)
    ((points, sds),) = stroke_sds(tracing)
    assert len(points) == 17
    assert sds == pytest.approx(np.hypot(own, SCALE_SD * np.abs(points[:, 0] - 100)), abs=0.002)


def test_areas_and_perimeters(tracing: Tracing) -> None:
    """A relative error of length of 0.1 % is one of area of 0.2 %. What edges do each by themselves is tried out: a
    square whose outline is pushed by noise alike over ALIKE_MM, many times."""
    (panel,) = tracing.panels
    flat_sigma = replace(panel, sigma_mm=0.0)
    area, perimeter = panel_sds(flat_sigma, tracing)
    assert area == pytest.approx(2 * SCALE_SD * 40_000, rel=0.01)
    # points a centimetre apart cut the corners a little
    assert perimeter == pytest.approx(SCALE_SD * 800, rel=0.015)
    exact = replace(tracing, cameras=(replace(tracing.cameras[0], bias=(0.0, 0.0)),))
    area, perimeter = panel_sds(replace(panel, sigma_mm=0.1), exact)
    rng, pieces = np.random.default_rng(3), round(200 / ALIKE_MM)
    pushes = rng.normal(0, 0.1, (4000, 4 * pieces))
    assert area == pytest.approx((pushes * ALIKE_MM).sum(axis=1).std(), rel=0.05)
    # a side pushed outwards by n makes its two neighbours longer by n each
    sides = rng.normal(0, 0.1, (4000, 4))
    assert perimeter == pytest.approx((2 * sides).sum(axis=1).std(), rel=0.35)


def test_first_order_formulas_against_tried_out_cameras(tracing: Tracing) -> None:
    """Monte Carlo over the print's scale, as in the Guide to the expression of uncertainty, supplement 1."""
    camera, ring = tracing.cameras[0], square(150.0)
    scales = 1 + np.random.default_rng(1).normal(0, SCALE_SD, 4000)
    assert area_sd_mm2(camera, ring) == pytest.approx((150.0**2 * scales**2).std(), rel=0.05)
    assert length_sd_mm(camera, ring, closed=True) == pytest.approx((600 * scales).std(), rel=0.05)


def test_report_tells_them(tracing: Tracing) -> None:
    told = report(tracing)
    (line, edge), (panel,) = told["strokes"], told["panels"]
    assert line["length"] == 160.0 and line["length_sigma"] > 0.2
    assert len(line["sigma_points"]) == 17 and len(line["sigma_points"][0]) == 3
    assert edge["kind"] == "cut-edge" and "sigma_points" not in edge
    assert 75 < panel["area_sigma_mm2"] < 90 and 0.75 < panel["perimeter_sigma"] < 0.9
    assert told["plane"]["height"] == {"from": "setting", "above_cards": 0.5, "sigma": 0.0}


def picture(content: bytes) -> Array:
    return np.asarray(Image.open(io.BytesIO(content)).convert("RGB"), float)


def test_map_grows_lighter_outwards_and_leaves_the_table_grey(tracing: Tracing) -> None:
    exact = replace(tracing, strokes=(stroke(np.array([[20.0, 100], [180, 100]]), 0.08),))
    drawn = picture(sure_jpg(exact))
    assert drawn.shape[1] == 800 and drawn.shape[0] > 600
    # the shell's middle is pixel (399.5, 299.5), 1.6 pixels a millimetre
    light = drawn[..., :2].mean(axis=2)
    middle, rim = light[290:310, 390:410].mean(), light[290:310, 540:556].mean()
    assert rim > middle + 60
    table = drawn[20:200, 20:200]
    assert np.ptp(table, axis=2).max() < 12


def test_lengths_follow_the_shell_up_and_down(tracing: Tracing) -> None:
    """A ramp of 1 in 5: √(1 + 1/25) longer along it, not across it; and a ridge of a sine by its elliptic integral."""
    x, _ = np.meshgrid(np.arange(0, 201, 2.0), np.arange(0, 201, 2.0))
    ramp = Relief((0.0, 0.0), 2.0, x / 5, np.zeros_like(x), 0.5, 0.1, 0.5, 0.2)
    raised = replace(tracing, relief=ramp)
    assert length_on_shell_mm(raised, np.array([[20.0, 100], [180, 100]])) == pytest.approx(160 * math.sqrt(1.04))
    assert length_on_shell_mm(raised, np.array([[100.0, 20], [100, 180]])) == pytest.approx(160.0)
    assert report(raised)["panels"][0]["perimeter_on_shell"] == pytest.approx(400 + 400 * math.sqrt(1.04), rel=1e-6)
    assert report(tracing)["panels"][0]["perimeter_on_shell"] == pytest.approx(800, abs=1e-3)
    slope = 4 * 2 * np.pi / 100
    waves = replace(ramp, heights_mm=4 * np.sin(2 * np.pi * x / 100))
    # ∫ √(1 + s² cos²) over two periods = 200 · 2/π · √(1 + s²) · E(s² / (1 + s²))
    expected = 400 / np.pi * math.sqrt(1 + slope**2) * ellipe(slope**2 / (1 + slope**2))
    found = length_on_shell_mm(replace(tracing, relief=waves), np.array([[0.0, 50], [200, 50]]))
    assert found == pytest.approx(expected, rel=2e-4)


def test_heights_are_drawn_where_known(tracing: Tracing) -> None:
    assert height_jpg(tracing) is None
    x, _ = np.meshgrid(np.arange(0, 201, 10.0), np.arange(0, 201, 10.0))
    relief = Relief((0.0, 0.0), 10.0, x / 50, np.full_like(x, 0.1), 0.5, 0.1, 0.5, 0.2)
    raised = replace(tracing, relief=relief)
    content = height_jpg(raised)
    assert content is not None
    light = picture(content)[..., :2].mean(axis=2)
    assert light[290:310, 540:550].mean() > light[290:310, 250:260].mean() + 60
    told = report(raised)["plane"]["height"]
    assert told["from"] == "parallax" and told["sigma"] == 0.1
    assert np.shape(told["map"]["values"]) == (11, 11) and told["map"]["values"][0][-1] == 4.0
    # 1 mm of doubt at a slant of 20 % is worth 0.2 mm
    doubtful = replace(raised, relief=replace(relief, sd_mm=np.full_like(x, 1.0)))
    assert point_sds_mm(doubtful, np.array([[200.0, 100]]))[0] == pytest.approx(math.hypot(0.1, 0.2), rel=0.05)
