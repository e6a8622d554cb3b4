"""New sizes against the mean-line rule and plain similarity."""

from __future__ import annotations

from inspect import signature
from math import pi

import numpy as np
import pytest

from extract.build import Build, Detail, Edge, Face, Hole, Outcome, Piece, Run, Seam, Stock
from extract.doors import CannotContinue, Curve
from extract.geometry.curve import circle_curve, curve_length, polyline_curve, reversed_curve
from extract.geometry.runs import piece_area, shape_of
from extract.pattern.body import rim_girth
from extract.pattern.resize import STEPS, resize


def hoop(girth_mm: float, face: Face) -> Build:
    curve = circle_curve((30.0, 40.0), girth_mm / 2 / pi, 1e-7)
    piece = Piece("p1", "hoop", (Edge("a", Curve(curve.controls, curve.straight, False)),), stock="foam 10")
    return Build("moth-lantern", (piece,), stocks=(Stock("foam 10", 10.0),), face=face)


def plate(left: float = 0.0, name: str = "p1") -> Piece:
    by = np.array([left, 0.0])
    corners = np.array([[0, 0], [100, 0], [100, 80], [0, 80], [0, 0]], float) + by
    edges = tuple(Edge(edge, polyline_curve(corners[k : k + 2])) for k, edge in enumerate("abcd"))
    hole = Hole("h1", reversed_curve(circle_curve((left + 30.0, 40.0), 5.0)))
    tick = Detail("d1", "tick", polyline_curve(np.array([[50.0, 0], [50, 6]]) + by))
    score = Detail("d2", "score", polyline_curve(np.array([[60.0, 20], [60, 60]]) + by))
    return Piece(name, "wing", edges, (hole,), (tick, score), sigma_mm=0.2)


def figure(outcome: Outcome, words: str) -> tuple[float | None, float]:
    (found,) = [f for f in outcome.figures if words in f.what]
    assert found.after is not None
    return found.before, found.after


def test_by_a_factor() -> None:
    build = Build("moth-lantern", (plate(),))
    for text in ("1.1", "110 %", "1,1"):
        piece = resize(build, factor=text, keep_holes=False, keep_ticks=False).build.pieces[0]
        assert piece_area(piece) == pytest.approx(1.21 * piece_area(build.pieces[0]))
        assert curve_length(piece.details[0].curve) == pytest.approx(6.6)
        assert piece.sigma_mm == pytest.approx(0.22)


def test_holes_and_ticks_keep_their_size_and_move_along() -> None:
    build = Build("moth-lantern", (plate(),))
    piece = resize(build, factor="1.5").build.pieces[0]
    hole = piece.holes[0].curve.controls
    assert np.ptp(hole[..., 0]) == pytest.approx(10, abs=0.01)
    assert (hole[..., 0].max() + hole[..., 0].min()) / 2 == pytest.approx(45, abs=0.01)
    tick, score = (detail.curve for detail in piece.details)
    assert tick.controls[0, 0] == pytest.approx([75, 0])
    assert curve_length(tick) == pytest.approx(6)
    assert curve_length(score) == pytest.approx(60)


def test_a_hole_that_is_not_fixed_scales() -> None:
    piece = plate()
    loose = Piece(piece.id, piece.name, piece.edges, (Hole("h1", piece.holes[0].curve, fixed=False),))
    found = resize(Build("moth-lantern", (loose,)), factor="1.5").build.pieces[0]
    assert np.ptp(found.holes[0].curve.controls[..., 0]) == pytest.approx(15, abs=0.01)


@pytest.mark.parametrize(("face", "layer"), [("inside", 0.0), ("middle", 5.0), ("outside", 10.0)])
def test_to_a_girth_with_thickness(face: Face, layer: float) -> None:
    """The inner face gets the girth asked for; the drawn layer lies d outside and is 2π d longer before and after."""
    build = hoop(650.0, face)
    outcome = resize(build, girth=600, rim="p1:a", ease=10)
    before, after = figure(outcome, "inner girth")
    assert before == pytest.approx(650 - 2 * pi * layer, abs=0.01)
    assert after == pytest.approx(600 + 20 * pi, abs=0.01)
    assert rim_girth(outcome.build, "p1:a").drawn_mm == pytest.approx(600 + 20 * pi + 2 * pi * layer, abs=0.01)


def test_neighbours_stay_together() -> None:
    """Scaled about one point, a shared corner stays shared."""
    build = Build("moth-lantern", (plate(), plate(100.0, "p2")))
    a, b = resize(build, factor="0.9").build.pieces
    assert a.edges[1].curve.controls[0, 0] == pytest.approx(b.edges[0].curve.controls[0, 0])


def test_a_gap_stays_what_it_is() -> None:
    """Two covers 10 mm apart (common practice, no source), 20 % larger: still 10 mm."""
    build = Build("moth-lantern", (plate(), plate(110.0, "p2")))
    grown = resize(build, factor="1.2", gap=10, gap_edges="p1:b p2:d").build.pieces
    assert shape_of(grown[0]).distance(shape_of(grown[1])) == pytest.approx(10, abs=0.01)
    plain = resize(build, factor="1.2").build.pieces
    assert shape_of(plain[0]).distance(shape_of(plain[1])) == pytest.approx(12, abs=0.01)


def test_what_does_not_scale_is_said() -> None:
    seam = Seam(4, Run("p1", ("b",)), Run("p2", ("d",)), layers_mm=18.85)
    build = Build("moth-lantern", (plate(), plate(110.0, "p2")), (seam,))
    codes = [doubt.code for doubt in resize(build, factor="1.15").doubts]
    assert codes == ["large-change", "layers-scaled"]
    assert not resize(Build("moth-lantern", (plate(),)), factor="1.02").doubts


def test_there_and_back() -> None:
    build = Build("moth-lantern", (plate(),))
    back = resize(resize(build, factor="1.25").build, factor="0.8").build
    for a, b in zip(build.pieces[0].edges, back.pieces[0].edges, strict=True):
        assert a.curve.controls == pytest.approx(b.curve.controls)


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        ({}, "a factor or a girth"),
        ({"factor": "1.1", "girth": 600}, "a factor or a girth"),
        ({"girth": 600}, "needs to know the old one"),
        ({"factor": "big"}, "no factor"),
        ({"factor": "50"}, "50.00 times"),
        ({"factor": "0.3"}, "into a hole|cross itself"),
    ],
)
def test_what_cannot_be_done_is_refused(told: dict[str, object], reason: str) -> None:
    wide = plate()
    hole = Hole("h1", reversed_curve(circle_curve((50.0, 40.0), 30.0)))
    build = Build("moth-lantern", (Piece("p1", "wing", wide.edges, (hole,)),))
    with pytest.raises(CannotContinue, match=reason):
        resize(build, **told)  # type: ignore[arg-type]


def test_the_step_asks_for_what_it_takes() -> None:
    (step,) = STEPS
    assert [question.name for question in step.asks] == list(signature(step.run).parameters)[1:]
