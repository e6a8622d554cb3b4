"""The tip of a relief cut, found by what the finest of the picture shows, on painted cuts of known place."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
import shapely
from shapely import LinearRing, LineString, Polygon

from extract.doors import FlatView
from extract.ink import silhouette_ends, silhouette_notches, silhouette_slits
from extract.ink.silhouette import find_silhouette
from extract.ink.silhouette_ends import cut_end, guessed_ends
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_notches import close_notches
from extract.ink.silhouette_read import read_shell
from extract.ink.silhouette_refine import SPACING_MM
from extract.ink.silhouette_ring import outward_normals, resample, signed_area

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)

WHITE = np.full(3, 255, np.float32)
INWARDS = -np.array([np.cos(np.radians(70)), np.sin(np.radians(70))])
ACROSS = np.array([-INWARDS[1], INWARDS[0]])


def seen_end(flat, tip, open_mm, askew=0.0):
    """Where a cut is seen to end that is known to be open to ``open_mm`` before ``tip``, its way known but roughly."""
    axis = INWARDS + askew * ACROSS
    return cut_end(flat, WHITE, tip - 30 * INWARDS, 30 - open_mm, axis / np.hypot(*axis))


@pytest.mark.parametrize("table", ["mat", "dark_cloth"])
@pytest.mark.parametrize("open_mm", [-2.0, 1.0, 4.0, 12.0])
def test_a_tip_is_put_where_the_cut_is_seen_to_end(table, open_mm):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    found = seen_end(tables.paint(truth, table), tip, open_mm, askew=0.02)
    assert np.hypot(*(found - tip)) < 1.5  # the cut is thinner than 0.2 mm there, less than a pixel


@pytest.mark.parametrize("beyond_mm", [-8.0, -4.0, 2.5, 6.0])
@pytest.mark.parametrize("table", ["mat", "dark_cloth"])
def test_a_stroke_across_the_cut_or_past_it_does_not_move_the_tip(table, beyond_mm):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    middle, aslant = tip + beyond_mm * INWARDS, ACROSS + 0.3 * INWARDS
    flat = tables.paint(truth, table, strokes=[([middle - 40 * aslant, middle + 40 * aslant], 1.6)])
    assert np.hypot(*(seen_end(flat, tip, 9.0) - tip)) < 1.5


@pytest.mark.parametrize(("table", "most_mm"), [("mat", 1.0), ("dark_cloth", 0.3)])
def test_a_tip_that_lies_in_a_strokes_ink_is_told_to_a_part_of_its_width(table, most_mm):
    """The stroke is 1.6 mm wide: a cut that ends in it may part two panels, or not. Root mean square along the cut."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 4.0, 50.0)
    aslant, off = ACROSS + 0.3 * INWARDS, []
    for beyond_mm in (-0.8, -0.4, 0.0, 0.4, 0.8):
        middle = tip + beyond_mm * INWARDS
        flat = tables.paint(truth, table, strokes=[([middle - 40 * aslant, middle + 40 * aslant], 1.6)])
        off.append((seen_end(flat, tip, 9.0) - tip) @ INWARDS)
    assert np.sqrt(np.mean(np.square(off))) < most_mm


