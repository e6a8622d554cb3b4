"""Ticks attached to lines by arc length; places by shapely and by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from extract.doors import Silhouette, Stroke
from extract.graph.ticks import tick_places

SQUARE = np.array([[0.0, 0.0], [200, 0], [200, 150], [0, 150]])
SHELL = Silhouette((SQUARE,), 0.05, (np.zeros(4, bool),))


def stroke(name: str, points, kind: str = "marker", closed: bool = False) -> Stroke:
    return Stroke(name, kind, "black", closed, 1.5, 0.05, np.asarray(points, float))


def test_a_tick_knows_its_line_and_its_place():
    bent = stroke("s1", [(0, 50), (60, 50), (60, 150)])
    (place,) = tick_places(SHELL, [bent, stroke("s2", [(55, 80), (66, 81)], "tick")])
    assert (place.tick, place.edge) == ("s2", "s1")
    assert place.at_mm == pytest.approx(60 + 30 + 5 / 11)


def test_of_two_lines_the_one_nearer_to_its_middle_counts():
    lines = [stroke("s1", [(0, 50), (200, 50)]), stroke("s2", [(0, 54), (200, 54)])]
    (place,) = tick_places(SHELL, [*lines, stroke("s3", [(80, 48), (80, 57)], "tick")])
    assert place.edge == "s2" and place.at_mm == pytest.approx(80)


def test_ticks_stand_on_rings_and_on_the_cut_edge():
    ring = shapely.Point(100, 75).buffer(20, quad_segs=64).exterior.coords[:-1]
    found = tick_places(
        SHELL,
        [
            stroke("s1", ring, "ring", True),
            stroke("s2", [(114, 75), (126, 75)], "tick"),
            stroke("s3", [(200.5, 40), (191, 40)], "tick"),
        ],
    )
    assert {p.tick: p.edge for p in found} == {"s2": "s1", "s3": "edge-1"}
    assert {p.tick: p.at_mm for p in found}["s3"] == pytest.approx(240)


def test_a_tick_that_nearly_reaches_its_line_still_belongs_to_it_and_a_far_one_to_none():
    line = stroke("s1", [(0, 50), (200, 50)])
    near, far = stroke("s2", [(30, 51), (30, 60)], "tick"), stroke("s3", [(90, 60), (90, 70)], "tick")
    (place,) = tick_places(SHELL, [line, near, far])
    assert place.tick == "s2" and place.at_mm == pytest.approx(30)
