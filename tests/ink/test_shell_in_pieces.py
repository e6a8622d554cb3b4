"""A shell that lies in two pieces, each with its own drawing: outlines, strokes and panels of both.

Panels are counted by hand; areas are shapely's.
"""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon
from shapely.ops import split

import extract.ink.silhouette as silhouette
from extract.doors import FlatView
from extract.graph.build import build_graph, ring_points
from extract.ink.lines import find_strokes
from extract.ink.silhouette import find_silhouette
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_pieces import Found, pieces

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)

LEFT = tables.wavy_ring((60.0, 62.0)) + np.array([-42.0, 15.0])
RIGHT = tables.wavy_ring((38.0, 50.0)) + np.array([68.0, 10.0])
CARD_BGR = (78.0, 112.0, 150.0)
LINES = [tables.CENTRE + way for way in ([(-42, -80), (-36, 110)], [(-112, 30), (25, 22)], [(60, -60), (74, 80)])]


@pytest.fixture(scope="module")
def flat():
    return tables.paint([LEFT, RIGHT], "planks", strokes=[(line, 1.8) for line in LINES])


@pytest.fixture(scope="module")
def found(flat):
    return find_silhouette(flat)


def outward_errors(ring, truth):
    polygon, at = Polygon(truth), shapely.points(ring)
    return np.where(shapely.distance(at, polygon) > 0, 1, -1) * shapely.distance(at, polygon.exterior)


def test_every_piece_is_outlined_biggest_first(found):
    assert len(found.rings_mm) == len(found.unsure) == 2
    for ring, truth in zip(found.rings_mm, (LEFT, RIGHT), strict=True):
        errors = outward_errors(ring, truth)
        assert np.sqrt((errors**2).mean()) < 0.15
        assert abs(errors).max() < 1.0


def test_both_pieces_fall_into_their_panels(flat, found):
    graph = build_graph(found, find_strokes(flat, found))
    areas = sorted(Polygon(ring_points(graph, face.outer)).area for face in graph.faces)
    exact = []
    for ring, lines in ((LEFT, LINES[:2]), (RIGHT, LINES[2:])):
        parts = [Polygon(ring)]
        for line in lines:
            parts = [half for part in parts for half in split(part, LineString(line)).geoms]
        exact += [part.area for part in parts]
    assert len(areas) == 6
    assert areas == pytest.approx(sorted(exact), rel=0.01)


def test_a_bar_and_a_roll_beside_the_shell_are_no_pieces():
    """Both as grey as the shell: a ruler 30 mm wide, and tape on its roll."""
    bar = tables.CENTRE + np.array([[55.0, -95.0], [85.0, -95.0], [85.0, 60.0], [55.0, 60.0]])
    turn = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    roll = tables.CENTRE + [112.0, 20.0] + 14 * np.c_[np.cos(turn), np.sin(turn)]
    found = find_silhouette(tables.paint([LEFT, bar, roll], "planks"))
    assert len(found.rings_mm) == 1
    assert np.sqrt((outward_errors(found.rings_mm[0], LEFT) ** 2).mean()) < 0.15


def test_a_bar_that_is_seen_in_part_is_no_piece():
    """As when a shadow hides the rest: 30 mm wide, 80 mm long on one side and 95 mm on the other."""
    part = tables.CENTRE + np.array([[55.0, -95.0], [85.0, -95.0], [85.0, -15.0], [55.0, 0.0]])
    found = find_silhouette(tables.paint([LEFT, part], "planks"))
    assert len(found.rings_mm) == 1


def test_a_big_roll_round_its_card_is_no_piece():
    """Tape as grey as the shell on a tube of brown card, which is like neither shell nor table (as rolls of aluminium
    tape are sold: from memory, no source)."""
    turn = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    middle = tables.CENTRE + np.array([88.0, 20.0])
    flat = tables.paint([LEFT, middle + 34 * np.c_[np.cos(turn), np.sin(turn)]], "mat")
    pixels = flat.pixels.copy()
    cv2.circle(pixels, np.round(flat.px_from_mm(middle)).astype(int).tolist(), round(20 / flat.mm_per_px), CARD_BGR, -1)
    found = find_silhouette(replace(flat, pixels=pixels))
    assert len(found.rings_mm) == 1
    assert np.sqrt((outward_errors(found.rings_mm[0], LEFT) ** 2).mean()) < 0.15


@pytest.mark.parametrize(("share", "kept", "told"), [(0.95, True, False), (0.6, False, True), (0.2, False, False)])
def test_of_a_large_blob_that_is_half_sure_a_word_is_said(share, kept, told):
    """Two round blobs of 80 mm and more on pixels of half a millimetre; the map is sure of ``share`` of the second."""
    grey = np.full((300, 520, 3), 128, np.uint8)
    odds = np.full(grey.shape[:2], -4.0, np.float32)
    cv2.circle(odds, (150, 150), 100, 4.0, -1)
    second = np.zeros(odds.shape, np.uint8)
    cv2.circle(second, (380, 150), 80, 1, -1)
    rows, columns = np.nonzero(second)
    odds[rows, columns] = np.where(columns < np.quantile(columns, share), 4.0, 0.5)
    found = pieces(ShellMap(FlatView(grey, 0.5, (0.0, 0.0), np.ones(odds.shape, bool), ()), odds))
    assert found.pieces[150, 150]
    assert found.pieces[150, 380] == kept
    assert found.left_out[150, 380] == told
    assert not found.left_out[150, 150]


def test_the_outline_names_what_was_left_out(flat, monkeypatch):
    def doubting(shell):
        told = pieces(shell)
        right = told.pieces & (
            shell.flat.mm_from_px(np.indices(told.pieces.shape)[::-1].T).T[0] > tables.CENTRE[0] + 25
        )
        return Found(told.pieces & ~right, right)

    monkeypatch.setattr(silhouette, "pieces", doubting)
    (middle,) = find_silhouette(flat).left_out_mm
    assert np.hypot(*(middle - np.array(Polygon(RIGHT).centroid.coords[0]))) < 5.0