@pytest.mark.parametrize("table", ["mat", "dark_cloth"])
def test_a_narrow_cut_is_followed_far_past_where_it_was_seen_open(table):
    """A cut of 1.8 mm, of which only a part was seen open, and a line drawn aslant across the rest."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 1.8, 60.0)
    middle, aslant = tip - 12.0 * INWARDS, ACROSS + 0.7 * INWARDS
    flat = tables.paint(truth, table, strokes=[([middle - 40 * aslant, middle + 40 * aslant], 1.6)])
    found = seen_end(flat, tip, 25.0, askew=0.02)
    short, aside = (tip - found) @ INWARDS, (tip - found) @ ACROSS
    assert -1.0 < short < 6.0  # over its last 6 mm it is thinner than 0.2 mm, less than a pixel
    assert abs(aside) < 0.5


@pytest.mark.parametrize("grazing", [False, True])
def test_a_stroke_that_runs_on_where_the_cut_ends_is_not_followed(grazing):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    line = [tip + 1.5 * INWARDS, tip + 40 * INWARDS + 1.5 * ACROSS]
    if grazing:
        line = [tip + along * INWARDS + (1.2 + 0.006 * along**2) * ACROSS for along in np.linspace(-30, 40, 30)]
    flat = tables.paint(truth, "mat", strokes=[(line, 1.8)])
    assert np.hypot(*(seen_end(flat, tip, 3.0) - tip)) < 2.0


@pytest.mark.parametrize("table", ["mat", "dark_cloth", "melamine"])
def test_a_line_drawn_across_the_shell_is_no_cut(table):
    edge = tables.with_cut(tables.wavy_ring(), 70.0, 2.0, 50.0)[1] - 50 * INWARDS
    line = [edge - 5 * INWARDS, edge + 200 * INWARDS]
    flat = tables.paint(tables.wavy_ring(), table, strokes=[(line, 1.6)])
    assert cut_end(flat, WHITE, edge, 12.0, INWARDS) is None


def test_a_scratch_past_the_end_of_a_blunt_cut_is_not_its_last():
    """The cut is 12 mm wide and 40 deep; the scratch begins 1.5 mm past its tip."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 12.0, 40.0)
    scratch = [tip + 1.5 * INWARDS, tip + 3.0 * INWARDS]
    flat = tables.paint(truth, "mat", strokes=[(scratch, 0.4)])
    assert np.hypot(*(seen_end(flat, tip, 2.9) - tip)) < 1.0


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


def closed_notches(flat, ring):
    ring = resample(ring if signed_area(ring) < 0 else ring[::-1], SPACING_MM)
    return close_notches(flat, read_shell(flat), ring, outward_normals(ring, 1.0 / SPACING_MM), SPACING_MM)


def deepest_mm(ring, tip):
    """How far a ring runs inwards past the tip of the cut."""
    beside = np.abs((ring - tip) @ ACROSS) < 6
    return ((ring - tip) @ INWARDS)[beside & ((ring - tables.CENTRE) @ INWARDS < 0)].max()


@pytest.mark.parametrize("off_mm", [-12.0, 8.0])
def test_the_outline_goes_as_far_into_a_cut_as_the_cut_does(off_mm):
    """However far the map ran: short of the tip, or past it along a dark line."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    flat = tables.paint(truth, "mat")
    deeper, _ = tables.with_cut(tables.wavy_ring(), 70.0, 6.0 + 0.12 * off_mm, 50.0 + off_mm)
    assert -1.5 < deepest_mm(closed_notches(flat, deeper), tip) < 1.5


@pytest.mark.parametrize("before_mm", [8.0, 12.0])
def test_a_cut_ends_at_its_tip_though_the_outline_runs_along_a_stroke_across_it(before_mm):
    """The map took the stroke on one side of the cut for table: the outline's deepest point is not in the cut."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 14.0, 50.0)
    middle = tip - before_mm * INWARDS
    flat = tables.paint(truth, "mat", strokes=[([middle - 40 * ACROSS, middle + 40 * ACROSS], 1.8)])
    arm = Polygon([middle + along * ACROSS + aside * INWARDS for along, aside in ((0, -1), (30, -1), (30, 1), (0, 1))])
    ring = np.asarray(Polygon(truth).difference(arm).exterior.coords[:-1])
    found = closed_notches(flat, ring)
    assert np.hypot(*(found - tip).T).min() < 1.5
    assert Polygon(found).buffer(0).symmetric_difference(Polygon(truth)).area < 15


