"""Lines whose ink is lost over centimetres, on painted flat views with exact truth."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from extract.ink.ahead import way_ahead
from extract.ink.lines import find_strokes

_spec = importlib.util.spec_from_file_location("paint", Path(__file__).with_name("paint.py"))
paint = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(paint)
PALE = (0.62, 0.62, 0.62)
"""Ink that glare lies on."""
THROUGH = paint.line((5, 90), (155, 90))


def creases(seed, depth=0.08):
    """Crumpled foil: light that changes at random over about a millimetre, a twelfth of it (1 sigma)."""

    def light(x, y):
        rough = gaussian_filter(np.random.default_rng(seed).normal(size=x.shape), 0.55 / paint.MM_PER_PX)
        return 1 + depth * rough / rough.std()

    return light


def in_glare(where, share, light):
    """``light`` with ink along the points of ``where`` that takes only ``share`` of the light."""

    def mixed(x, y):
        apart = paint.cKDTree(where).query(np.stack([x, y], axis=-1).reshape(-1, 2))[0].reshape(x.shape)
        return light(x, y) * (1 - share * np.clip((0.8 - apart) / paint.MM_PER_PX + 0.5, 0, 1))

    return mixed


@pytest.mark.parametrize("seed", range(4))
def test_a_line_goes_on_along_faint_ink_among_creases(seed):
    bow = paint.arc((80, 260), 200, 249.6, 290.4)
    left, middle, right = (bow[(bow[:, 0] > a) & (bow[:, 0] < b)] for a, b in ((0, 60), (60, 100), (100, 160)))
    flat, shell = paint.paint(
        [(left, 1.6, PALE), (right, 1.6, PALE)], seed=seed, light=in_glare(middle, 0.25, creases(seed))
    )
    longest = max(find_strokes(flat, shell), key=lambda s: np.ptp(s.points_mm[:, 0]))
    assert longest.points_mm[:, 0].min() < 12 and longest.points_mm[:, 0].max() > 148
    assert paint.apart_mm(longest.points_mm, bow).max() < 1.0


@pytest.mark.parametrize("seed", range(4))
def test_a_line_goes_on_to_the_line_it_was_drawn_to(seed):
    dark, faint = paint.line((80, 10), (80, 52)), paint.line((80, 52), (80, 90))
    flat, shell = paint.paint(
        [(dark, 1.6, PALE), (THROUGH, 1.6, PALE)], seed=seed, light=in_glare(faint, 0.25, creases(seed))
    )
    leg = max(find_strokes(flat, shell), key=lambda s: np.ptp(s.points_mm[:, 1]))
    assert leg.points_mm[:, 1].max() == pytest.approx(90, abs=0.5)
    assert abs(leg.points_mm[:, 0] - 80).max() < 1.0


@pytest.mark.parametrize("seed", range(6))
def test_a_line_that_ends_ends_among_creases_too(seed):
    flat, shell = paint.paint(
        [(paint.line((80, 10), (80, 52)), 1.6, PALE), (THROUGH, 1.6, PALE)], seed=seed, light=creases(seed)
    )
    leg = max(find_strokes(flat, shell), key=lambda s: np.ptp(s.points_mm[:, 1]))
    assert leg.points_mm[:, 1].max() == pytest.approx(52, abs=2.0)


def valley(aside):
    return 0.3 * np.exp(-((aside / 0.9) ** 2))


def shade(aside):
    return 0.35 * np.clip(1 - abs(aside + 1.2) / 1.6, 0, 1)


@pytest.mark.parametrize("fold", [valley, shade])
def test_a_fold_from_the_end_of_a_line_to_another_line_carries_it_no_further(fold):
    def light(x, y):
        aside = x - 80 - 0.5 * np.sin(y / 2.1) - 0.3 * np.sin(y / 1.3 + 1)
        return np.where((y > 51) & (y < 90), 1 - fold(aside), 1.0)

    flat, shell = paint.paint([(paint.line((80, 10), (80, 52)), 1.6, PALE), (THROUGH, 1.6, PALE)], seed=1, light=light)
    leg = max(find_strokes(flat, shell), key=lambda s: np.ptp(s.points_mm[:, 1]))
    assert leg.points_mm[:, 1].max() == pytest.approx(52, abs=2.0)


def test_the_way_ahead_follows_a_bend():
    """Against the circle it was drawn along."""
    ring = paint.arc((-10, 60), 90, -40, 40)
    flat, _ = paint.paint([])
    x, y = paint.grid_mm()[..., 0], paint.grid_mm()[..., 1]
    dark = np.exp(-((np.hypot(x + 10, y - 60) - 90) ** 2) / 0.72).astype(np.float32)
    marks = np.where(y > 90, 7, 0).astype(np.float32)
    way = way_ahead(flat, dark, marks, np.array([80.0, 60.0]), np.array([0.0, 1.0]), 1.0)
    assert way.mark == 7 and way.points_mm[-1, 1] == pytest.approx(90, abs=0.6)
    assert paint.apart_mm(way.points_mm, ring).max() < 0.4


def test_two_ends_that_face_each_other_are_one_line_where_nothing_is_seen_between():
    bow = paint.arc((80, 260), 200, 248, 292)
    left, right = bow[bow[:, 0] < 72], bow[bow[:, 0] > 88]
    (stroke,) = find_strokes(*paint.paint([(left, 1.6, PALE), (right, 1.6, PALE)]))
    assert np.hypot(*np.diff(stroke.points_mm, axis=0).T).max() < 1.0
    assert paint.apart_mm(stroke.points_mm, bow).max() < 0.5


def test_ends_beside_each_other_stay_two_lines():
    upper, lower = paint.line((5, 50), (72, 50)), paint.line((88, 62), (155, 62))
    assert len(find_strokes(*paint.paint([(upper, 1.6, PALE), (lower, 1.6, PALE)]))) == 2


def test_a_ring_of_which_a_part_is_not_seen_is_whole():
    """Against the circle it was drawn along: over the gap it turns by 50 degrees."""
    (ring,) = find_strokes(*paint.paint([(paint.arc((80, 60), 12, 25, 335), 1.6, PALE)]))
    assert ring.closed
    assert paint.apart_mm(ring.points_mm, paint.arc((80, 60), 12)).max() < 0.5


def test_ends_that_turn_away_from_each_other_are_no_arc():
    """A line that would have to bend first one way and then the other, by 28 degrees each."""
    aslant = np.array([np.cos(np.radians(28)), np.sin(np.radians(28))])
    left, right = np.array([75.0, 60.0]), np.array([85.0, 60.0])
    drawn = [paint.line(left - 40 * aslant, left), paint.line(right, right + 40 * aslant)]
    assert len(find_strokes(*paint.paint([(part, 1.6, PALE) for part in drawn]))) == 2
