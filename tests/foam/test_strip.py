"""The strip packing library behind its own process: what is known by area, and what must not bring anything down."""

from __future__ import annotations

import time

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, translate

from extract.foam import strip
from extract.foam.strip import Outline, shortest_strip

BOX = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 20.0], [0.0, 20.0]])
TURNS = (0.0, 90.0)
A_WHILE_S = 60.0


def found_within(
    seconds: float, outlines: list[Outline], height_mm: float, enough_mm: float = 0.0
) -> strip.Strip | None:
    return shortest_strip(outlines, height_mm, time.monotonic() + seconds, enough_mm, 1, lambda: None)


def test_boxes_fill_a_strip_that_they_fit_evenly() -> None:
    """Twelve boxes of 30 by 20 mm on 60 mm: 120 mm long by their area, and so long when laid in rows."""
    found = found_within(A_WHILE_S, [Outline(BOX, 12, TURNS)], 60.5, enough_mm=125.0)
    assert found is not None
    assert 119.0 <= found.length_mm <= 125.0
    shapes = [translate(rotate(shapely.Polygon(BOX), p.turn_deg, origin=(0, 0)), *p.shift_mm) for p in found.places]
    assert len(shapes) == 12
    assert shapely.union_all(shapes).area == pytest.approx(12 * 600, rel=1e-3)
    assert shapely.box(0, 0, found.length_mm, 60.5).buffer(0.01).covers(shapely.union_all(shapes))


def test_a_part_higher_than_the_strip_is_never_laid() -> None:
    assert found_within(3.0, [Outline(BOX, 1, (0.0,))], 15.0) is None


@pytest.mark.parametrize("points", [BOX[:2], np.zeros((3, 2)), BOX[[0, 2, 1, 3]]])
def test_what_is_no_outline_gives_nothing(points: np.ndarray) -> None:
    assert found_within(1.5, [Outline(points, 1, (0.0,))], 50.0) is None


def test_nothing_to_lay_and_no_time_give_nothing() -> None:
    assert found_within(1.0, [], 50.0) is None
    assert found_within(-1.0, [Outline(BOX, 1, TURNS)], 50.0) is None


def test_a_fault_of_the_worker_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:  # type: ignore[no-untyped-def]
    broken = tmp_path / "worker.py"
    broken.write_text("raise ValueError", "utf-8")
    monkeypatch.setattr(strip, "_WORKER", broken)
    with pytest.raises(RuntimeError, match="fault of its own"):
        found_within(A_WHILE_S, [Outline(BOX, 1, TURNS)], 50.0)
