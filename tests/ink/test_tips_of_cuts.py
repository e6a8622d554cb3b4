"""The tip of a relief cut, found by what the finest of the picture shows, on painted cuts of known place."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import Polygon

from extract.ink import silhouette_notches
from extract.ink.silhouette import find_silhouette
from extract.ink.silhouette_darts import Wedge
from extract.ink.silhouette_hair import into_ink
from extract.ink.silhouette_notches import as_promised
from extract.ink.silhouette_tips import seen_tip

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)

WHITE = np.full(3, 255, np.float32)
INWARDS = -np.array([np.cos(np.radians(70)), np.sin(np.radians(70))])
ACROSS = np.array([-INWARDS[1], INWARDS[0]])


def end_of(tip, off_mm):
    """A cut's last 30 mm as read with the tip ``off_mm`` too deep."""
    feet = [tip - 30 * INWARDS + sign * 1.8 * ACROSS for sign in (1, -1)]
    return np.array([feet[0], tip + off_mm * INWARDS, feet[1]])


@pytest.mark.parametrize("table", ["mat", "dark_cloth"])
def test_a_tip_is_put_where_the_cut_is_seen_to_end(table):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    flat = tables.paint(truth, table)
    for off_mm in (-3.0, -1.0, 0.0, 2.5):
        before = end_of(tip, off_mm)
        found = seen_tip(flat, WHITE, before)
        assert found[[0, 2]] == pytest.approx(before[[0, 2]])
        assert np.hypot(*(found[1] - tip)) < 1.5  # the cut is thinner than 0.2 mm there, less than a pixel


def test_a_stroke_across_the_cut_does_not_move_the_tip():
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    for beyond_mm in (-4.0, 2.5):  # over the cut, and a little past it
        middle = tip + beyond_mm * INWARDS
        flat = tables.paint(truth, "mat", strokes=[([middle - 40 * ACROSS, middle + 40 * ACROSS], 1.6)])
        found = seen_tip(flat, WHITE, end_of(tip, 1.0))
        assert np.hypot(*(found[1] - tip)) < 1.5  # the cut is thinner than 0.2 mm there, less than a pixel


def test_bare_shell_leaves_the_tip_alone():
    before = end_of(tables.CENTRE, 0.0)
    found = seen_tip(tables.paint(tables.wavy_ring(), "planks"), WHITE, before)
    assert np.hypot(*(found[1] - before[1])) < 1e-9


@pytest.mark.parametrize("table", ["mat", "dark_cloth"])
def test_a_hair_is_followed_past_a_stroke_and_past_where_the_sides_seemed_to_meet(table):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    middle = tip - 6.0 * INWARDS
    strokes = [([middle - 40 * ACROSS, middle + 40 * ACROSS], 1.6)]
    found = seen_tip(tables.paint(truth, table, strokes=strokes), WHITE, end_of(tip, -9.0))
    assert np.hypot(*(found[1] - tip)) < 1.5  # the cut is thinner than 0.2 mm there, less than a pixel


def test_a_stroke_that_begins_past_the_tip_is_not_followed():
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    line = [tip + 6.0 * INWARDS - 40 * ACROSS, tip + 6.0 * INWARDS + 40 * ACROSS]
    flat = tables.paint(truth, "mat", strokes=[(line, 2.0)])
    found = seen_tip(flat, WHITE, end_of(tip, 0.0))
    assert np.hypot(*(found[1] - tip)) < 1.5


