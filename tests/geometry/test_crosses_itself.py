"""What counts as an outline that crosses itself."""

from __future__ import annotations

import pytest
import shapely

from extract.geometry.curve import polyline_curve
from extract.geometry.sound import LOOP_MM2, are_sound

SQUARE = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0)]


def crosses_itself(ring: shapely.LinearRing) -> bool:
    return are_sound([[polyline_curve(shapely.get_coordinates(ring))]], loop_mm2=LOOP_MM2) == [False]


def looped(size: float) -> shapely.LinearRing:
    """A square whose corner is overshot, so that the lines cross in a small triangle beyond it."""
    return shapely.LinearRing(
        [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (-size, 100.0), (-size, 100.0 + size), (0.0, 98.0)]
    )


@pytest.mark.parametrize(("size", "crosses"), [(0.05, False), (1.0, True), (10.0, True)])
def test_only_a_loop_that_a_knife_could_follow_counts(size: float, crosses: bool) -> None:
    ring = looped(size)
    assert not ring.is_simple
    assert crosses_itself(ring) == crosses


def test_plain_and_twisted_outlines() -> None:
    assert not crosses_itself(shapely.LinearRing(SQUARE))
    bow_tie = [SQUARE[0], SQUARE[1], SQUARE[3], SQUARE[2]]
    assert crosses_itself(shapely.LinearRing(bow_tie))
    twice_round = [*SQUARE, *[(x / 2 + 20, y / 2 + 20) for x, y in SQUARE]]
    assert crosses_itself(shapely.LinearRing(twice_round))
