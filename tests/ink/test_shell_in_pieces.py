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
from extract.ink import silhouette_read
from extract.ink.lines import find_strokes
from extract.ink.silhouette import find_silhouette
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_pieces import Found, pieces
from extract.ink.silhouette_read import running_out, taught_by

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


@pytest.mark.parametrize("table", ["mat", "planks"])
def test_a_big_roll_round_its_card_is_no_piece(table):
    """Tape as grey as the shell on a tube of brown card (as rolls of aluminium tape are sold: from memory, no source),
    on a table of another tint than the card and on one of about the same."""
    turn = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    middle = tables.CENTRE + np.array([88.0, 20.0])
    flat = tables.paint([LEFT, middle + 34 * np.c_[np.cos(turn), np.sin(turn)]], table)
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


def map_of(odds, pixels=None):
    grey = np.full((*odds.shape, 3), 128, np.uint8) if pixels is None else pixels
    return ShellMap(FlatView(grey, 0.5, (0.0, 0.0), np.ones(odds.shape, bool), ()), odds)


def test_a_piece_that_the_plain_maps_did_not_see_is_found_where_it_runs_out_of_the_window(flat, found, monkeypatch):
    def left_one(ranked):
        blob = ranked[0].blob.copy()
        blob[:, round((tables.CENTRE[0] + 22 - tables.ORIGIN_MM[0]) / 340 * blob.shape[1]) :] = False
        return blob

    monkeypatch.setattr(silhouette_read, "pick", left_one)
    monkeypatch.setattr(silhouette_read, "with_others", lambda blob, _: blob)
    monkeypatch.setattr(silhouette_read, "AROUND_MM", 40.0)
    both = find_silhouette(flat)
    assert len(both.rings_mm) == 2
    for ring, as_seen in zip(both.rings_mm, found.rings_mm, strict=True):
        assert Polygon(ring).area == pytest.approx(Polygon(as_seen).area, rel=0.005)


@pytest.mark.parametrize(
    ("left_mm", "high_mm", "sure", "told"),
    [(0.0, 60.0, 4.0, True), (0.0, 60.0, 1.0, False), (0.0, 12.0, 4.0, False), (8.0, 60.0, 4.0, False)],
    ids=["cut off", "not sure", "thin", "clear of the rim"],
)
def test_what_runs_out_of_a_window_is_part_of_a_piece_if_it_is_sure_and_plump(left_mm, high_mm, sure, told):
    """A blob 40 mm wide at the left side of a window that the picture goes on beyond, and at its own right side."""
    odds = np.full((300, 400), -4.0, np.float32)
    odds[100 : 100 + round(2 * high_mm), round(2 * left_mm) : 80] = sure
    odds[100:220, 340:] = 4.0
    window = map_of(odds)
    wide = FlatView(np.zeros((300, 500, 3), np.uint8), 0.5, (-50.0, 0.0), np.ones((300, 500), bool), ())
    found = running_out(window, window.flat, wide)
    assert found[102, 70] == told
    assert not found[150, 350]


def test_colours_are_taught_by_pieces_that_the_plain_maps_saw_too():
    odds = np.full((400, 700), -4.0, np.float32)
    for middle in ((150, 200), (350, 200), (550, 200)):
        cv2.circle(odds, middle, 80, 4.0, -1)
    cv2.circle(odds, (150, 200), 100, 4.0, -1)
    blob = np.zeros(odds.shape, bool)
    blob[:, 280:460] = True
    taught = taught_by(map_of(odds), blob)
    assert [bool(taught[200, column]) for column in (150, 350, 550)] == [True, True, False]


@pytest.mark.parametrize(("beside_mm", "is_piece"), [(0, True), (6, True), (30, False)])
def test_what_has_its_own_tint_on_both_sides_of_its_edge_is_no_piece(flat, found, monkeypatch, beside_mm, is_piece):
    """As the lit side of a tape roll has, beside which lies the top of the roll: along so much of the edge."""

    def with_more_of_the_same(flat):
        reading = silhouette_read.read_shell(flat)
        right = tables.CENTRE + np.array([112.0, 10.0])
        odds = reading.tint.odds.copy()
        low, high = (
            np.round(reading.tint.flat.px_from_mm(right + way)).astype(int) for way in ((-8, 0), (6, beside_mm))
        )
        odds[low[1] : high[1], low[0] : high[0]] = 3.0
        return replace(reading, tint=replace(reading.tint, odds=odds))

    monkeypatch.setattr(silhouette, "read_shell", with_more_of_the_same)
    seen = find_silhouette(flat)
    assert len(seen.rings_mm) == 1 + is_piece
    assert len(seen.left_out_mm) == 1 - is_piece


@pytest.mark.parametrize(("beside", "is_piece"), [(CARD_BGR, False), (None, True)], ids=["card", "table"])
def test_what_borders_on_brown_card_is_no_piece(beside, is_piece):
    """As the lit side of a tape roll does, over whose edge one looks into the tube: card in a fifth of the edge."""
    flat = tables.paint([LEFT, RIGHT], "mat")
    pixels = flat.pixels.copy()
    if beside:
        inside = Polygon(RIGHT).contains(shapely.points(flat.mm_from_px(np.indices(flat.valid.shape)[::-1].T))).T
        band = cv2.dilate(inside.astype(np.uint8), np.ones((1, 2 * round(12 / flat.mm_per_px) + 1), np.uint8))
        band[:, : round(flat.px_from_mm(np.array(Polygon(RIGHT).centroid.coords[0]))[0])] = 0
        pixels[(band > 0) & ~inside] = CARD_BGR
    found = find_silhouette(replace(flat, pixels=pixels))
    assert len(found.rings_mm) == 1 + is_piece
    assert len(found.left_out_mm) == 1 - is_piece


@pytest.mark.parametrize(("doubtful", "is_piece"), [(0.3, True), (0.7, False)])
def test_what_has_no_sure_edge_is_no_piece(flat, monkeypatch, doubtful, is_piece):
    refine = silhouette.refine

    def doubting(flat, ring, reading):
        edge = refine(flat, ring, reading)
        share = doubtful if Polygon(edge.ring).area < 8000 else 0.0
        return replace(edge, unsure=np.arange(len(edge.ring)) < share * len(edge.ring))

    monkeypatch.setattr(silhouette, "refine", doubting)
    seen = find_silhouette(flat)
    assert len(seen.rings_mm) == 1 + is_piece
    assert len(seen.left_out_mm) == 1 - is_piece
