"""One picture per room, on a shell of plain shapes whose lines lie at known pixels."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from extract.doors import CannotContinue, FlatView, Photo, Tracing
from extract.explain import LEAF, RUST, explain, pictures
from extract.graph.build import build_graph
from extract.outline.panels import fit_panels
from extract.pattern.parts import make_pattern

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from plain_shell import plain_shell

ROOMS = ["1-cards", "2-flat-view", "3-ink", "4-strokes", "5-cut-edge", "6-graph", "7-curves", "8-pattern"]


@pytest.fixture(scope="module")
def tracing() -> Tracing:
    """The plain shell with its black line painted in, the first tenth of its cut edge unsure, and cut into panels."""
    plain = plain_shell()
    pixels = plain.flat.pixels.copy()
    pixels[:, 239:242] = 30
    ring = plain.silhouette.rings_mm[0]
    silhouette = replace(plain.silhouette, unsure=(np.arange(len(ring)) < len(ring) // 10,))
    panels = fit_panels(build_graph(silhouette, plain.strokes[:1]), 0.2, lambda points: 0.1)
    return replace(
        plain,
        photos=(Photo("shell.jpg", np.full((1500, 2000, 3), 90, np.uint8), "0" * 64),),
        flat=FlatView(pixels, plain.flat.mm_per_px, plain.flat.origin_mm, plain.flat.valid),
        silhouette=silhouette,
        panels=panels,
        pattern=make_pattern(panels, plain.strokes, "shell.jpg", "2026-01-02"),
    )


@pytest.fixture(scope="module")
def shown(tracing: Tracing) -> dict[str, np.ndarray]:
    found = pictures(tracing)
    return {name: cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR) for name, png in found.items()}


def colour_share(picture: np.ndarray, colour: tuple[int, int, int]) -> float:
    return float((np.abs(picture.astype(int) - colour).max(axis=2) < 12).mean())


def test_every_room_has_its_picture_with_a_legend(shown):
    assert [name.removesuffix(".png") for name in shown] == ROOMS
    for picture in shown.values():
        strip = picture[-60:]
        assert strip.min() < 60 and strip.max() == 255, "the legend stands in black on white at the foot"


def test_lines_are_drawn_where_they_lie(shown):
    """The painted line runs down the middle of the shell, and so of the picture."""
    row = shown["3-ink.png"][140].astype(int)
    inked = np.flatnonzero(np.abs(row - LEAF).max(axis=1) < 30)
    assert 1 <= len(inked) <= 5
    assert inked.mean() == pytest.approx(len(row) / 2, abs=2)


def test_unsure_stretches_of_the_cut_edge_stand_out(tracing, shown):
    edge = shown["5-cut-edge.png"]
    left, top = 8 / tracing.flat.mm_per_px, 8 / tracing.flat.mm_per_px  # the picture begins 8 mm outside the shell
    unsure, sure = (int(left + x / tracing.flat.mm_per_px) for x in (30, 150))
    assert np.abs(edge[int(top), unsure].astype(int) - RUST).max() < 30
    assert np.abs(edge[int(top), sure].astype(int) - LEAF).max() < 30


def test_corners_are_marked_on_the_curves(shown):
    assert colour_share(shown["7-curves.png"], RUST) > 2e-4


def test_files_are_written_and_a_bad_folder_is_refused(tracing, tmp_path):
    assert [path.name for path in explain(tracing, tmp_path / "why")] == [f"{room}.png" for room in ROOMS]
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(CannotContinue, match="Choose another folder"):
        explain(tracing, tmp_path / "file")