@pytest.mark.parametrize("before_mm", [18.0, None], ids=["in a cut's side", "at the rim"])
def test_no_cut_begins_in_the_side_of_another_though_one_seems_to_end_there(monkeypatch, before_mm):
    """A red line that runs into a cut looks like one: here all that the outline runs into is said to end 4 mm on."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 20.0, 60.0)
    flat = tables.paint(truth, "mat")
    begun, way, back = tip - (before_mm or 0.0) * INWARDS, ACROSS, 0.0
    if before_mm is None:
        back = 6.0
        begun, way = tip + 60.0 * ACROSS - 60.0 * INWARDS, INWARDS
        begun = np.asarray(LineString([begun - 60 * way, begun + 60 * way]).intersection(LinearRing(truth)).coords[0])
    aside = np.array([-way[1], way[0]])
    arm = Polygon([begun - back * way - 1.2 * aside, begun + 24 * way, begun - back * way + 1.2 * aside])
    ring = np.asarray(Polygon(truth).difference(arm).exterior.coords[:-1])
    monkeypatch.setattr(silhouette_notches, "_bent", lambda flat, white, end, mouth: None)
    monkeypatch.setattr(
        silhouette_notches,
        "_tip",
        lambda flat, white, end, mouth: (end.base.mean(0) + (end.open_mm + 4) * end.axis, False),
    )
    found = closed_notches(flat, ring) - begun
    deep, beside = found @ way, np.abs(found @ aside) < 3
    assert (deep[beside & (deep < 40)].max() > 20) == (before_mm is None)


@pytest.mark.parametrize("astray_mm", [4.0, 6.0])
def test_a_cut_ends_at_its_tip_though_the_outline_has_one_side_of_it_wrong(astray_mm):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 7.0, 50.0)
    wrong = Polygon([tip, tip - 2 * INWARDS - astray_mm * ACROSS, tip - 40 * INWARDS])
    ring = np.asarray(Polygon(truth).difference(wrong).exterior.coords[:-1])
    assert np.hypot(*(closed_notches(tables.paint(truth, "mat"), ring) - tip).T).min() < 1.5


@pytest.fixture
def no_beginnings(monkeypatch):
    """Nothing is told by how it begins, neither that it is a cut nor that it is none."""
    monkeypatch.setattr(silhouette_slits, "mouths", lambda *_: [])
    monkeypatch.setattr(silhouette_slits, "beginnings", lambda flat, white, found: np.full(len(found), 0.5))


def slits_in(flat):
    """What is found where the outline runs into no cut."""
    whole = resample(tables.wavy_ring()[::-1], SPACING_MM)
    return silhouette_slits.find_slits(flat, read_shell(flat), whole)


@pytest.mark.parametrize("crossed", [False, True])
@pytest.mark.parametrize("table", ["planks", "melamine", "mat"])
def test_a_slit_that_the_outline_does_not_run_into_is_found(table, crossed):
    """A line drawn over it parts in two what the map shows of it."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 1.6, 60.0)
    middle, aslant = tip - 40 * INWARDS, ACROSS + 0.4 * INWARDS
    strokes = [([middle - 30 * aslant, middle + 30 * aslant], 2.0)] if crossed else []
    (slit,) = slits_in(tables.paint(truth, table, strokes=strokes))
    assert np.hypot(*(slit.end[1] - tip)) < 2.0
    assert np.hypot(*(slit.end[[0, 2]].mean(axis=0) - (tip - 60 * INWARDS))) < 1.0


@pytest.mark.usefixtures("no_beginnings")
@pytest.mark.parametrize(("cut", "end", "count"), [(0.999, 0.4, 1), (0.993, 0.9, 1), (0.993, 0.4, 0)])
def test_what_is_plainly_a_cut_is_a_slit_though_its_end_is_not_sure(monkeypatch, cut, end, count):
    truth, _ = tables.with_cut(tables.wavy_ring(), 70.0, 1.6, 60.0)
    monkeypatch.setattr(silhouette_slits, "likelihoods", lambda *_: (cut, end))
    assert len(slits_in(tables.paint(truth, "planks"))) == count


SQUARE = resample(np.array([[0.0, 0], [0, 120], [120, 120], [120, 0]]), SPACING_MM)


def slits_of_lead(monkeypatch, ring, mouth, axis, deep_mm):
    """What comes of a streak that the picture takes for a cut so deep."""
    monkeypatch.setattr(silhouette_slits, "leads", lambda *_: [silhouette_slits.Lead(mouth, axis, deep_mm, 1.0)])
    monkeypatch.setattr(silhouette_slits, "cut_end", lambda *_: mouth + deep_mm * axis)
    monkeypatch.setattr(silhouette_slits, "likelihoods", lambda *_: (1.0, 1.0))
    reading = SimpleNamespace(map=None, models=SimpleNamespace(white=WHITE))
    return silhouette_slits.find_slits(None, reading, ring)


@pytest.mark.usefixtures("no_beginnings")
@pytest.mark.parametrize(("from_tip_mm", "turn_deg", "count"), [(60, 0, 1), (0, 8, 1), (25, 55, 0), (5, 80, 0)])
def test_a_slit_starts_at_the_rim_or_at_the_end_of_a_cut_but_not_in_its_side(monkeypatch, from_tip_mm, turn_deg, count):
    """Common practice, no source: nobody snips sideways out of a cut 3 mm wide. Whatever the picture says of one."""
    ring, tip = tables.with_cut(tables.wavy_ring(), 70.0, 3.0, 60.0)
    turn = np.radians(turn_deg)
    axis = np.cos(turn) * INWARDS + np.sin(turn) * ACROSS
    mouth = tip - from_tip_mm * INWARDS + (30 if from_tip_mm == 60 else from_tip_mm / 40) * ACROSS
    assert len(slits_of_lead(monkeypatch, resample(ring[::-1], SPACING_MM), mouth, axis, 25.0)) == count


