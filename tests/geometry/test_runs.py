"""Runs of edges: named, joined, cut and replaced without opening the outline; shapely measures the shapes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from extract.build import Build, Edge, Hole, Piece, Run, Seam
from extract.doors import CannotContinue
from extract.geometry.curve import circle_curve, curve_length, polyline_curve, reversed_curve, subcurve
from extract.geometry.runs import (
    checked,
    edge_letters,
    free_id,
    free_piece_id,
    outline_of,
    piece_area,
    run_curve,
    run_from,
    runs_from,
    seams_of,
    shape_of,
    split_edge,
    with_curves,
    with_piece,
)

CORNERS = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])


def oblong(name: str = "p1") -> Piece:
    ring = polyline_curve(CORNERS, closed=True)
    edges = tuple(Edge(letter, subcurve(ring, k, k + 1)) for k, letter in enumerate("abcd"))
    return Piece(name, "side", edges)


def disc(name: str = "p2", radius: float = 30.0) -> Piece:
    return Piece(name, "cap", (Edge("a", replace(circle_curve((50, 30), radius, 1e-5), closed=False)),))


BUILD = Build("moth", (oblong(), disc()), (Seam(1, Run("p1", ("a", "b")), Run("p2", ("a",))),))


def test_runs_are_read_as_they_are_written() -> None:
    assert run_from(BUILD, "p1:a+b") == Run("p1", ("a", "b"))
    assert run_from(BUILD, " p1 : d + a ") == Run("p1", ("d", "a"))
    assert run_from(BUILD, "side:c") == Run("p1", ("c",))
    assert [str(run) for run in runs_from(BUILD, "p1:a, p2:a")] == ["p1:a", "p2:a"]
    assert curve_length(run_curve(BUILD, run_from(BUILD, "p1:d+a+b"))) == pytest.approx(220)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("p9:a", "no piece p9"),
        ("p1:z", "no edge z"),
        ("p1:a+c", "do not follow"),
        ("p1:b+a", "do not follow"),
        ("p1:a+b+c+d+a", "do not follow"),
        ("p1", "names no edges"),
        ("p1:", "names no edges"),
        ("", "names no edges"),
    ],
)
def test_an_unknown_run_is_refused_with_the_reason(text: str, says: str) -> None:
    with pytest.raises(CannotContinue, match=says):
        run_from(BUILD, text)


@given(shares=st.lists(st.floats(0.001, 0.999), min_size=1, max_size=4, unique=True))
@settings(max_examples=40, deadline=None)
def test_cutting_an_edge_changes_no_shape_and_seams_follow(shares: list[float]) -> None:
    build = split_edge(BUILD, "p1", "a", [100 * share for share in shares])
    piece = build.pieces[0]
    assert shape_of(piece).area == pytest.approx(6000)
    assert curve_length(outline_of(piece)) == pytest.approx(320)
    assert build.seams[0].first.edges[-1] == "b"
    assert curve_length(run_curve(build, build.seams[0].first)) == pytest.approx(160)
    assert curve_length(run_curve(build, build.seams[0].second)) == pytest.approx(60 * np.pi, abs=0.01)


def test_parts_of_an_edge_get_names_of_their_own() -> None:
    once = split_edge(BUILD, "p1", "a", [40.0])
    twice = split_edge(once, "p1", "a1", [10.0])
    assert [edge.id for edge in twice.pieces[0].edges] == ["a11", "a12", "a2", "b", "c", "d"]
    crowded = with_piece(
        BUILD,
        replace(oblong(), edges=tuple(replace(edge, id="a2") if edge.id == "b" else edge for edge in oblong().edges)),
    )
    assert [e.id for e in split_edge(crowded, "p1", "a", [40.0]).pieces[0].edges] == ["a1", "a3", "a2", "c", "d"]
    assert split_edge(BUILD, "p1", "a", [0.0, 100.0]) is BUILD


def test_an_outline_left_open_is_refused() -> None:
    with pytest.raises(CannotContinue, match="not close"):
        with_curves(oblong(), {"a": polyline_curve(CORNERS[:2] + np.array([0.0, 0.5]))})
    bowed = with_curves(oblong(), {"a": polyline_curve(np.array([[0.0, 0], [50, 5], [100, 0]]))})
    assert piece_area(bowed) == pytest.approx(6000 - 250)


def test_an_outline_that_crosses_itself_is_refused() -> None:
    with pytest.raises(CannotContinue, match="cross itself"):
        checked(with_curves(oblong(), {"a": polyline_curve(np.array([[0.0, 0], [50, 70], [100, 0]]))}))
    ring = reversed_curve(polyline_curve(CORNERS, closed=True))
    with pytest.raises(CannotContinue, match="cross itself"):
        checked(Piece("p1", "inside out", (Edge("a", subcurve(ring, 0, 4)),)))
    hole = Hole("h1", reversed_curve(circle_curve((50, 5), 8)))
    with pytest.raises(CannotContinue, match="hole"):
        checked(replace(oblong(), holes=(hole,)))
    inner = replace(oblong(), holes=(Hole("h1", reversed_curve(circle_curve((50, 30), 8))),))
    assert piece_area(checked(inner)) == pytest.approx(shape_of(inner, 1e-4).area, abs=0.01)


def test_names_go_on_counting() -> None:
    assert free_piece_id(BUILD) == "p3"
    assert free_id(["t1", "t2"], "t") == "t3"
    assert edge_letters(28)[-3:] == ("z", "aa", "ab")


def test_seams_are_found_by_their_edges() -> None:
    assert seams_of(BUILD, "p1", ("b",)) == BUILD.seams
    assert seams_of(BUILD, "p1", ("c",)) == ()
