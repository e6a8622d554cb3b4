"""Stroke reading on painted flat views with exact truth, and against published figures for line centres."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter1d

from extract.doors import CannotContinue, Silhouette
from extract.ink.lines import cut_colour_of, find_strokes

_spec = importlib.util.spec_from_file_location("paint", Path(__file__).with_name("paint.py"))
paint = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(paint)
BLACK, RED, BLUE = paint.BLACK, paint.RED, paint.BLUE


def strokes_of(*drawn, **how):
    return find_strokes(*paint.paint(drawn, **how))


def only(strokes, kind):
    return [s for s in strokes if s.kind == kind]


@pytest.mark.parametrize("width", [1.0, 1.6, 2.5])
def test_centre_line_lies_in_the_middle(width):
    wave = paint.line(*[(x, 60 + 12 * np.sin(x / 14)) for x in np.arange(5, 156, 0.5)])
    (stroke,) = strokes_of((wave, width, BLACK))
    apart = paint.apart_mm(stroke.points_mm, wave)
    assert np.sqrt((apart**2).mean()) < 0.05
    assert stroke.width_mm == pytest.approx(width, abs=0.3)
    assert stroke.colour == "black" and stroke.kind == "marker" and not stroke.closed


def test_strokes_reach_the_cut_edge():
    (stroke,) = strokes_of((paint.line((10, 40), (150, 70)), 1.6, BLACK))
    assert sorted(stroke.points_mm[[0, -1], 0]) == pytest.approx([10, 150], abs=0.3)


def test_unequal_sides_do_not_pull_the_centre():
    """Steger 1998 (IEEE TPAMI 20:113): a Gaussian ridge on a bar whose sides differ by the share a of the contrast is
    off by sigma² / 2w · ln(1 - a); with a = 0.5, half width w = 0.8 mm and our ridge scale of 0.6 mm that is 0.156 mm.
    The middle between the sides must do better by far."""
    bar = paint.line((80, 5), (80, 115))

    def step(x, y):
        return np.where(x < 80, 1.0, 0.62)

    (stroke,) = strokes_of((bar, 1.6, BLACK), light=step, noise=1.0)
    middle = stroke.points_mm[abs(stroke.points_mm[:, 1] - 60) < 40]
    steger = 0.6**2 / (2 * 0.8) * np.log(1 - 0.5)
    ridge = _gaussian_ridge(step)
    assert abs(ridge - 80) > 0.05, "the plain ridge must show the bias, else this test shows nothing"
    assert abs(middle[:, 0].mean() - 80) < min(abs(ridge - 80), abs(steger)) / 2


def _gaussian_ridge(light):
    x = np.arange(70, 90, 0.01)
    bar = np.where(abs(x - 80) < 0.8, 0.12, 1.0) * light(x, 0)
    return x[np.argmin(gaussian_filter1d(bar, 0.6 / 0.01))]


def test_a_gap_in_the_ink_is_bridged():
    parts = [(paint.line((5, 50), (70, 55)), 1.6, BLACK), (paint.line((72.5, 55.2), (155, 61.5)), 1.6, BLACK)]
    (stroke,) = strokes_of(*parts)
    assert np.hypot(*np.diff(stroke.points_mm, axis=0).T).max() < 1.0


def test_a_gap_at_a_corner_is_closed_sharply():
    corner = [(paint.line((40, 5), (40, 57)), 1.6, BLACK), (paint.line((43, 60), (155, 60)), 1.6, BLACK)]
    (stroke,) = strokes_of(*corner)
    assert paint.apart_mm([[40.0, 60.0]], stroke.points_mm)[0] < 0.5


def test_strokes_meet_where_they_were_drawn_to_meet():
    through, short = paint.line((5, 60), (155, 60)), paint.line((80, 5), (80, 58.0))
    strokes = strokes_of((through, 1.6, BLACK), (short, 1.6, BLACK))
    leg = min(strokes, key=lambda s: np.ptp(s.points_mm[:, 0]))
    assert leg.points_mm[:, 1].max() == pytest.approx(60, abs=0.25)
    assert abs(leg.points_mm[:, 0] - 80).max() < 0.25


def test_kinds():
    wave = paint.line((5, 60), (155, 62))
    tick = paint.line((40, 54), (41, 67))
    ring = paint.arc((110, 90), 12)
    shape = paint.line((90, 20), (130, 22), (125, 48), (92, 45), (90, 20))
    note = paint.line((30, 90), (36, 84), (42, 92), (48, 85))
    strokes = strokes_of(*((p, 1.5, BLACK) for p in (wave, tick, ring, shape, note)))
    assert [len(only(strokes, kind)) for kind in ("marker", "tick", "ring", "note")] == [2, 1, 1, 1]
    assert {s.closed for s in only(strokes, "ring")} == {True}
    assert sorted(s.closed for s in only(strokes, "marker")) == [False, True]
    (found,) = only(strokes, "tick")
    assert found.points_mm.mean(axis=0) == pytest.approx([40.5, 60.5], abs=0.5)


@pytest.mark.parametrize(("ink", "name"), [(BLACK, "black"), (RED, "red"), (BLUE, "blue")])
@pytest.mark.parametrize("warm", [1.0, 0.8])
def test_colours_are_named_under_white_and_warm_light(ink, name, warm):
    flat, shell = paint.paint([(paint.line((5, 60), (155, 62)), 1.8, ink)])
    tinted = (flat.pixels * np.array([warm, 0.95, 1.0])).astype(np.uint8)
    (stroke,) = find_strokes(type(flat)(tinted, flat.mm_per_px, flat.origin_mm, flat.valid), shell)
    assert stroke.colour == name


def test_crossing_colours_stay_two_strokes_and_black_cuts():
    strokes = strokes_of((paint.line((5, 50), (155, 70)), 1.6, RED), (paint.line((80, 5), (75, 115)), 1.6, BLACK))
    assert sorted(s.colour for s in strokes) == ["black", "red"]
    assert cut_colour_of(strokes) == "black"


def test_without_black_the_darkest_marker_cuts():
    strokes = strokes_of((paint.line((5, 50), (155, 50)), 1.6, RED), (paint.line((5, 80), (60, 80)), 1.6, BLUE))
    assert cut_colour_of(strokes) == "blue"


def test_tape_edges_and_steps_are_not_ink():
    """Overlapping strips: a step of a fifth in brightness and hairlines of 0.3 mm (common practice, no source)."""

    def strips(x, y):
        step = np.where((x + y) % 48 < 24, 1.0, 0.8)
        hair = np.where(abs((x + y) % 24 - 0.15) < 0.15, 0.6, 1.0)
        return step * hair

    (stroke,) = strokes_of((paint.line((5, 30), (155, 32)), 1.6, BLACK), light=strips)
    assert paint.apart_mm(stroke.points_mm, paint.line((5, 30), (155, 32))).max() < 0.5


def test_a_line_over_a_cut_in_the_shell_is_two_lines():
    flat, _ = paint.paint([(paint.line((5, 60), (155, 60)), 1.6, BLACK)])
    cut = np.array([[10.0, 10], [78, 10], [80, 90], [82, 10], [150, 10], [150, 110], [10, 110]])
    shell = type(_)((cut,), 0.05, (np.zeros(len(cut), bool),))
    strokes = find_strokes(flat, shell)
    ends = sorted(x for s in strokes for x in s.points_mm[[0, -1], 0])
    assert len(strokes) == 2
    assert ends == pytest.approx([10, 79.25, 80.75, 150], abs=0.3)


def test_nothing_drawn_is_said():
    with pytest.raises(CannotContinue, match="no marker lines"):
        strokes_of()


def test_lines_go_straight_on_where_a_gap_makes_two_corners_of_them():
    """Two lines run into the sides of a third, one on either side of a gap in it."""
    pieces = [paint.line((5, 60), (77.5, 60)), paint.line((82.5, 60), (155, 60))]
    legs = [paint.line((78, 60), (78, 115)), paint.line((82, 5), (82, 60))]
    strokes = strokes_of(*((p, 1.6, BLACK) for p in (*pieces, *legs)))
    assert sorted(round(float(np.ptp(s.points_mm[:, 0]))) for s in strokes) == [0, 0, 140]


def test_a_line_goes_straight_on_where_a_gap_past_a_crossing_makes_a_corner_of_it():
    """The pen skipped just past another line, at the very place from which a third one goes off."""
    through = paint.line((5, 60), (155, 60))
    pieces = [paint.line((80, 5), (80, 61.5)), paint.line((80, 65), (80, 115))]
    branch = paint.line((80, 65), (125, 110))
    strokes = strokes_of(*((p, 1.6, BLACK) for p in (through, *pieces, branch)))
    assert sorted(round(float(np.ptp(s.points_mm[:, 1]))) for s in strokes) == pytest.approx([0, 45, 100], abs=1)


@pytest.mark.parametrize("gap_mm", [3.0, 8.0, 11.0])
def test_a_line_goes_straight_on_where_a_crease_hides_it_just_before_another_ends_on_it(gap_mm):
    """What is left to be seen beyond the crease are two lines that end on each other, as at a corner."""
    pieces = [paint.line((80, 5), (80, 60 - gap_mm)), paint.line((80, 60), (80, 115))]
    strokes = strokes_of(*((p, 1.6, BLACK) for p in (*pieces, paint.line((80, 60), (120, 110)))))
    assert sorted(round(float(np.ptp(s.points_mm[:, 0]))) for s in strokes) == pytest.approx([0, 40], abs=1)
    assert sorted(round(float(np.ptp(s.points_mm[:, 1]))) for s in strokes) == pytest.approx([50, 100], abs=1)


@pytest.mark.parametrize("gap_mm", [8.5, 10.0, 12.0])
def test_a_line_that_ends_on_another_goes_straight_on_to_where_it_is_seen_again_beyond(gap_mm):
    """The pen skipped just past the crossing, and what little it drew before that was taken for none of the line."""
    through, come = paint.line((80, 5), (80, 115)), paint.line((5, 60), (80, 60))
    strokes = strokes_of(*((p, 1.6, BLACK) for p in (through, come, paint.line((80 + gap_mm, 60), (155, 60)))))
    assert sorted(round(float(np.ptp(s.points_mm[:, 0]))) for s in strokes) == [0, 140]


@pytest.mark.parametrize(("apart", "meet_at"), [(9, 4), (11, 7), (12, 8)])
def test_lines_that_all_but_meet_on_the_cut_edge_run_on_to_it(apart, meet_at):
    """Their ink runs together just before it. Joined they would leave a neck of 1 to 3 mm between two panels, which
    nobody draws (common practice, no source)."""
    strokes = strokes_of(*((paint.line((80 + way * apart, 90), (80, meet_at)), 1.6, BLACK) for way in (-1, 1)))
    assert [s.points_mm[:, 1].min() for s in strokes] == pytest.approx([10, 10], abs=0.3)


@pytest.mark.parametrize(("apart", "meet_at"), [(11, 14), (18, 15), (30, 14)])
def test_lines_that_run_together_sharply_before_the_cut_edge_run_on_to_it(apart, meet_at):
    """No panel has so sharp a corner (common practice, no source): one ends on the other, and that on the edge."""
    strokes = strokes_of(*((paint.line((80 + way * apart, 90), (80, meet_at)), 1.6, BLACK) for way in (-1, 1)))
    assert len(strokes) == 2
    assert min(s.points_mm[:, 1].min() for s in strokes) == pytest.approx(10, abs=0.3)


@pytest.mark.parametrize("open_deg", [5, 25, 60])
def test_a_line_keeps_its_corner_where_a_cut_was_made_up_to_it(open_deg):
    """The tip of a V-shaped cut lies just beside the ink's middle."""
    corner = paint.line((5, 60), (80, 60), (80, 115))
    flat, _ = paint.paint([(corner, 1.8, BLACK)])
    half = (150 - 81) * np.tan(np.radians(open_deg / 2))
    ring = np.array([[10, 10], [150, 10], [150, 60 - half], [81, 60], [150, 60 + half], [150, 110], [10, 110]])
    (stroke,) = find_strokes(flat, Silhouette((ring,), 0.05, (np.zeros(7, bool),)))
    assert paint.apart_mm([[80.0, 60.0]], stroke.points_mm)[0] < 0.6