@pytest.mark.usefixtures("no_beginnings")
@pytest.mark.parametrize(("slant_deg", "count"), [(90, 1), (150, 1), (30, 1), (16, 0), (164, 0)])
def test_a_slit_runs_across_the_rim_and_not_along_it(monkeypatch, slant_deg, count):
    """Common practice, no source: nobody snips along the edge. Whatever the picture says of one."""
    axis = np.array([np.sin(np.radians(slant_deg)), np.cos(np.radians(slant_deg))])
    assert len(slits_of_lead(monkeypatch, SQUARE, np.array([0.0, 60.0]), axis, 50.0)) == count


@pytest.mark.usefixtures("no_beginnings")
@pytest.mark.parametrize(("run_in_mm", "count"), [(0, 1), (5, 1), (30, 0)])
def test_a_slit_may_begin_where_the_outline_runs_into_it_but_not_run_beside_a_cut(monkeypatch, run_in_mm, count):
    """A notch 2 mm wide from the slit's mouth on, so deep; of one that is longer the slit is no other cut."""
    wedge = Polygon([(-1, 59), (run_in_mm, 61.2), (-1, 61)])
    ring = np.asarray(Polygon(SQUARE).difference(wedge).exterior.coords[:-1])
    ring = resample(ring if signed_area(ring) < 0 else ring[::-1], SPACING_MM)
    found = slits_of_lead(monkeypatch, ring, np.array([0.0, 61.5]), np.array([1.0, 0.0]), 60.0)
    assert len(found) == count


@pytest.mark.parametrize("table", ["planks", "melamine", "dark_cloth"])
def test_a_line_drawn_to_the_edge_is_no_slit(table):
    edge = tables.with_cut(tables.wavy_ring(), 70.0, 2.0, 50.0)[1] - 50 * INWARDS
    line = [edge - 5 * INWARDS, edge + 45 * INWARDS]
    assert not slits_in(tables.paint(tables.wavy_ring(), table, strokes=[(line, 1.6)]))


def test_a_line_that_the_map_takes_for_table_is_no_slit():
    """The map shows it as open as any cut; the picture shows a pen's line to the network."""
    edge = tables.with_cut(tables.wavy_ring(), 70.0, 2.0, 50.0)[1] - 50 * INWARDS
    flat = tables.paint(tables.wavy_ring(), "mat", strokes=[([edge - 5 * INWARDS, edge + 45 * INWARDS], 1.6)])
    reading, ring = read_shell(flat), resample(tables.wavy_ring()[::-1], SPACING_MM)
    odds = reading.map.odds.copy()
    ends_px = [reading.map.flat.px_from_mm(edge + mm * INWARDS) for mm in (0, 45)]
    cv2.line(odds, *(np.round(end).astype(int).tolist() for end in ends_px), -3.0, 3)
    shown = replace(reading, map=replace(reading.map, odds=odds))
    assert len(list(silhouette_slits.leads(shown.map, ring))) == 1
    assert not silhouette_slits.find_slits(flat, shown, ring)


def test_a_streak_leads_out_of_the_shell_by_the_shorter_way():
    odds = np.full((160, 160), 6.0, np.float32)
    odds[79:81, 46:90] = -2.0  # from 3 mm off the left side of a square on, 22 mm long
    view = FlatView(np.zeros((160, 160, 3), np.uint8), 0.5, (0.0, 0.0), np.ones((160, 160), bool), ())
    square = np.array([[20, 20], [60, 20], [60, 60], [20, 60]], float)
    (lead,) = silhouette_slits.leads(ShellMap(view, odds), square)
    assert lead.mouth == pytest.approx([20, 39.75], abs=0.3)
    assert lead.axis == pytest.approx([1, 0], abs=0.01)
    assert lead.reach_mm == pytest.approx(24.75, abs=0.5)
    assert lead.wide_mm == pytest.approx(1.0, abs=0.3)


