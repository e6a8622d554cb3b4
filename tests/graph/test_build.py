"""The planar subdivision against shapely's polygonize (GEOS) and hand-counted figures."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon

from extract.doors import PlanarGraph, Silhouette, Stroke
from extract.geometry.curve import circle_curve, curve_points
from extract.geometry.planar import closed_up, densified
from extract.graph.build import GRID_MM, build_graph, ring_points
from extract.graph.tips import guessed_tips

SQUARE = np.array([[0.0, 0.0], [200, 0], [200, 150], [0, 150]])


def shell(*rings: np.ndarray) -> Silhouette:
    rings = rings or (SQUARE,)
    return Silhouette(rings, 0.05, tuple(np.zeros(len(r), bool) for r in rings))


def stroke(name: str, points, closed: bool = False, kind: str = "marker") -> Stroke:
    return Stroke(name, kind, "black", closed, 1.5, 0.05, np.asarray(points, float))


def areas(graph: PlanarGraph) -> list[float]:
    """Areas with holes taken out."""
    return sorted(
        Polygon(ring_points(graph, f.outer)).area - sum(Polygon(ring_points(graph, h)).area for h in f.holes)
        for f in graph.faces
    )


def test_two_crossing_lines_make_four_panels():
    graph = build_graph(shell(), [stroke("s1", [(-1, 50), (201, 50)]), stroke("s2", [(80, -1), (80, 151)])])
    assert areas(graph) == pytest.approx([80 * 50, 120 * 50, 80 * 100, 120 * 100])


def test_a_stroke_that_ends_inside_bounds_nothing():
    graph = build_graph(shell(), [stroke("s1", [(-1, 50), (120, 50)])])
    assert areas(graph) == pytest.approx([200 * 150])
    assert set(graph.sources) == {"edge-1"}


def test_a_closed_shape_is_a_hole_and_a_panel():
    triangle = [(50, 40), (110, 40), (80, 100)]
    graph = build_graph(shell(), [stroke("s1", triangle, closed=True)])
    assert areas(graph) == pytest.approx([1800, 200 * 150 - 1800])
    assert sorted(len(f.holes) for f in graph.faces) == [0, 1]


def test_a_ring_is_a_hole_only():
    ring = curve_points(circle_curve((100, 75), 20.0))
    graph = build_graph(shell(), [stroke("s1", ring, closed=True, kind="ring")])
    assert len(graph.faces) == 1 and len(graph.faces[0].holes) == 1
    assert areas(graph) == pytest.approx([200 * 150 - np.pi * 20**2], abs=1.5)


def test_a_ring_cut_by_a_line_takes_a_bite_from_both_sides():
    ring = curve_points(circle_curve((100, 75), 20.0))
    line = stroke("s2", [(-1, 75), (201, 75)])
    graph = build_graph(shell(), [stroke("s1", ring, closed=True, kind="ring"), line])
    half = 200 * 75 - np.pi * 20**2 / 2
    assert areas(graph) == pytest.approx([half, half], abs=1.5)


def test_a_line_drawn_twice_leaves_no_sliver():
    twice = [stroke("s1", [(-1, 50), (201, 50.0)]), stroke("s2", [(-1, 50.2), (201, 49.9)])]
    graph = build_graph(shell(), twice)
    assert len(graph.faces) == 2
    assert sum(areas(graph)) == pytest.approx(200 * 150)


def test_a_line_across_a_cut_makes_no_panel_of_table():
    """A V-shaped relief cut: the stroke's stretch over the table bounds a face outside the shell, which is dropped."""
    ring = np.array([[0.0, 0], [80, 0], [100, 80], [120, 0], [200, 0], [200, 150], [0, 150]])
    graph = build_graph(shell(ring), [stroke("s1", [(-1, 40), (201, 40)])])
    assert sum(areas(graph)) == pytest.approx(Polygon(ring).area)
    assert len(graph.faces) == 3


