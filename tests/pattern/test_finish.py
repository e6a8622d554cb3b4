"""Leaning edges, lines inside a piece, holes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from extract.build import Build, Edge, Finish, Outcome, Piece, Stock
from extract.doors import CannotContinue
from extract.geometry.curve import curve_area, curve_length, curve_points, polyline_curve
from extract.geometry.runs import shape_of
from extract.steps import apply


@pytest.fixture
def build() -> Build:
    corners = np.array([[0, 0], [80, 0], [80, 50], [0, 50], [0, 0]], float)
    edges = tuple(Edge("abcd"[k], polyline_curve(corners[k : k + 2])) for k in range(4))
    return Build("x", (Piece("p1", "wing", edges, stock="foam"),), stocks=(Stock("foam", 6.0),))


def did(build: Build, step: str, **answers: Any) -> Outcome:
    return apply(build, step, answers)


@pytest.mark.parametrize(
    ("thickness", "lean", "shift", "gap"),
    [(2.0, 45.0, 2.00, 2.83), (6.0, 30.0, 3.46, 6.00), (10.0, 22.5, 4.14, 7.65), (10.0, 5.0, 0.87, 1.74)],
)
def test_a_leaning_edge_tells_what_it_makes(
    build: Build, thickness: float, lean: float, shift: float, gap: float
) -> None:
    """Two sheets at dihedral δ lean (180° − δ)/2 each: shift t·tan β, gap of square edges 2t·sin β (trigonometry)."""
    build = replace(build, stocks=(Stock("foam", thickness),))
    outcome = did(build, "finish", edges="p1:a+b", lean=lean, longer="back")
    told = {figure.what: figure.after for figure in outcome.figures}
    assert told["the other face lies back"] == pytest.approx(shift, abs=0.005)
    assert told["gap if both edges stay square"] == pytest.approx(gap, abs=0.005)
    assert told["angle between two sheets with such edges"] == 180 - 2 * lean
    leaning = [edge.finish for edge in outcome.build.pieces[0].edges]
    assert leaning == [Finish(lean, "back"), Finish(lean, "back"), Finish(), Finish()]
    square = did(outcome.build, "finish", edges="p1:b", lean=0).build.pieces[0]
    assert square.edges[1].finish == Finish()


def test_a_line_is_drawn_used_and_taken_away(build: Build) -> None:
    drawn = did(build, "line", piece="p1", points="10,10 70,10", text="fold").build
    (line,) = drawn.pieces[0].details
    assert (line.id, line.use, line.text, curve_length(line.curve)) == ("d1", "score", "fold", 60.0)
    burned = did(drawn, "line-use", piece="p1", line="d1", use="burn").build
    assert burned.pieces[0].details[0].use == "burn"
    assert did(burned, "line-away", piece="p1", line="d1").build.pieces[0].details == ()


def test_a_line_ends_where_the_piece_ends(build: Build) -> None:
    """It runs out at the right, and over a hole of 10 mm: two lines are left."""
    holed = did(build, "hole", piece="p1", x=30, y=25, across=10).build
    piece = did(holed, "line", piece="p1", points=[[10, 25], [200, 25]]).build.pieces[0]
    assert [d.id for d in piece.details] == ["d1", "d2"]
    assert sum(curve_length(d.curve) for d in piece.details) == pytest.approx(60, abs=0.05)
    assert max(curve_points(d.curve)[:, 0].max() for d in piece.details) == pytest.approx(80)


def test_a_smooth_line_runs_through_its_points(build: Build) -> None:
    points = [[10.0, 10.0], [30.0, 30.0], [50.0, 30.0], [70.0, 10.0]]
    curve = did(build, "line", piece="p1", points=points, smooth="yes").build.pieces[0].details[0].curve
    away = np.linalg.norm(curve_points(curve, 1e-3)[:, None] - np.array(points), axis=2).min(axis=0)
    assert away.max() < 0.5


def test_a_hole_takes_its_area_and_can_be_filled(build: Build) -> None:
    outcome = did(build, "hole", piece="p1", x=40, y=25, across=12, fixed="no")
    (hole,) = outcome.build.pieces[0].holes
    assert curve_area(hole.curve) == pytest.approx(-np.pi * 36, rel=1e-4) and not hole.fixed
    assert outcome.figures[0].after == pytest.approx(25 - 6, abs=0.01)
    assert shape_of(outcome.build.pieces[0]).is_valid
    filled = did(outcome.build, "hole-away", piece="p1", hole="h1")
    assert filled.build.pieces[0].holes == ()
    assert filled.figures[0].after == pytest.approx(4000)


@pytest.mark.parametrize(
    ("step", "answers", "reason"),
    [
        ("finish", {"edges": "p1:a", "lean": 80}, "cannot lean 80°"),
        ("finish", {"edges": "p1:a", "lean": -10}, "cannot lean -10°"),
        ("finish", {"edges": "p1:z", "lean": 45}, "no edge z"),
        ("line", {"points": "10,10"}, "two different points"),
        ("line", {"points": "10,10 10,10"}, "two different points"),
        ("line", {"points": "100,100 200,200"}, "does not cross"),
        ("line-use", {"line": "d1", "use": "burn"}, "no line d1"),
        ("line-away", {"line": "d1"}, "no line d1"),
        ("hole", {"x": 40, "y": 25, "across": 0}, "needs a width"),
        ("hole", {"x": 40, "y": 25, "across": 49}, "does not fit"),
        ("hole", {"x": 90, "y": 25, "across": 5}, "does not fit"),
        ("hole-away", {"hole": "h1"}, "no hole h1"),
    ],
)
def test_what_cannot_be_made_is_refused(build: Build, step: str, answers: dict[str, Any], reason: str) -> None:
    given = answers if step == "finish" else {"piece": "p1", **answers}
    with pytest.raises(CannotContinue, match=reason):
        apply(build, step, given)


def test_a_second_hole_keeps_clear_of_the_first(build: Build) -> None:
    holed = did(build, "hole", piece="p1", x=40, y=25, across=12).build
    with pytest.raises(CannotContinue, match=r"room for 6\.0 mm"):
        did(holed, "hole", piece="p1", x=50, y=25, across=8)
    assert len(did(holed, "hole", piece="p1", x=50, y=25, across=5.9).build.pieces[0].holes) == 2
