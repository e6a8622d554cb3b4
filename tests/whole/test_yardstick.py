"""What whole readings are measured with, on a reading that is the truth itself but for one thing (the demo's exact
truth)."""

from __future__ import annotations

import copy
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import against_truth
from against_truth import outcome, read_truth, report_from_truth

TRUTH = Path(__file__).parents[2] / "extract" / "scene" / "moth-lantern.truth.json"
NOTE = [[0.0, 0.0], [6.0, 4.0], [9.0, -2.0]]


@pytest.fixture
def truth():
    return read_truth(TRUTH)


def perfect(truth):
    place = report_from_truth(truth)
    strokes = [("marker", line["points"], line["closed"]) for line in truth["lines"]]
    strokes += [("tick", tick["points"], False) for tick in truth["ticks"]]
    strokes.append(("cut-edge", truth["silhouette"]["points"], True))
    return {
        "strokes": [{"kind": kind, "points": place(points), "closed": closed} for kind, points, closed in strokes],
        "panels": [{"outline": place(panel["polygon"])} for panel in truth["panels_black"]],
    }


def test_the_truth_itself_is_right_in_every_way(truth):
    told = outcome(truth, perfect(truth))
    assert told.panels_true == told.panels_listed == told.panels_found > 3
    assert (told.panels_invented, told.ticks_found) == (0, told.ticks_true)
    assert told.recall == told.precision == 1.0
    assert told.rms_mm < 0.02


def test_handwriting_counts_as_drawn_but_need_not_be_found(truth):
    middle = np.mean(truth["silhouette"]["points"], axis=0)[:2]
    note = (middle + np.array(NOTE)).tolist()
    written = copy.deepcopy(truth) | {"notes": [{"points": note}]}
    report = perfect(truth)
    assert outcome(written, report).recall == 1.0
    report["strokes"].append({"kind": "note", "points": report_from_truth(truth)(note), "closed": False})
    assert outcome(written, report).precision == 1.0
    assert outcome(truth, report).precision < 1.0


@pytest.mark.parametrize("beside", [-1.0, 1.0])
def test_a_panel_at_the_limit_counts_in_both_or_in_neither(truth, beside, monkeypatch):
    """Read a little smaller than the limit where it is larger, or the other way round."""
    report = perfect(truth)
    areas = [against_truth._polygon(panel["outline"]).area for panel in report["panels"]]
    smallest = int(np.argmin(areas))
    monkeypatch.setattr(against_truth, "LEAST_PANEL_MM2", areas[smallest] * (1 + 0.002 * beside))
    outline = np.asarray(report["panels"][smallest]["outline"])
    grown = outline.mean(axis=0) + (1 + 0.002 * beside) * (outline - outline.mean(axis=0))
    report["panels"][smallest] = {"outline": grown}
    told = outcome(truth, report)
    assert told.panels_listed == told.panels_true == len(areas) - (beside > 0)
    assert told.panels_invented == 0


def test_a_wrong_panel_is_unasked_where_no_question_lies_on_its_outline(truth):
    report = perfect(truth)
    panel = max(report["panels"], key=lambda panel: against_truth._polygon(panel["outline"]).area)
    outline = np.asarray(panel["outline"])
    panel["outline"] = outline.mean(axis=0) + 0.9 * (outline - outline.mean(axis=0))
    middle = against_truth._polygon(outline).representative_point().coords
    for asked, unasked in (
        ((), 2),
        ((outline[:9], middle), 1),
        ((outline[:9], panel["outline"][:9]), 0),
        ((middle,), 2),
    ):
        told = outcome(truth, report, asked)
        assert (told.panels_invented, told.panels_unasked) == (1, unasked)
    assert outcome(truth, perfect(truth)).panels_unasked == 0
