"""Glare on smooth tables and on tape, painted where it lies exactly, and taken for shell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt, gaussian_filter

from extract.doors import FlatView
from extract.ink.silhouette_glare import bare_glare, off_bare_glare
from extract.ink.silhouette_net import CLIP, NET_MM, ShellMap

SIDE_MM = 200.0
TABLE_FROM_MM = 110.0
"""Left of it lies tape, right of it a smooth table."""

PAPER = np.full(3, 200, np.float32)


def seen(glare_at_mm, grey=110.0, table=150.0, spread_mm=35.0, burnt_mm=0.0, noise=0.8):
    """Tape with a weave 2 mm wide, a table, and a lamp's glare on both, which a map takes for shell; within
    ``burnt_mm`` of the glare's middle nothing of the weave is left."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[: int(SIDE_MM / NET_MM), : int(SIDE_MM / NET_MM)] * NET_MM
    off = np.hypot(x - glare_at_mm[0], y - glare_at_mm[1])
    tape = grey + 6 * np.where(off < burnt_mm, 0, np.sign(np.sin(np.pi * (x + 0.25)) * np.sin(np.pi * (y + 0.25))))
    light = np.where(x < TABLE_FROM_MM, tape, table) + 130 * np.exp(-0.5 * (off / spread_mm) ** 2)
    light = gaussian_filter(light, 0.5) + rng.normal(0, noise, x.shape)
    pixels = np.repeat(np.clip(light, 0, 255).round().astype(np.uint8)[..., None], 3, axis=2)
    flat = FlatView(pixels, NET_MM, (0.0, 0.0), np.ones(x.shape, bool), ())
    odds = np.where((x < TABLE_FROM_MM) | (off < 1.2 * spread_mm), CLIP, -CLIP)
    return ShellMap(flat, odds.astype(np.float32)), x < TABLE_FROM_MM


def test_smooth_table_in_glare_is_no_tape_and_woven_tape_is():
    """Nearly all of it, up to a millimetre from the tape; none of the tape."""
    shell, tape = seen((130.0, 100.0))
    odds = off_bare_glare(shell, PAPER).odds
    apart_mm = distance_transform_edt(~tape) * NET_MM
    assert (odds[~tape & (apart_mm > 3)] < 0).mean() > 0.99
    assert (odds[(apart_mm > 1) & (apart_mm <= 3)] < 0).mean() > 0.8
    assert (odds[tape] > 0).all()


def test_smooth_tape_of_a_lighter_grey_is_shell():
    """It is lighter than the rest by more than a third, but not as light as paper."""
    shell, tape = seen((130.0, 100.0), table=155.0, spread_mm=0.1)
    odds = np.where(distance_transform_edt(~tape) * NET_MM < 40, CLIP, -CLIP).astype(np.float32)
    assert not bare_glare(replace(shell, odds=odds), PAPER).any()


def test_a_burnt_out_place_on_the_shell_is_shell():
    shell, _ = seen((55.0, 100.0), burnt_mm=14.0, table=60.0)
    assert off_bare_glare(shell, PAPER) is shell


def test_a_table_no_lighter_than_the_shell_is_left_to_the_network():
    """The tape is as white as paper."""
    shell, tape = seen((55.0, 100.0), grey=205.0, table=208.0, spread_mm=0.1)
    odds = np.where(distance_transform_edt(~tape) * NET_MM < 40, CLIP, -CLIP).astype(np.float32)
    assert not bare_glare(replace(shell, odds=odds), PAPER).any()


@pytest.mark.parametrize("wide_mm", [12.0, 30.0])
def test_what_is_smooth_over_less_than_glare_on_a_table_is_left(wide_mm):
    """A smooth bright strip as narrow as 12 mm may be a crease's flank."""
    shell, tape = seen((130.0, 100.0))
    odds = np.where(tape | (np.arange(tape.shape[1]) * NET_MM < TABLE_FROM_MM + wide_mm), CLIP, -CLIP)
    pixels = shell.flat.pixels.copy()
    y = np.arange(tape.shape[0]) * NET_MM
    pixels[abs(y - 100) > wide_mm / 2] = np.where(np.indices(tape.shape).sum(0) % 6 < 3, 100, 140)[
        abs(y - 100) > wide_mm / 2, :, None
    ]
    flat = FlatView(pixels, NET_MM, (0.0, 0.0), shell.flat.valid, ())
    found = bare_glare(ShellMap(flat, np.float32(odds)), PAPER)
    assert found.any() == (wide_mm > 16)


def test_glare_on_a_table_that_nothing_takes_for_shell_is_no_matter():
    shell, tape = seen((130.0, 100.0))
    odds = np.where(tape, CLIP, -CLIP).astype(np.float32)
    assert off_bare_glare(ShellMap(shell.flat, odds), PAPER).odds is odds


def test_nothing_seen_says_nothing():
    flat = FlatView(np.full((64, 64, 3), 250, np.uint8), NET_MM, (0.0, 0.0), np.ones((64, 64), bool), ())
    assert not bare_glare(ShellMap(flat, np.full((64, 64), -CLIP, np.float32)), PAPER).any()
