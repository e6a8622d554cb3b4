"""Drawn lines of the table's own colour, which look like cuts: whatever is made of them, the shell stays whole.

The shell is painted with an exactly known outline; areas are shapely's.
"""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely import Polygon

from extract.ink.silhouette import find_silhouette

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)

END_TO_END = [[(-110, -20), (-6, 0)], [(110, 30), (6, 2)]]
END_TO_SIDE = [[(-110, -20), (20, 10)], [(30, 100), (22, 14)]]


@pytest.mark.parametrize("lines", [END_TO_END, END_TO_SIDE], ids=["end to end", "end to side"])
def test_two_lines_from_the_edge_that_nearly_meet_lose_no_half_of_the_shell(lines):
    """Blue lines 1.6 mm wide on a blue mat, a few millimetres of tape between their ends: one carried on as a cut would
    run into the other."""
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "mat")
    pixels, blue = flat.pixels.copy(), np.median(flat.pixels[:20].reshape(-1, 3), axis=0)
    for line in lines:
        at = np.round(flat.px_from_mm(tables.CENTRE + np.array(line, float)) * 16).astype(np.int32)
        cv2.polylines(pixels, [at], False, blue.tolist(), round(1.6 / flat.mm_per_px), cv2.LINE_AA, 4)
    found = find_silhouette(replace(flat, pixels=pixels))
    assert sum(Polygon(part).area for part in found.rings_mm) == pytest.approx(Polygon(ring).area, rel=0.02)