def test_a_mark_is_no_tick_where_it_is_the_end_of_a_line_that_a_crease_draws_aside():
    """Its last part, from just before the line it comes to, is seen beside its own way."""
    through, come = paint.line((84, 5), (84, 115)), paint.line((5, 60), (72, 60))
    strokes = strokes_of((through, 1.5, BLACK), (come, 1.4, BLACK), (paint.line((74.2, 61.3), (89, 61.3)), 1.2, BLACK))
    assert sorted(round(float(np.ptp(s.points_mm[:, 0]))) for s in strokes) == pytest.approx([0, 79], abs=1)
    assert not only(strokes, "tick")


@pytest.mark.parametrize(("arm", "turn_deg"), [(4.4, 90), (4.4, 110), (4.8, 90), (4.8, 110)])
def test_a_short_mark_keeps_its_corner(arm, turn_deg):
    ends = [(80 + arm, 60), (80 + arm * np.cos(np.radians(turn_deg)), 60 + arm * np.sin(np.radians(turn_deg)))]
    strokes = strokes_of(
        (paint.line((5, 30), (155, 30)), 1.5, BLACK), (paint.line(ends[0], (80, 60), ends[1]), 1.0, BLACK)
    )
    (mark,) = (s for s in strokes if np.ptp(s.points_mm[:, 0]) < 100)
    assert shapely.LineString(mark.points_mm).distance(shapely.Point(80, 60)) < 0.2