@pytest.mark.parametrize(("short_mm", "panels"), [(0.1, 3), (0.2, 3), (0.4, 2), (1.2, 2)])
def test_a_cut_up_to_a_line_parts_the_panels_beside_it(short_mm, panels):
    """A V-shaped cut whose visible tip ends a little short of a drawn line, or well short of it."""
    tip = 60 - short_mm
    ring = np.array([[0.0, 0], [95, 0], [100, tip], [105, 0], [200, 0], [200, 150], [0, 150]])
    graph = build_graph(shell(ring), [stroke("s1", [(-1, 60), (201, 60)])])
    assert len(graph.faces) == panels
    assert sum(areas(graph)) == pytest.approx(Polygon(ring).area, rel=1e-6)


@pytest.mark.parametrize(
    ("past_mm", "asked"), [(-6.0, False), (-2.2, False), (-1.4, True), (-0.5, True), (0.6, True), (4.0, False)]
)
def test_a_cut_that_ends_beside_a_line_is_a_guess(past_mm, asked):
    """Which panels it parts hangs on less than a photo tells of a tip."""
    tip = np.array([50.0, 40.0 + past_mm])
    ring = np.array([[0, 0], [45, 0], tip, [55, 0], [100, 0], [100, 80], [0, 80]], float)
    dense = densified(closed_up(ring), 0.5)[:-1]
    (told,) = guessed_tips(shell(dense), [stroke("a", [[-5, 40], [105, 40]])])
    assert told.any() == asked
    assert not asked or np.hypot(*(dense[told] - tip).T).max() < 3.0


def test_corners_that_stick_out_are_no_cuts():
    """A tongue of shell as narrow as a cut, ending short of a line drawn on another piece."""
    tongue = np.array([[0.0, 0], [200, 0], [200, 100], [105, 100], [100, 140], [95, 100], [0, 100]])
    other = np.array([[50.0, 141], [150, 141], [150, 200], [50, 200]])
    graph = build_graph(shell(tongue, other), [stroke("s1", [(49, 141.5), (151, 141.5)])])
    assert not any("tip" in source for source in graph.sources)


def test_several_pieces_of_shell():
    second = SQUARE * 0.5 + (300, 0)
    graph = build_graph(shell(SQUARE, second), [stroke("s1", [(299, 30), (401, 30)])])
    assert areas(graph) == pytest.approx([100 * 30, 100 * 45, 200 * 150])


def test_a_crumb_where_the_cut_edge_touches_itself_is_no_panel():
    ring = np.array([[0, 0], [100, 0], [100, 80], [50, 80], [52, 83], [48, 83], [50, 80], [0, 80]], float)
    assert areas(build_graph(shell(ring), [])) == pytest.approx([8000])


def test_each_edge_knows_its_source_and_is_shared_by_its_neighbours():
    graph = build_graph(shell(), [stroke("s1", [(-1, 50), (201, 60)])])
    (seam,) = [e for e, source in enumerate(graph.sources) if source == "s1"]
    assert sorted(back for f in graph.faces for e, back in f.outer if e == seam) == [False, True]
    assert LineString(graph.edges_mm[seam]).length == pytest.approx(np.hypot(200, 10 * 200 / 202))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(5, 195), st.floats(5, 195), st.floats(0.0, 1.0)),
        min_size=1,
        max_size=6,
    )
)
def test_faces_are_those_of_geos_polygonize(cuts):
    """Straight lines from the top edge to the bottom edge and one across: count and areas as GEOS finds them."""
    lines = [LineString([(a, -1), (b, 151)]) for a, b, _ in cuts] + [LineString([(-1, 75), (201, 70)])]
    network = shapely.union_all([*lines, LineString(np.vstack([SQUARE, SQUARE[:1]]))])
    expected = [p.area for p in shapely.get_parts(shapely.polygonize([network]))]
    thin = any(2 * p.area / p.length < 0.8 or p.area < 25 for p in shapely.get_parts(shapely.polygonize([network])))
    graph = build_graph(shell(), [stroke(f"s{i}", line.coords) for i, line in enumerate(lines)])
    assert sum(areas(graph)) == pytest.approx(200 * 150, rel=1e-9)
    if not thin:
        assert areas(graph) == pytest.approx(sorted(expected), abs=GRID_MM * 400)
