"""Which narrow dark places in the shell are cuts and which are drawn lines, on maps of known shape.

The maps are invented.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from extract.doors import FlatView
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_read import contradiction, cuts_open

SIZE = 200
SURELY, HARDLY = -2.0, -0.3
RIM = 20


def open_places(ways, odds):
    """What of narrow ways (in pixels of half a millimetre, each 3 wide) is opened; table lies above row ``RIM``."""
    narrow = np.zeros((SIZE, SIZE), np.uint8)
    for way in ways:
        cv2.polylines(narrow, [np.round(way).astype(np.int32)], False, 1, 3)
    table = np.zeros((SIZE, SIZE), bool)
    table[:RIM] = True
    flat = FlatView(np.zeros((SIZE, SIZE, 3), np.uint8), 0.5, (0.0, 0.0), np.ones((SIZE, SIZE), bool), ())
    inside = (narrow > 0) & ~table
    net = ShellMap(flat, np.where(inside, np.float32(odds), np.float32(5.0)))
    return cuts_open(inside, table, net), inside


straight = np.array([[100, RIM - 3], [110, 120]])
turn = np.linspace(0, 2.2, 40)
bow = np.stack([60 + 60 * (1 - np.cos(turn)), RIM - 3 + 70 * np.sin(turn)], axis=1)
inland = np.array([[60, 80], [70, 170]])


def test_a_straight_place_of_which_the_network_is_sure_is_a_cut():
    found, narrow = open_places([straight], SURELY)
    assert (found == narrow).all()


@pytest.mark.parametrize(
    ("way", "odds"), [(straight, HARDLY), (bow, SURELY), (inland, SURELY)], ids=["unsure", "bent", "inland"]
)
def test_a_drawn_line_stays_shell(way, odds):
    found, narrow = open_places([way], odds)
    assert narrow.sum() > 200
    assert not found.any()


def test_a_line_beside_a_cut_stays_shell():
    found, _ = open_places([straight, inland], SURELY)
    alone, _ = open_places([straight], SURELY)
    assert (found == alone).all()


def test_only_what_lies_well_inside_contradicts():
    shell = np.zeros((SIZE, SIZE), bool)
    shell[40:160, 40:160] = True
    flat = FlatView(np.zeros((SIZE, SIZE, 3), np.uint8), 0.5, (0.0, 0.0), np.ones((SIZE, SIZE), bool), ())
    net = ShellMap(flat, np.where(shell, np.float32(3.0), np.float32(-5.0)))
    odds = net.odds.copy()
    odds[41:55, 60:140] = -1.0  # 7 mm deep from the edge
    assert contradiction(net, odds, shell) == 0.0
    odds[95:105, 95:105] = -1.0
    core = 120 - 2 * 20  # 10 mm are 20 pixels
    assert contradiction(net, odds, shell) == pytest.approx(100 / core**2, rel=0.03)
