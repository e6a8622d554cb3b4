"""Pieces, edges and seams of traced panels, measured with shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from extract.build import Build, Run
from extract.doors import Array, Curve, Panel, Stroke
from extract.geometry.curve import (
    circle_curve,
    curve_area,
    curve_length,
    joined,
    polyline_curve,
    reversed_curve,
)
from extract.geometry.runs import outline_of
from extract.pattern.pieces import build_from


def panel(outline: Curve, *holes: Curve, name: str = "p1") -> Panel:
    return Panel(name, outline, holes, curve_area(outline), curve_length(outline), 0.1)


def ring(*points: tuple[float, float]) -> Curve:
    return polyline_curve(np.array(points, float), closed=True)


def regular(corners: int, radius: float = 50.0) -> Curve:
    turn = np.arange(corners) * 2 * np.pi / corners
    return polyline_curve(radius * np.c_[np.cos(turn), np.sin(turn)], closed=True)


def bow(start: tuple[float, float], end: tuple[float, float], bulge: float) -> Curve:
    a, b = np.array(start, float), np.array(end, float)
    across = np.array([b[1] - a[1], a[0] - b[0]]) / np.linalg.norm(b - a) * bulge
    return Curve(np.array([[a, a + (b - a) / 3 + across, b - (b - a) / 3 + across, b]]), np.array([False]), False)


def leaves() -> tuple[Panel, ...]:
    """Two bowed leaves over a third one that runs along both: a T where the drawn-through line goes on smoothly."""
    left, middle, right = (0.0, 0.0), (60.0, 0.0), (130.0, 0.0)
    rib = bow((60, -70), middle, 6)
    line = bow(left, middle, 0.0), bow(middle, right, 0.0)
    one = joined([bow(left, (60, -70), 20), rib, reversed_curve(line[0])], closed=True)
    two = joined([bow((60, -70), right, 20), reversed_curve(line[1]), reversed_curve(rib)], closed=True)
    three = joined([line[0], line[1], bow(right, left, 40)], closed=True)
    return panel(one), panel(two, name="p2"), panel(three, name="p3")


def rim(build: Build, run: Run) -> Array:
    edges = {edge.id: edge for piece in build.pieces if piece.id == run.piece for edge in piece.edges}
    return np.concatenate([edges[id_].curve.controls for id_ in run.edges])


@pytest.mark.parametrize("corners", [3, 4, 6, 11])
def test_a_polygon_has_an_edge_for_each_side(corners: int) -> None:
    """Exterior angle of a regular polygon: 360° / n (Euclid I.32), here always sharper than 30°."""
    piece = build_from([panel(regular(corners))], ()).pieces[0]
    assert [edge.id for edge in piece.edges] == list("abcdefghijk"[:corners])
    sides = [curve_length(edge.curve) for edge in piece.edges]
    np.testing.assert_allclose(sides, 100 * np.sin(np.pi / corners))


@pytest.mark.parametrize("outline", [circle_curve((0, 0), 40), regular(24)], ids=["circle", "24 corners of 15°"])
def test_an_outline_without_corners_is_one_edge(outline: Curve) -> None:
    piece = build_from([panel(outline)], ()).pieces[0]
    assert len(piece.edges) == 1 and not piece.edges[0].curve.closed
    np.testing.assert_array_equal(outline_of(piece).controls, outline.controls)


def test_a_blunt_slit_end_parts_two_edges_once() -> None:
    slit = ring((0, 0), (50, 0), (50, 30), (50.4, 30), (50.4, 0), (100, 0), (100, 60), (0, 60))
    piece = build_from([panel(slit)], ()).pieces[0]
    assert len(piece.edges) == 7  # eight corners, of which the two at the slit's end count once


def test_a_shaky_line_is_no_row_of_corners() -> None:
    """Steps of 0.3 mm with a 0.15 mm shake turn by 50° from one to the next; over 2 mm the line is straight."""
    x = np.arange(0, 60, 0.3)
    shaky = [(0.0, 0.0), (0.0, -40.0), (60.0, -40.0), *zip(x[::-1], 0.075 * (-1) ** np.arange(len(x)), strict=True)]
    assert len(build_from([panel(ring(*shaky))], ()).pieces[0].edges) == 4


def test_edges_joined_are_the_outline_to_the_bit() -> None:
    for given_panel, piece in zip(leaves(), build_from(leaves(), ()).pieces, strict=True):
        whole, outline = outline_of(piece), given_panel.outline
        start = int(np.flatnonzero((outline.controls == whole.controls[0]).all(axis=(1, 2)))[0])
        assert whole.controls.tobytes() == np.roll(outline.controls, -start, axis=0).tobytes()
        assert whole.straight.tobytes() == np.roll(outline.straight, -start).tobytes()


def test_neighbours_get_seams_also_where_a_line_runs_through() -> None:
    build = build_from(leaves(), ())
    assert [(seam.number, seam.first.piece, seam.second.piece) for seam in build.seams] == [
        (1, "p1", "p2"),
        (2, "p1", "p3"),
        (3, "p2", "p3"),
    ]
    for seam in build.seams:
        assert seam.against and seam.ticks == ()
        np.testing.assert_array_equal(rim(build, seam.first), rim(build, seam.second)[::-1, ::-1])


def test_a_seam_runs_on_around_a_corner() -> None:
    """An L that fits into a rectangle's missing quarter: one seam of two edges on each side."""
    big = ring((0, 0), (80, 0), (80, 30), (40, 30), (40, 60), (0, 60))
    small = ring((80, 30), (80, 60), (40, 60), (40, 30))
    build = build_from([panel(big), panel(small, name="p2")], ())
    (seam,) = build.seams
    assert (len(seam.first.edges), len(seam.second.edges)) == (2, 2)
    np.testing.assert_array_equal(rim(build, seam.first), rim(build, seam.second)[::-1, ::-1])


