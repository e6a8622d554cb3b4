"""What the drawing surface is given: areas and lengths on a shell of plain shapes, the picture where it belongs."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from extract.doors import Tracing
from extract.rework import rework
from extract.surface import drawing, flat_picture, write_surface


def test_lines_panels_and_corners_are_told_in_millimetres(tracing: Tracing) -> None:
    told = drawing(rework(tracing, [{"do": "name", "at": [30, 80], "name": "left"}]))
    lines = {line["id"]: line for line in told["lines"]}
    assert {name: line["meaning"] for name, line in lines.items()} == {
        "s1": "cut",
        "s2": "reference",
        "s3": "cut",
        "s4": "cut",
        "edge-1": "edge",
    }
    assert lines["s1"]["length"] == pytest.approx(102, abs=0.1)
    assert lines["edge-1"]["length"] == pytest.approx(600, abs=0.1)
    assert lines["s1"]["points"] == [[100.0, -1.0], [100.0, 101.0]], "a straight line needs no more than its ends"
    assert sorted(panel["name"] for panel in told["panels"]) == ["", "left"]
    assert [shapely.Polygon(panel["outline"]).area for panel in told["panels"]] == pytest.approx([10_000] * 2, rel=1e-3)
    corners = shapely.MultiPoint(told["corners"])
    for corner in ((0, 0), (200, 0), (200, 100), (0, 100), (100, 0), (100, 100), (150, 10)):
        assert corners.distance(shapely.Point(corner)) < 1.1
    assert json.loads(json.dumps(told, allow_nan=False)) == told


def test_what_could_not_be_done_is_said(tracing: Tracing) -> None:
    told = drawing(rework(tracing, [{"do": "delete", "stroke": "s9"}]))
    assert len(told["said"]) == 1
    assert "Correction 1" in told["said"][0]
    assert drawing(rework(tracing, []))["said"] == []


def test_the_picture_lies_where_its_frame_says(tracing: Tracing) -> None:
    """A white square of 10 mm on the flat view, found again in the picture by its frame."""
    pixels = np.array(tracing.flat.pixels)
    (x0, y0), (x1, y1) = tracing.flat.px_from_mm(np.array([[60.0, 20.0], [70.0, 30.0]])).astype(int)
    pixels[y0:y1, x0:x1] = 255
    content, frame = flat_picture(replace(tracing, flat=replace(tracing.flat, pixels=pixels)))
    seen = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_GRAYSCALE)
    rows, columns = np.nonzero(seen > 220)
    px_per_mm = seen.shape[1] / frame["width"]
    assert px_per_mm == pytest.approx(seen.shape[0] / frame["height"], rel=1e-3)
    middle = frame["left"] + (columns.mean() + 0.5) / px_per_mm, frame["top"] + (rows.mean() + 0.5) / px_per_mm
    # The square's pixels are centred a quarter of a millimetre, half a pixel, before its drawn middle.
    assert middle == pytest.approx((64.75, 24.75), abs=0.1)


def test_a_large_picture_stays_below_two_megabytes(tracing: Tracing) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (2400, 4200, 3), dtype=np.uint8)
    flat = replace(tracing.flat, pixels=noise, mm_per_px=0.06, origin_mm=(-20.0, -20.0))
    content, _ = flat_picture(replace(tracing, flat=flat))
    assert len(content) < 2_500_000, "even noise, which no shell looks like, is kept near the limit"
    assert max(cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR).shape) <= 2600


def test_the_files_are_whole(tracing: Tracing, tmp_path: Path) -> None:
    write_surface(tracing, tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["flat.jpg", "flat.json", "reading.json"]
    assert set(json.loads((tmp_path / "flat.json").read_text("utf-8"))) == {"left", "top", "width", "height"}
