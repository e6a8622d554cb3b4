"""What the reader of ink is shown, and that it answers for the right places."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from extract.ink import ink_net
from extract.ink.branches import STEP_MM
from extract.ink.darkness import ink_field
from extract.ink.ink_net import BEYOND, CELL, COLUMNS, cells, ink_odds, laid_along

_spec = importlib.util.spec_from_file_location("paint", Path(__file__).with_name("paint.py"))
paint = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(paint)
BLACK, line = paint.BLACK, paint.line


def along(x_first, x_last, y):
    x = np.arange(x_first, x_last, STEP_MM)
    return np.c_[x, np.full(len(x), float(y))]


@pytest.fixture(scope="module")
def read():
    """A black line from x = 60 on at y = 60, the shadow of a tape edge at y = 80, and the shell's darkness."""
    drawn = [(line((60, 60), (155, 60)), 1.4, BLACK), (line((5, 80), (155, 80)), 0.4, (0.5, 0.5, 0.5))]
    flat, shell = paint.paint(drawn)
    return ink_field(flat, shell), flat


def test_ink_is_told_from_a_tape_edge_and_from_where_it_ends(read):
    ink, edge = ink_odds([(along(30, 110, 60), False), (along(30, 110, 80), False)], *read)
    at = 30 + STEP_MM * CELL * (np.arange(len(ink)) + 0.5)
    assert (ink[at > 63] > 3).all()
    assert (ink[at < 57] < 0).all()
    assert (edge < 0).all()


def test_every_line_gets_its_own_answers_whatever_else_is_asked(read):
    lines = [(along(x, x + far, y), False) for x, far, y in ((70, 33, 60), (30, 9.1, 80), (80, 2.2, 60), (100, 21, 60))]
    together = ink_odds(lines, *read)
    for one, said in zip(lines, together, strict=True):
        (alone,) = ink_odds([one], *read)
        assert len(said) == cells(len(one[0]))
        assert (np.sign(said) == np.sign(alone)).all()
        assert said == pytest.approx(alone, abs=4.0)  # what comes next is seen from a line's last millimetres


def test_many_lines_are_shown_a_part_at_a_time(read, monkeypatch):
    lines = [(along(70, 103, 60), False)] * 5
    whole = np.concatenate(ink_odds(lines, *read))
    monkeypatch.setattr(ink_net, "MOST_ROWS", 40 * CELL)
    parts = np.concatenate(ink_odds(lines, *read))
    assert len(parts) == len(whole)
    assert (np.sign(parts) == np.sign(whole)).all()


def test_a_line_is_laid_out_with_its_ink_in_the_middle(read):
    points = along(70, 103, 60)
    shown = laid_along(points, False, *read)
    assert shown.shape[1:] == (COLUMNS, 3)
    assert len(shown) % CELL == 0
    own = shown[BEYOND : BEYOND + len(points)].mean((0, 2))
    assert own[COLUMNS // 2 - 1 : COLUMNS // 2 + 1].min() > 1.0
    assert np.abs(own[:6]).max() < 0.2