@pytest.mark.parametrize("aside_mm", [0.6, 1.0])
def test_a_line_goes_on_past_a_tick_behind_a_gap_though_it_comes_back_a_little_aside(aside_mm):
    pieces = paint.line((5, 60), (76.5, 60)), paint.line((80, 60 + aside_mm), (155, 60 + aside_mm))
    strokes = strokes_of(*((p, 1.6, BLACK) for p in pieces), (paint.line((80, 53), (80, 66)), 1.2, BLACK))
    assert sorted((s.kind, round(float(np.ptp(s.points_mm[:, 0])))) for s in strokes) == [("marker", 140), ("tick", 0)]


def test_half_of_a_tick_is_made_a_whole_one():
    """The other half is faint, or was never drawn; it is both parts that need a tick (common practice, no source)."""
    line, half = paint.line((5, 60), (152, 60)), paint.line((80, 60), (80, 66))
    (tick,) = only(strokes_of((line, 1.6, BLACK), (half, 1.2, BLACK)), "tick")
    assert abs(tick.points_mm[:, 0] - 80).max() < 0.3
    assert sorted(tick.points_mm[[0, -1], 1]) == pytest.approx([54, 66], abs=0.7)


@pytest.mark.parametrize("end", [(76, 64), (80, 72)])
def test_a_mark_that_stands_on_a_line_aslant_or_is_long_is_no_tick(end):
    line, mark = paint.line((5, 60), (152, 60)), paint.line((80, 60), end)
    assert not only(strokes_of((line, 1.6, BLACK), (mark, 1.2, BLACK)), "tick")


