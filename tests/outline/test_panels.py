"""Panels from small subdivisions of known shape; areas and validity by shapely."""

from __future__ import annotations

import json
import math
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter1d

from extract.doors import Array, Curve, Face, PlanarGraph
from extract.geometry.curve import curve_area, curve_length, curve_points
from extract.geometry.planar import densified
from extract.outline.chains import find_chains
from extract.outline.panels import fit_panels


def no_doubt(points: Array) -> float:
    return 0.1


def shaken(points: Array, sd_mm: float, seed: int) -> Array:
    """A line drawn by hand: densified, its inner points moved, its ends kept."""
    line = densified(points, 0.3)
    noise = gaussian_filter1d(np.random.default_rng(seed).normal(size=line.shape), 4, axis=0)
    taper = np.minimum(1, np.minimum(np.arange(len(line)), np.arange(len(line))[::-1]) / 20)[:, None]
    return line + sd_mm * taper * noise / noise.std()


def subdivision(
    nodes: list[list[float]], edges: list[tuple[int, int, str, list[list[float]]]], faces: list[Face], sd_mm: float
) -> PlanarGraph:
    places = np.array(nodes, float)
    lines = [
        shaken(np.vstack([places[a], *[np.array([p], float) for p in via], places[b]]), sd_mm, k)
        for k, (a, b, _, via) in enumerate(edges)
    ]
    return PlanarGraph(
        places, tuple(lines), tuple((a, b) for a, b, _, _ in edges), tuple(e[2] for e in edges), tuple(faces)
    )


def bowed(a: Array | list[float], b: Array | list[float], bow_mm: float, n: int = 40) -> list[list[float]]:
    """Inner points of a shallow arc from ``a`` to ``b``."""
    a, b = np.asarray(a, float), np.asarray(b, float)
    t = np.linspace(0, 1, n)[1:-1, None]
    normal = np.array([a[1] - b[1], b[0] - a[0]]) / np.linalg.norm(b - a)
    return (a + t * (b - a) + 4 * bow_mm * t * (1 - t) * normal).tolist()


def split_box(sd_mm: float = 0.0) -> PlanarGraph:
    """A 120 × 80 box parted by a bowed line, and that line's right side parted by a straight one that ends on it."""
    nodes = [[0, 0], [70, 0], [120, 0], [120, 40], [120, 80], [60, 80], [0, 80], [62, 41]]
    edges = [
        (0, 1, "edge-1", []),
        (1, 2, "edge-1", []),
        (2, 3, "edge-1", []),
        (3, 4, "edge-1", []),
        (4, 5, "edge-1", []),
        (5, 6, "edge-1", []),
        (6, 0, "edge-1", []),
        (1, 7, "s1", [[66, 12], [63.4, 25]]),
        (7, 5, "s1", [[60.6, 55], [59.8, 68]]),
        (3, 7, "s2", []),
    ]
    edges[7] = (1, 7, "s1", bowed(nodes[1], nodes[7], 2.0))
    edges[8] = (7, 5, "s1", bowed(nodes[7], nodes[5], 2.0))
    faces = [
        Face(((0, False), (7, False), (8, False), (5, False), (6, False))),
        Face(((1, False), (2, False), (9, False), (7, True))),
        Face(((9, True), (3, False), (4, False), (8, True))),
    ]
    return subdivision(nodes, edges, faces, sd_mm)


def shape(outline: Curve, *holes: Curve) -> shapely.Polygon:
    return shapely.Polygon(curve_points(outline, 1e-3), [curve_points(h, 1e-3) for h in holes])


def test_a_line_is_drawn_through_the_node_where_another_ends() -> None:
    chains = {frozenset(edge for edge, _ in chain.steps) for chain in find_chains(split_box())}
    assert frozenset({7, 8}) in chains  # both of s1
    assert frozenset({9}) in chains  # s2 ends there
    assert frozenset({2, 3}) in chains  # the box's right side
    assert sum(len(c) for c in chains) == 10


@pytest.mark.parametrize("sd_mm", [0.0, 0.1])
def test_panels_fill_the_whole_and_share_their_curves(sd_mm: float) -> None:
    panels = fit_panels(split_box(sd_mm), 0.4, no_doubt)
    assert [p.id for p in panels] == ["p1", "p2", "p3"]
    assert [p.area_mm2 for p in panels] == sorted((p.area_mm2 for p in panels), reverse=True)
    whole = shapely.union_all([shape(p.outline) for p in panels])
    assert sum(p.area_mm2 for p in panels) == pytest.approx(whole.area, abs=0.01 * whole.length * 0.1)
    for a, b in combinations(panels, 2):
        ours = {segment.tobytes() for segment in np.round(a.outline.controls, 9) + 0.0}
        theirs = {segment[::-1].tobytes() for segment in np.round(b.outline.controls, 9) + 0.0}
        shared = shape(a.outline).intersection(shape(b.outline))
        assert ours & theirs, "neighbours share at least one cubic to the bit"
        assert shared.area == pytest.approx(0, abs=1e-6)


