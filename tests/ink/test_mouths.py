"""Beginnings of narrow cuts told from other lines at the edge of a shell, on painted ones of known place."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from extract.ink import silhouette_slits
from extract.ink.silhouette_mouths import Mouth, beginnings, mouths
from extract.ink.silhouette_net import CLIP
from extract.ink.silhouette_read import read_shell
from extract.ink.silhouette_refine import SPACING_MM
from extract.ink.silhouette_ring import resample

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)

WHITE = np.full(3, 255, np.float32)
INWARDS = -np.array([np.cos(np.radians(70)), np.sin(np.radians(70))])
CUT, TIP = tables.with_cut(tables.wavy_ring(), 70.0, 1.6, 60.0)
EDGE = TIP - 60 * INWARDS
WHOLE = resample(tables.wavy_ring()[::-1], SPACING_MM)
"""The outline of a shell of which no cut is known."""


def no_map():
    """A reading that says nothing."""
    return SimpleNamespace(map=None, models=SimpleNamespace(white=WHITE))


def near(found, at=EDGE):
    return [mouth for mouth in found if np.hypot(*(mouth.at - at)) < 3.0]


@pytest.mark.parametrize("slant_deg", [0, 30, -40])
def test_a_line_that_comes_to_the_edge_is_found_where_it_does_and_the_way_it_runs(slant_deg):
    turn = np.radians(slant_deg)
    way = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ INWARDS
    flat = tables.paint(tables.wavy_ring(), "melamine", strokes=[([EDGE - 5 * way, EDGE + 45 * way], 1.6)])
    mouth = mouths(flat, WHOLE)[0]
    assert np.hypot(*(mouth.at - EDGE)) < 1.6  # a pen's width
    assert np.degrees(np.arccos(mouth.axis @ way)) < 2.5


def test_a_line_that_is_bright_at_the_edge_and_dark_farther_in_is_found_the_way_it_runs():
    """As a cut is whose table shows at its mouth and whose tip lies in its own shadow: 0.8 mm wide on plain tape."""
    halves = [([EDGE - 5 * INWARDS, EDGE + 11 * INWARDS], 0.4), ([EDGE + 11 * INWARDS, EDGE + 45 * INWARDS], 0.1)]
    flat = tables.paint(tables.wavy_ring(), "melamine", [(half, 0.8, 3 * (light,)) for half, light in halves])
    mouth = mouths(flat, WHOLE)[0]
    assert np.hypot(*(mouth.at - EDGE)) < 1.0
    assert np.degrees(np.arccos(mouth.axis @ INWARDS)) < 4.0


@pytest.mark.parametrize("table", ["planks", "melamine", "mat"])
def test_a_cut_begins_where_one_was_cut_and_not_where_a_line_was_drawn(table):
    line = [EDGE - 5 * INWARDS, EDGE + 45 * INWARDS]
    for flat, is_cut in (
        (tables.paint(CUT, table), True),
        (tables.paint(tables.wavy_ring(), table, strokes=[(line, 1.6)]), False),
    ):
        likely = beginnings(flat, WHITE, near(mouths(flat, WHOLE))).max()
        assert (likely > silhouette_slits.SURE_MOUTH) == is_cut


@pytest.mark.parametrize("ink", ["red", "blue"])
@pytest.mark.parametrize("table", ["planks", "melamine", "mat", "gingham"])
def test_a_coloured_line_begins_as_no_cut_does(table, ink):
    """Be it in the table's own colour."""
    line = [EDGE - 5 * INWARDS, EDGE + 45 * INWARDS]
    flat = tables.paint(tables.wavy_ring(), table, [(line, 1.6, tables.INKS[ink])])
    assert beginnings(flat, WHITE, near(mouths(flat, WHOLE))).max() < silhouette_slits.SURE_MOUTH


def test_a_picture_without_a_line_has_no_mouths():
    flat = tables.paint(tables.wavy_ring(), "melamine")
    assert not mouths(replace(flat, pixels=np.full_like(flat.pixels, 120)), WHOLE)


def test_a_cut_that_is_known_begins_nowhere():
    """The outline runs into it."""
    flat = tables.paint(CUT, "mat")
    wide = resample(tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 60.0)[0][::-1], SPACING_MM)
    for ring, count in ((WHOLE, 1), (wide, 0)):
        assert sum(mouth.axis @ INWARDS > 0.98 for mouth in near(mouths(flat, ring))) == count


@pytest.mark.parametrize("table", ["planks", "mat"])
def test_a_cut_of_which_the_map_shows_nothing_is_found_by_its_beginning(table):
    flat = tables.paint(CUT, table)
    reading = read_shell(flat)
    blind = replace(reading, map=replace(reading.map, odds=np.full_like(reading.map.odds, CLIP)))
    (slit,) = silhouette_slits.find_slits(flat, blind, WHOLE)
    assert np.hypot(*(slit.end[1] - TIP)) < 2.0
    assert np.hypot(*(slit.end[[0, 2]].mean(axis=0) - EDGE)) < 1.6  # the cut's own width


