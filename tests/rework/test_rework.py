"""Corrections by hand. Areas are checked against shapely's polygons and plain arithmetic on rectangles."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from extract.correction import checked
from extract.doors import CannotContinue, Tracing
from extract.geometry.curve import curve_points
from extract.rework import HAND_SIGMA_MM, rework


def areas(tracing: Tracing) -> list[float]:
    return [panel.area_mm2 for panel in tracing.panels]


def by_id(tracing: Tracing) -> dict[str, Any]:
    return {stroke.id: stroke for stroke in tracing.strokes}


def codes(tracing: Tracing) -> list[str]:
    return [doubt.code for doubt in tracing.doubts]


def test_nothing_corrected_cuts_along_the_black_line(tracing: Tracing) -> None:
    done = rework(tracing, [])
    assert areas(done) == pytest.approx([10_000, 10_000], rel=1e-3)
    assert list(by_id(done)) == list(by_id(tracing))
    assert codes(done) == ["bars-not-measured"]


def test_a_deleted_line_no_longer_parts(tracing: Tracing) -> None:
    done = rework(tracing, [{"do": "delete", "stroke": "s1"}])
    assert areas(done) == pytest.approx([20_000], rel=1e-3)
    assert "s1" not in by_id(done)


def test_a_drawn_line_parts_and_is_stated_as_true_as_a_hand(tracing: Tracing) -> None:
    draw = {"do": "draw", "new": "h1", "points": [[0.8, 20], [99, 40]], "closed": False, "meaning": "cut"}
    done = rework(tracing, [draw])
    whole = shapely.box(0, 0, 100, 100)
    above = shapely.Polygon([(0, 0), (100, 0), (100, 40.2), (0, 19.8)])
    expected = sorted([whole.area - above.area, above.area, 10_000], reverse=True)
    assert areas(done) == pytest.approx(expected, rel=2e-3)
    drawn = by_id(done)["h1"]
    assert drawn.by_hand
    assert drawn.sigma_mm == pytest.approx(HAND_SIGMA_MM, rel=0.02)
    # Of a panel's outline the drawn line is a known share; the untouched panel keeps its ±.
    plain = rework(tracing, []).panels[0].sigma_mm
    by_area = dict(zip([round(area) for area in areas(done)], done.panels, strict=True))
    assert by_area[10_000].sigma_mm == pytest.approx(plain, rel=0.1)
    touched = [panel for panel in done.panels if panel.sigma_mm > 0.2]
    assert len(touched) == 2
    for panel in touched:
        share = math.hypot(100, 20) / panel.perimeter_mm
        assert panel.sigma_mm == pytest.approx(HAND_SIGMA_MM * math.sqrt(share), rel=0.1)
    assert codes(done)[-1] == "by-hand"


def test_a_line_that_overshoots_at_one_end_and_just_misses_at_the_other_parts(tracing: Tracing) -> None:
    # The shell ends at y = 0 and y = 100.
    points = [[50, -0.4], [50, 50], [50, 99.9974]]
    done = rework(tracing, [{"do": "draw", "new": "h1", "points": points, "closed": False, "meaning": "cut"}])
    assert areas(done) == pytest.approx([10_000, 5_000, 5_000], rel=1e-3)


def test_a_drawn_end_far_from_any_line_bounds_nothing(tracing: Tracing) -> None:
    draw = {"do": "draw", "new": "h1", "points": [[0.8, 20], [90, 40]], "closed": False, "meaning": "cut"}
    assert areas(rework(tracing, [draw])) == pytest.approx([10_000, 10_000], rel=1e-3)


def test_joined_lines_bridge_the_gap(tracing: Tracing) -> None:
    join = {"do": "join", "stroke": "s3", "with": "s4"}
    done = rework(tracing, [join, {"do": "move-point", "stroke": "s3", "from": [20, 50], "to": [0.2, 50], "reach": 30}])
    assert areas(done) == pytest.approx([10_000, 5_000, 5_000], rel=3e-3)
    assert set(by_id(done)) == {"s1", "s2", "s3"}
    joined = by_id(done)["s3"]
    assert shapely.LineString(joined.points_mm).length == pytest.approx(100.3, abs=0.3)
    assert 0.1 < joined.sigma_mm < HAND_SIGMA_MM


def test_a_split_line_can_lose_one_half(tracing: Tracing) -> None:
    split = {"do": "split", "stroke": "s1", "at": [101, 50], "new": "h1"}
    halves = by_id(rework(tracing, [split]))
    assert shapely.LineString(halves["s1"].points_mm).length == pytest.approx(51)
    assert shapely.LineString(halves["h1"].points_mm).length == pytest.approx(51)
    assert not halves["h1"].by_hand
    assert areas(rework(tracing, [split])) == pytest.approx([10_000, 10_000], rel=1e-3)
    assert areas(rework(tracing, [split, {"do": "delete", "stroke": "h1"}])) == pytest.approx([20_000], rel=1e-3)


def test_a_pulled_point_takes_its_neighbours_along(tracing: Tracing) -> None:
    pull = {"do": "move-point", "stroke": "s1", "from": [100, 50], "to": [110, 50], "reach": 20}
    done = rework(tracing, [pull])
    moved = by_id(done)["s1"].points_mm
    # A cosine bump of height 10 and half width 20 has the area 10 · 20 (calculus).
    assert areas(done)[0] - areas(done)[1] == pytest.approx(2 * 10 * 20, rel=0.02)
    assert moved[np.abs(moved[:, 1] - 50) > 20.1][:, 0] == pytest.approx(100)


def test_a_moved_corner_moves_every_line_that_meets_there(tracing: Tracing) -> None:
    corner = {"do": "move-corner", "from": [100, 50], "to": [100, 60], "reach": 20}
    done = rework(tracing, [corner])
    for name in ("s1", "s4"):
        assert shapely.LineString(by_id(done)[name].points_mm).distance(shapely.Point(100, 60)) < 0.6
    assert by_id(done)["s2"].points_mm is by_id(tracing)["s2"].points_mm


def test_the_cut_edge_can_be_moved_and_nothing_else(tracing: Tracing) -> None:
    unsure = np.ones(len(tracing.silhouette.rings_mm[0]), bool)
    tracing = replace(tracing, silhouette=replace(tracing.silhouette, unsure=(unsure,)))
    pull = {"do": "move-point", "stroke": "edge-1", "from": [50, 0], "to": [50, -10], "reach": 20}
    done = rework(tracing, [pull, {"do": "delete", "stroke": "edge-1"}])
    assert areas(done) == pytest.approx([10_200, 10_000], rel=2e-3)
    assert 0 < done.silhouette.unsure[0].mean() < 1
    assert codes(done)[1:] == ["correction-idle", "by-hand"]


def test_meanings_decide_what_parts(tracing: Tracing) -> None:
    guide = {"do": "meaning", "stroke": "s1", "meaning": "reference"}
    assert areas(rework(tracing, [guide])) == pytest.approx([20_000], rel=1e-3)
    assert by_id(rework(tracing, [guide]))["s1"].colour != "black"
    cut = {"do": "meaning", "stroke": "s2", "meaning": "cut"}
    assert by_id(rework(tracing, [cut]))["s2"].colour == "black"
    note = rework(tracing, [{"do": "meaning", "stroke": "s1", "meaning": "note"}])
    assert by_id(note)["s1"].kind == "note"
    assert len(note.panels) == 1


def test_a_drawn_circle_is_a_hole(tracing: Tracing) -> None:
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    circle = (np.array([50, 25]) + 10 * np.stack([np.cos(turn), np.sin(turn)], axis=1)).tolist()
    done = rework(tracing, [{"do": "draw", "new": "h1", "points": circle, "closed": True, "meaning": "hole"}])
    assert areas(done) == pytest.approx([10_000, 10_000 - 100 * math.pi], rel=5e-3)
    assert sum(len(panel.holes) for panel in done.panels) == 1


def test_names_go_to_the_panel_that_holds_the_place(tracing: Tracing) -> None:
    names = [
        {"do": "name", "at": [x, 80], "name": name} for x, name in ((30, "left"), (170, "right"), (40, "left wing"))
    ]
    done = rework(tracing, names)
    for panel in done.panels:
        middle = shapely.Polygon(curve_points(panel.outline)).centroid.x
        assert panel.name == ("left wing" if middle < 100 else "right")
    assert [panel.name for panel in rework(tracing, []).panels] == ["", ""]


@pytest.mark.parametrize(
    "correction",
    [
        {"do": "delete", "stroke": "s9"},
        {"do": "split", "stroke": "s1", "at": [100, -1], "new": "h1"},
        {"do": "split", "stroke": "s1", "at": [100, 50], "new": "s2"},
        {"do": "join", "stroke": "s1", "with": "s9"},
        {"do": "meaning", "stroke": "s1", "meaning": "hole"},
        {"do": "move-corner", "from": [500, 500], "to": [1, 1], "reach": 10},
        {"do": "draw", "new": "h1", "points": [[1, 1]], "closed": False, "meaning": "cut"},
        {"do": "move-point", "stroke": "edge-1", "from": [50, 0], "to": [150, 150], "reach": 20},
    ],
    ids=lambda correction: f"{correction['do']}-{correction.get('stroke', '')}",
)
def test_what_no_longer_applies_is_left_out_and_said(tracing: Tracing, correction: dict[str, Any]) -> None:
    done = rework(tracing, [correction, {"do": "delete", "stroke": "s1"}])
    assert codes(done)[1] == "correction-idle"
    assert "Correction 1" in done.doubts[1].message
    assert len(done.panels) == 1, "the correction after it was not done"


@pytest.mark.parametrize(
    "broken",
    [
        None,
        [],
        {},
        {"do": "explode"},
        {"do": "delete"},
        {"do": "delete", "stroke": 3},
        {"do": "delete", "stroke": "s1", "extra": 1},
        {"do": "split", "stroke": "s1", "at": [1, math.nan], "new": "h1"},
        {"do": "split", "stroke": "s1", "at": [1, math.inf], "new": "h1"},
        {"do": "split", "stroke": "s1", "at": [1, True], "new": "h1"},
        {"do": "move-point", "stroke": "s1", "from": [1, 1], "to": [1e9, 1], "reach": 5},
        {"do": "move-point", "stroke": "s1", "from": [1, 1], "to": [1, 1], "reach": 0},
        {"do": "meaning", "stroke": "s1", "meaning": "glue"},
        {"do": "name", "at": [1, 1], "name": "x" * 81},
        {"do": "name", "at": [1, 1], "name": "a\nb"},
        {"do": "draw", "new": "h1", "points": [[0, 0]] * 20_001, "closed": False, "meaning": "cut"},
    ],
    ids=str,
)
def test_a_broken_correction_is_refused(tracing: Tracing, broken: Any) -> None:
    with pytest.raises(CannotContinue, match="cannot be understood"):
        checked(broken)
    with pytest.raises(CannotContinue):
        rework(tracing, [broken])


def test_the_tracing_given_is_left_as_it_was(tracing: Tracing) -> None:
    before = [stroke.points_mm.copy() for stroke in tracing.strokes]
    rework(tracing, [{"do": "move-corner", "from": [100, 50], "to": [90, 60], "reach": 30}])
    assert all(np.array_equal(a, s.points_mm) for a, s in zip(before, tracing.strokes, strict=True))
