"""Seams: lengths against shapely and closed forms, bands, where a difference lies, easing, trimming, refusals."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.build import Build, Detail, Edge, Piece, Run, Seam
from extract.doors import Array, CannotContinue, Curve
from extract.geometry.arc import joint_turnings
from extract.geometry.curve import curve_length, curve_points, polyline_curve, subcurve, transformed
from extract.geometry.fit import fit_curve
from extract.geometry.runs import checked, outline_of, run_curve, split_edge
from extract.geometry.slits import run_length
from extract.pattern.fit import Bands, fit_of, fit_table, where_it_differs
from extract.pattern.seams import ease, sew, trim, unsew

_X = np.linspace(0, 200, 201)
_WAVE = fit_curve(np.c_[_X, 10 * np.sin(3 * np.pi * _X / 200)], 0.02).curve


def wave(length: float, height: float = 6.0) -> Curve:
    return transformed(_WAVE, np.array([[length / 200, 0, 0.0], [0, height / 10, 0.0]]))


def slab(name: str, top: Curve, deep: float) -> Piece:
    """A piece under the curve ``top`` that runs to the right: clockwise to the eye, edges a (top), b, c, d."""
    (x0, y0), (x1, y1) = top.controls[0, 0], top.controls[-1, 3]
    rest = polyline_curve(np.array([[x1, y1], [x1, y1 + deep], [x0, y0 + deep], [x0, y0]]))
    return Piece(name, name, (Edge("a", top), *(Edge(n, subcurve(rest, k, k + 1)) for k, n in enumerate("bcd"))))


def turned(piece: Piece) -> Piece:
    half = np.array([[-1.0, 0, 0], [0, -1.0, 0]])
    return replace(piece, edges=tuple(replace(e, curve=transformed(e.curve, half)) for e in piece.edges))


def pair(first: Curve, second: Curve) -> Build:
    """Two pieces whose edges a are neighbours: the second lies above, its edge a walked the other way."""
    return Build(
        "moth",
        (slab("p1", first, 60), turned(slab("p2", second, 60))),
        (Seam(1, Run("p1", ("a",)), Run("p2", ("a",))),),
    )


STRAIGHT = polyline_curve(np.array([[0.0, 0], [200, 0]]))


def line(length: float) -> Curve:
    return polyline_curve(np.array([[0.0, 0], [length, 0]]))


def value(outcome: object, what: str) -> float:
    return next(f.after for f in outcome.figures if f.what == what)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("mismatch", "length", "verdict"),
    [
        (1.0, 400, "fine"),
        (-1.0, 400, "fine"),
        (1.01, 400, "look again"),
        (0.51, 100, "look again"),
        (3.0, 400, "look again"),
        (3.01, 400, "wrong"),
        (1.01, 100, "wrong"),
        (0.0, 5, "fine"),
    ],
)
def test_bands_of_a_seams_fit(mismatch: float, length: float, verdict: str) -> None:
    """Fine to 1 mm or 0.5 %, look again to 3 mm or 1 %, whichever comes first (common practice, no source)."""
    assert Bands().verdict(mismatch, length) == verdict


def test_a_seam_shows_both_lengths_and_the_difference() -> None:
    build = replace(pair(line(200), line(202)), seams=())
    found = sew(build, "p1:a", "p2:a")
    assert found.build.seams == (Seam(1, Run("p1", ("a",)), Run("p2", ("a",))),)
    assert value(found, "length of the first side") == pytest.approx(200)
    assert value(found, "length of the second side") == pytest.approx(202)
    assert [f.after for f in found.figures if f.unit == "%"] == [pytest.approx(1.0)]
    assert [doubt.code for doubt in found.doubts] == ["seam-lengths-differ"]
    assert unsew(found.build, 1).build.seams == ()
    assert build.seams == ()


@given(height=st.floats(0, 20), length=st.floats(60, 400))
@settings(max_examples=15, deadline=None)
def test_lengths_agree_with_shapely(height: float, length: float) -> None:
    build = pair(wave(length, height), line(length))
    row = fit_of(build, build.seams[0])
    dense = shapely.LineString(curve_points(build.pieces[0].edges[0].curve, 1e-5)).length
    assert row.first_mm == pytest.approx(dense, abs=0.01)
    assert row.mismatch_mm == pytest.approx(length - dense, abs=0.01)


def test_an_edge_is_not_sewn_to_itself_nor_twice() -> None:
    build = pair(line(200), line(200))
    with pytest.raises(CannotContinue, match="to itself"):
        sew(replace(build, seams=()), "p1:a", "p1:a")
    with pytest.raises(CannotContinue, match="to itself"):
        sew(replace(build, seams=()), "p1:a+b", "p1:b+c")
    with pytest.raises(CannotContinue, match="seam 1 already"):
        sew(build, "p1:a", "p2:c")
    with pytest.raises(CannotContinue, match="no seam 7"):
        ease(build, 7)


def test_the_table_has_the_worst_first() -> None:
    build = pair(line(200), line(200.5))
    more = [slab(f"p{k}", line(n), 40) for k, n in ((3, 200), (4, 205), (5, 300), (6, 302))]
    seams = (
        Seam(2, Run("p3", ("a",)), Run("p4", ("a",))),
        Seam(3, Run("p5", ("a",)), Run("p6", ("a",)), layers_mm=1.0),
    )
    table = fit_table(replace(build, pieces=build.pieces + tuple(more), seams=build.seams + seams))
    assert [(row.number, row.verdict) for row in table] == [(2, "wrong"), (3, "fine"), (1, "fine")]
    assert table[1].mismatch_mm == pytest.approx(1.0)
    assert [row.worst is None for row in table] == [False, True, True]


def stretched_within(curve: Curve, start: float, end: float, more: float) -> Curve:
    """The wave with ``more`` mm of plain length put into the part between two x."""
    x = curve_points(curve, 0.002)
    shift = np.interp(x[:, 0], [start, end], [0.0, more])
    return fit_curve(np.c_[x[:, 0] + shift, x[:, 1]], 0.02).curve


@pytest.mark.parametrize("part", [(40.0, 90.0), (150.0, 210.0), (230.0, 280.0)])
def test_the_difference_is_found_where_it_was_put(part: tuple[float, float]) -> None:
    first = wave(300, 25)
    build = pair(first, line(300))
    second = stretched_within(first, *part, 6.0)
    far = slab("p2", second, 60)
    build = Build("moth", (build.pieces[0], far), (Seam(1, Run("p1", ("a",)), Run("p2", ("a",)), against=False),))
    found = where_it_differs(build, build.seams[0])
    total = fit_of(build, build.seams[0]).mismatch_mm
    assert sum(s.difference_mm for s in found) == pytest.approx(total, abs=1e-6)
    x = [run_curve(build, build.seams[0].first).controls[0, 0, 0]]
    points = curve_points(first, 0.01)
    way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    x = np.interp([0.5 * (s.start_mm + s.end_mm) for s in found], way, points[:, 0])
    inside = [s.difference_mm for s, at in zip(found, x, strict=True) if part[0] - 40 <= at <= part[1] + 40]
    assert sum(inside) >= 0.9 * total


def tick(x: float) -> Detail:
    return Detail(f"d{x:.0f}", "tick", polyline_curve(np.array([[x, -2.0], [x + 0.01, 5.0]])))


def test_ticks_drawn_across_both_sides_are_matched() -> None:
    """Ticks at 50 and 120 mm on one side, at 50 and 126 on the other (from its far end, 106 long on): 6 mm too many
    lie between them, and 1 mm too few after them."""
    first, second = slab("p1", line(200), 60), turned(slab("p2", line(205), 60))
    first = replace(first, details=(tick(50.0), tick(120.0)))
    second = replace(second, details=(tick(-155.0), tick(-79.0)))
    build = Build("moth", (first, second), (Seam(1, Run("p1", ("a",)), Run("p2", ("a",))),))
    found = where_it_differs(build, build.seams[0])
    assert [s.difference_mm for s in found] == [pytest.approx(d, abs=0.02) for d in (0.0, 6.0, -1.0)]


def test_corners_within_a_seam_are_matched() -> None:
    build = split_edge(split_edge(pair(line(200), line(204)), "p1", "a", [80.0]), "p2", "a", [120.0])
    found = where_it_differs(build, build.seams[0])
    assert [s.difference_mm for s in found] == [pytest.approx(4.0), pytest.approx(0.0)]


@pytest.mark.parametrize("side", ["longer", "first", "second", "both"])
@pytest.mark.parametrize("ends", ["nearest", "kept", "moved"])
def test_easing_makes_both_sides_agree(side: str, ends: str) -> None:
    build = pair(wave(240, 8), wave(241, 9))
    found = ease(build, 1, side, ends)
    row = fit_of(found.build, found.build.seams[0])
    assert row.mismatch_mm == pytest.approx(0, abs=1e-6)
    assert found.doubts == ()
    for old, new in zip(build.pieces, found.build.pieces, strict=True):
        checked(new)
        same = all(
            (a.curve.controls[0, 0] == b.curve.controls[0, 0]).all() for a, b in zip(old.edges, new.edges, strict=True)
        )
        assert same or ends != "kept"
        smooth = joint_turnings(new.edges[0].curve)
        np.testing.assert_allclose(smooth, joint_turnings(old.edges[0].curve), atol=1e-6)


def test_easing_reports_what_else_changed() -> None:
    build = pair(line(200), line(202))
    more = slab("p3", line(60), 30)
    build = replace(
        build, pieces=(*build.pieces, more), seams=(*build.seams, Seam(2, Run("p2", ("b",)), Run("p3", ("a",))))
    )
    found = ease(build, 1, "second", "moved")
    assert value(found, "furthest the edge moved") == pytest.approx(1.0)
    changed = {figure.where for figure in found.figures if figure.what == "length of the edge"}
    assert changed == {"p2:a", "p2:b", "p2:d"}
    beside = curve_length(found.build.pieces[1].edges[1].curve)
    assert beside == pytest.approx(math.hypot(60, 1.0))
    assert any(figure.where.startswith("seam 2") for figure in found.figures)


def test_a_straight_edge_cannot_take_a_difference_between_its_ends() -> None:
    with pytest.raises(CannotContinue, match="too little bow"):
        ease(pair(line(200), line(202)), 1, "first", "kept")


@pytest.mark.parametrize(("end", "left"), [("start", 2.0), ("end", 0.0), ("both", 1.0)])
def test_trimming_shortens_the_longer_side_at_one_end(end: str, left: float) -> None:
    build = Build(
        "moth",
        (slab("p1", line(202), 60), slab("p2", line(200), 60)),
        (Seam(1, Run("p1", ("a",)), Run("p2", ("a",))),),
    )
    found = trim(build, 1, end).build
    assert run_length(found, found.seams[0].first) == pytest.approx(200)
    assert found.pieces[0].edges[0].curve.controls[0, 0, 0] == pytest.approx(left)
    with pytest.raises(CannotContinue, match="agree already"):
        trim(found, 1)


def test_a_slits_lips_are_eased_about_their_point() -> None:
    """Both sides end in the slit's point, which stays; trimming there is refused."""
    points = np.array([[0.0, 0], [90, 0], [100, 60], [112, 0], [200, 0], [200, 120], [0, 120]])
    ring = polyline_curve(points, closed=True)
    piece = Piece("p1", "slit", tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcdefg")))
    build = Build("moth", (piece,), (Seam(1, Run("p1", ("b",)), Run("p1", ("c",))),))
    for side in ("longer", "first", "both"):
        found = ease(build, 1, side).build
        assert fit_of(found, found.seams[0]).mismatch_mm == pytest.approx(0, abs=1e-6)
        np.testing.assert_array_equal(found.pieces[0].edges[1].curve.controls[-1, 3], [100, 60])
    trimmed = trim(build, 1, "end").build
    assert fit_of(trimmed, trimmed.seams[0]).mismatch_mm == pytest.approx(0, abs=1e-9)
    with pytest.raises(CannotContinue, match="other side's end"):
        trim(build, 1, "start")


def test_trimming_more_than_the_end_edge_is_refused() -> None:
    build = split_edge(pair(line(210), line(200)), "p1", "a", [205.0])
    with pytest.raises(CannotContinue, match="shorter than"):
        trim(build, 1, "end")


def area(points: Array) -> float:
    return float(shapely.Polygon(points).area)


@given(extra=st.floats(-3, 3), height=st.floats(4, 15))
@settings(max_examples=20, deadline=None)
def test_easing_keeps_outlines_closed(extra: float, height: float) -> None:
    build = pair(wave(200, height), wave(200 + extra, height))
    after = ease(build, 1).build
    for piece in after.pieces:
        assert area(curve_points(outline_of(piece))) > 0
    assert run_length(after, after.seams[0].first) == pytest.approx(run_length(after, after.seams[0].second), abs=1e-6)
