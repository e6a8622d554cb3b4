"""Strokes of several photos made one."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
import shapely
from PIL import Image

from extract.doors import Array, CannotContinue, Stroke, TraceSettings
from extract.ink.several import Reading, averaged, has_moved, joined_again, moved_mm, only_there
from extract.pipeline import trace


def wave(noise_mm: float, seed: int, shift: tuple[float, float] = (0.0, 0.0), cut: float = 200.0) -> Array:
    """A wavy line, each point off by the noise, smooth over about 3 mm as lines read from a picture are."""
    rng = np.random.default_rng(seed)
    x = np.arange(0, cut, 0.5)
    smooth = np.convolve(rng.normal(0, 1, len(x) + 11), np.ones(12), "valid") / np.sqrt(12)
    return np.column_stack([x, 20 * np.sin(x / 30) + noise_mm * smooth]) + shift


def stroke(points: Array, sigma_mm: float, name: str = "s1", kind: str = "marker", colour: str = "black") -> Stroke:
    return Stroke(name, kind, colour, False, 1.6, sigma_mm, points)  # type: ignore[arg-type]


def reading(strokes: list[Stroke], camera_sd_mm: float = 0.0) -> Reading:
    return Reading(tuple(strokes), lambda points: np.full(len(points), camera_sd_mm**2))


def across(points: Array) -> Array:
    """Distance from the wave, across it."""
    slope = 20 / 30 * np.cos(points[:, 0] / 30)
    return (points[:, 1] - 20 * np.sin(points[:, 0] / 30)) / np.sqrt(1 + slope**2)


def test_two_lines_average_by_their_variances() -> None:
    """Inverse-variance weights: 1 / σ² = 1 / 0.2² + 1 / 0.1² (e.g. Taylor, Error Analysis, sec. 7.2)."""
    sizes = []
    for seed in range(12):
        one, two = wave(0.2, 2 * seed), wave(0.1, 2 * seed + 1)
        slope = np.cos(one[:, 0] / 30) * 20 / 30
        true_sd = np.array([0.2, 0.1]) * np.sqrt(np.mean(1 / (1 + slope**2)))
        (found,) = averaged(reading([stroke(one, true_sd[0])]), [reading([stroke(two, true_sd[1])])])
        expected = 1 / np.sqrt((1 / true_sd**2).sum())
        assert found.sigma_mm == pytest.approx(expected, rel=0.05)
        sizes.append(np.sqrt((across(found.points_mm) ** 2).mean()) / expected)
    assert np.mean(sizes) == pytest.approx(1.0, abs=0.12)


def test_the_better_camera_decides_and_what_one_photo_shows_stays() -> None:
    one, two = wave(0.0, 1), wave(0.0, 2, (0.0, 0.6), cut=120.0)
    alone = stroke(np.column_stack([np.arange(0, 50, 0.5), np.full(100, 90.0)]), 0.1, "s2")
    first, second = reading([stroke(one, 0.1), alone], camera_sd_mm=0.3), reading([stroke(two, 0.1)])
    found = averaged(first, [second])
    assert np.array_equal(found[1].points_mm, alone.points_mm) and found[1].sigma_mm == 0.1
    moved = found[0].points_mm[:, 1] - one[:, 1]
    middle, beyond = (one[:, 0] > 20) & (one[:, 0] < 100), one[:, 0] > 125
    # weights 1 / (0.1² + 0.3²) against 1 / 0.1²: ten elevenths of the way, across a line that leans up to 34°
    assert moved[middle].max() == pytest.approx(0.6 * 10 / 11, abs=0.06)
    assert np.all(moved[beyond] == 0)
    # eased out over 3 mm: a normal of σ 1.5 mm falls by at most 2 / (1.5 √2π) of 0.55 mm in each mm
    assert np.abs(np.diff(moved)).max() < 0.17


def test_lines_of_another_colour_or_too_far_away_are_others() -> None:
    one = stroke(wave(0.0, 1), 0.1)
    for other in (stroke(wave(0.0, 1, (0, 0.5)), 0.1, colour="red"), stroke(wave(0.0, 1, (0, 2.5)), 0.1)):
        (found,) = averaged(reading([one]), [reading([other])])
        assert np.array_equal(found.points_mm, one.points_mm)


def test_a_push_is_measured_and_told_from_what_cameras_explain() -> None:
    cross = np.column_stack([np.full(200, 60.0), np.arange(-50, 50, 0.5)])
    first = reading([stroke(wave(0.05, 1), 0.1), stroke(cross, 0.1)], 0.1)
    still = reading([stroke(wave(0.05, 2), 0.1), stroke(cross, 0.1)], 0.1)
    pushed = reading([stroke(wave(0.05, 2, (2.5, -1.5)), 0.1), stroke(cross + np.array([2.5, -1.5]), 0.1)], 0.1)
    assert not has_moved(*moved_mm(first, still))
    off, explained = moved_mm(first, pushed)
    assert off == pytest.approx(np.hypot(2.5, 1.5), abs=0.1)
    # each coordinate of each camera 0.1 mm: √(2 · 2) · 0.1
    assert explained == pytest.approx(0.2, rel=1e-6)
    assert has_moved(off, explained) and not has_moved(off, 1.0)


def test_lines_that_met_still_meet() -> None:
    """A crossbar between an edge and an upright, each moved a little for itself."""
    edge = np.array([[0.0, -30], [0, 30], [80, 30], [80, -30]])
    bar = stroke(np.column_stack([np.arange(-0.05, 40.06, 0.25), np.zeros(161)]), 0.1, "bar")
    upright = stroke(np.column_stack([np.full(161, 40.0), np.arange(-20, 20.1, 0.25)]), 0.1, "upright")
    apart = [replace(bar, points_mm=bar.points_mm * (0.99, 1.0) + (0.25, 0.1)), upright]
    assert not shapely.LineString(apart[0].points_mm).intersects(shapely.LineString(upright.points_mm))
    moved_edge = edge - (0.05, 0)
    met = joined_again([bar, upright], apart, [edge], [moved_edge])
    line = shapely.LineString(met[0].points_mm)
    assert line.intersects(shapely.LineString(met[1].points_mm)) and line.intersects(shapely.LinearRing(moved_edge))
    # what was drawn is kept: points are added at the ends alone
    assert np.array_equal(met[0].points_mm[1:-1], apart[0].points_mm) and met[1] is not bar
    assert np.array_equal(met[1].points_mm, upright.points_mm)


def test_one_photo_given_twice_is_refused() -> None:
    """It would count as two and make everything look surer than it is."""
    out = io.BytesIO()
    Image.new("RGB", (60, 40)).save(out, "PNG")
    with pytest.raises(CannotContinue, match=r"a\.png and b\.png are the same photo"):
        trace([("a.png", out.getvalue()), ("b.png", out.getvalue())], TraceSettings())


def test_lines_only_the_other_photo_shows_are_told() -> None:
    line = stroke(np.column_stack([np.arange(0, 40, 0.5), np.full(80, 70.0)]), 0.1, "s9")
    short = stroke(np.column_stack([np.arange(0, 8, 0.5), np.full(16, 95.0)]), 0.1, "s8")
    ((where, length),) = only_there(reading([stroke(wave(0, 1), 0.1)]), reading([stroke(wave(0, 1), 0.1), line, short]))
    assert length == pytest.approx(39.5) and where == pytest.approx([19.75, 70.0])
