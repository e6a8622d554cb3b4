"""Darts and slits against published wedges and cones, closed forms and shapely."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.build import Build, Edge, Outcome, Piece, Run, Seam
from extract.doors import CannotContinue, Curve
from extract.geometry.arc import points_at
from extract.geometry.curve import (
    circle_curve,
    curve_area,
    curve_length,
    curve_points,
    joined,
    polyline_curve,
    reversed_curve,
    subcurve,
)
from extract.geometry.fit import fit_curve
from extract.geometry.runs import checked, run_curve, shape_of
from extract.geometry.slits import glued_curve, real_ways, run_length, slits_of
from extract.pattern.darts import cap_intake, close_slits, closed_cone, put_darts, row_weights
from extract.pattern.fit import fit_of


def oblong(width: float = 360.0, deep: float = 100.0, name: str = "p1") -> Piece:
    ring = polyline_curve(np.array([[0.0, 0], [width, 0], [width, deep], [0, deep]]), closed=True)
    return Piece(name, name, tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcd")))


def slit_piece(wedge_deg: float, leg: float = 60.0, off: float = 0.0) -> Piece:
    """An oblong with one slit down from its upper edge; ``off`` makes the second lip longer."""
    half = math.radians(wedge_deg) / 2
    apex = np.array([100.0, leg * math.cos(half)])
    mouth = leg * math.sin(half)
    far = apex + (leg + off) * np.array([math.sin(half), -math.cos(half)])
    points = np.array([[0, 0], [100 - mouth, 0], apex, far, [200, 0], [200, 120], [0, 120]])
    ring = polyline_curve(points, closed=True)
    return Piece("p1", "slit", tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcdefg")))


def value(found: Outcome, what: str, before: bool = False) -> float:
    figure = next(figure for figure in found.figures if figure.what == what)
    result = figure.before if before else figure.after
    assert result is not None
    return result


@pytest.mark.parametrize(
    ("wedge", "half", "slope", "mouth", "rise"),
    [
        (10, 76.46, 13.54, 17.43, 23.41),
        (20, 70.81, 19.19, 34.73, 32.87),
        (30, 66.44, 23.56, 51.76, 39.97),
        (45, 61.04, 28.96, 76.54, 48.41),
        (60, 56.44, 33.56, 100.00, 55.28),
        (90, 48.59, 41.41, 141.42, 66.14),
        (180, 30.00, 60.00, 200.00, 86.60),
    ],
)
def test_a_closed_wedge_is_a_cone(wedge: float, half: float, slope: float, mouth: float, rise: float) -> None:
    """sin(half the point) = 1 − wedge/360 (computed); half a disc closes to a cone of 30° to its axis, and its rim
    has the length of the foot's circle."""
    cone = closed_cone(wedge, 100)
    assert (cone.half_apex_deg, cone.slope_deg) == (pytest.approx(half, abs=0.006), pytest.approx(slope, abs=0.006))
    assert (cone.mouth_mm, cone.rise_mm) == (pytest.approx(mouth, abs=0.006), pytest.approx(rise, abs=0.006))
    assert 2 * math.pi * cone.foot_mm == pytest.approx(math.radians(360 - wedge) * 100)


def test_published_wedges() -> None:
    """Leg 7.25 in, width 1.0 in → 7.908° (lindrix.com/pattern/angle; exact 7.909°). A full cone with a 90° point is a
    sector of 254.6° (anvilfire.com cones1), so the wedge taken out of the disc is 105.4°."""
    slit = slits_of(slit_piece(7.908, leg=72.5))[0]
    assert slit.mouth_mm == pytest.approx(10.0, abs=0.002)
    assert closed_cone(360 - 254.558, 1).half_apex_deg == pytest.approx(45, abs=0.001)


@pytest.mark.parametrize(("reach", "intake"), [(60, 22.22), (90, 73.31), (120, 168.36), (157.08, 358.64)])
def test_a_disc_must_lose_this_much_to_be_a_cap(reach: float, intake: float) -> None:
    """2π(s − ρ sin(s/ρ)), ball of radius 100 (computed); a whole hemisphere's 358.64 in eight darts is 44.83 each."""
    assert cap_intake(100, reach) == pytest.approx(intake, abs=0.006)
    assert cap_intake(100, 157.08) / 8 == pytest.approx(44.83, abs=0.005)