def test_a_piece_that_lies_in_a_hole_has_no_seam() -> None:
    """Seams join edges; a hole has none."""
    inner = regular(6, 20.0)
    build = build_from([panel(regular(4, 90.0), reversed_curve(inner)), panel(inner, name="p2")], ())
    assert build.seams == ()
    assert [hole.id for hole in build.pieces[0].holes] == ["h1"]


def test_strokes_become_details() -> None:
    line = Stroke("s1", "marker", "red", False, 1.5, 0.1, np.array([[-30.0, 0.0], [30.0, 0.0]]))
    tick = Stroke("s2", "tick", "black", False, 1.5, 0.1, np.array([[0.0, -55.0], [0.0, -28.0]]))
    note = Stroke("s3", "note", "blue", False, 1.5, 0.1, np.array([[-5.0, 10.0], [5.0, 12.0]]))
    piece = build_from([panel(ring((-40, -40), (40, -40), (40, 40), (-40, 40)))], (line, tick, note)).pieces[0]
    assert [(d.id, d.use, d.colour) for d in piece.details] == [
        ("d1", "reference", "red"),
        ("d2", "tick", "black"),
        ("d3", "note", "blue"),
    ]
    assert curve_length(piece.details[1].curve) == pytest.approx(12)


def test_pairs_and_names() -> None:
    build = build_from(leaves(), (), "moth lantern", pairs=True, face="outside")
    assert (build.name, build.face) == ("moth lantern", "outside")
    assert [(p.id, p.name, p.copies, p.sigma_mm) for p in build.pieces][1] == ("p2", "2", "pair", 0.1)


spots = st.lists(st.tuples(st.integers(0, 200), st.integers(0, 200)), min_size=4, max_size=14, unique=True)


@given(spots)
@hypothesis_settings(max_examples=40, deadline=None)
def test_seams_are_the_borders_that_shapely_finds(places: list[tuple[int, int]]) -> None:
    """Voronoi cells by GEOS (via shapely): every border between two cells, and nothing else, is a seam."""
    frame = shapely.box(-10, -10, 210, 210)
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(places), extend_to=frame))
    cells = [shapely.set_precision(cell, 1e-3) for cell in cells]
    if any(shapely.minimum_clearance(cell) < 4.0 for cell in cells):
        return  # corners nearer than 2 mm may be taken for one; that is not asked here
    cells = [shapely.orient_polygons(cell, exterior_cw=False) for cell in cells]
    build = build_from([panel(polyline_curve(np.array(cell.exterior.coords[:-1]), True)) for cell in cells], ())
    found = {frozenset((seam.first.piece, seam.second.piece)): _length(rim(build, seam.first)) for seam in build.seams}
    for i, a in enumerate(cells):
        for j, b in enumerate(cells[:i]):
            border = a.exterior.intersection(b.exterior).length
            assert found.pop(frozenset((f"p{i + 1}", f"p{j + 1}")), 0.0) == pytest.approx(border, abs=1e-6)
    assert not found


def _length(controls: Array) -> float:
    return curve_length(Curve(controls, np.zeros(len(controls), bool), False))
