"""Ends of lines carried on to what they were drawn to, on lines of exactly known place: the crossings are computed by
hand."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from extract.doors import Silhouette
from extract.ink.branches import STEP_MM, Run
from extract.ink.reach import carried
from extract.ink.threads import Thread

_spec = importlib.util.spec_from_file_location("paint", Path(__file__).with_name("paint.py"))
paint = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(paint)
SHELL = np.array([(0, 0), (200, 0), (200, 200), (0, 200)], float)
TAKES = {"black": np.array([2.0, 2.0, 2.0]), "blue": np.array([0.4, 1.5, 1.9])}


def thread(colour, *points):
    placed = paint.line(*points, step=STEP_MM)
    return Thread(placed, False, (False, False), (Run(placed, -1, -1, False, TAKES[colour], 1.4, 0.02),))


@pytest.mark.parametrize(
    ("stops", "other", "ends"),
    [
        pytest.param(96.6, 98.0, 101.0, id="hidden beneath a reference line it was drawn across"),
        pytest.param(95.0, 97.5, 101.0, id="and a little before it"),
        pytest.param(93.5, 94.5, 94.5, id="what lies far beyond it does not matter"),
        pytest.param(97.0, 150.0, 101.0, id="no other line"),
    ],
)
def test_a_line_goes_on_past_another_colour_to_its_own_nearby(stops, other, ends):
    """A black line up to ``stops``, another at 101 that it was drawn to, a blue one across the way at ``other``."""
    lines = ["black", (20, 100), (stops, 100)], ["black", (101, 20), (101, 180)], ["blue", (other, 20), (other, 180)]
    threads = [thread(*line) for line in lines]
    shell = Silhouette((SHELL,), 0.1, (np.zeros(len(SHELL), bool),))
    end = carried(threads, shell, [True] * 3, [line[0] for line in lines])[0].points_mm[-1]
    assert np.hypot(*(end - (ends, 100))) < 0.1
