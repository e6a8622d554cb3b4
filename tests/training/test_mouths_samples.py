"""What the reader of the beginnings of cuts is trained on: strips from outside the outline inwards along lines, and
which of them are cuts by the exact truth."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "training"))
import mouths_samples

from extract.ink.silhouette_mouths import COLUMNS, ROWS, places_mm

DEMO = Path(__file__).parents[2] / "extract" / "scene" / "moth-lantern.jpg"


@pytest.fixture(scope="module")
def lines():
    return mouths_samples.read_lines(DEMO)


def shows_table(line):
    """How much greener than blue, which wood is and neither grey tape nor red ink, the most so of the columns is 5 to
    15 mm inside the outline, as a share of the table's."""
    along, across = places_mm()
    green = np.diff(mouths_samples.strip_at(line)[..., :2], axis=2)[..., 0]
    inside = np.median(green[(along > 5) & (along < 15)][:, np.abs(across) < 2], axis=0)
    return inside.max() / np.median(green[along < -3])


def test_a_cut_shows_the_table_inside_the_outline_and_another_line_does_not(lines):
    cuts = [line for line in lines if line.cut]
    assert len(cuts) >= 2  # one of its five cuts is narrow: as the truth has it, and where the program finds it
    assert len(lines) - len(cuts) > 15
    assert min(map(shows_table, cuts)) > 0.6
    assert max(shows_table(line) for line in lines if not line.cut) < 0.3


def test_strips_are_laid_about_as_well_as_the_program_lays_them(lines):
    """Never twice the same, and never far: a mean over many shows the shell's edge where it is."""
    rng = np.random.default_rng(1)
    line = next(line for line in lines if not line.cut)
    strips = np.stack([mouths_samples.strip(line, rng) for _ in range(40)])
    assert strips.shape == (40, 8, ROWS, COLUMNS)
    assert strips[:, 0].std(axis=0).mean() > 0.1
    unlike_table = np.abs(strips[:, 3:6]).mean(axis=(0, 1, 3))
    edge = int((unlike_table > unlike_table[40:60].mean() / 2).argmax())
    assert abs(places_mm()[0][edge]) < 1.5


def test_a_cut_painted_in_shows_the_table_from_the_outline_on_and_tapers(lines):
    """Where it changes a strip along a line that is none, over many."""
    rng = np.random.default_rng(2)
    strips = [mouths_samples.strip_at(line) for line in lines if not line.cut]
    along, _ = places_mm()
    wide, green = [], []
    for value in 3 * strips:
        shown = mouths_samples.with_cut(value, rng)
        changed = np.abs(shown - value).max(axis=2) > 0.04
        wide.append(changed.sum(axis=1) * mouths_samples.ACROSS_MM)
        inside = np.diff(shown[..., :2], axis=2)[..., 0][(along > 2) & (along < 8)]
        green.append(np.quantile(inside, 0.98) / np.median(np.diff(value[along < -3][..., :2], axis=2)))
    mean = np.mean(wide, axis=0)
    begun, halfway, deep = (mean[(along > low) & (along < low + 8)].mean() for low in (1, 25, 48))
    assert begun > 1.5 * halfway > 2.0 * deep > 0
    assert mean[along < -2].max() < 0.2
    assert np.median(green) > 0.6
