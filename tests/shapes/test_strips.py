"""Strips against the mean-line rule, worked cases and quadrature."""

from __future__ import annotations

from collections.abc import Callable
from inspect import signature
from math import pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from extract.build import Build, Outcome, Stock
from extract.doors import CannotContinue, Curve
from extract.geometry.curve import circle_curve, curve_length, curve_points
from extract.shapes.strips import STEPS, bent_length, centre_strip, half_width, strip

SHEETS = Build("moth-lantern", stocks=(Stock("foam 2", 2.0), Stock("foam 6", 6.0), Stock("foam 10", 10.0)))


def figure(outcome: Outcome, words: str) -> float:
    (found,) = [f.after for f in outcome.figures if f.what.startswith(words)]
    assert found is not None
    return float(found)


@pytest.mark.parametrize("width", [8.0, 12.0])
def test_a_worked_case_of_the_trade(width: float) -> None:
    """Strips of 8 and 12 mm cut 75 mm long (common practice, no source)."""
    made = strip(SHEETS, width=width, length=75, count=6, stock="foam 2").build.pieces[0]
    points = np.array([edge.curve.controls[0, 0] for edge in made.edges])
    assert np.ptp(points, axis=0) == pytest.approx([75, width])
    assert (made.count, made.stock) == (6, "foam 2")


def test_the_mean_diameter_rule() -> None:
    """TAFE NSW toolbox, tem6_2_2: outside diameter 650, thickness 10, so 640 π = 2011 mm (2010.62 exactly)."""
    outcome = strip(SHEETS, width=20, length=630 * pi, turn=360, stock="foam 10")
    assert figure(outcome, "length, as measured and as cut") == pytest.approx(2011, abs=0.5)
    assert figure(outcome, "length, as measured and as cut") == pytest.approx(2010.62, abs=0.005)


@pytest.mark.parametrize(
    ("thickness", "turn", "more"),
    [(2, 360, 6.28), (5, 360, 15.71), (6, 360, 18.85), (10, 360, 31.42), (12, 360, 37.70), (6, 90, 9.42 / 2)],
)
def test_how_much_a_bend_adds(thickness: float, turn: float, more: float) -> None:
    """π t for a whole turn between inside and middle: L = θ (r + t/2), the mean-line length of a bent sheet."""
    assert bent_length(500, turn, thickness / 2) - 500 == pytest.approx(more, abs=0.006)


def test_a_layer_over_a_base() -> None:
    """A cover over 10 mm of base, round a quarter turn: base and half the cover lie outside the measured layer."""
    outcome = strip(SHEETS, width=20, length=150, turn=90, over=10, stock="foam 2")
    assert figure(outcome, "length, as measured") == pytest.approx(150 + pi / 2 * 11)


def test_a_strip_follows_an_edge(build_of: Callable[..., Build]) -> None:
    curve = circle_curve((0.0, 0.0), 80.0, 1e-6)
    build = build_of(Curve(curve.controls, curve.straight, False))
    outcome = strip(build, width=15, run="p1:a")
    assert figure(outcome, "length, as measured") == pytest.approx(160 * pi, abs=0.01)
    seam = outcome.build.seams[-1]
    assert (str(seam.first), str(seam.second), seam.layers_mm) == ("p1:a", "p2:c", pytest.approx(0))
    thick = strip(build, width=15, run="p1:a", turn=360, stock="foam 6").build.seams[-1]
    assert thick.layers_mm == pytest.approx(6 * pi)


def test_a_long_strip_is_cut_in_equal_parts() -> None:
    outcome = strip(SHEETS, width=12, length=700, longest=300, count=2)
    assert figure(outcome, "length of each part") == pytest.approx(700 / 3)
    assert outcome.build.pieces[0].count == 6
    assert strip(SHEETS, width=12, length=600, longest=300).build.pieces[0].count == 2


WIDTHS = "38 52 61.5 60 47 30"


def test_a_centre_strip_keeps_its_stations() -> None:
    outcome = centre_strip(SHEETS, WIDTHS, 350)
    piece = outcome.build.pieces[0]
    upper, lower = (curve_points(piece.edges[k].curve, 1e-4) for k in (0, 2))
    left = upper[0, 0]
    for at, width in zip(np.linspace(0, 350, 6), map(float, WIDTHS.split()), strict=True):
        top = np.interp(left + at, upper[:, 0], upper[:, 1])
        bottom = np.interp(left + at, lower[::-1, 0], lower[::-1, 1])
        assert bottom - top == pytest.approx(width, abs=0.001)
    assert np.allclose(upper[:, 1] + lower[::-1, 1], upper[0, 1] + lower[-1, 1])
    assert piece.copies == "centre"


def test_a_centre_strip_has_the_length_quadrature_gives() -> None:
    outcome = centre_strip(SHEETS, WIDTHS, 350)
    at = np.linspace(0, 350, 6)
    half = half_width(at, np.array([float(w) for w in WIDTHS.split()]))
    true = quad(lambda x: sqrt(1 + half(x, 1) ** 2), 0, 350, points=at[1:-1], epsabs=1e-9)[0]
    assert figure(outcome, "length of the right edge") == pytest.approx(true, abs=0.01)
    assert figure(outcome, "length of the left edge") == pytest.approx(true, abs=0.01)


@settings(max_examples=60)
@given(st.lists(st.floats(5, 120), min_size=2, max_size=9))
def test_no_bulge_beyond_the_stations(widths: list[float]) -> None:
    """Between two stations the strip is never wider or narrower than both."""
    values = np.array(widths)
    half = half_width(np.arange(len(values), dtype=float), values)
    for k in range(len(values) - 1):
        between = 2 * half(np.linspace(k, k + 1, 30))
        low, high = sorted(values[k : k + 2])
        assert between.min() >= low - 1e-9
        assert between.max() <= high + 1e-9


def test_pointed_ends_have_no_edge() -> None:
    piece = centre_strip(SHEETS, "0 30 40 0", 200).build.pieces[0]
    assert len(piece.edges) == 2


def test_a_plain_centre_strip_is_a_rectangle() -> None:
    outcome = centre_strip(SHEETS, "20 mm 20mm 20,0", 300, turn=180, stock="foam 10")
    assert figure(outcome, "length of the right edge") == pytest.approx(300 + 5 * pi)
    assert curve_length(outcome.build.pieces[0].edges[1].curve) == pytest.approx(20)


@pytest.mark.parametrize(
    ("widths", "length", "reason"),
    [
        ("40", 100, "2 to 200 widths"),
        ("40 wide", 100, "no list"),
        ("40 0 40", 100, "part the strip"),
        ("40 -5 40", 100, "part the strip"),
        ("40 50", 0, "needs a length"),
        ("", 100, "widths"),
    ],
)
def test_widths_that_cannot_serve(widths: str, length: float, reason: str) -> None:
    with pytest.raises(CannotContinue, match=reason):
        centre_strip(SHEETS, widths, length)


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        ({"width": 0, "length": 50}, "needs a width"),
        ({"width": 8}, "either a length or an edge"),
        ({"width": 8, "length": 50, "count": 0}, "Not even one"),
        ({"width": 8, "length": 5, "turn": -360, "stock": "foam 10"}, "takes up"),
    ],
)
def test_strips_that_cannot_be(told: dict[str, float], reason: str) -> None:
    with pytest.raises(CannotContinue, match=reason):
        strip(SHEETS, **told)  # type: ignore[arg-type]


def test_the_steps_ask_for_what_they_take() -> None:
    for step in STEPS:
        assert [question.name for question in step.asks] == list(signature(step.run).parameters)[1:]