def test_five_darts_tapering_to_the_corners() -> None:
    """Rim 360 → 330 with five darts weighted 1 : 2 : 3 : 2 : 1 gives 3.33, 6.67, 10, 6.67, 3.33 (computed; the
    weighting is common practice, no source)."""
    np.testing.assert_allclose(30 * row_weights(5), [3.333, 6.667, 10, 6.667, 3.333], atol=5e-4)
    build = Build("moth", (oblong(),), (Seam(1, Run("p1", ("a",)), Run("p1", ("c",))),))
    found = put_darts(build, "p1:a", 5, 45, 30)
    assert value(found, "length of the edge as glued", before=True) == pytest.approx(360)
    assert value(found, "length of the edge as glued") == pytest.approx(330)
    mouths = [figure.after for figure in found.figures if figure.what == "width of its mouth"]
    assert mouths == pytest.approx([10 / 3, 20 / 3, 10, 20 / 3, 10 / 3])
    depths = sorted(
        point.y for point in map(shapely.Point, curve_points(run_curve(found.build, found.build.seams[0].first)))
    )
    assert depths[-1] == pytest.approx(45)
    assert shape_of(found.build.pieces[0]).area == pytest.approx(36000 - 0.5 * 45 / 10 * sum(m * m for m in mouths))
    assert len(found.build.seams) == 6
    assert fit_of(found.build, found.build.seams[0]).first_mm == pytest.approx(330)


@given(
    count=st.integers(1, 7),
    depth=st.floats(5, 60),
    intake=st.floats(2, 40),
    profile=st.sampled_from(["tapering", "even"]),
    radius=st.floats(120, 400),
)
@settings(max_examples=30, deadline=None)
def test_both_sides_of_a_dart_are_equal(count: int, depth: float, intake: float, profile: str, radius: float) -> None:
    turn = circle_curve((0, 0), radius, 1e-4)
    arc = subcurve(turn, 0, len(turn.controls) / 4)
    (x0, y0), (x1, y1) = arc.controls[0, 0], arc.controls[-1, 3]
    rest = polyline_curve(np.array([[x1, y1], [0, 0], [x0, y0]]))
    piece = Piece("p1", "fan", (Edge("a", arc), Edge("b", subcurve(rest, 0, 1)), Edge("c", subcurve(rest, 1, 2))))
    found = put_darts(Build("moth", (piece,)), "p1:a", count, depth, intake, profile=profile)
    checked(found.build.pieces[0])
    lips = [fit_of(found.build, seam) for seam in found.build.seams]
    assert len(lips) == count
    for row in lips:
        assert row.first_mm == pytest.approx(row.second_mm, abs=1e-9)
    assert value(found, "length of the edge as glued") == pytest.approx(curve_length(arc) - intake, abs=1e-6)
    turned = value(found, "turning of the edge as glued") - value(found, "turning of the edge as glued", before=True)
    taken = sum(figure.after for figure in found.figures if figure.what == "angle taken out")
    assert turned == pytest.approx(-taken, abs=1e-6)


def test_a_row_may_be_asked_for_by_the_ball_it_should_lie_on() -> None:
    """The whole rim of a disc of 120 mm on a ball of 100: it loses 168.36 mm in all."""
    disc = replace(circle_curve((0, 0), 120.0, 1e-5), closed=False)
    build = Build("moth", (Piece("p1", "cap", (Edge("a", disc),)),))
    found = put_darts(build, "p1:a", 12, 80, ball=100, profile="even")
    assert value(found, "intake of all darts") == pytest.approx(168.36, abs=0.01)
    with pytest.raises(CannotContinue, match="too small"):
        put_darts(build, "p1:a", 12, 80, ball=30)
    with pytest.raises(CannotContinue, match="not clear"):
        put_darts(build, "p1:a", 12, 80)
    with pytest.raises(CannotContinue, match="no ball"):
        put_darts(Build("moth", (oblong(),)), "p1:a", 3, 20, ball=100)


@pytest.mark.parametrize(
    ("answers", "says"),
    [
        ({"depth": 99.0, "intake": 20.0}, "deeper than the piece"),
        ({"depth": 300.0, "intake": 20.0}, "deeper than the piece"),
        ({"depth": 30.0, "intake": 400.0}, "run over|run into"),
        ({"depth": 30.0, "intake": 20.0, "spacing": 3.0}, "run into"),
        ({"depth": 30.0, "intake": 20.0, "spacing": 100.0}, "run over"),
        ({"depth": 30.0, "intake": 20.0, "count": 0}, "at least one"),
        ({"depth": -1.0, "intake": 20.0}, "at least one"),
    ],
)
def test_darts_that_cannot_be_are_refused(answers: dict[str, float], says: str) -> None:
    with pytest.raises(CannotContinue, match=says):
        put_darts(Build("moth", (oblong(),)), "p1:a", **answers)  # type: ignore[arg-type]


def test_a_dart_does_not_fall_on_a_corner() -> None:
    with pytest.raises(CannotContinue, match="on the end of edge"):
        put_darts(Build("moth", (oblong(),)), "p1:a+b", 1, 30, 270)


