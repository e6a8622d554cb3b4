"""Equal spacing against scipy's quadrature and plain sums."""

from __future__ import annotations

from inspect import signature
from math import cos, pi, sin, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from extract.build import Build, Detail, Edge, Outcome, Piece
from extract.doors import Array, CannotContinue, Curve
from extract.geometry.curve import circle_curve, curve_area, curve_points, polyline_curve
from extract.geometry.hermite import hermite_curve
from extract.geometry.runs import shape_of
from extract.pattern.spacing import SHAPES, STEPS, space_out


def plate(width: float = 200.0, height: float = 100.0, **more: object) -> Build:
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height], [0, 0]], float)
    edges = tuple(Edge(name, polyline_curve(corners[k : k + 2])) for k, name in enumerate("abcd"))
    return Build("moth-lantern", (Piece("p1", "wing", edges, **more),))  # type: ignore[arg-type]


def bow(t: Array) -> tuple[Array, Array]:
    """y = −20 sin(π x / 200) over 200 mm: a bowed upper edge."""
    return np.c_[t, -20 * np.sin(pi * t / 200)], np.c_[np.ones_like(t), -pi / 10 * np.cos(pi * t / 200)]


def bowed() -> Build:
    at = np.linspace(0, 200, 41)
    points, slopes = bow(at)
    points[[0, -1]] = [[0, 0], [200, 0]]
    corners = np.array([[200, 0], [200, 100], [0, 100], [0, 0]], float)
    curves = [hermite_curve(points, slopes, at), *(polyline_curve(corners[k : k + 2]) for k in range(3))]
    return Build("moth-lantern", (Piece("p1", "wing", tuple(map(Edge, "abcd", curves))),))


def figure(outcome: Outcome, words: str) -> float:
    (found,) = [f.after for f in outcome.figures if f.what.startswith(words)]
    assert found is not None
    return float(found)


def middles(outcome: Outcome) -> Array:
    piece = outcome.build.pieces[0]
    things: list[Curve] = [hole.curve for hole in piece.holes] + [detail.curve for detail in piece.details]
    return np.array([(curve.controls.min(axis=(0, 1)) + curve.controls.max(axis=(0, 1))) / 2 for curve in things])


def test_between_leaves_the_same_gap_everywhere() -> None:
    """Five holes of 8 mm on 200 mm: six gaps of (200 − 40) / 6."""
    outcome = space_out(plate(), 5, run="p1:a", shape="round", size=8, inset=15)
    assert figure(outcome, "gap") == pytest.approx(160 / 6)
    assert figure(outcome, "free at the start") == pytest.approx(160 / 6)
    assert middles(outcome)[:, 0] == pytest.approx(160 / 6 + 4 + (160 / 6 + 8) * np.arange(5))
    assert middles(outcome)[:, 1] == pytest.approx(15, abs=1e-6)


def test_end_to_end() -> None:
    outcome = space_out(plate(), 5, run="p1:a", shape="square", size=10, inset=20, place="ends", margin=20)
    assert figure(outcome, "gap") == pytest.approx((160 - 50) / 4)
    assert middles(outcome)[[0, -1], 0] == pytest.approx([25, 175])


def test_centred_with_a_pitch() -> None:
    outcome = space_out(plate(), 4, run="p1:a", shape="round", size=6, inset=20, place="centred", pitch=30)
    assert middles(outcome)[:, 0] == pytest.approx([55, 85, 115, 145])
    assert figure(outcome, "gap") == pytest.approx(24)
    assert figure(outcome, "free at the end") == pytest.approx(52)


def test_ticks_start_at_the_edge() -> None:
    outcome = space_out(plate(), 3, run="p1:a", size=5, place="ends")
    ticks = [detail.curve.controls[[0, -1], [0, 3]] for detail in outcome.build.pieces[0].details]
    assert np.array(ticks) == pytest.approx(np.array([[[x, 0], [x, 5]] for x in (0, 100, 200)]), abs=1e-6)
    assert {detail.use for detail in outcome.build.pieces[0].details} == {"tick"}


@settings(max_examples=30)
@given(st.integers(1, 20), st.sampled_from(["ends", "between"]), st.floats(0, 40))
def test_equal_by_arc_length_on_a_bow(count: int, place: str, margin: float) -> None:
    """Ways between neighbouring ticks on the bow, from scipy's quadrature, differ by less than 0.01 mm."""
    outcome = space_out(bowed(), count, run="p1:a", size=5, place=place, margin=margin)
    starts = np.array([detail.curve.controls[0, 0] for detail in outcome.build.pieces[0].details])
    ways = [quad(lambda x: sqrt(1 + (pi / 10 * cos(pi * x / 200)) ** 2), 0, x)[0] for x in starts[:, 0]]
    assert starts[:, 1] == pytest.approx([-20 * sin(pi * x / 200) for x in starts[:, 0]], abs=0.002)
    if count > 1:
        assert np.diff(ways) == pytest.approx(figure(outcome, "gap"), abs=0.01)
    assert ways[0] == pytest.approx(figure(outcome, "free at the start"), abs=0.01)


