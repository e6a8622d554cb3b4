"""Following ink between two taps, on drawn lines whose place is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely

from extract.doors import Array, Bytes
from extract.ink.follow import follow_ink

MM_PER_PX = 0.25
ORIGIN = (-10.0, 5.0)


def bow() -> Array:
    """An arc of 120 mm chord that bows 15 mm aside."""
    x = np.linspace(10, 130, 400)
    return np.stack([x, 60 - 15 * np.sin((x - 10) / 120 * np.pi)], axis=1)


def shell(lines: list[Array], contrast: int, width_mm: float = 1.6, noise: float = 4.0) -> Bytes:
    """Grey tape of 150, lit from one side, with lines darker by ``contrast``."""
    picture = np.tile(np.linspace(140, 165, 640), (480, 1)).astype(np.float32)
    drawn = np.zeros((480, 640), np.uint8)
    for line in lines:
        at = np.round(((line - ORIGIN) / MM_PER_PX) * 16).astype(np.int32)
        cv2.polylines(drawn, [at], False, 255, round(width_mm / MM_PER_PX), cv2.LINE_AA, 4)
    picture -= contrast * (drawn / 255.0)
    picture += np.random.default_rng(2).normal(0, noise, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("contrast", [100, 18], ids=("clear", "faint"))
def test_two_taps_follow_a_bowed_line(contrast: int) -> None:
    line = bow()
    found = follow_ink(shell([line], contrast), MM_PER_PX, ORIGIN, line[[0, -1]])
    off = shapely.distance(shapely.points(found), shapely.LineString(line))
    assert np.sqrt((off**2).mean()) < 0.3
    assert off.max() < 0.8
    assert shapely.LineString(found).length == pytest.approx(shapely.LineString(line).length, rel=0.01)
    assert np.array_equal(found[[0, -1]], line[[0, -1]])


def test_a_gap_in_the_ink_is_bridged() -> None:
    line = bow()
    found = follow_ink(shell([line[:180], line[215:]], 100), MM_PER_PX, ORIGIN, line[[0, -1]])
    assert shapely.distance(shapely.points(found), shapely.LineString(line)).max() < 1.0


def test_without_ink_the_way_is_straight() -> None:
    ends = bow()[[0, -1]]
    assert np.array_equal(follow_ink(shell([], 100), MM_PER_PX, ORIGIN, ends), ends)


def test_a_tap_between_chooses_the_other_way_round() -> None:
    upper = bow()
    lower = np.stack([upper[:, 0], 120 - upper[:, 1]], axis=1)
    both = shell([upper, lower], 100)
    middle = lower[200]
    found = follow_ink(both, MM_PER_PX, ORIGIN, np.stack([lower[0], middle, lower[-1]]))
    assert shapely.distance(shapely.points(found), shapely.LineString(lower)).max() < 0.8
    assert (found == middle).all(axis=1).any()


def test_places_at_the_pictures_rim_do_no_harm() -> None:
    line = bow()
    far = np.array([[-500.0, -500.0], [500.0, 500.0]])
    assert np.isfinite(follow_ink(shell([line], 100), MM_PER_PX, ORIGIN, far)).all()
    assert np.array_equal(follow_ink(shell([line], 100), MM_PER_PX, ORIGIN, far[[0, 0]]), far[[0, 0]])
