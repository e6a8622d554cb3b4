"""What the reader of the ends of cuts is trained on: strips laid along cuts, and where these end by the exact truth."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "training"))
import ends_samples
from edge_samples import Above

from extract.ink.silhouette_ends import ALONG_MM, CELL, COLUMNS, OPEN_ROW, ROWS, places

FINE_MM = ends_samples.FINE_MM

DEMO = Path(__file__).parents[2] / "extract" / "scene" / "moth-lantern.jpg"


@pytest.fixture(scope="module")
def marks():
    return ends_samples.read_cuts(DEMO)


@pytest.fixture(scope="module")
def cuts(marks):
    return [one for one in marks if not one.decoy]


def test_a_cut_shows_the_table_down_to_its_tip_and_shell_past_it(cuts):
    """The table is wood, the shell grey."""
    assert len(cuts) == 5
    for cut in cuts:
        colour = np.ptp(cut.value.astype(float), axis=2)
        open_part = np.round(cut.middle[cut.wide > 2.0]).astype(int)
        column, row = np.round(cut.tip).astype(int)
        table = np.median(colour[open_part[:, 1], open_part[:, 0]])
        shell = np.median(colour[row + 10 : row + 60, column - 5 : column + 6])
        assert table > 3 * shell


def test_a_cuts_middle_ends_at_its_mouth():
    """Points lie closer together on one side than on the other, and the outline falls away from the mouth."""
    left = [np.linspace((0, 0), (-4, 40), 67), np.linspace((-4, 40), (-90, 0), 120)]
    right = [np.linspace((0, 0), (4, 40), 51), np.linspace((4, 40), (90, 0), 120)]
    ring_mm = np.vstack([*(side[1:] for side in right), (0, -60), *(side[:0:-1] for side in left[::-1]), (0, 0)])
    seen = np.full((700, 1000, 3), 120, np.uint8)
    above = Above({}, seen, seen, np.ones(seen.shape[:2], bool), (-95.0, 70.0), ends_samples.FINE_MM)
    cut = ends_samples.cut_at(above, np.ones(3), above.place(ring_mm), len(ring_mm) - 1, 40.0)
    deep_mm = np.hypot(*(cut.middle - cut.tip).T) * ends_samples.FINE_MM
    assert (np.diff(deep_mm) > 0).all()
    assert 30 < deep_mm[-1] < 40


def test_a_painted_cut_ends_where_it_is_told_to(monkeypatch):
    monkeypatch.setattr(ends_samples, "LINE_PAST", 0.0)
    monkeypatch.setattr(ends_samples, "CROSSED", 0.0)
    along = places()[0]
    for seed in range(20):
        rng = np.random.default_rng(seed)
        shell = np.full((ROWS, COLUMNS, 3), 0.4, np.float32)
        short_mm = rng.uniform(0, 40)
        seen, tip = ends_samples.painted(shell, short_mm, rng)
        assert tip[1] == pytest.approx(OPEN_ROW + short_mm / ALONG_MM)
        changed = np.abs(seen - shell).max(-1)
        past = along > short_mm + 1.0
        assert changed[past].max() < 0.02
        assert changed[int(tip[1] - 12 / ALONG_MM)].max() > changed[past].max()


def test_a_line_drawn_on_a_strip_is_as_wide_at_its_end(monkeypatch):
    """And not, as a cut, narrower and narrower; a few leave the strip by its side."""
    monkeypatch.setattr(ends_samples, "CROSSED", 0.0)
    table = np.array([0.1, 0.1, 0.3], np.float32)
    shell = np.full((ROWS, COLUMNS, 3), 0.4, np.float32)
    narrowed = []
    for seed in range(20):
        seen, (_, end) = ends_samples.drawn(shell, table, np.random.default_rng(seed))
        wide = (shell - seen).max(-1).sum(1)
        last = int(min(end, ROWS)) - 6
        narrowed.append(wide[last - 20 : last].mean() / wide[:20].mean())
        assert wide[int(end) + 4 :].max(initial=0.0) < 0.01 * wide[:20].mean()
    assert np.median(narrowed) == pytest.approx(1.0, abs=0.03)
    assert np.mean(np.array(narrowed) > 0.9) >= 0.9


def test_the_end_is_told_at_the_tip_once():
    rng = np.random.default_rng(2)
    for _ in range(10):
        tip = rng.uniform([4, 4], [COLUMNS - 4, ROWS - 4])
        right = ends_samples.ending(tip)
        assert right.sum() == pytest.approx(1.0, abs=1e-4)
        row, column = (np.arange(count) * CELL + (CELL - 1) / 2 for count in right.shape)
        assert right.sum(1) @ row == pytest.approx(tip[1], abs=0.3)
        assert right.sum(0) @ column == pytest.approx(tip[0], abs=0.3)


def test_a_strip_is_the_networks_input_and_the_end_of_its_cut(cuts):
    rng = np.random.default_rng(5)
    for cut in cuts:
        seen, right = ends_samples.strip(cut, rng)
        assert seen.shape == (5, ROWS, COLUMNS)
        assert right.shape == (ROWS // CELL, COLUMNS // CELL)
        assert np.isfinite(seen).all()


def test_what_is_no_cut_shows_shell_all_along_and_is_told_to_end_nowhere(marks):
    """The table is wood, greener than it is blue; the shell is grey, the lines that come to its edge black and red."""
    decoys, rng = [one for one in marks if one.decoy], np.random.default_rng(3)
    assert len(decoys) > 8
    for decoy in decoys:
        column, row = np.round(decoy.middle[:-8]).astype(int).T
        blue, green, _ = decoy.value[row, column].astype(float).T
        assert np.mean(green - blue < 12) > 0.9
        seen, right = ends_samples.strip(decoy, rng)
        assert seen.shape == (5, ROWS, COLUMNS)
        assert not right.any()


def test_the_same_seed_gives_the_same_strip(cuts):
    one, other = (ends_samples.strip(cuts[0], np.random.default_rng(9)) for _ in range(2))
    assert np.array_equal(one[0], other[0])
    assert np.array_equal(one[1], other[1])


def test_what_is_open_of_a_strip_is_as_wide_as_the_truth_says(cuts):
    """And its table is wood there; of what is no cut nothing is open."""
    rng = np.random.default_rng(1)
    for cut in cuts:
        spot, way = ends_samples.open_spot(cut, 20.0, rng)
        seen, move = ends_samples.laid(cut, spot, np.arctan2(*way), rng)
        opened = ends_samples.open_share(cut, move)[..., 0]
        deep = np.hypot(*(cut.middle - cut.tip).T) * FINE_MM
        row = np.linalg.solve(move[:, :2], (cut.middle - move[:, 2]).T)[1]
        order, within = np.argsort(row), (deep > 5) & (deep < deep[-1] - 1) & (row > 4) & (row < ROWS - 4)
        scale = np.hypot(*move[:, 0]) * FINE_MM  # mm of the scene in a column
        wide = np.interp(row[order], np.arange(ROWS), opened.sum(1) * scale)[within[order]]
        narrow = cut.wide[order][within[order]] < 0.8 * COLUMNS * scale
        assert wide[narrow] == pytest.approx(cut.wide[order][within[order]][narrow], abs=0.15)
        colour = np.ptp(seen, axis=2)
        assert np.median(colour[opened > 0.95]) > 3 * np.median(colour[opened == 0])
        assert not ends_samples.open_share(replace(cut, decoy=True), move).any()


def test_ink_covers_the_shell_beside_a_cut_and_not_the_table_in_it():
    """Pixels that show some of either are mixed exactly, where the shell is even."""
    shell, table, ink = np.array([0.5, 0.5, 0.6]), np.array([0.2, 0.1, 0.05]), np.array([0.1, 0.3, 0.2])
    opened = np.zeros((ROWS, COLUMNS, 1))
    opened[: ROWS // 2, 20:24], opened[: ROWS // 2, 19], opened[: ROWS // 2, 24] = 1.0, 0.3, 0.6
    opened[:10] = 1.0  # where nothing of the shell is left to go by
    through = np.ones((ROWS, COLUMNS, 3))
    through[40:60] = ink
    through[:6] = ink
    seen = ends_samples.inked(shell * (1 - opened) + table * opened, through, opened)
    assert seen == pytest.approx(shell * (1 - opened) * through + table * opened, abs=1e-6)


def test_a_line_painted_across_lies_about_the_tip_and_is_as_wide_as_a_pens(monkeypatch):
    monkeypatch.setattr(ends_samples, "AT_TIP", 1.0)
    tip, far = np.array([20.0, 120.0]), []
    for seed in range(60):
        through = ends_samples.crossing(tip, np.random.default_rng(seed))
        assert through.max() <= 1 and through.min() > 0
        cover = (1 - through[:, 20]).sum(1)
        middle = float((cover * np.arange(ROWS)).sum() / cover.sum())
        far.append((middle - tip[1]) * ALONG_MM)
        wide = cover.sum() / cover.max() * ALONG_MM
        least, most = ends_samples.CROSSING_MM
        assert 0.6 * least < wide < 1.6 * most / np.cos(np.radians(ends_samples.CROSSING_DEG))
    assert np.mean(far) == pytest.approx(0, abs=0.4)
    assert np.std(far) == pytest.approx(ends_samples.AT_TIP_MM, abs=0.3)


def test_most_lines_drawn_are_of_the_tables_own_colour(monkeypatch, cuts):
    """Up to how light it is; the demo's table is wood, its shell grey."""
    monkeypatch.setattr(ends_samples, "CROSSED", 0.0)
    shell, alike = np.full((ROWS, COLUMNS, 3), 0.9, np.float32), []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        table = ends_samples.table_seen(cuts[seed % len(cuts)], rng)
        assert table[2] > 1.3 * table[0]
        seen, _ = ends_samples.drawn(shell, table, rng)
        ink = seen[np.unravel_index(np.abs(seen - shell).max(2).argmax(), seen.shape[:2])]
        alike.append(np.allclose(ink / ink.max(), table / table.max(), atol=0.08))
    assert np.mean(alike) == pytest.approx(ends_samples.TABLES_INK, abs=0.15)
