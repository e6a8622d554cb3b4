"""What is taken for ink and what is not, line by line, on painted flat views with exact truth."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter1d
from shapely import LineString

from extract.ink.assemble import bridged, threads_of
from extract.ink.belief import believed
from extract.ink.branches import STEP_MM, Run
from extract.ink.ink_net import CELL, cells
from extract.ink.lines import find_strokes

_spec = importlib.util.spec_from_file_location("paint", Path(__file__).with_name("paint.py"))
paint = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(paint)
BLACK, RED, BLUE, line = paint.BLACK, paint.RED, paint.BLUE, paint.line
FAINT = (0.62, 0.62, 0.62)
"""Ink under glare: the tape sends back 1.6 times as much."""
RIDGE_MM = 0.6


def strokes_of(*drawn, **how):
    return find_strokes(*paint.paint(drawn, **how))


def test_ink_under_glare_is_read_as_part_of_its_line():
    ends = [(line((5, 60), (50, 60)), 1.4, BLACK), (line((110, 60), (155, 60)), 1.4, BLACK)]
    (stroke,) = strokes_of(*ends, (line((50, 60), (110, 60)), 1.4, FAINT))
    assert np.hypot(*np.diff(stroke.points_mm, axis=0).T).max() < 1.0
    assert paint.apart_mm(stroke.points_mm, line((5, 60), (155, 60))).max() < 0.3


def test_a_tape_edge_that_carries_a_line_on_is_not_part_of_it():
    """A line drawn up to another one; the shadow of a tape edge, 0.3 mm wide, goes on from there in its direction."""
    edge = (line((80, 60), (80, 112)), 0.3, (0.45, 0.45, 0.45))
    strokes = strokes_of((line((5, 60), (155, 60)), 1.6, BLACK), (line((80, 5), (80, 60)), 1.6, BLACK), edge)
    assert max(s.points_mm[:, 1].max() for s in strokes) < 63


@pytest.mark.parametrize(("width_mm", "ink", "count"), [(0.85, 0.55, 2), (0.6, 0.5, 1), (0.9, 0.72, 1)])
def test_a_thin_line_is_ink_though_a_tape_edge_as_dark_is_not(width_mm, ink, count):
    """On our own scenes with exact truth no tape edge or crease that comes out this wide is as dark as this line."""
    drawn = line((80, 5), (80, 60)), width_mm, (ink, ink, ink)
    assert len(strokes_of((line((5, 60), (155, 60)), 1.6, BLACK), drawn)) == count


def test_a_crease_with_a_bright_core_is_no_line():
    """In glare a crease shows two dark flanks and a bright crest (seen on scenes of our own generator)."""

    def crease(x, y):
        away = np.abs(y - 80)
        return 1 - 0.55 * np.exp(-(((away - 0.55) / 0.35) ** 2)) + 0.5 * np.exp(-((away / 0.25) ** 2))

    strokes = strokes_of((line((5, 40), (155, 40)), 1.6, BLACK), light=crease)
    assert [round(float(s.points_mm[:, 1].mean())) for s in strokes] == [40]


@pytest.mark.parametrize(("ink", "name"), [(RED, "red"), (BLUE, "blue")])
@pytest.mark.parametrize("slant_mm", [6.0, 20.0])
def test_colours_that_cross_at_a_shallow_angle_stay_whole(ink, name, slant_mm):
    """Lines that share 15 mm of their way and more; each must be one stroke from edge to edge, true to a third of a
    millimetre where the other lies over it."""
    black, other = line((5, 60), (155, 60)), line((5, 60 - slant_mm), (155, 60 + slant_mm))
    strokes = strokes_of((other, 1.6, ink), (black, 1.6, BLACK))
    assert sorted(s.colour for s in strokes) == sorted(["black", name])
    for stroke in strokes:
        true = black if stroke.colour == "black" else other
        assert np.ptp(stroke.points_mm[:, 0]) > 139
        assert paint.apart_mm(stroke.points_mm, true).max() < 0.35


def test_a_gap_just_before_a_crossing_makes_no_tick():
    """A line that skips 2.5 mm shortly before it ends on another one leaves a stub that looks like a tick."""
    through = (line((5, 60), (155, 60)), 1.6, BLACK)
    parts = [(line((80, 5), (80, 53)), 1.6, BLACK), (line((80, 55.5), (80, 63)), 1.6, BLACK)]
    strokes = strokes_of(through, *parts)
    assert [s.kind for s in strokes] == ["marker", "marker"]


def test_lines_that_meet_at_the_cut_edge_both_reach_it():
    """A V whose tip lies on the cut edge parts the shell in three."""
    tip = (80.0, 109.6)
    strokes = strokes_of((line((40, 5), tip), 1.6, BLACK), (line(tip, (120, 5)), 1.6, BLACK))
    assert len(strokes) == 2
    assert [float(s.points_mm[:, 1].max()) for s in strokes] == pytest.approx([110, 110], abs=0.3)


@pytest.mark.parametrize("share", [0.2, 0.35, 0.5])
def test_centre_lines_beat_the_published_bias(share):
    """Steger 1998 (IEEE TPAMI 20:113-125): on a bar whose two sides differ by the share a of the contrast, the ridge of
    a Gaussian of scale s lies off the middle by s² / 2w · ln(1 − a), w half the width. Half of that is allowed."""

    def step(x, y):
        return np.where(x < 80, 1.0, 1 - share * (1 - BLACK[0]))

    (stroke,) = strokes_of((line((80, 5), (80, 115)), 1.6, BLACK), light=step, noise=1.0)
    middle = stroke.points_mm[abs(stroke.points_mm[:, 1] - 60) < 40, 0]
    published = abs(RIDGE_MM**2 / (2 * 0.8) * np.log(1 - share))
    assert abs(middle.mean() - 80) < max(published / 2, 0.02)


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_the_published_bias_is_there_for_a_plain_ridge(share):
    """The same formula, on Steger's own kind of profile with s = w (he asks for s of at least w / √3)."""
    x, half = np.arange(-12.0, 12.0, 0.002), 0.8
    bar = np.where(np.abs(x) < half, 0.0, np.where(x < 0, 1.0, 1 - share))
    smooth = np.where(np.abs(x) < 2 * half, gaussian_filter1d(bar, half / 0.002), np.inf)
    assert abs(x[np.argmin(smooth)]) == pytest.approx(half / 2 * abs(np.log(1 - share)), rel=0.02)


