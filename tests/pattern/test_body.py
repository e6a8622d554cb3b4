"""Measures, hats and the fit against published tables."""

from __future__ import annotations

from inspect import signature
from math import pi

import numpy as np
import pytest

from extract.build import Build, Edge, Face, Outcome, Piece, Stock
from extract.doors import CannotContinue, Curve
from extract.geometry.curve import circle_curve
from extract.pattern.body import STEPS, body_check, rim_girth
from extract.pattern.people import BODY_PARTS, MEASURES, circumference_of_hat, hat_sizes

# Three hat makers' charts, cm to US; UK is an eighth less.
HATS = {
    53: 6.625,
    54: 6.75,
    55: 6.875,
    56: 7.0,
    57: 7.125,
    58: 7.25,
    59: 7.375,
    60: 7.5,
    61: 7.625,
    62: 7.75,
    63: 7.875,
    64: 8.0,
}


def hoop(girth_mm: float, face: Face = "inside", copies: str = "one", stock: str = "foam 10") -> Build:
    curve = circle_curve((0.0, 0.0), girth_mm / 2 / pi, 1e-7)
    piece = Piece("p1", "hoop", (Edge("a", Curve(curve.controls, curve.straight, False)),), stock=stock, copies=copies)  # type: ignore[arg-type]
    return Build("moth-lantern", (piece,), stocks=(Stock("foam 10", 10.0),), face=face)


def figure(outcome: Outcome, words: str) -> float:
    (found,) = [f.after for f in outcome.figures if words in f.what]
    assert found is not None
    return float(found)


def codes(outcome: Outcome) -> set[str]:
    return {doubt.code for doubt in outcome.doubts}


@pytest.mark.parametrize("cm", HATS)
def test_hat_charts(cm: int) -> None:
    sizes = hat_sizes(10.0 * cm)
    assert (sizes.us, sizes.uk, sizes.eu) == (HATS[cm], HATS[cm] - 0.125, cm)
    assert circumference_of_hat(f"EU {cm}") == 10 * cm
    assert circumference_of_hat(f"{HATS[cm]} US") == pytest.approx(10 * cm, abs=5)


@pytest.mark.parametrize("text", ["US 7 1/8", "7⅛", "7 1/8 us", "7.125", "UK 7", "7 uk"])
def test_a_hat_size_is_read_as_it_is_written(text: str) -> None:
    assert circumference_of_hat(text) == pytest.approx(7.125 * 25.4 * pi)


def test_a_printed_hat_size() -> None:
    """A hat maker's chart: size 6¾ × 7.98 = 53.87 → 54 cm (7.98 is 2.54 π)."""
    found = circumference_of_hat("6¾")
    assert found is not None
    assert found == pytest.approx(538.7, abs=0.2)


@pytest.mark.parametrize("text", ["", "large", "12", "7 1/0 x", "EU 7", "US 57", "-7"])
def test_what_is_no_hat_size(text: str) -> None:
    assert circumference_of_hat(text) is None


def test_the_table_is_the_published_one() -> None:
    """ANSUR II, from the public data files: means and percentiles of head circumference, length and breadth."""
    men, women = (MEASURES["head circumference"][group] for group in ("men", "women"))
    assert (men.mean, men.sd, men.p5, men.p50, men.p95) == (574.4, 16.0, 548, 574, 601)
    assert (women.mean, women.sd, women.p5, women.p50, women.p95) == (561.1, 19.4, 532, 560, 597)
    assert [MEASURES["head length"][g].mean for g in ("men", "women")] == [199.5, 189.8]
    assert [MEASURES["head breadth"][g].mean for g in ("men", "women")] == [154.3, 147.8]
    for spreads in MEASURES.values():
        for s in spreads.values():
            assert s.p1 < s.p5 < s.p50 < s.p95 < s.p99
            # Nearly normal: the fifth percentile lies 1.645 σ below the mean.
            assert s.mean - 1.645 * s.sd == pytest.approx(s.p5, abs=0.35 * s.sd)
    assert "head" in BODY_PARTS


@pytest.mark.parametrize(("face", "inner"), [("inside", 700.0), ("middle", 700 - 10 * pi), ("outside", 700 - 20 * pi)])
def test_inner_girth_by_face(face: Face, inner: float) -> None:
    """2π t from outside to inside, π t from the middle: 62.83 and 31.42 mm for 10 mm of foam."""
    assert rim_girth(hoop(700, face), "p1:a").inner_mm == pytest.approx(inner, abs=0.01)


