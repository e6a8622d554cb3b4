"""Parts, marks and mirrored pairs, measured with shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.doors import Array, Curve, Panel, Stroke, StrokeKind
from extract.geometry.curve import (
    circle_curve,
    curve_area,
    curve_length,
    curve_points,
    mirrored,
    polyline_curve,
    reversed_curve,
)
from extract.pattern.parts import make_pattern


def panel(outline: Curve, *holes: Curve, name: str = "p1") -> Panel:
    area = curve_area(outline) + sum(curve_area(hole) for hole in holes)
    return Panel(name, outline, holes, area, curve_length(outline), 0.1)


def stroke(points: Array | list[list[float]], kind: StrokeKind = "marker", closed: bool = False) -> Stroke:
    return Stroke("s", kind, "red", closed, 1.5, 0.1, np.asarray(points, float))


def box(x: float, y: float, w: float, h: float) -> Curve:
    return polyline_curve(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]), closed=True)


def shape(curve: Curve, *holes: Curve) -> shapely.Polygon:
    return shapely.Polygon(curve_points(curve, 1e-3), [curve_points(hole, 1e-3) for hole in holes])


RING = np.c_[20 + 6 * np.cos(t := np.linspace(0, 2 * np.pi, 60, endpoint=False)), 20 + 6 * np.sin(t)]
TWO = (panel(box(0, 0, 60, 40)), panel(box(60, 0, 30, 40), name="p2"))


def test_parts_are_numbered_and_keep_their_panels() -> None:
    pattern = make_pattern(TWO, (), "shell.jpg", "2024-05-01")
    assert [(p.number, p.side, p.area_mm2, p.perimeter_mm) for p in pattern.parts] == [
        ("1", "", 2400.0, 200.0),
        ("2", "", 1200.0, 140.0),
    ]
    assert (pattern.photo_name, pattern.date) == ("shell.jpg", "2024-05-01")


def test_label_stands_in_the_largest_free_circle() -> None:
    """A 100 × 40 strip with a hole near its left end: the free circle is 20 mm wide in radius, right of the hole."""
    hole = reversed_curve(circle_curve((20.0, 20.0), 15.0))
    part = make_pattern([panel(box(0, 0, 100, 40), hole)], (), "", "").parts[0]
    assert part.room_mm == pytest.approx(20, abs=0.5)
    assert part.label_mm[0] > 35 + 19
    free = shape(part.outline, *part.holes)
    assert free.boundary.distance(shapely.Point(part.label_mm)) == pytest.approx(part.room_mm, abs=0.05)


def test_marks_are_clipped_to_each_part() -> None:
    line = stroke([[10, 10], [80, 10]])
    tick = stroke([[56, 30], [64, 30]], "tick")
    first, second = make_pattern(TWO, (line, tick), "", "").parts
    assert [(m.kind, round(curve_length(m.curve), 6)) for m in first.marks] == [("marker", 50.0), ("tick", 4.0)]
    assert [(m.kind, round(curve_length(m.curve), 6)) for m in second.marks] == [("marker", 20.0), ("tick", 4.0)]


def test_strokes_along_the_outline_are_no_marks() -> None:
    shared = stroke([[60.3, 0], [59.8, 20], [60.2, 40]])
    edge = stroke([[0, 0], [60, 0], [60, 40], [0, 40]], "cut-edge", closed=True)
    overshoot = stroke([[60, 0], [60, 40], [60, 40.5]])
    assert [p.marks for p in make_pattern(TWO, (shared, edge, overshoot), "", "").parts] == [(), ()]


def test_stroke_that_ends_inside_is_kept_where_it_leaves_the_outline() -> None:
    hooked = stroke([[0.2, 0], [0.2, 38], [12, 38]])
    mark = make_pattern(TWO, (hooked,), "", "").parts[0].marks[0]
    assert curve_points(mark.curve)[:, 0].max() == pytest.approx(12)
    assert curve_length(mark.curve) == pytest.approx(11, abs=1.5)


def test_ring_becomes_the_circle_that_was_meant() -> None:
    drawn = RING + np.random.default_rng(0).normal(0, 0.2, RING.shape)
    mark = make_pattern(TWO, (stroke(drawn, "ring", closed=True),), "", "").parts[0].marks[0]
    assert mark.kind == "ring" and mark.curve.closed
    points = curve_points(mark.curve, 0.01)
    radius = np.linalg.norm(points - [20, 20], axis=1)
    assert np.abs(radius - 6).max() < 0.2
    assert shapely.minimum_bounding_radius(shapely.Polygon(points)) - radius.min() < 0.2


def test_ring_that_is_a_hole_is_not_marked_again() -> None:
    holed = panel(box(0, 0, 60, 40), reversed_curve(circle_curve((20.0, 20.0), 6.0)))
    assert make_pattern([holed], (stroke(RING, "ring", closed=True),), "", "").parts[0].marks == ()


def test_pairs_lie_side_by_side_and_mirror_each_other() -> None:
    line = stroke([[10, 10], [50, 25]])
    pattern = make_pattern(TWO, (line,), "", "", pairs=True)
    assert [(p.number, p.side) for p in pattern.parts] == [("1", "L"), ("2", "L"), ("1", "R"), ("2", "R")]
    left, right = pattern.parts[0], pattern.parts[2]
    assert curve_points(pattern.parts[3].outline)[:, 0].min() == pytest.approx(110)  # 20 mm right of 90
    folded = shapely.affinity.scale(shape(left.outline), xfact=-1, origin=(100, 0))
    assert folded.symmetric_difference(shape(right.outline)).area == pytest.approx(0, abs=1e-6)
    np.testing.assert_allclose(curve_points(right.marks[0].curve), [[190, 10], [150, 25]])
    assert right.label_mm == (pytest.approx(200 - left.label_mm[0]), left.label_mm[1])
    whole = shapely.union_all([shape(p.outline) for p in pattern.parts])
    assert whole.area == pytest.approx(sum(p.area_mm2 for p in pattern.parts))


corner = st.floats(-200, 200).map(lambda v: round(v, 2))


@given(st.lists(st.tuples(st.floats(30, 100), st.floats(-8, 8)), min_size=5, max_size=9), corner, corner)
@settings(max_examples=40, deadline=None)
def test_twins_measure_the_same_and_fold_back(spokes: list[tuple[float, float]], x: float, y: float) -> None:
    """Star-shaped panels with bowed sides: equal areas and perimeters, and the mirror of the mirror is the panel."""
    turn = np.linspace(0, 2 * np.pi, len(spokes), endpoint=False)
    points = np.array([s[0] for s in spokes])[:, None] * np.c_[np.cos(turn), np.sin(turn)] + [x, y]
    sides = polyline_curve(points, closed=True).controls.copy()
    sides[:, 1] += np.array([s[1] for s in spokes])[:, None]
    sides[:, 2] -= np.array([s[1] for s in spokes])[:, None] / 2
    outline = Curve(sides, np.zeros(len(sides), bool), True)
    left, right = make_pattern([panel(outline)], (), "", "", pairs=True).parts
    assert right.area_mm2 == pytest.approx(left.area_mm2, rel=1e-12, abs=1e-9)
    assert right.perimeter_mm == pytest.approx(left.perimeter_mm, abs=1e-9)
    axis = (right.label_mm[0] + left.label_mm[0]) / 2
    again = reversed_curve(mirrored(right.outline, axis))
    np.testing.assert_allclose(again.controls, outline.controls, atol=1e-9)
