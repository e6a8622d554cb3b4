"""What is saved between the photo and the hand: exact, and refused in words when damaged."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from extract import report as report_module
from extract.doors import Blur, CannotContinue, Relief, Tracing
from extract.project import project_bytes, project_of, read_project
from extract.reading import READING, read_reading, reading_json, without_pictures
from extract.rework import rework


def test_panels_cut_from_the_file_are_those_of_the_tracing(tracing: Tracing) -> None:
    there = rework(tracing, [])
    back = rework(read_reading(reading_json(tracing)), [])
    for one, other in zip(there.panels, back.panels, strict=True):
        assert np.array_equal(one.outline.controls, other.outline.controls)
        assert one.sigma_mm == other.sigma_mm
    assert report_module.report(back) == report_module.report(there)


def test_writing_what_was_read_gives_the_same_bytes(tracing: Tracing) -> None:
    content = reading_json(tracing)
    assert reading_json(read_reading(content)) == content


def test_a_large_photo_stays_one_that_was_reduced(tracing: Tracing) -> None:
    large = replace(tracing, photos=tuple(replace(photo, reduced=2) for photo in tracing.photos))
    assert [photo.reduced for photo in read_reading(reading_json(large)).photos] == [2]


def test_the_shells_heights_come_back(tracing: Tracing) -> None:
    heights = np.array([[0.5, np.nan, 0.75], [1.0, 2.0, 4.0]])
    relief = Relief((-3.0, 4.0), 2.0, heights, heights / 10, 0.6, 0.1, 0.7, 0.2)
    back = read_reading(reading_json(replace(tracing, relief=relief, blurs=(Blur(0.1, 0.05, 0.3),))))
    assert back.relief is not None
    np.testing.assert_array_equal(back.relief.heights_mm, heights)
    np.testing.assert_allclose(back.relief.sd_mm, heights / 10, rtol=1e-6)
    assert (back.relief.origin_mm, back.relief.lying_mm) == ((-3.0, 4.0), 0.6)
    assert back.blurs == (Blur(0.1, 0.05, 0.3),)


def changed(content: bytes, **values: Any) -> bytes:
    return json.dumps({**json.loads(content), **values}).encode()


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: content[: len(content) // 2],
        lambda content: b"[]",
        lambda content: b"[" * 100_000,
        lambda content: b"\xff\xfe",
        lambda content: changed(content, format="truepeel-reading/9"),
        lambda content: changed(content, strokes=[{}]),
        lambda content: changed(content, read_from=7),
        lambda content: changed(content, sigma_mm=[float("nan"), 1.0]),
        lambda content: changed(content, silhouette={"sigma": 0.1, "rings": [[[0, 0], [1, 1]]], "unsure": [[]]}),
        lambda content: changed(content, settings={"colour_of_the_moon": 1}),
    ],
)
def test_a_damaged_file_is_refused_in_words(tracing: Tracing, damage: Any) -> None:
    with pytest.raises(CannotContinue, match="damaged"):
        read_reading(damage(reading_json(tracing)))


def test_a_project_file_goes_on_from_what_was_read(tracing: Tracing) -> None:
    corrections = [{"do": "delete", "stroke": "s1"}, {"do": "name", "at": [30, 80], "name": "whole wing"}]
    done = rework(replace(tracing, sources=(b"stands for a photo",)), corrections)
    content = project_bytes(project_of(done, {READING: reading_json(tracing)}, corrections))
    kept = read_project(content)
    assert list(kept.corrections) == corrections
    assert [piece.name for piece in kept.build.pieces] == ["whole wing"]
    again = rework(read_reading(kept.findings[READING]), kept.corrections)
    assert np.array_equal(again.panels[0].outline.controls, done.panels[0].outline.controls)


def test_a_tracing_goes_on_without_its_pictures_as_from_its_file(tracing: Tracing) -> None:
    whole = rework(tracing, [])
    bare = without_pictures(whole)
    assert bare.flat.pixels.size == 0 and not bare.sources
    assert reading_json(bare) == reading_json(whole)
    for ours, back in zip(bare.panels, rework(read_reading(reading_json(tracing)), []).panels, strict=True):
        assert np.array_equal(ours.outline.controls, back.outline.controls)
        assert ours.sigma_mm == back.sigma_mm