def test_a_pair_counts_twice() -> None:
    assert rim_girth(hoop(300, copies="pair"), "p1:a").drawn_mm == pytest.approx(600, abs=0.01)


def test_room_on_each_side() -> None:
    """A hoop of inner radius R around a head of radius r leaves R − r, whatever way it is worked out."""
    outcome = body_check(hoop(2 * pi * 105), rim="p1:a", girth=2 * pi * 92, inner_length=225, length=200)
    assert figure(outcome, "girth: room") == pytest.approx(13, abs=0.01)
    assert figure(outcome, "length: room") == pytest.approx(12.5)
    assert not codes(outcome)
    assert outcome.build.measures == {"head circumference": pytest.approx(2 * pi * 92), "head length": 200}


def test_every_tight_side_is_flagged() -> None:
    outcome = body_check(hoop(630), rim="p1:a", girth=580, inner_length=225, length=200, inner_breadth=173, breadth=155)
    assert figure(outcome, "girth: room") == pytest.approx(50 / 2 / pi, abs=0.01)
    assert codes(outcome) == {"tight-girth", "tight-breadth"}
    assert "9.0 mm on each side" in next(d.message for d in outcome.doubts if d.code == "tight-breadth")


def test_less_than_the_ease_asked_for() -> None:
    outcome = body_check(hoop(660), rim="p1:a", girth=580, ease=15)
    assert codes(outcome) == {"little-ease-girth"}


def test_strangers_measures_are_named_as_such() -> None:
    outcome = body_check(hoop(640), rim="p1:a", inner_length=222)
    assert codes(outcome) == {"not-your-measure"}
    assert "ANSUR II" in outcome.doubts[0].message
    assert any("mean of men" in f.what and f.before == 574.4 for f in outcome.figures)
    assert any("mean of men" in f.what and f.before == 199.5 for f in outcome.figures)
    assert outcome.build.measures == {}
    women = body_check(hoop(640), rim="p1:a", others="mean of women")
    assert any(f.before == 561.1 for f in women.figures)
    alone = body_check(hoop(640), rim="p1:a", girth=0, inner_length=222, length=200, others="only what I measured")
    assert not any("girth" in f.what for f in alone.figures)


def test_a_girth_is_never_inferred() -> None:
    outcome = body_check(hoop(640), inner_length=222, inner_breadth=180, length=199.5, breadth=154.3)
    assert codes(outcome) == {"girth-not-compared"}
    assert not any(f.where == "girth" for f in outcome.figures)


def test_what_was_said_once_is_kept() -> None:
    first = body_check(hoop(640), rim="p1:a", girth=566)
    again = body_check(first.build, rim="p1:a")
    assert figure(again, "girth: room") == pytest.approx(figure(first, "girth: room"))
    assert "not-your-measure" not in codes(again)


def test_a_hat_size_will_do() -> None:
    outcome = body_check(hoop(640), rim="p1:a", hat="US 7 1/8")
    assert outcome.build.measures["head circumference"] == pytest.approx(568.55, abs=0.01)
    assert figure(outcome, "hat size US") == 7.125
    assert "from-a-hat" in codes(outcome)


def test_limbs_have_their_girth() -> None:
    outcome = body_check(hoop(340), part="forearm", rim="p1:a")
    assert any(f.before == 310.1 for f in outcome.figures)
    assert "tight-girth" in codes(outcome)


def test_unknown_thickness_is_said() -> None:
    assert "thickness-left-out" in codes(body_check(hoop(700, "outside", stock=""), rim="p1:a", girth=560))


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        ({}, "Nothing of the build"),
        ({"rim": "p9:a"}, "no piece p9"),
        ({"inner_girth": -1}, "less than nothing"),
        ({"hat": "large", "rim": "p1:a"}, "no hat size"),
        ({"hat": "7", "part": "calf", "rim": "p1:a"}, "no hat size"),
    ],
)
def test_what_cannot_be_checked_is_refused(told: dict[str, object], reason: str) -> None:
    with pytest.raises(CannotContinue, match=reason):
        body_check(hoop(640), **told)  # type: ignore[arg-type]


def test_the_step_asks_for_what_it_takes() -> None:
    (step,) = STEPS
    assert [question.name for question in step.asks] == list(signature(step.run).parameters)[1:]
    assert np.isfinite(step.asks[-1].default)