@pytest.mark.parametrize("apart_mm", [0.6, 1.4])
def test_a_line_drawn_over_twice_is_one(apart_mm):
    """The second pull of the pen wanders to either side of the first."""
    x = np.arange(5, 156, 0.1)
    first, second = np.c_[x, np.full_like(x, 60.0)], np.c_[x, 60 + apart_mm * np.sin(x / 18)]
    (stroke,) = strokes_of((first, 1.5, BLACK), (second, 1.5, BLACK))
    assert np.abs(stroke.points_mm[:, 1] - 60).max() < apart_mm


def test_a_line_ends_on_its_own_colour_where_three_lines_meet():
    """A black line drawn up to where a blue one crosses another black one bounds what that one bounds."""
    through, guide = (line((80, 5), (80, 115)), 1.6, BLACK), (line((20, 95), (140, 25)), 1.6, BLUE)
    strokes = strokes_of(through, guide, (line((81.5, 60), (155, 75)), 1.6, BLACK))
    (last,) = [s for s in strokes if s.colour == "black" and np.ptp(s.points_mm[:, 0]) > 20]
    assert last.points_mm[:, 0].min() < 80


def run_along(x_first, x_last, start=-1, end=-1):
    x = np.arange(x_first, x_last, STEP_MM)
    return Run(np.c_[x, np.full(len(x), 60.0)], start, end, False, np.ones(3), 0.95, 0.05)


