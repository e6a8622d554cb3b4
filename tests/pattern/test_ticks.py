"""Ticks: equal shares on both sides, spacing of the trade, and the proof that a flipped part shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.build import Build, Detail, Edge, Piece, Run, Seam
from extract.doors import CannotContinue
from extract.geometry.curve import curve_length, polyline_curve, subcurve
from extract.geometry.runs import run_curve
from extract.pattern.printed import tick_ways
from extract.pattern.seams import ease
from extract.pattern.ticks import even_shares, flip_shift, set_all_ticks, set_ticks


def oblong(name: str, width: float, ticks_at: tuple[float, ...] = (), top: bool = True) -> Piece:
    ring = polyline_curve(np.array([[0.0, 0], [width, 0], [width, 60], [0, 60]]), closed=True)
    y = (0.4, 7.0) if top else (59.2, 53.0)
    details = tuple(
        Detail(f"d{k}", "tick", polyline_curve(np.array([[x, y[0]], [x + 0.3, y[1]]]))) for k, x in enumerate(ticks_at)
    )
    return Piece(name, name, tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcd")), details=details)


def build(first: Piece, second: Piece) -> Build:
    """The first's top edge a, walked right, against the second's bottom edge c, walked left."""
    return Build("moth", (first, second), (Seam(1, Run("p1", ("a",)), Run("p2", ("c",))),))


@given(length_mm=st.floats(12.01, 3000), spacing_mm=st.floats(25, 50))
@settings(max_examples=150, deadline=None)
def test_a_flipped_part_always_shows(length_mm: float, spacing_mm: float) -> None:
    """Walked the other way round, some tick meets none within 5 mm (3 mm and a half on the shortest seams)."""
    shares = even_shares(length_mm, spacing_mm)
    assert flip_shift(shares, length_mm) >= min(5.0, 0.2 * length_mm) - 1e-9
    assert (np.diff(np.concatenate([[0.0], shares, [1.0]])) > 0).all()


@given(length_mm=st.floats(75, 3000))
@settings(max_examples=100, deadline=None)
def test_gaps_stay_within_the_trades_25_to_50_mm(length_mm: float) -> None:
    """Every 25–50 mm: common practice, no source."""
    gaps = np.diff(np.concatenate([[0.0], even_shares(length_mm), [1.0]])) * length_mm
    assert gaps.min() >= 25
    assert gaps.max() <= 50


@given(first=st.floats(40, 600), second=st.floats(40, 600), spacing_mm=st.floats(20, 60), against=st.booleans())
@settings(max_examples=40, deadline=None)
def test_ticks_of_a_seam_stand_at_equal_shares(first: float, second: float, spacing_mm: float, against: bool) -> None:
    start = build(oblong("p1", first), oblong("p2", second))
    start = replace(start, seams=(replace(start.seams[0], against=against),))
    for after in (set_ticks(start, 1, spacing_mm).build, ease(set_ticks(start, 1, spacing_mm).build, 1).build):
        seam = after.seams[0]
        sides = [curve_length(run_curve(after, run)) for run in (seam.first, seam.second)]
        there = tick_ways(after, seam, False) / sides[0]
        back = tick_ways(after, seam, True) / sides[1]
        np.testing.assert_allclose(there, 1 - back if against else back, atol=1e-12)


def test_drawn_ticks_are_taken_over_to_both_sides() -> None:
    """At 30 and 140 on the first; 141 there is drawn on the second too (at 160 − … from its other end)."""
    start = build(oblong("p1", 200, (30.0, 140.0)), oblong("p2", 202, (142.4, 88.88), top=False))
    found = set_ticks(start, 1, source="drawn")
    ticks = found.build.seams[0].ticks
    assert ticks == pytest.approx((0.15, 0.44, (0.7 + 142.4 / 202) / 2), abs=2e-3)
    assert [len(piece.details) for piece in found.build.pieces] == [0, 0]
    with pytest.raises(CannotContinue, match="No ticks are drawn"):
        set_ticks(found.build, 1, source="drawn")


def test_ticks_drawn_alike_from_both_ends_are_doubted() -> None:
    start = build(oblong("p1", 200, (50.0, 149.8)), oblong("p2", 200))
    assert [doubt.code for doubt in set_ticks(start, 1, source="drawn").doubts] == ["ticks-look-alike-flipped"]


def test_all_seams_get_their_ticks_at_once() -> None:
    start = build(oblong("p1", 200, (30.0, 140.0)), oblong("p2", 202))
    more = replace(
        start,
        pieces=(*start.pieces, oblong("p3", 300)),
        seams=(*start.seams, Seam(2, Run("p3", ("a",)), Run("p2", ("a",)))),
    )
    found = set_all_ticks(more).build
    assert [len(seam.ticks) for seam in found.seams] == [2, 7]
    assert found.seams[0].ticks == pytest.approx((0.15, 0.7), abs=2e-3)
    with pytest.raises(CannotContinue, match="has its ticks"):
        set_all_ticks(found)


def test_ticks_can_be_taken_off() -> None:
    start = set_ticks(build(oblong("p1", 200), oblong("p2", 200)), 1).build
    assert set_ticks(start, 1, source="none").build.seams[0].ticks == ()
    assert set_ticks(build(oblong("p1", 10), oblong("p2", 10)), 1).build.seams[0].ticks == ()