@pytest.mark.parametrize("wedge", [7.909, 20.0, 45.0])
def test_a_slit_is_read_and_closed(wedge: float) -> None:
    piece = slit_piece(wedge)
    slits = slits_of(piece)
    assert [(slit.before.id, slit.after.id) for slit in slits] == [("b", "c")]
    assert math.degrees(slits[0].opening_rad) == pytest.approx(wedge)
    mouth = 2 * 60 * math.sin(math.radians(wedge) / 2)
    found = close_slits(Build("moth", (piece,)), "p1")
    assert value(found, "angle taken out") == pytest.approx(wedge)
    assert value(found, "width of its mouth") == pytest.approx(mouth)
    assert value(found, "edge on both sides, with its mouth") == pytest.approx(200)
    assert value(found, "edge on both sides, as glued") == pytest.approx(200 - mouth)
    assert value(found, "turning of the edge as glued") == pytest.approx(-wedge)
    glued = glued_curve(found.build, Run("p1", ("a", "b", "c", "d")))
    assert curve_length(glued) == pytest.approx(200 - mouth)
    assert found.build.seams == (Seam(1, Run("p1", ("b",)), Run("p1", ("c",))),)
    with pytest.raises(CannotContinue, match="no open slit"):
        close_slits(found.build, "p1")
    with pytest.raises(CannotContinue, match="sewn already"):
        close_slits(found.build, "p1:b+c")


def test_slits_with_rounded_mouths_are_found_within_their_edges() -> None:
    """As a marker and a hand leave them: corners of the mouth rounded to 1 mm, so that no edge ends there."""
    sharp = joined([edge.curve for edge in slit_piece(20).edges], True)
    shape = shapely.Polygon(curve_points(sharp))
    round_ = shape.buffer(-1.0, quad_segs=16).buffer(1.0, quad_segs=16)  # rounds what bulges, keeps hollows sharp
    ring = fit_curve(np.asarray(round_.exterior.coords)[:-1][::-1], 0.02, closed=True).curve
    start = int(np.argmin(np.linalg.norm(ring.controls[:, 0] - [100, 60 * math.cos(math.radians(10))], axis=1)))
    turned = Curve(np.roll(ring.controls, -start, axis=0), np.roll(ring.straight, -start), True)
    if curve_area(turned) < 0:
        turned = reversed_curve(turned)
    build = Build("moth", (Piece("p1", "slit", (Edge("a", replace(turned, closed=False)),)),))
    found = close_slits(build, "p1")
    assert value(found, "angle taken out") == pytest.approx(20, abs=1.5)
    assert value(found, "length of the first lip") == pytest.approx(60, abs=1.5)
    assert value(found, "length of the second lip") == pytest.approx(60, abs=1.5)


def test_lips_of_a_hands_cut_can_be_levelled() -> None:
    build = Build("moth", (slit_piece(20, off=1.5),))
    plain, level = close_slits(build, "p1:b+c"), close_slits(build, "p1:b+c", level=True)
    assert fit_of(plain.build, plain.build.seams[0]).mismatch_mm == pytest.approx(1.5)
    assert fit_of(level.build, level.build.seams[0]).mismatch_mm == pytest.approx(0, abs=1e-9)
    assert value(level, "angle taken out") == pytest.approx(20)
    checked(level.build.pieces[0])


def test_what_is_no_slit_is_not_closed() -> None:
    build = Build("moth", (slit_piece(20),))
    for where, says in (("p1:a+b", "do not look"), ("p1:a", "not the two lips"), ("p1:e+f+g", "not the two lips")):
        with pytest.raises(CannotContinue, match=says):
            close_slits(build, where)
    with pytest.raises(CannotContinue, match="no open slit"):
        close_slits(Build("moth", (oblong(),)), "p1")


def test_ticks_on_a_darted_edge_are_placed_beside_the_darts() -> None:
    build = put_darts(
        Build("moth", (oblong(), oblong(330, 50, "p2")), (Seam(1, Run("p1", ("a",)), Run("p2", ("c",))),)),
        "p1:a",
        5,
        45,
        30,
    ).build
    run = build.seams[0].first
    assert fit_of(build, build.seams[0]).mismatch_mm == pytest.approx(0, abs=1e-9)
    ways = np.array([10.0, 100.0, 165.0 - 1, 300.0, 330.0])
    curve: Curve = run_curve(build, run)
    places = points_at(curve, real_ways(build, run, ways))
    np.testing.assert_allclose(places[:, 1], 0, atol=1e-9)
    cut = np.array([0, 10 / 3, 10, 30, 30])
    np.testing.assert_allclose(places[:, 0], ways + cut, atol=1e-6)
    assert run_length(build, run) == pytest.approx(330)
