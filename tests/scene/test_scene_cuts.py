"""Relief cuts of invented shells stay open up to their ends, measured by shapely."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import LineString, Polygon

from extract.scene.make import with_options
from extract.scene.shell import STRAY, Dart, make_shell

FROM_END_MM = np.arange(2.0, 20.0, 1.0)


def openings(outline: Polygon, dart: Dart) -> np.ndarray:
    """How wide a cut is open at ``FROM_END_MM`` from its end, as a share of the wedge that was meant."""
    length = np.linalg.norm(dart.mouth - dart.apex)
    along = (dart.mouth - dart.apex) / length
    across = np.array([-along[1], along[0]])
    meant = 2 * dart.half_mm * FROM_END_MM / length
    # a way across that leaves both sides, wherever the hand moved the cut
    ways = [
        LineString(
            [dart.apex + along * at - across * (width / 2 + 1), dart.apex + along * at + across * (width / 2 + 1)]
        )
        for at, width in zip(FROM_END_MM, meant, strict=True)
    ]
    return np.array([way.length - way.intersection(outline).length for way in ways]) / meant


@pytest.mark.parametrize("preset", ["easy", "typical", "hard", "curled"])
def test_cuts_are_open_to_their_ends(preset: str) -> None:
    """The snips of a wedge meet at its end and nowhere before (common practice, no source)."""
    for seed in range(12):
        shell = make_shell(with_options(preset, seed), np.random.default_rng(seed))
        assert shell.outline.is_valid
        assert not shell.outline.interiors
        for dart in shell.darts:
            share = openings(shell.outline, dart)
            # the ways are straight across the wedge that was meant; the cut itself leans a little as it wavers
            assert share.min() > 1 - STRAY - 0.05
            assert share.max() < 1 + STRAY + 0.05


def test_both_sides_of_a_narrow_cut_waver_alike() -> None:
    """A cut 1 mm wide at its mouth is no ruled wedge: its middle strays as much as the hand."""
    options = with_options("typical", 4, ragged_mm=0.4, dart_half_mm=(0.5, 0.5001))
    shell = make_shell(options, np.random.default_rng(4))
    astray = []
    for dart in shell.darts:
        along = (dart.mouth - dart.apex) / np.linalg.norm(dart.mouth - dart.apex)
        across = np.array([-along[1], along[0]])
        for at in FROM_END_MM:
            way = LineString([dart.apex + along * at - across, dart.apex + along * at + across])
            gap = way.difference(shell.outline)
            astray.append(abs((np.array(gap.centroid.coords[0]) - dart.apex) @ across))
    assert max(astray) > 0.15
    assert max(astray) < 1.0
