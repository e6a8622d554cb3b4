"""What the reader of ink is trained on: strips along dark lines, and what of them is ink by the exact truth."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "training"))
import ink_samples

from extract.ink.ink_net import CELL, COLUMNS

DEMO = Path(__file__).parents[2] / "extract" / "scene" / "moth-lantern.jpg"
MIDDLE, BESIDE = np.abs(ink_samples.offsets()) < 0.3, np.abs(ink_samples.offsets()) > 2.0


@pytest.fixture(scope="module")
def strips():
    return ink_samples.read_strips(DEMO, np.random.default_rng(1))


def depth(shown):
    """How much darker the middle of a strip is than its sides, for each cell."""
    per_row = shown[:, MIDDLE].mean(1) - np.median(shown[:, BESIDE], axis=1)
    return per_row.max(1).reshape(-1, CELL).mean(1)


def test_drawn_lines_are_ink_and_bare_shell_is_not(strips):
    ink = np.concatenate([depth(s.shown)[s.ink == 1] for s in strips])
    bare = np.concatenate([depth(s.shown) for s in strips if s.bare])
    assert len(ink) > 200
    assert len(bare) > 100
    assert np.median(ink) > 0.5
    assert np.percentile(np.abs(bare), 90) < 0.15
    assert not any((s.ink == 1).any() for s in strips if s.bare)


def test_a_painted_line_is_ink_where_it_is_and_nowhere_else():
    bare = np.zeros((96, COLUMNS, 3), np.float32)
    for seed in range(20):
        shown, ink = ink_samples.painted(bare, np.random.default_rng(seed))
        found = depth(shown)
        assert found[ink == 1].min(initial=1) > 0.1
        assert np.abs(found[ink == 0]).max(initial=0) < 1e-3


def test_what_is_painted_as_no_ink_is_nowhere_as_broad_and_dark_as_a_line():
    """Nothing drawn is narrower than a marker's tip, 1 mm and more (common practice, no source)."""
    bare = np.zeros((96, COLUMNS, 3), np.float32)
    offsets = ink_samples.offsets()
    for seed in range(40):
        profile = np.median(ink_samples.marked(bare, np.random.default_rng(seed)).mean(2), axis=0)
        left, right = (float(np.median(profile[side])) for side in (offsets < -1.6, offsets > 1.6))
        body = profile - max(left, right)
        dark_at = offsets[body > body.max() / 2]
        wide = dark_at[-1] - dark_at[0] if body.max() > 0.02 else 0.0
        hollow = profile[MIDDLE].mean() < 0.5 * profile.max()
        soft = np.abs(np.diff(profile)).max() < ink_samples.ACROSS_MM * np.ptp(profile)
        assert wide < 1.0 or hollow or soft or profile.min() < -0.3 * profile.max()


def test_an_example_is_the_networks_input(strips):
    kinds = [[s for s in strips if not s.bare], [s for s in strips if s.bare]]
    one, other = (ink_samples.example(kinds, (0.5, 0.5), np.random.default_rng(3)) for _ in range(2))
    shown, ink, asked = one
    assert shown.shape == (3, ink_samples.ROWS, COLUMNS)
    assert ink.shape == asked.shape == (1, ink_samples.ROWS // CELL, 1)
    assert np.isfinite(shown).all()
    assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))