def told(run, *odds):
    """Log odds of a run's cells: those given over equal parts of it."""
    return np.concatenate([np.full(len(part), said) for part, said in zip(
        np.array_split(np.arange(cells(len(run.points_mm))), len(odds)), odds, strict=True)])  # fmt: skip


@pytest.mark.parametrize(("stops_at", "count"), [(150, 2), (120, 1)])
def test_doubtful_ink_counts_where_it_leads_from_ink_to_the_cut_edge(stops_at, count):
    """A tape edge in line with a drawn one ends anywhere."""
    runs = [run_along(20, 60, end=1), run_along(60, stops_at, start=1)]
    odds = [told(runs[0], 8.0), told(runs[1], -0.2)]
    assert len(believed(runs, odds, LineString([(150, 0), (150, 120)]))) == count


def test_a_run_is_cut_where_ink_turns_into_a_tape_edge():
    run = run_along(20, 60)
    (kept,) = believed([run], [told(run, 8.0, -8.0)], LineString([(20, 0), (20, 120)]))
    assert kept.points_mm[0, 0] == 20
    assert kept.points_mm[-1, 0] == pytest.approx(40, abs=CELL * STEP_MM)


@pytest.mark.parametrize("deep_mm", [1.8, 2.2])
def test_lines_that_cross_just_before_the_cut_edge_both_reach_it(deep_mm):
    """The little that is drawn of them beyond their crossing is hidden by their own width."""
    cross = np.array([80.0, 110 - deep_mm])
    legs = [line(cross - 100 * way, cross + deep_mm * way) for way in (np.array([0.6, 1]), np.array([-0.6, 1]))]
    strokes = strokes_of(*((leg, 1.6, BLACK) for leg in legs))
    assert [float(s.points_mm[:, 1].max()) for s in strokes] == pytest.approx([110, 110], abs=0.3)


def test_a_line_with_its_own_straight_continuation_is_not_turned_into_another():
    """Round one node: a line that runs through, one that goes on beyond a gap, and the end of a third."""

    def run(first, last, start=-1, end=-1):
        return Run(line(first, last, step=0.4), start, end, False, np.ones(3), 1.5, 0.05)

    slant = np.array([np.cos(np.radians(20)), np.sin(np.radians(20))])
    node = np.array([80.0, 60.0])
    runs = [
        run((20, 60), node, end=1),
        run(node, (140, 60), start=1),
        run((80, 10), node, end=1),
        run(node, node + 50 * slant, start=1),
        run((80, 66), (80, 110)),
    ]
    edge = LineString([(0, 0), (160, 0), (160, 120), (0, 120), (0, 0)])
    lines = sorted(np.ptp(thread.points_mm, axis=0).round().tolist() for thread in threads_of(runs, edge))
    assert len(lines) == 4
    assert lines[-1] == pytest.approx([120, 0], abs=1.0)


@pytest.mark.parametrize(("width_mm", "taken", "kept"), [(1.2, 0.9, 1), (1.2, 0.5, 0), (0.7, 0.9, 0)])
def test_what_is_plainly_ink_is_ink_though_the_network_doubts_it(width_mm, taken, kept):
    """No edge of tape takes half of the light over a marker's width (on scenes with exact truth, our own generator)."""
    run = replace(run_along(20, 60), width_mm=width_mm, absorbed=np.full(3, taken))
    assert len(believed([run], [told(run, -2.0)], LineString([(150, 0), (150, 120)]))) == kept
    assert not believed([run], [told(run, -8.0)], LineString([(150, 0), (150, 120)]))


