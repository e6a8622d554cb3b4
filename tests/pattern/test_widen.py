"""Strips put on and let in, measured with shapely and by the arithmetic of the trade."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.build import Build, Detail, Edge, Hole, Outcome, Piece, Run, Seam
from extract.doors import CannotContinue
from extract.geometry.arc import joint_turnings, total_turning
from extract.geometry.curve import (
    circle_curve,
    curve_length,
    curve_points,
    joined,
    polyline_curve,
    reversed_curve,
    subcurve,
)
from extract.geometry.fit import fit_curve
from extract.geometry.runs import piece_area, shape_of
from extract.pattern.widen import add_strip, widen_through


def half_dome() -> Piece:
    """Left half of a dome of radius 95 laid out: a bowed centre seam (a) and the rim (b), which leaves and meets the
    centre line's direction squarely; the rim is half of the dome's 596.90."""
    rim = 95 * math.pi
    y = np.linspace(rim / 2, -rim / 2, 181)
    seam = fit_curve(np.c_[60 * np.cos(np.pi * y / rim), y][::-1], 0.01).curve
    top, low = seam.controls[0, 0], seam.controls[-1, 3]
    lane = polyline_curve(np.stack([low, low - [20, 0]]))
    back = polyline_curve(np.stack([top - [20, 0], top]))
    rest = polyline_curve(np.stack([lane.controls[0, 3], back.controls[0, 0]]))
    return Piece("p1", "half", (Edge("a", seam), Edge("b", lane), Edge("c", rest), Edge("d", back)))


def oblong(name: str, width: float = 100.0, details: tuple[Detail, ...] = ()) -> Piece:
    ring = polyline_curve(np.array([[0.0, 0], [width, 0], [width, 60], [0, 60]]), closed=True)
    edges = tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcd"))
    return Piece(name, name, edges, details=details)


def egg() -> Piece:
    """An oval of 160 × 110, its outline one upper and one lower edge that run on smoothly at both ends."""
    u = np.linspace(0, 2 * np.pi, 721)
    ring = fit_curve(np.c_[80 * np.cos(u), 55 * np.sin(u) * (1 + 0.1 * np.cos(u))][:-1], 0.02, closed=True).curve
    half = len(ring.controls) // 2
    return Piece("p1", "egg", (Edge("a", subcurve(ring, 0, half)), Edge("b", subcurve(ring, half, len(ring.controls)))))


def length(found: Outcome | Build, piece: int, edge: int) -> float:
    build = found.build if isinstance(found, Outcome) else found
    return curve_length(build.pieces[piece].edges[edge].curve)


def test_ten_mm_per_half_at_the_centre_seam_make_twenty() -> None:
    """+ 10 mm per half at the centre seam = + 20 mm whole, and twice that round the rim (a dome of R = 95: 596.90 →
    616.90 for 10 mm in all; common practice, arithmetic computed). The centre line keeps its length."""
    build = Build("moth", (half_dome(),))
    found = add_strip(build, "p1:a", 5.0)
    before, after = (sum(length(one, 0, k) for k in (1, 2, 3)) for one in (build, found))
    assert 596.90 + 2 * (after - before) == pytest.approx(616.90, abs=1e-6)
    assert length(found, 0, 0) == pytest.approx(length(build, 0, 0), abs=1e-9)
    breadth = next(f for f in found.figures if f.what.startswith("breadth"))
    assert breadth.before is not None
    assert 2 * (breadth.after - breadth.before) == pytest.approx(10.0)
    chord = float(np.linalg.norm(np.ptp(build.pieces[0].edges[0].curve.controls[[0, -1], [0, 3]], axis=0)))
    assert piece_area(found.build.pieces[0]) - piece_area(build.pieces[0]) == pytest.approx(5 * chord, abs=0.01)


def test_the_strip_names_what_changed_and_its_partner_seam() -> None:
    build = Build("moth", (oblong("p1"), oblong("p2")), (Seam(1, Run("p1", ("b",)), Run("p2", ("d",))),))
    found = add_strip(build, "p1:a", 10.0)
    changed = {f.where: (f.before, f.after) for f in found.figures if f.what == "length of the edge"}
    assert changed == {"p1:b": (60.0, pytest.approx(70)), "p1:d": (60.0, pytest.approx(70))}
    assert any(f.where == "seam 1: p1:b, p2:d" and f.after == pytest.approx(-10) for f in found.figures)
    assert [len(edge.curve.controls) for edge in found.build.pieces[0].edges] == [1, 1, 1, 1]
    assert shape_of(add_strip(build, "p1:a", -10.0).build.pieces[0]).area == pytest.approx(5000)


def test_a_parallel_strip_makes_a_bowed_edge_longer() -> None:
    """L + d·θ, less what the two level edges beside it cut off its nearly straight ends: d·tan(θ/2) each."""
    build = Build("moth", (half_dome(),))
    turning = total_turning(build.pieces[0].edges[0].curve)
    expected = length(build, 0, 0) + 5 * turning - 2 * 5 * math.tan(turning / 2)
    assert length(add_strip(build, "p1:a", 5.0, "parallel"), 0, 0) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("line", ["0,-80 0,80", "-100,12 100,12", "-70,-60 80,50"])
@pytest.mark.parametrize("width", [4.0, 20.0])
def test_a_strip_let_in_keeps_the_outline_smooth(line: str, width: float) -> None:
    build = Build("moth", (egg(),))
    found = widen_through(build, "p1", line, width)
    piece = found.build.pieces[0]
    breadth = next(f for f in found.figures if f.what.startswith("breadth"))
    assert breadth.before is not None
    assert breadth.after - breadth.before == pytest.approx(width, abs=0.02)
    for edge in piece.edges:
        assert np.abs(joint_turnings(edge.curve)).max() <= math.radians(1.0)
    grown = piece_area(piece) - piece_area(build.pieces[0])
    ends = np.array([[float(v) for v in p.split(",")] for p in line.split()])
    chord = (
        shapely.LineString(ends + np.outer([-1, 1], ends[1] - ends[0])).intersection(shape_of(build.pieces[0])).length
    )
    assert grown == pytest.approx(width * chord, rel=0.03)


@given(x=st.floats(5, 95), width=st.floats(0.5, 60))
@settings(max_examples=20, deadline=None)
def test_an_oblong_gets_exactly_that_much_wider(x: float, width: float) -> None:
    build = Build("moth", (oblong("p1"),))
    piece = widen_through(build, "p1", f"{x},-5 {x},70", width).build.pieces[0]
    assert shape_of(piece).area == pytest.approx(60 * (100 + width))
    assert [len(edge.curve.controls) for edge in piece.edges] == [1, 1, 1, 1]
    assert curve_length(piece.edges[0].curve) == pytest.approx(100 + width)


def test_a_line_may_cross_a_slit() -> None:
    """A slit down from the upper edge, its point 40 deep; the line at 20 across crosses both lips: it gets 10 deeper,
    and all that lies below moves with its point."""
    points = np.array([[0.0, 0], [45, 0], [50, 40], [55, 0], [100, 0], [100, 60], [0, 60]])
    ring = polyline_curve(points, closed=True)
    piece = Piece("p1", "slit", tuple(Edge(n, subcurve(ring, k, k + 1)) for k, n in enumerate("abcdefg")))
    fresh = widen_through(Build("moth", (piece,)), "p1", "-5,20 105,20", 10.0).build.pieces[0]
    assert shape_of(fresh).bounds == pytest.approx((0, -5, 100, 65))
    np.testing.assert_allclose(fresh.edges[1].curve.controls[-1, 3], [50, 45], atol=1e-9)
    assert shape_of(fresh).area == pytest.approx(shape_of(piece).area + 10 * 95, abs=5)


def test_holes_and_lines_go_with_their_side() -> None:
    across = Detail("d1", "score", polyline_curve(np.array([[20.0, 30], [80, 30]])))
    middle = Detail("d2", "centre", polyline_curve(np.array([[50.0, 0], [50, 60]])))
    left = Hole("h1", reversed_curve(circle_curve((20.0, 30.0), 6.0)))
    on_it = Hole("h2", reversed_curve(circle_curve((50.0, 20.0), 6.0)))
    build = Build("moth", (replace(oblong("p1", details=(across, middle)), holes=(left, on_it)),))
    piece = widen_through(build, "p1", "d2", 20.0).build.pieces[0]
    assert curve_length(piece.details[0].curve) == pytest.approx(80)
    assert piece.details[1] == middle or (piece.details[1].curve.controls == middle.curve.controls).all()
    centres = [curve_points(hole.curve).mean(axis=0) for hole in piece.holes]
    np.testing.assert_allclose(centres, [[10, 30], [50, 20]], atol=0.01)
    assert shape_of(piece).bounds == pytest.approx((-10, 0, 110, 60))


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("0,0 100,60", "corner"),
        ("0,-9 100,-9", "does not part"),
        ("d9", "names no"),
        ("1,2", "names no"),
        ("3,3 3,3", "are one"),
    ],
)
def test_a_line_that_does_not_serve_is_refused(line: str, says: str) -> None:
    with pytest.raises(CannotContinue, match=says):
        widen_through(Build("moth", (oblong("p1"),)), "p1", line)


def test_a_strip_all_round_is_refused() -> None:
    build = Build("moth", (oblong("p1"),))
    with pytest.raises(CannotContinue, match="all the way round"):
        add_strip(build, "p1:a+b+c+d", 5)
    with pytest.raises(CannotContinue, match="cross itself"):
        add_strip(build, "p1:a", -70)
    assert joined([edge.curve for edge in build.pieces[0].edges], True).closed