def test_where_a_cut_ends_is_a_guess_only_where_it_does_not_end_plainly():
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    flat = tables.paint(truth, "mat")
    deeper, end = tables.with_cut(tables.wavy_ring(), 70.0, 7.2, 60.0)
    for ring, at, guessed in ((truth, tip, False), (deeper, end, True)):
        marked = guessed_ends(flat, WHITE, ring)
        assert marked.any() == guessed
        assert np.hypot(*(ring[marked] - at).T).max(initial=0.0) < 5.0


def test_a_cut_that_runs_out_of_the_strip_is_found_by_the_next():
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 4.0, 110.0)
    found = cut_end(tables.paint(truth, "planks"), WHITE, tip - 100 * INWARDS, 36.0, INWARDS)  # a strip sees 48 mm on
    assert np.hypot(*(found - tip)) < 2.0


def test_a_cut_that_runs_out_of_strip_after_strip_is_followed_to_its_end():
    """165 mm long and seen open for 14: a strip shows 48 mm more of it at best."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 0.0, 4.0, 165.0)
    inwards = np.array([-1.0, 0.0])
    found = cut_end(tables.paint(truth, "planks"), WHITE, tip - 155 * inwards, 4.0, inwards)
    assert np.hypot(*(found - tip)) < 2.0


def test_what_the_outline_runs_past_the_end_of_a_cut_is_taken_back():
    """Wide as a drawn line and then narrower, so that its own sides would stand."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    corners = ((-20, 1.2), (9, 1.2), (13, 0), (9, -1.2), (-20, -1.2))
    past = Polygon([tip + along * INWARDS + across * ACROSS for along, across in corners])
    ring = np.asarray(Polygon(truth).difference(past).exterior.coords[:-1])
    assert -1.5 < deepest_mm(closed_notches(tables.paint(truth, "mat"), ring), tip) < 1.5


def test_a_cut_does_not_turn_into_a_crease_that_looks_as_the_table_does(monkeypatch):
    """The map and the reader of ends both take the crease, which runs on aside for 40 mm, for the cut's last."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 8.0, 50.0)
    way = np.cos(np.radians(80)) * INWARDS - np.sin(np.radians(80)) * ACROSS
    aside, start = np.array([-way[1], way[0]]), tip - 1.5 * INWARDS
    crease = Polygon([start - 0.6 * aside, tip + 40 * way, start + 0.6 * aside])
    ring = np.asarray(Polygon(truth).difference(crease).exterior.coords[:-1])
    monkeypatch.setattr(silhouette_notches, "cut_end", lambda *_: tip + 40 * way)
    found = closed_notches(tables.paint(truth, "mat"), ring)
    assert np.hypot(*(found - tip).T).min() < 1.5
    assert np.hypot(*(found - (tip + 40 * way)).T).min() > 30


@pytest.mark.parametrize(("how_sure", "taken_back"), [(0.5, True), (0.95, False)])
def test_where_an_outline_runs_on_to_no_sure_end_a_cut_ends_where_its_mouth_tells(monkeypatch, how_sure, taken_back):
    """A crease goes on from its tip, and the map takes it for table."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 8.0, 50.0)
    corners = ((-20, 1.0), (20, 0.5), (20, -0.5), (-20, -1.0))
    past = Polygon([tip + along * INWARDS + across * ACROSS for along, across in corners])
    ring = np.asarray(Polygon(truth).difference(past).exterior.coords[:-1])
    far = tip + 20 * INWARDS
    monkeypatch.setattr(silhouette_notches, "cut_end", lambda *_: far)
    monkeypatch.setattr(silhouette_notches, "sureness", lambda *_: how_sure)
    monkeypatch.setattr(silhouette_notches, "likeliest_end", lambda *_: tip)
    found = closed_notches(tables.paint(truth, "mat"), ring)
    assert abs(deepest_mm(found, tip) - (0 if taken_back else 20)) < 1.5


def test_the_outline_is_marked_where_it_is_a_guess_where_a_cut_ends(monkeypatch):
    truth, tip = tables.with_cut(tables.wavy_ring(), 70.0, 6.0, 50.0)
    flat = tables.paint(truth, "mat")
    for sure, marked in ((0.95, False), (0.5, True)):
        monkeypatch.setattr(silhouette_ends, "sureness", lambda *_, sure=sure: sure)
        found = find_silhouette(flat)
        assert found.unsure[0][np.hypot(*(found.rings_mm[0] - tip).T).argmin()] == marked
