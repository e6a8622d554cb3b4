"""Gaps, overlaps, allowances and cuts, measured with shapely."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.build import Build, Edge, Hole, Outcome, Piece, Run, Seam
from extract.doors import CannotContinue
from extract.geometry.curve import circle_curve, curve_length, curve_points, polyline_curve, reversed_curve, subcurve
from extract.geometry.fit import fit_curve
from extract.geometry.runs import piece_area, run_curve, shape_of
from extract.pattern.allowance import add_allowance, add_overlap, leave_gap, make_up_for_cut


def oblong(name: str, x: float, width: float = 100.0) -> Piece:
    ring = polyline_curve(np.array([[x, 0], [x + width, 0], [x + width, 60], [x, 60]]), closed=True)
    return Piece(name, name, tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcd")))


def neighbours() -> Build:
    """Two oblongs side by side: the first's right edge b against the second's left edge d."""
    return Build("moth", (oblong("p1", 0), oblong("p2", 100)), (Seam(1, Run("p1", ("b",)), Run("p2", ("d",))),))


def leaf() -> Piece:
    """A rounded piece with two corners: a bowed upper edge and a deeper lower one."""
    x = np.linspace(0, 160, 161)
    top = fit_curve(np.c_[x, -0.002 * x * (160 - x)], 0.02).curve
    low = fit_curve(np.c_[x[::-1], 0.006 * x * (160 - x)], 0.02).curve
    return Piece("p1", "leaf", (Edge("a", top), Edge("b", low)))


LEAF = leaf()


def bounds(outcome: Outcome, k: int) -> tuple[float, ...]:
    return tuple(shape_of(outcome.build.pieces[k]).bounds)


def test_a_gap_of_10_mm_takes_5_mm_off_each_side() -> None:
    """10 mm recess between cover panels, 5 mm off each side: common practice, no source."""
    found = leave_gap(neighbours(), ["p1:b"], 10.0)
    assert bounds(found, 0) == pytest.approx((0, 0, 95, 60))
    assert bounds(found, 1) == pytest.approx((105, 0, 200, 60))
    shapes = [shape_of(piece) for piece in found.build.pieces]
    assert shapely.distance(*shapes) == pytest.approx(10.0)
    changed = {f.where: (f.before, f.after) for f in found.figures if f.what == "length of the edge"}
    assert changed["p1:a"] == (pytest.approx(100), pytest.approx(95))
    assert set(changed) == {"p1:a", "p1:c", "p2:a", "p2:c"}
    assert bounds(leave_gap(neighbours(), "p1:b", 10.0, both=False), 1) == pytest.approx((100, 0, 200, 60))


@given(gap=st.floats(1, 16))
@settings(max_examples=10, deadline=None)
def test_a_gap_along_a_curve_is_even_and_stays_a_curve(gap: float) -> None:
    build = Build("moth", (LEAF,))
    found = leave_gap(build, ["p1:a+b"], gap).build.pieces[0]
    exact = shape_of(build.pieces[0], 0.001).buffer(-gap / 2, join_style="mitre", quad_segs=64)
    assert shape_of(found, 0.001).symmetric_difference(exact).area <= 0.02 * exact.length
    away = shapely.distance(shapely.points(curve_points(found.edges[0].curve)), shape_of(LEAF, 0.001).exterior)
    assert np.abs(away - gap / 2).max() <= 0.02
    assert not any(edge.curve.straight.any() for edge in found.edges)


def test_an_overlap_leaves_the_neighbour_alone() -> None:
    build = neighbours()
    found = add_overlap(build, ["p1:b"], 12.0)
    assert bounds(found, 0) == pytest.approx((0, 0, 112, 60))
    assert found.build.pieces[1] is build.pieces[1]
    assert curve_length(run_curve(found.build, Run("p1", ("b",)))) == pytest.approx(60)


def test_an_allowance_may_go_along_an_edge_round_a_piece_or_everywhere() -> None:
    build = neighbours()
    assert bounds(add_allowance(build, "p1:a", 4.0), 0) == pytest.approx((0, -4, 100, 60))
    assert bounds(add_allowance(build, "p2", 4.0), 1) == pytest.approx((96, -4, 204, 64))
    everywhere = add_allowance(build, "all", 4.0)
    assert [round(shape_of(piece).area) for piece in everywhere.build.pieces] == [108 * 68] * 2
    assert any(f.where.startswith("seam 1") for f in add_allowance(build, "p2:a", 4.0).figures)


def test_a_cut_is_made_up_for_outside_and_in_holes() -> None:
    """A saw 1.2 mm wide leaves the piece as it was designed when it runs half of that outside the line."""
    hole = Hole("h1", reversed_curve(circle_curve((50.0, 30.0), 10.0, 1e-4)))
    build = Build("moth", (replace(oblong("p1", 0), holes=(hole,)),))
    found = make_up_for_cut(build, "all", 1.2).build.pieces[0]
    assert piece_area(found) == pytest.approx(101.2 * 61.2 - math.pi * 9.4**2, abs=0.01)
    cut = shape_of(found, 0.001).buffer(-0.6, join_style="mitre", quad_segs=64)
    assert cut.symmetric_difference(shape_of(build.pieces[0], 0.001)).area <= 0.5
    with pytest.raises(CannotContinue, match="smaller than the cut"):
        make_up_for_cut(build, "all", 30.0)


def test_what_eats_the_piece_is_refused_and_nothing_changes() -> None:
    build = neighbours()
    for gap in (70.0, 250.0):
        with pytest.raises(CannotContinue):
            leave_gap(build, ["p1:a+b+c+d"], gap)
    with pytest.raises(CannotContinue, match="above 0"):
        leave_gap(build, ["p1:a"], -3.0)
    with pytest.raises(CannotContinue, match="no edge"):
        add_overlap(build, ["p1:x"], 3.0)
    with pytest.raises(CannotContinue, match="changes nothing"):
        add_allowance(build, "all", 0.0)
    assert bounds(Outcome(build), 0) == (0, 0, 100, 60)


def test_a_sewn_edge_may_not_vanish_a_loose_one_may() -> None:
    points = np.array([[0.0, 0], [98, 0], [100, 2], [100, 60], [0, 60]])
    ring = polyline_curve(points, closed=True)
    piece = Piece("p1", "clipped", tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcde")))
    build = Build("moth", (piece, oblong("p2", 200)))
    found = add_allowance(build, "p1", -8.0)
    assert [edge.id for edge in found.build.pieces[0].edges] == ["a", "c", "d", "e"]
    assert [doubt.code for doubt in found.doubts] == ["edge-vanished"]
    sewn = replace(build, seams=(Seam(1, Run("p1", ("b",)), Run("p2", ("b",))),))
    with pytest.raises(CannotContinue, match="it is sewn"):
        add_allowance(sewn, "p1", -8.0)
