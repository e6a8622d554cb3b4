"""A shell in two pieces on one table is read whole: an invented scene's exact truth says what is there."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

import extract
from extract import pipeline
from extract.doors import FlatView, Silhouette
from extract.report import report
from extract.scene import make_scene, write_scene
from extract.scene.make import with_options

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from against_truth import outcome


def test_both_pieces_are_read(tmp_path: Path) -> None:
    made = make_scene("easy", 62, (2520, 1890), with_options("easy", 62, pieces=2, table="kraft"))
    found = outcome(made.truth, report(extract.trace([write_scene(made, tmp_path)], extract.TraceSettings())))
    assert found.panels_true >= 6
    assert (found.panels_found, found.panels_invented) == (found.panels_true, 0)
    assert found.recall > 0.97 and found.precision > 0.97
    assert found.ticks_found == found.ticks_true
    assert found.cut_rms_mm < 0.5


def test_what_was_left_out_and_what_may_be_a_cut_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = pipeline.find_silhouette

    def doubting(flat: FlatView) -> Silhouette:
        found = seen(flat)
        return replace(found, left_out_mm=(found.rings_mm[0].mean(axis=0),))

    monkeypatch.setattr(pipeline, "find_silhouette", doubting)
    monkeypatch.setattr(pipeline, "colours_like_table", lambda flat, silhouette, strokes: ("blue",))
    tracing = extract.trace([extract.demo_photo()], extract.TraceSettings())
    told = {doubt.code: doubt.message for doubt in tracing.doubts}
    assert "of the photo, was not read as one" in told["piece-left-out"]
    assert "blue lines has the table's own colour" in told["line-like-table"]