def test_a_mark_at_the_end_of_a_line_is_no_tick():
    line, mark = paint.line((5, 60), (152, 60)), paint.line((149, 60), (149, 67))
    assert not only(strokes_of((line, 1.6, BLACK), (mark, 1.2, BLACK)), "tick")


def test_a_mark_that_stands_on_the_cut_edge_is_a_tick():
    """Where a shell ends there is but one side to draw it on (common practice, no source)."""
    line, mark = paint.line((5, 60), (152, 60)), paint.line((80, 112), (80, 104))
    (tick,) = only(strokes_of((line, 1.6, BLACK), (mark, 1.2, BLACK)), "tick")
    assert sorted(tick.points_mm[[0, -1], 1]) == pytest.approx([104, 110], abs=0.7)


def test_half_of_a_tick_by_the_cut_edge_stays_a_half():
    line, half = paint.line((5, 107), (152, 107)), paint.line((80, 107), (80, 101))
    (tick,) = only(strokes_of((line, 1.6, BLACK), (half, 1.2, BLACK)), "tick")
    assert tick.points_mm[:, 1].max() == pytest.approx(107, abs=0.5)


def test_two_lines_that_end_side_by_side_on_a_third_are_not_one():
    through = paint.line((5, 60), (155, 60))
    legs = [paint.line((79, 60), (72, 115)), paint.line((81, 60), (98, 115))]
    strokes = strokes_of(*((p, 1.8, BLACK) for p in (through, *legs)))
    assert len(strokes) == 3
    for leg in sorted(strokes, key=lambda s: np.ptp(s.points_mm[:, 0]))[:2]:
        assert leg.points_mm[:, 1].min() == pytest.approx(60, abs=0.3)


@pytest.mark.parametrize("beside_mm", [0.0, 1.0])
def test_a_line_that_meets_another_just_before_a_third_still_ends_on_that(beside_mm):
    """Joined the two would leave a neck of two millimetres between two panels."""
    through, down = paint.line((5, 75), (155, 45)), paint.line((77, 5), (80, 60))
    strokes = strokes_of(*((p, 1.6, BLACK) for p in (through, down, paint.line((80 + beside_mm, 57.6), (150, 47.6)))))
    (steep,) = (s for s in strokes if np.ptp(s.points_mm[:, 0]) < 10)
    assert len(strokes) == 3
    assert steep.points_mm[:, 1].max() == pytest.approx(60, abs=0.4)


def test_a_shape_whose_first_pull_is_covered_by_a_tick_is_closed():
    """A tick along a side at a corner: the pen's loop starts at the tick's far end and stops beside itself."""
    corners = [(45, 30), (110, 28), (118, 85), (60, 92)]
    shape = [paint.line(*corners, corners[0])]
    tick = paint.line((38.5, 28.5), (51, 29.0))
    strokes = strokes_of(*((p, 1.8, BLACK) for p in (*shape, tick)))
    drawn = [np.vstack([s.points_mm, s.points_mm[: s.closed]]) for s in strokes]
    noded = shapely.node(shapely.union_all([shapely.LineString(points) for points in drawn]))
    (face,) = shapely.polygonize([noded]).geoms
    assert face.area == pytest.approx(shapely.Polygon(corners).area, rel=0.03)
