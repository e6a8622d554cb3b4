"""The demonstration's photo is what its command makes, and small enough to ship."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from extract.scene.moth import moth_lantern

FOLDER = Path("extract/scene")


def test_shipped_photo_is_what_the_command_makes(root: Path) -> None:
    photo = root / FOLDER / "moth-lantern.jpg"
    shipped = cv2.imdecode(np.frombuffer(photo.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    told = json.loads((root / FOLDER / "moth-lantern.truth.json").read_text())
    made = moth_lantern()
    assert made.image.shape == shipped.shape == (3024, 4032, 3)
    # JPEG at quality 89 moves a pixel by one to two levels; a shift of one pixel would move the edges by tens.
    assert np.abs(made.image.astype(int) - shipped).mean() < 3
    assert json.loads(json.dumps(made.truth)) == _nearly(told)


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


def _nearly(value: object) -> object:
    """Numbers compare to the last digits written, which another machine may round the other way."""
    if isinstance(value, dict):
        return {key: _nearly(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_nearly(part) for part in value]
    return pytest.approx(value, abs=0.002, rel=1e-6) if isinstance(value, float) else value