def test_areas_add_up_to_the_outer_boundary_exactly() -> None:
    """Green's theorem: inner edges run both ways and cancel, whatever their fitted shape."""
    graph = split_box(0.1)
    outer = Face(tuple((edge, False) for edge in range(7)))
    parted = fit_panels(graph, 0.4, no_doubt)
    both = PlanarGraph(graph.nodes_mm, graph.edges_mm, graph.ends, graph.sources, (outer,))
    whole = fit_panels(both, 0.4, no_doubt)
    assert sum(p.area_mm2 for p in parted) == pytest.approx(whole[0].area_mm2, abs=1e-6)


def test_the_drawn_through_line_has_no_kink_at_the_node() -> None:
    left = fit_panels(split_box(0.1), 0.4, no_doubt)[0].outline
    joint = np.argmin(np.linalg.norm(left.controls[:, 0] - [62, 41], axis=1))
    into, out = (
        left.controls[joint - 1, 3] - left.controls[joint - 1, 2],
        left.controls[joint, 1] - left.controls[joint, 0],
    )
    assert abs(math.degrees(math.atan2(into[0] * out[1] - into[1] * out[0], into @ out))) < 0.5


def test_simple_panel_has_few_segments_and_true_measures() -> None:
    """Four corners, sides bowed by 5 mm: at most twelve cubics; area against the drawn polygon by shapely."""
    nodes = [[0, 0], [100, 0], [100, 70], [0, 70]]
    edges = [(k, (k + 1) % 4, "edge-1", bowed(nodes[k], nodes[(k + 1) % 4], -5.0)) for k in range(4)]
    graph = subdivision(nodes, edges, [Face(tuple((k, False) for k in range(4)))], 0.08)
    (panel,) = fit_panels(graph, 0.3, no_doubt)
    drawn = shapely.Polygon(np.vstack([line[:-1] for line in graph.edges_mm]))
    assert len(panel.outline.controls) <= 12
    assert panel.area_mm2 == pytest.approx(drawn.area, rel=2e-3)
    assert panel.area_mm2 == pytest.approx(shape(panel.outline).area, abs=0.5)
    assert panel.perimeter_mm == pytest.approx(shapely.length(shape(panel.outline)), abs=0.02)
    assert 0 < panel.smoothed_mm[1] < panel.smoothed_mm[0] <= 0.35
    assert shapely.hausdorff_distance(shape(panel.outline).exterior, drawn.exterior) <= 0.35


def test_closed_shape_is_a_hole_and_a_panel_of_the_same_curve() -> None:
    turn = np.linspace(0, 2 * np.pi, 300)
    loop = np.c_[50 + 25 * np.cos(turn), 40 + 18 * np.sin(turn)]
    loop[-1] = loop[0]
    box = densified(np.array([[0, 0], [100, 0], [100, 80], [0, 80], [0, 0]], float), 0.3)
    graph = PlanarGraph(
        np.array([[0.0, 0], loop[0]]), (box, loop), ((0, 0), (1, 1)), ("edge-1", "s1"),
        (Face(((0, False),), (((1, False),),)), Face(((1, False),))),
    )  # fmt: skip
    around, inside = fit_panels(graph, 0.2, no_doubt)
    assert inside.area_mm2 == pytest.approx(math.pi * 25 * 18, rel=3e-3)
    assert around.area_mm2 + inside.area_mm2 == pytest.approx(8000, rel=1e-9)
    assert around.perimeter_mm == pytest.approx(360, abs=0.01)
    assert curve_area(around.outline) > 0 > curve_area(around.holes[0])
    assert curve_length(around.holes[0]) == pytest.approx(inside.perimeter_mm, rel=1e-12)


def test_narrow_slit_does_not_cross_itself_when_smoothed() -> None:
    """A relief cut 0.3 mm wide and 50 mm long, fitted with more than its width."""
    ring = [[0, 0], [60, 0], [60.1, 50], [60.3, 50], [60.4, 0], [120, 0], [120, 80], [0, 80], [0, 0]]
    line = shaken(np.array(ring, float), 0.04, 3)
    line[-1] = line[0]
    graph = PlanarGraph(np.array([[0.0, 0]]), (line,), ((0, 0),), ("edge-1",), (Face(((0, False),)),))
    (panel,) = fit_panels(graph, 0.6, no_doubt)
    drawn = shapely.Polygon(line)
    assert drawn.is_valid
    assert shape(panel.outline).is_valid
    assert panel.area_mm2 == pytest.approx(drawn.area, rel=2e-3)


