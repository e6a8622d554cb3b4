"""The demonstration's photo is what its command makes, and small enough to ship."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from shapely import LineString, hausdorff_distance

from extract.scene.moth import moth_lantern

FOLDER = Path("extract/scene")

LINE_MM = 0.3
"""Outlines are told by points half a millimetre apart, which may sit otherwise on a ragged edge. The picture itself is
compared more closely."""


def test_shipped_photo_is_what_the_command_makes(root: Path) -> None:
    photo = root / FOLDER / "moth-lantern.jpg"
    shipped = cv2.imdecode(np.frombuffer(photo.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    told = json.loads((root / FOLDER / "moth-lantern.truth.json").read_text())
    made = moth_lantern()
    assert made.image.shape == shipped.shape == (3024, 4032, 3)
    # JPEG at quality 89 moves a pixel by one to two levels; a shift of one pixel would move the edges by tens.
    assert np.abs(made.image.astype(int) - shipped).mean() < 3
    assert _differences(json.loads(json.dumps(made.truth)), told) == []


def test_shipped_files_are_small(root: Path) -> None:
    assert (root / FOLDER / "moth-lantern.jpg").stat().st_size < 2_500_000
    assert (root / FOLDER / "moth-lantern.truth.json").stat().st_size < 500_000


def test_shell_is_the_one_described(root: Path) -> None:
    told = json.loads((root / FOLDER / "moth-lantern.truth.json").read_text())
    kinds = [line["type"] for line in told["lines"]]
    assert kinds.count("ring") == 2
    assert {line["color"] for line in told["lines"]} == {"black", "red"}
    assert len(told["ticks"]) == 9
    assert [card["name"] for card in told["cards"]] == ["CARD-A4", "CARD-A4", "CARD-SMALL"]
    large = [panel for panel in told["panels_black"] if panel["area_mm2"] > 2000]
    assert len(large) == 7


def _differences(made: Any, told: Any, where: str = "") -> list[str]:
    """Where two truths differ by more than rounding. Another processor rounds another way, which may set a point more
    or fewer on a line: so lines are compared as lines, and their heights by lowest and highest."""
    if _is_line(told):
        same = _is_line(made) and hausdorff_distance(LineString(made), LineString(told)) < LINE_MM
        return [] if same else [where]
    if where.endswith("/z"):
        return _differences([min(made), max(made)], [min(told), max(told)], f"{where} lowest, highest")
    if isinstance(told, dict):
        parts = [(made.get(key), told[key], f"{where}/{key}") for key in told]
        return [one for part in parts for one in _differences(*part)] + [f"{where}/{key}" for key in made.keys() - told]
    if isinstance(told, list):
        if len(made) != len(told):
            return [where]
        parts = [(ours, theirs, f"{where}/{at}") for at, (ours, theirs) in enumerate(zip(made, told, strict=True))]
        return [one for part in parts for one in _differences(*part)]
    last_digit = pytest.approx(told, abs=0.01, rel=3e-4) if isinstance(told, float) else told
    return [] if made == last_digit else [where]


def _is_line(value: object) -> bool:
    """More points than a matrix has rows."""
    return (
        isinstance(value, list)
        and len(value) > 3
        and all(isinstance(one, list) and len(one) in (2, 3) for one in value)
    )
