"""Lines that touch and turn back, where lines cross whose ink is parted in the middle, of exactly known shape."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from extract.ink.branches import STEP_MM, Run
from extract.ink.threads import Thread
from extract.ink.touching import crossed

_spec = importlib.util.spec_from_file_location("paint", Path(__file__).with_name("paint.py"))
paint = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(paint)
BLACK_TAKES, RED_TAKES = np.array([2.0, 2.0, 2.0]), np.array([1.6, 1.7, 0.2])


def thread(*points, takes=BLACK_TAKES):
    placed = paint.line(*points, step=STEP_MM)
    run = Run(placed, -1, -1, False, takes, 1.4, 0.02)
    return Thread(placed, False, (True, True), (run,))


def bent(way, reach, aside=0.4, **how):
    return thread((80 - way * reach, 20), (80 - way * aside, 60), (80 - way * reach, 100), **how)


@pytest.mark.parametrize("reach", [9, 12, 20])
def test_lines_that_touch_and_turn_back_are_lines_that_cross(reach):
    """An edge of tape along the middle of a crossing catches the light, and nothing is seen between."""
    meant = [paint.line((80 - way * reach, 20), (80 + way * reach, 100)) for way in (-1, 1)]
    found = crossed([thread((5, 5), (20, 5)), bent(-1, reach), bent(1, reach)])
    assert len(found) == 3
    for truth in meant:
        line = min(found, key=lambda t: paint.apart_mm(truth, t.points_mm).max()).points_mm
        assert max(paint.apart_mm(line, truth).max(), paint.apart_mm(truth, line).max()) < 0.5
        assert np.hypot(*np.diff(line, axis=0).T).max() < 1.0


@pytest.mark.parametrize(
    "lines",
    [
        pytest.param([bent(-1, 12), bent(1, 30)], id="neither goes straight on in the other"),
        pytest.param([bent(-1, 4), bent(1, 4)], id="both hardly turn"),
        pytest.param([bent(-1, 12, 3.0), bent(1, 12, 3.0)], id="too far apart to touch"),
        pytest.param([bent(-1, 12), bent(1, 12, takes=RED_TAKES)], id="of two colours"),
        pytest.param([bent(-1, 12), thread((80, 58), (80, 63))], id="one too short"),
    ],
)
def test_other_lines_stay_as_they_are(lines):
    assert all(a is b for a, b in zip(crossed(lines), lines, strict=True))
