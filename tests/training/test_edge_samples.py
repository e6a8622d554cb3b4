"""What the edge reader is trained on: scenes from above with exact cover; areas are shapely's."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from shapely import Polygon

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "training"))
import edge_samples

DEMO = Path(__file__).parents[2] / "extract" / "scene" / "moth-lantern.jpg"


@pytest.fixture(scope="module")
def scene():
    return edge_samples.read_scene(DEMO)


def test_cover_from_above_has_the_area_of_the_outline(scene):
    exact = Polygon(scene.ring).area
    assert scene.shell.sum() / 255 == pytest.approx(exact, rel=2e-3)
    assert scene.value.shape == (*scene.shell.shape, 3)


def test_the_picture_changes_where_the_cover_does(scene):
    """The table is wood, the shell grey: within a millimetre of the outline the two differ as they do further off."""
    value, cover = scene.value.astype(float), scene.shell
    inside, outside = value[cover == 255].mean(0), value[cover == 0].mean(0)
    ring = np.round(scene.ring[::40]).astype(int)
    seen = np.array([value[y - 2 : y + 3, x - 2 : x + 3].reshape(25, 3) for x, y in ring])
    share = np.array([cover[y - 2 : y + 3, x - 2 : x + 3].reshape(25) for x, y in ring]) / 255
    way = (inside - outside) / np.linalg.norm(inside - outside)
    along = seen @ way
    assert np.corrcoef(along.ravel(), share.ravel())[0, 1] > 0.6


def test_likeness_to_the_table_tells_table_from_shell(scene):
    likeness = scene.likeness[..., 0].astype(float)
    assert np.median(likeness[scene.shell == 0]) > np.median(likeness[scene.shell == 255]) + 20


def test_on_an_invented_table_the_shell_stays_and_is_only_cut(scene):
    changes = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        sample = edge_samples.window(scene, 300, rng)
        laid = edge_samples.on_invented_table(sample, rng)
        assert laid.value.shape == sample.value.shape
        assert laid.value.min() >= 0
        assert (laid.shell <= sample.shell + 0.5).all()
        away, stayed = sample.shell == 0, laid.shell == 1
        if away.any() and stayed.any():
            assert laid.shell.sum() < sample.shell.sum()
            apart = np.abs(laid.value - sample.value)
            changes.append((apart[away].mean(), apart[stayed].mean()))
    assert len(changes) >= 5
    table, shell = np.mean(changes, axis=0)
    assert table > 2 * shell


def test_a_patch_is_input_and_cover_of_one_place(scene):
    rng = np.random.default_rng(5)
    seen, cover = edge_samples.patch(edge_samples.window(scene, 384, rng), 128, rng)
    assert seen.shape == (128, 128, 8)
    assert cover.shape == (128, 128)
    assert 0 <= cover.min() <= cover.max() <= 1


def test_the_same_seed_gives_the_same_patch(scene):
    one, other = (
        edge_samples.patch(edge_samples.window(scene, 200, np.random.default_rng(9)), 64, np.random.default_rng(9))
        for _ in range(2)
    )
    assert np.array_equal(one[0], other[0])