@pytest.mark.parametrize(
    ("width_mm", "taken", "far_mm", "ends_mm", "whole"),
    [(1.2, 0.6, 20, 40, True), (1.2, 0.6, 30, 40, False), (1.2, 0.6, 20, 10, False), (0.8, 0.6, 20, 40, False),
     (1.2, 0.4, 20, 40, False)],
    ids=["wide, dark and short", "long", "longer than what is beside it", "thin", "faint"],
)  # fmt: skip
def test_what_lies_between_two_stretches_of_ink_of_one_line_is_ink(width_mm, taken, far_mm, ends_mm, whole):
    """The network takes it for the edge of a tape, which runs along the line there."""
    run = replace(run_along(20, 20 + far_mm + 2 * ends_mm), width_mm=width_mm, absorbed=np.full(3, taken))
    odds = [8.0] * (ends_mm // 10) + [-6.0] * (far_mm // 10) + [8.0] * (ends_mm // 10)
    kept = believed([run], [told(run, *odds)], LineString([(20, 0), (20, 120)]))
    assert (len(kept) == 1 and kept[0].length_mm == pytest.approx(run.length_mm)) == whole


def test_a_run_that_comes_the_other_way_along_its_line_is_cut_at_its_own_place():
    first, second = run_along(20, 60, end=1), run_along(60, 100, start=1)
    back = replace(second, points_mm=second.points_mm[::-1], start=-1, end=1)
    kept = believed([first, back], [told(first, 8.0), told(back, -8.0, 8.0)], LineString([(20, 0), (20, 120)]))
    assert sorted(float(run.points_mm[:, 0].max()) for run in kept) == pytest.approx([60, 80], abs=CELL * STEP_MM)


@pytest.mark.parametrize(("off_mm", "count"), [(0.8, 0), (4.0, 1)])
def test_a_dark_line_along_the_rim_is_no_ink(off_mm, count):
    """There the outline took in a sliver of table, or its shadow."""
    run = run_along(20, 60)
    rim = LineString([(0, 60 + off_mm), (150, 60 + off_mm)])
    assert len(believed([run], [told(run, 8.0)], rim)) == count


def test_a_line_is_ink_to_its_end_beside_the_tip_of_a_cut():
    """Its last millimetres, parted from the rest where another line meets it, lie along the cut's side."""
    whole, last = run_along(20, 60, end=1), run_along(60, 80, start=1)
    cut = LineString([(60, 60.8), (150, 60.8)])
    kept = believed([whole, last], [told(whole, 8.0), told(last, 8.0)], cut)
    assert max(run.points_mm[:, 0].max() for run in kept) == pytest.approx(80.0, abs=1.1 * STEP_MM)


@pytest.mark.parametrize(("far_mm", "count"), [(2.4, 1), (8.0, 2)])
def test_the_last_of_a_line_takes_the_lines_colour_where_it_is_too_short_for_one_of_its_own(far_mm, count):
    """Blur mixes the table's colour into what is left of a line past a glare that crosses it."""
    node = np.array([80.0, 60.0])
    come = Run(line((20, 60), node, step=0.4), -1, 1, False, np.ones(3), 1.5, 0.05)
    last = Run(line(node, (80 + far_mm, 60), step=0.4), 1, -1, False, np.array([1.0, 0.3, 0.2]), 1.5, 0.05)
    edge = LineString([(0, 0), (160, 0), (160, 120), (0, 120), (0, 0)])
    assert len(threads_of([come, last], edge)) == count


def test_a_gap_is_bridged_though_the_last_of_the_line_past_it_has_the_tables_colour():
    before = Run(line((20, 60), (74, 60), step=0.4), -1, -1, False, np.ones(3), 1.5, 0.05)
    past = Run(line((77, 60), (130, 60), step=0.4), -1, 1, False, np.ones(3), 1.5, 0.05)
    last = Run(line((130, 60), (132.4, 60), step=0.4), 1, -1, False, np.array([1.0, 0.3, 0.2]), 1.5, 0.05)
    shell = shapely.box(0, 0, 160, 120)
    threads = threads_of([before, past, last], shell.boundary)
    (whole,) = bridged(threads, [False] * len(threads), shell)
    assert np.ptp(whole.points_mm[:, 0]) == pytest.approx(112, abs=1)