def test_crossing_lines_cross_in_one_point() -> None:
    """Two lines drawn through each other make four panels that meet to the bit."""
    nodes = [[0, 0], [60, 0], [120, 0], [120, 40], [120, 80], [60, 80], [0, 80], [0, 40], [60, 40]]
    rim = [(k, (k + 1) % 8, "edge-1", []) for k in range(8)]
    cross = [(1, 8, "s1", []), (8, 5, "s1", []), (3, 8, "s2", []), (8, 7, "s2", [])]
    faces = [
        Face(((0, False), (8, False), (11, False), (7, False))),
        Face(((1, False), (2, False), (10, False), (8, True))),
        Face(((3, False), (4, False), (9, True), (10, True))),
        Face(((5, False), (6, False), (11, True), (9, False))),
    ]
    panels = fit_panels(subdivision(nodes, [*rim, *cross], faces, 0.1), 0.4, no_doubt)
    assert len(panels) == 4
    middle = [
        p.outline.controls[np.argmin(np.linalg.norm(p.outline.controls[:, 0] - [60, 40], axis=1)), 0] for p in panels
    ]
    assert all((m == middle[0]).all() for m in middle)
    overlap = sum(shape(a.outline).intersection(shape(b.outline)).area for a, b in combinations(panels, 2))
    assert overlap == pytest.approx(0, abs=1e-3)


def test_drawn_scene_panels_keep_their_areas(shared_photos: Path) -> None:
    """Faces of a rendered scene's truth, each fitted as one ring: area within 0.4 %; the outline within the tolerance,
    but for corners, which may be drawn out to three times as far."""
    for file in sorted(shared_photos.glob("*.truth.json"))[:2]:
        for true in json.loads(file.read_text())["panels_black"]:
            ring = densified(np.array([*true["polygon"], true["polygon"][0]]), 0.4)
            graph = PlanarGraph(ring[:1], (ring,), ((0, 0),), ("s",), (Face(((0, False),)),))
            (panel,) = fit_panels(graph, 0.3, no_doubt)
            drawn = shapely.Polygon(true["polygon"])
            assert panel.area_mm2 == pytest.approx(drawn.area, rel=4e-3)
            assert shape(panel.outline).is_valid
            assert shapely.hausdorff_distance(shape(panel.outline).exterior, drawn.exterior) < 0.9


def test_lines_that_meet_within_a_markers_width_keep_their_order() -> None:
    nodes = [[0, 0], [60, 0], [120, 0], [120, 60], [120, 80], [60, 80], [0, 80], [0, 20], [60, 40], [60.05, 40.4]]
    rim = [(k, (k + 1) % 8, "edge-1", []) for k in range(8)]
    inner = [(1, 8, "s1", []), (8, 9, "s1", []), (9, 5, "s1", []), (3, 8, "s2", []), (7, 9, "s3", [])]
    faces = [
        Face(((0, False), (8, False), (9, False), (12, True), (7, False))),
        Face(((1, False), (2, False), (11, False), (8, True))),
        Face(((3, False), (4, False), (10, True), (9, True), (11, True))),
        Face(((5, False), (6, False), (12, False), (10, False))),
    ]
    panels = fit_panels(subdivision(nodes, [*rim, *inner], faces, 0.1), 0.5, no_doubt)
    assert all(shape(p.outline).is_valid for p in panels)
    assert shapely.union_all([shape(p.outline) for p in panels]).area == pytest.approx(
        sum(p.area_mm2 for p in panels), abs=0.05
    )
    assert sum(p.area_mm2 for p in panels) == pytest.approx(120 * 80, rel=2e-3)


def test_a_sliver_that_fitting_would_close_stays_open() -> None:
    """Two edges between the same corners, bowed by less than the tolerance, would both become the straight line."""
    a, b = [0.0, 0.0], [90.0, 0.0]
    edges = [(0, 1, "edge-1", bowed(a, b, 0.04)), (0, 1, "s1", bowed(a, b, -0.04))]
    graph = subdivision([a, b], edges, [Face(((0, False), (1, True)))], 0.0)
    (panel,) = fit_panels(graph, 0.2, no_doubt)
    drawn = shapely.Polygon(np.vstack([graph.edges_mm[0][:-1], graph.edges_mm[1][:0:-1]]))
    assert shapely.Polygon(curve_points(panel.outline)).is_valid
    assert 0.45 * drawn.area < panel.area_mm2 < 1.05 * drawn.area
