"""Drawn lines of the table's own colour, which look like cuts: whatever is made of them, the shell stays whole, and the
maker is told.

The shell is painted with an exactly known outline; areas are shapely's. Inks are given as linear light in B, G, R, and
hues by colour science: two blues are one hue, red is not that of wood.
"""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely import Polygon

from extract.doors import Silhouette, Stroke
from extract.ink.silhouette import find_silhouette
from extract.ink.table_colour import colours_like_table

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)

END_TO_END = [[(-110, -20), (-6, 0)], [(110, 30), (6, 2)]]
END_TO_SIDE = [[(-110, -20), (20, 10)], [(30, 100), (22, 14)]]


def draw(pixels, flat, line, value):
    """A line 1.6 mm wide."""
    at = np.round(flat.px_from_mm(line) * 16).astype(np.int32)
    cv2.polylines(pixels, [at], False, value, round(1.6 / flat.mm_per_px), cv2.LINE_AA, 4)


@pytest.mark.parametrize("lines", [END_TO_END, END_TO_SIDE], ids=["end to end", "end to side"])
def test_two_lines_from_the_edge_that_nearly_meet_lose_no_half_of_the_shell(lines):
    """Blue lines on a blue mat, a few millimetres of tape between their ends: one carried on as a cut would
    run into the other."""
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "mat")
    pixels, blue = flat.pixels.copy(), np.median(flat.pixels[:20].reshape(-1, 3), axis=0)
    for line in lines:
        draw(pixels, flat, tables.CENTRE + np.array(line, float), blue.tolist())
    found = find_silhouette(replace(flat, pixels=pixels))
    assert sum(Polygon(part).area for part in found.rings_mm) == pytest.approx(Polygon(ring).area, rel=0.02)


@pytest.mark.parametrize("line", [[(-160, -60), (160, 40)], [(-30, -120), (40, 120)]], ids=["along", "across"])
@pytest.mark.parametrize(("table", "ink"), [("mat", "blue"), ("gingham", "red")])
def test_a_line_in_the_tables_own_colour_from_edge_to_edge_is_no_cut(table, ink, line):
    """All of the shell stays, and its outline runs into the line nowhere."""
    ring = tables.wavy_ring()
    points = tables.CENTRE + np.array(line, float)
    (found,) = find_silhouette(tables.paint(ring, table, [(points, 1.6, tables.INKS[ink])])).rings_mm
    assert Polygon(found).area == pytest.approx(Polygon(ring).area, rel=0.01)
    assert Polygon(found).length == pytest.approx(Polygon(ring).length, rel=0.03)


@pytest.mark.parametrize(
    ("table", "alike"),
    [("mat", ("blue",)), ("planks", ()), ("melamine", ()), ("dark_cloth", ()), ("gingham", ("red",))],
)
def test_inks_of_the_tables_hue_are_named(table, alike):
    """Half of the gingham is red, and so is what lies between."""
    ring = tables.wavy_ring()
    flat = tables.paint(ring, table)
    pixels, strokes = flat.pixels.copy(), []
    for number, (name, light) in enumerate(tables.INKS.items()):
        line = tables.CENTRE + np.array([(-50.0, 15.0 * number), (50.0, 15.0 * number)])
        value = 255 * (1.055 * np.array(light) ** (1 / 2.4) - 0.055)
        draw(pixels, flat, line, value.tolist())
        strokes.append(Stroke(f"s{number}", "marker", name, False, 1.6, 0.1, line))
    shell = Silhouette((ring,), 0.15, (np.zeros(len(ring), bool),))
    assert colours_like_table(replace(flat, pixels=pixels), shell, strokes) == alike


def test_a_table_of_which_nothing_is_seen_is_like_no_ink():
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "mat")
    stroke = Stroke("s1", "marker", "blue", False, 1.6, 0.1, ring[:2])
    shell = Silhouette((ring,), 0.15, (np.zeros(len(ring), bool),))
    assert colours_like_table(replace(flat, valid=np.zeros_like(flat.valid)), shell, [stroke]) == ()