def test_all_round_a_closed_line() -> None:
    ring = Detail("d1", "score", circle_curve((100.0, 50.0), 30.0, 1e-6))
    outcome = space_out(plate(details=(ring,)), 6, line="p1:d1", shape="round", size=8)
    holes = middles(outcome)[:6]
    spokes = np.degrees(np.arctan2(*(holes - [100, 50]).T[::-1])) % 360
    assert np.diff(np.sort(spokes)) == pytest.approx(60, abs=1e-3)
    assert figure(outcome, "gap") == pytest.approx(10 * pi - 8, abs=0.001)


def test_mirrored_across_the_centre_line() -> None:
    """Shapes right of x = 100 get twins at 200 − x; the one on the line stays alone."""
    centre = Detail("d1", "centre", polyline_curve(np.array([[100.0, 0.0], [100.0, 100.0]])))
    line = Detail("d2", "reference", polyline_curve(np.array([[100.0, 60.0], [180.0, 30.0]])))
    build = plate(details=(centre, line))
    outcome = space_out(build, 3, line="p1:d2", shape="triangle", size=6, use="burn", margin=10, mirror=True)
    assert figure(outcome, "shapes made") == 6
    xs = np.sort([m[0] for m in middles(outcome)[2:]])
    assert xs + xs[::-1] == pytest.approx(200, abs=1e-6)
    across = Detail("d2", "reference", polyline_curve(np.array([[40.0, 50.0], [160.0, 50.0]])))
    alone = space_out(plate(details=(centre, across)), 5, line="p1:d2", shape="round", size=6, mirror=True)
    assert figure(alone, "shapes made") == 5


@pytest.mark.parametrize("shape", [shape for shape in SHAPES if shape != "tick"])
@pytest.mark.parametrize(("size", "deep"), [(10.0, 0.0), (12.0, 5.0), (5.0, 12.0)])
def test_shapes_have_their_size_and_run_against_the_outline(shape: str, size: float, deep: float) -> None:
    piece = space_out(plate(), 3, run="p1:a", shape=shape, size=size, deep=deep, inset=30).build.pieces[0]
    assert len(piece.holes) == 3
    assert shape_of(piece).is_valid
    for hole in piece.holes:
        assert curve_area(hole.curve) < 0
        assert np.ptp(curve_points(hole.curve), axis=0) == pytest.approx([size, deep or size], abs=0.02)
    areas = {"round": pi / 4, "square": 1.0, "diamond": 0.5, "triangle": 0.5}
    if shape in areas:
        assert abs(curve_area(piece.holes[0].curve)) == pytest.approx(areas[shape] * size * (deep or size), rel=1e-3)
    else:
        short = min(size, deep or size)
        stadium = pi * short**2 / 4 + short * abs(size - (deep or size))
        assert abs(curve_area(piece.holes[0].curve)) == pytest.approx(stadium, rel=1e-3)


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        ({"count": 0, "run": "p1:a"}, "nothing to space out"),
        ({"count": 501, "run": "p1:a"}, "more than 500"),
        ({"count": 3}, "an edge or on a drawn line"),
        ({"count": 3, "run": "p1:a", "line": "p1:d1"}, "an edge or on a drawn line"),
        ({"count": 3, "line": "p1:d9"}, "no line d9"),
        ({"count": 30, "run": "p1:a", "shape": "round", "size": 8}, "do not fit"),
        ({"count": 4, "run": "p1:a", "place": "centred"}, "needs a pitch"),
        ({"count": 4, "run": "p1:a", "place": "centred", "pitch": 80}, "do not fit"),
        ({"count": 4, "run": "p1:a", "shape": "round", "size": 8, "inset": 4.5}, "within 1 mm"),
        ({"count": 4, "run": "p1:a", "shape": "round", "size": 8, "inset": 20, "mirror": True}, "no centre line"),
    ],
)
def test_what_cannot_be_done_is_refused(told: dict[str, object], reason: str) -> None:
    with pytest.raises(CannotContinue, match=reason):
        space_out(plate(), **told)  # type: ignore[arg-type]


def test_twins_that_run_into_one_another_are_refused() -> None:
    centre = Detail("d1", "centre", polyline_curve(np.array([[100.0, 0.0], [100.0, 100.0]])))
    line = Detail("d2", "note", polyline_curve(np.array([[102.0, 20.0], [102.0, 90.0]])))
    with pytest.raises(CannotContinue, match="run into one another"):
        space_out(plate(details=(centre, line)), 3, line="p1:d2", shape="round", size=8, mirror=True)


def test_the_step_asks_for_what_it_takes() -> None:
    (step,) = STEPS
    assert [question.name for question in step.asks] == list(signature(step.run).parameters)[1:]