def told(monkeypatch, lead, begins, end):
    """Streak, beginning and end as if the map and the networks said so."""
    for name, instead in {
        "leads": lambda *_: [lead],
        "mouths": lambda *_: [Mouth(WHOLE[0], INWARDS)],
        "beginnings": lambda *_: np.array([begins, 0.0]),
        "cut_end": lambda *_: lead.mouth + 40 * INWARDS,
        "likelihoods": lambda *_: (0.993, end),
    }.items():
        monkeypatch.setattr(silhouette_slits, name, instead)


@pytest.mark.parametrize(
    ("begins", "end", "count"), [(0.999, 0.5, 1), (0.9, 0.5, 0), (0.999, 0.2, 0), (0.9, 0.9, 1), (0.001, 0.9, 0)]
)
def test_what_surely_begins_as_a_cut_need_not_be_as_sure_at_its_end(monkeypatch, begins, end, count):
    """A streak of the map, likely a cut as such; where its end is sure its beginning is not asked for, as long as it is
    not surely that of none: an edge of tape tapers, too."""
    told(monkeypatch, silhouette_slits.Lead(EDGE, INWARDS, 25.0, 1.0), begins, end)
    assert len(silhouette_slits.find_slits(None, no_map(), WHOLE)) == count


def test_what_goes_on_from_the_end_of_a_cut_need_not_begin_as_one(monkeypatch):
    """No table is seen outside of it but the cut."""
    ring, end = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 20.0)
    told(monkeypatch, silhouette_slits.Lead(end, INWARDS, 25.0, 1.0), 0.0, 0.9)
    assert len(silhouette_slits.find_slits(None, no_map(), resample(ring[::-1], SPACING_MM))) == 1


@pytest.mark.parametrize(("aside_deg", "count"), [(0, 0), (15, 1)])
def test_a_cut_does_not_run_into_another(monkeypatch, aside_deg, count):
    """A straight line towards the end of a cut, begun beside its mouth, as a bent one has, and one turned away."""
    ring, end = tables.with_cut(tables.wavy_ring(), 70.0, 5.0, 60.0)
    beside = EDGE + 7 * np.array([-INWARDS[1], INWARDS[0]])
    turn = np.radians(aside_deg)
    way = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ ((end - beside) / 60)
    told(monkeypatch, silhouette_slits.Lead(beside, way, 25.0, 1.0), 0.999, 0.9)
    monkeypatch.setattr(silhouette_slits, "cut_end", lambda *_: beside + 60 * way)
    assert len(silhouette_slits.find_slits(None, no_map(), resample(ring[::-1], SPACING_MM))) == count


def test_a_cut_is_looked_for_from_several_depths_and_the_likeliest_end_is_taken(monkeypatch):
    """A strip that is laid from where the cut is open shows more of it or less, and may miss its end."""
    ends = {mm: EDGE + (mm + 20) * INWARDS for mm in silhouette_slits.OPEN_MM}
    likely = {mm: 0.9 + 0.002 * mm for mm in ends}
    for name, instead in {
        "leads": lambda *_: [],
        "mouths": lambda *_: [Mouth(EDGE, INWARDS)],
        "beginnings": lambda *_: np.array([1.0]),
        "cut_end": lambda flat, white, base, open_mm, axis, least: ends.get(open_mm),
        "likelihoods": lambda flat, white, tip, way: next(
            (likely[mm], 0.4) for mm, end in ends.items() if np.allclose(end, tip)
        ),
    }.items():
        monkeypatch.setattr(silhouette_slits, name, instead)
    monkeypatch.setattr(silhouette_slits, "LIKELY_CUT", 0.93)
    reading = no_map()
    (slit,) = silhouette_slits.find_slits(None, reading, WHOLE)
    assert slit.end[1] == pytest.approx(ends[24.0])


@pytest.mark.parametrize(("reach_mm", "begins", "count"), [(45.0, 1.0, 1), (20.0, 1.0, 0), (45.0, 0.5, 0)])
def test_a_cut_that_surely_begins_is_cut_as_far_as_the_map_shows_it(monkeypatch, reach_mm, begins, count):
    """Nothing is seen of its end, which a tape's edge in line with it hides."""
    lead = silhouette_slits.Lead(EDGE, INWARDS, reach_mm, 2.0)
    for name, instead in {
        "leads": lambda *_: [lead],
        "mouths": lambda *_: [],
        "beginnings": lambda *_: np.array([begins]),
        "cut_end": lambda *_: EDGE + 70 * INWARDS,
        "likelihoods": lambda *_: (0.1, 0.0),
    }.items():
        monkeypatch.setattr(silhouette_slits, name, instead)
    reading = no_map()
    slits = silhouette_slits.find_slits(None, reading, WHOLE)
    assert len(slits) == count
    for slit in slits:
        assert slit.end[1] == pytest.approx(EDGE + reach_mm * INWARDS)
