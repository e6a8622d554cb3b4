"""Faint ticks and what only looks like one, on painted flat views with exact truth."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from extract.ink.lines import find_strokes

_spec = importlib.util.spec_from_file_location("paint", Path(__file__).with_name("paint.py"))
paint = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(paint)
BLACK, line = paint.BLACK, paint.line
WORN, PALE = (0.35, 0.35, 0.35), (0.65, 0.65, 0.65)
"""A line from a dry pen, and ink that hides a third of the tape's light."""


def kinds_of(*drawn, **how):
    return sorted(s.kind for s in find_strokes(*paint.paint(drawn, **how)))


THROUGH = (line((5, 60), (155, 60)), 1.5, WORN)


@pytest.mark.parametrize("half_mm", [4.5, 7.0])
def test_a_pale_tick_is_read_where_it_stands(half_mm):
    tick = (line((70, 60 - half_mm), (70, 60 + half_mm)), 1.0, PALE)
    strokes = find_strokes(*paint.paint([THROUGH, tick]))
    (found,) = [s for s in strokes if s.kind == "tick"]
    assert found.points_mm[:, 0] == pytest.approx(70, abs=0.3)
    assert np.ptp(found.points_mm[:, 1]) == pytest.approx(2 * half_mm, abs=1.5)


def ribbed(deg, depth=0.2, pitch_mm=1.7):
    """Light on foil with creases side by side, across the direction ``deg``."""
    across = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return lambda x, y: 1 + depth * np.sin(2 * np.pi * (x * across[0] + y * across[1]) / pitch_mm)


@pytest.mark.parametrize("deg", [75, 90, 105])
def test_slanting_ticks_are_read_on_creased_foil(deg):
    """Creases bend the skeleton of a pale tick; the tick itself is straight."""
    ticks = [(line((x, 55.5), (x + 3.5, 65)), 1.1, (0.64, 0.64, 0.64)) for x in (30, 60, 90, 120)]
    strokes = find_strokes(*paint.paint([THROUGH, *ticks], light=ribbed(deg), seed=deg))
    found = [s.points_mm for s in strokes if s.kind == "tick"]
    assert len(found) == 4
    for points, _, _ in ticks:
        nearest = min(found, key=lambda tick: np.hypot(*(tick.mean(axis=0) - points.mean(axis=0))))
        assert paint.apart_mm(nearest, points).max() < 1.0


@pytest.mark.parametrize("seed", [0, 2, 3])
def test_ticks_as_faint_as_a_crease_are_told_from_one(seed):
    ink = (0.7, 0.7, 0.7)
    ticks = [(line((x, 55.5), (x + aside, 65)), 1.0, ink) for x, aside in ((30, 0), (60, 1), (90, 2), (120, -2))]
    assert kinds_of(THROUGH, *ticks, seed=seed) == ["marker"] + ["tick"] * 4


@pytest.mark.parametrize("dark", [0.25, 0.45])
def test_a_short_wrinkle_across_a_line_is_no_tick(dark):
    """Two dark flanks with a bright crest between, as far as a tick reaches."""

    def light(x, y):
        along, across = y - 60, x - 80
        flanks = sum(np.exp(-(((across - side) / 0.4) ** 2)) for side in (-0.6, 0.6))
        return 1 + (0.2 * np.exp(-((across / 0.35) ** 2)) - dark * flanks) / (1 + np.exp((abs(along) - 5.5) / 0.2))

    assert kinds_of(THROUGH, light=light) == ["marker"]


def test_a_pale_line_that_goes_on_is_no_tick():
    """The shadow of a tape edge, as pale as the tick above."""
    assert kinds_of(THROUGH, (line((70, 15), (72, 105)), 0.6, PALE)) == ["marker"]


def test_a_pale_line_that_ends_at_the_line_is_no_tick():
    assert kinds_of(THROUGH, (line((70, 60), (70, 66)), 0.6, PALE)) == ["marker"]


def test_a_line_may_turn_under_a_tick():
    corner = (line((5, 60), (80, 60), (87, 105)), 1.5, BLACK)
    tick = (line((75.5, 65.4), (84.5, 54.6)), 1.5, BLACK)
    assert kinds_of(corner, tick) == ["marker", "tick"]


CROSSED = (line((45, 5), (50, 115)), 1.6, BLACK)
CORNERED = (line((60.5, 5), (64, 58), (155, 58)), 1.6, BLACK)


@pytest.mark.parametrize("pale", [0.71, 0.73])
def test_a_line_that_is_pale_between_a_tick_and_a_gap_goes_on(pale):
    ink, tick = (0.5, 0.5, 0.5), (line((63, 53), (63, 67)), 1.4, (0.5, 0.5, 0.5))
    pieces = [(line((5, 60), (62.5, 60)), 1.4, ink), (line((77.5, 60), (155, 60)), 1.4, ink)]
    between = (line((65.5, 60), (73, 60)), 1.4, (pale, pale, pale))
    assert kinds_of(tick, *pieces, between) == ["marker", "tick"]


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_tape_edge_does_not_carry_a_tick_on_to_a_corner(seed):
    """The edge, dark but narrower than a tip, runs over the tick and on to where another line turns:
    together they looked like one line."""
    tick, edge = line((41.5, 60.5), (53.5, 59.5)), line((36, 61.5), (64, 58))
    faint = [(edge, 0.6, (0.5, 0.5, 0.5)), (tick, 1.2, (0.55, 0.55, 0.55))]
    strokes = find_strokes(*paint.paint([CROSSED, CORNERED, *faint], seed=seed))
    assert sorted(s.kind for s in strokes) == ["marker", "marker", "tick"]
    (found,) = [s for s in strokes if s.kind == "tick"]
    assert paint.apart_mm(found.points_mm, tick).max() < 1.5


@pytest.mark.parametrize("ink", [WORN, (0.55, 0.55, 0.55)])
def test_a_line_that_is_drawn_on_to_a_corner_is_no_tick(ink):
    drawn = line((36, 61.5), (64, 58))
    strokes = find_strokes(*paint.paint([CROSSED, CORNERED, (drawn, 1.2, ink)]))
    assert [s.kind for s in strokes] == ["marker"] * 3
    assert paint.apart_mm(drawn, np.vstack([s.points_mm for s in strokes])).max() < 0.5