@pytest.mark.parametrize("table", ["mat", "dark_cloth"])
def test_a_narrow_cut_is_followed_far_past_where_its_sides_seemed_to_meet(table):
    """A cut of 1.8 mm, of which only the first third was seen open, askew, and a line drawn aslant across the rest."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 1.8, 60.0)
    middle, aslant = tip - 12.0 * INWARDS, ACROSS + 0.7 * INWARDS
    flat = tables.paint(truth, table, strokes=[([middle - 40 * aslant, middle + 40 * aslant], 1.6)])
    base = tip - 45.0 * INWARDS
    end = np.array([base + 0.8 * ACROSS, base + 20.0 * INWARDS + 0.3 * ACROSS, base - 0.8 * ACROSS])
    found = seen_tip(flat, WHITE, end, 16.0)
    short, aside = (tip - found[1]) @ INWARDS, (tip - found[1]) @ ACROSS
    assert -1.0 < short < 6.0  # over its last 6 mm it is thinner than 0.2 mm, less than a pixel
    assert abs(aside) < 0.5


@pytest.mark.parametrize("grazing", [False, True])
def test_a_stroke_that_runs_on_where_the_cut_ends_is_not_followed(grazing):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    line = [tip + 1.5 * INWARDS, tip + 40 * INWARDS + 1.5 * ACROSS]
    if grazing:
        line = [tip + along * INWARDS + (1.2 + 0.006 * along**2) * ACROSS for along in np.linspace(-30, 40, 30)]
    flat = tables.paint(truth, "mat", strokes=[(line, 1.8)])
    assert np.hypot(*(seen_tip(flat, WHITE, end_of(tip, 0.0))[1] - tip)) < 2.0


@pytest.mark.parametrize("rows", [1, 2, 40])
def test_a_hair_seen_to_the_strips_last_row_meets_no_line_there(rows):
    assert into_ink(np.zeros(rows, bool), rows - 1) == rows - 1


def test_a_scratch_past_the_end_of_a_blunt_cut_is_not_its_hair():
    """The cut is 12 mm wide and 40 deep, open on the map until 0.87 mm wide; the scratch begins 1.5 mm past its tip."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 12.0, 40.0)
    scratch = [tip + 1.5 * INWARDS, tip + 3.0 * INWARDS]
    flat = tables.paint(truth, "mat", strokes=[(scratch, 0.4)])
    feet = [tip - 16 * INWARDS + sign * 2.4 * ACROSS for sign in (1, -1)]
    found = seen_tip(flat, WHITE, np.array([feet[0], tip + 0.3 * INWARDS, feet[1]]), 16 - 0.87 / 0.3)
    assert np.hypot(*(found[1] - tip)) < 1.0


def test_a_tip_far_beyond_where_the_outlines_sides_meet_is_not_believed():
    base = np.array([[0.0, 2.0], [0.0, -2.0]])
    wedge = Wedge(base, np.array([1.0, 0.0]), 40.0, 2.0, 35.0)
    for deep_mm, kept in ((38.0, True), (45.0, True), (60.0, False)):
        end = np.array([[0.0, 2.5], [deep_mm, 1.0], [0.0, -2.5]])
        assert as_promised(end, wedge) == pytest.approx(end if kept else np.array([base[0], [40.0, 0.0], base[1]]))


def test_an_outline_keeps_to_what_its_own_sides_promise(monkeypatch):
    """Whatever was taken for the sides of the cut, a bright tape edge beside it for one."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    astray = tip + 40 * INWARDS + 4 * ACROSS

    def misled(flat, models, wedge):
        return np.stack([wedge.base[0], astray, wedge.base[1]])

    monkeypatch.setattr(silhouette_notches, "follow", misled)
    (ring,) = find_silhouette(tables.paint(truth, "mat")).rings_mm
    beside = np.abs((ring - tip) @ ACROSS) < 6
    deep = ((ring - tip) @ INWARDS)[beside & ((ring - tables.CENTRE) @ INWARDS < 0)]
    assert -1.5 < deep.max() < 1.5


@pytest.mark.parametrize(("bow_mm", "waver_mm"), [(4.0, 0.0), (0.0, 0.6)], ids=["bent", "wavering"])
@pytest.mark.parametrize("table", ["mat", "planks"])
def test_a_cut_keeps_its_own_sides_where_they_are_seen_apart(table, bow_mm, waver_mm):
    """Scissors waver and turn: a cut 7 mm wide and 60 deep whose middle bows, or whose sides swing every 14 mm."""
    share = np.linspace(-0.15, 1, 200)
    swing = waver_mm * np.sin(2 * np.pi * 60 * share / 14)
    middle = 4 * bow_mm * share * (1 - share) + swing
    mouth = tables.with_cut(tables.wavy_ring(), 70.0, 7.0, 60.0)[1] - 60 * INWARDS
    sides = [
        mouth + 60 * share[:, None] * INWARDS + (middle + sign * 3.5 * (1 - share))[:, None] * ACROSS
        for sign in (1, -1)
    ]
    truth = np.asarray(
        Polygon(tables.wavy_ring()).difference(Polygon([*sides[0], *sides[1][::-1]])).exterior.coords[:-1]
    )
    (ring,) = find_silhouette(tables.paint(truth, table)).rings_mm
    apart = np.vstack([side[(share > 0.05) & (7 * (1 - share) > 2)] for side in sides])
    assert shapely.distance(shapely.points(apart), shapely.LinearRing(ring)).max() < 0.4
    assert np.hypot(*(ring - sides[0][-1]).T).min() < 1.5
