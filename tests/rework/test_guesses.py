"""Where the cut edge is a guess: what is asked, what an answer settles. Lengths are the plain shell's sides."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from extract.camera.project import mm_from_px
from extract.doors import Doubt, Tracing
from extract.geometry.planar import closed_up, densified
from extract.guesses import guesses, stretches
from extract.pipeline import left_out_doubts
from extract.rework import rework

RIGHT_SIDE = {"do": "edge-right", "at": [200.5, 30.0]}
PULL_BELOW = {"do": "move-point", "stroke": "edge-1", "from": [60, 100], "to": [60, 103], "reach": 15}


@pytest.fixture
def unsure(tracing: Tracing) -> Tracing:
    """The plain shell, its right side and 40 mm of its lower side a guess, and two millimetres of the upper one."""
    ring = tracing.silhouette.rings_mm[0]
    x, y = ring.T
    guess = ((x > 199.9) & (y > 10) & (y < 90)) | ((y > 99.9) & (x > 100) & (x < 140)) | ((y < 0.1) & (abs(x - 50) < 1))
    doubt = Doubt("edge-unsure", "Some of the cut edge hardly differs from the table.")
    return replace(tracing, silhouette=replace(tracing.silhouette, unsure=(guess,)), doubts=(*tracing.doubts, doubt))


def asked(tracing: Tracing) -> list[float]:
    return [each["length"] for each in guesses(tracing.silhouette)]


def codes(tracing: Tracing) -> list[str]:
    return [doubt.code for doubt in tracing.doubts]


@pytest.mark.parametrize("marks", ["0110010", "1100011", "1111", "0000", "1", "1010"])
def test_runs_go_round_the_ring(marks: str) -> None:
    mask = np.array([mark == "1" for mark in marks])
    runs = stretches(mask)
    assert sorted(index for run in runs for index in run) == np.flatnonzero(mask).tolist()
    for run in runs:
        assert all((after - before) % len(mask) == 1 for before, after in pairwise(run))
    # As many runs as there are steps from a False to a True, going round.
    steps = sum(mask[i] and not mask[i - 1] for i in range(len(mask)))
    assert len(runs) == (steps or int(mask.all()))


def test_the_longest_guess_is_asked_about_first_and_tiny_ones_never(unsure: Tracing) -> None:
    told = guesses(unsure.silhouette)
    assert asked(unsure) == pytest.approx([79, 39], abs=1)
    assert told[0]["points"] == [[200.0, pytest.approx(10.5, abs=0.6)], [200.0, pytest.approx(89.5, abs=0.6)]]
    assert told[0]["at"] == pytest.approx([200, 50], abs=1)
    assert json.loads(json.dumps(told, allow_nan=False)) == told


def test_a_tip_is_asked_about_as_such(tracing: Tracing) -> None:
    cut = np.array([[0, 0], [95, 0], [100, 40], [105, 0], [200, 0], [200, 100], [0, 100]], float)
    ring = densified(closed_up(cut), 0.5)[:-1]
    for middle, tip in (([100, 40], True), ([50, 0], False)):
        near = np.hypot(*(ring - middle).T) < 2.5
        silhouette = replace(tracing.silhouette, rings_mm=(ring,), unsure=(near,))
        assert [each["tip"] for each in guesses(silhouette)] == [tip]


def test_an_answer_settles_its_stretch_alone(unsure: Tracing) -> None:
    done = rework(unsure, [RIGHT_SIDE])
    assert asked(done) == pytest.approx([39], abs=1)
    assert [panel.area_mm2 for panel in done.panels] == [panel.area_mm2 for panel in rework(unsure, []).panels]
    assert "edge-unsure" in codes(done)
    rest: list[dict[str, Any]] = [{"do": "edge-right", "at": [120, 100]}, {"do": "edge-right", "at": [50, 0]}]
    assert "edge-unsure" not in codes(rework(unsure, [RIGHT_SIDE, *rest]))


def test_pulling_the_edge_elsewhere_answers_nothing(unsure: Tracing) -> None:
    assert asked(rework(unsure, [PULL_BELOW])) == pytest.approx([79, 39], abs=1)


def test_pulling_the_edge_there_answers(unsure: Tracing) -> None:
    pull = {"do": "move-point", "stroke": "edge-1", "from": [120, 100], "to": [120, 102], "reach": 40}
    assert asked(rework(unsure, [pull])) == pytest.approx([79], abs=1)


def test_an_answer_where_nothing_was_asked_is_left_out(unsure: Tracing) -> None:
    done = rework(unsure, [{"do": "edge-right", "at": [100, 50]}])
    assert "correction-idle" in codes(done)
    assert len(asked(done)) == 2


def test_what_may_be_a_further_piece_is_told_with_its_place(tracing: Tracing) -> None:
    camera = tracing.cameras[0]
    places = np.array([[0.1, 0.1], [0.5, 0.5], [0.9, 0.5]]) * camera.size_px
    silhouette = replace(tracing.silhouette, left_out_mm=tuple(mm_from_px(camera, places)))
    words = [doubt.message for doubt in left_out_doubts(silhouette, camera)]
    for said, place in zip(words, ("the upper left", "the middle of", "the middle right"), strict=True):
        assert place in said
    assert left_out_doubts(tracing.silhouette, camera) == ()
