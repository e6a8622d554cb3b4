"""Tint tells shell from table where lightness cannot.

Source of the claim that tint does not change with the light: light that falls on a matt surface scales all its colours
alike (Lambert's law); sRGB's curve is taken as a power of 2.2 (IEC 61966-2-1 gives the exact one, within a hundredth).
"""

from __future__ import annotations

import numpy as np
import pytest

from extract.doors import FlatView
from extract.ink.silhouette_tint import MOST, inked, tint, tint_likeness, tint_word

GREY = np.array([0.22, 0.22, 0.22])
BLUISH = np.array([0.227, 0.22, 0.215])
"""Light (blue, green, red): a tape 3 % bluer and 2 % less red than a grey table, and just as light."""

SIDE = 240
LEFT = np.arange(SIDE)[None, :] < SIDE // 2


def photographed(light: np.ndarray, seed: int = 3) -> FlatView:
    """8-bit sRGB of linear light with a camera's noise, half a millimetre to the pixel."""
    noise = np.random.default_rng(seed).normal(0, 0.006, light.shape)
    pixels = np.clip(np.round(255 * (np.clip(light, 0, 1) ** (1 / 2.2) + noise)), 0, 255).astype(np.uint8)
    return FlatView(pixels, 0.5, (0.0, 0.0), np.ones(light.shape[:2], bool), ())


def two_sides(light_left: np.ndarray, light_right: np.ndarray) -> np.ndarray:
    return np.where(np.broadcast_to(LEFT, (SIDE, SIDE))[..., None], light_left, light_right)


def known_parts() -> tuple[np.ndarray, np.ndarray]:
    """The upper third of each side is known."""
    upper = np.arange(SIDE)[:, None] < SIDE // 3
    return LEFT & upper, ~LEFT & upper


def test_equal_greys_of_another_tint_are_told_apart() -> None:
    flat = photographed(two_sides(BLUISH, GREY))
    word = tint_word(flat, *known_parts())
    asked = np.s_[SIDE // 2 :, :]
    right = (word > 0) == np.broadcast_to(LEFT, word.shape)
    assert abs(flat.pixels[:, : SIDE // 2].mean() - flat.pixels[:, SIDE // 2 :].mean()) < 1.0
    assert right[asked].mean() > 0.97


def test_the_same_tint_says_nothing_however_the_lightness_differs() -> None:
    word = tint_word(photographed(two_sides(GREY, 0.6 * GREY)), *known_parts())
    assert abs(float(np.median(word[:, : SIDE // 2]) - np.median(word[:, SIDE // 2 :]))) < 0.5


def test_shade_does_not_change_tint() -> None:
    shade = np.linspace(1.0, 0.5, SIDE)[:, None, None]
    lit, dim = (
        np.stack(tint(((two_sides(BLUISH, GREY) * light) ** (1 / 2.2)).astype(np.float32), 0.5)) for light in (1, shade)
    )
    # the light added to what is dark moves a tint of 3 % by as many thousandths at half the light
    assert np.abs(lit - dim).max() < 0.003


def test_odds_are_bounded_and_even_where_one_side_is_unknown() -> None:
    flat = photographed(two_sides(np.array([0.5, 0.1, 0.05]), GREY))
    shell, table = known_parts()
    word = tint_word(flat, shell, table)
    assert word.max() == pytest.approx(MOST, abs=0.3) and np.abs(word).max() <= MOST
    assert not tint_word(flat, shell, np.zeros_like(table)).any()


def test_the_network_is_told_which_way_the_tint_differs() -> None:
    value = photographed(two_sides(BLUISH, GREY)).pixels.astype(np.float32) / 255
    common, bluer, redder = tint_likeness(value, known_parts()[1], 0.5)
    ours = np.s_[10:-10, 10 : SIDE // 2 - 10]
    assert np.median(common[10:-10, SIDE // 2 + 10 :]) > 0.8 > np.median(common[ours])
    assert np.median(bluer[ours]) > 0.1 and np.median(redder[ours]) < -0.1


def test_ink_of_another_colour_is_told_from_a_narrow_cut() -> None:
    """A red stroke has a tint that neither tape nor table has; a cut a millimetre wide has one between the two."""
    kraft = np.array([0.08, 0.2, 0.32])
    light = np.broadcast_to(np.where(LEFT[..., None], BLUISH, kraft), (SIDE, SIDE, 3)).copy()
    light[100:104, : SIDE // 2] = np.array([0.03, 0.03, 0.3])
    light[180:182, : SIDE // 2] = kraft
    odds = np.where(np.broadcast_to(LEFT, (SIDE, SIDE)), 4.0, -4.0).astype(np.float32)
    odds[98:106, : SIDE // 2] = -2.0
    odds[178:184, : SIDE // 2] = -2.0
    found = inked(photographed(light), odds)
    assert found[100:104, 20 : SIDE // 2 - 20].mean() > 0.95
    assert found[170:190].mean() < 0.02


def test_a_thin_red_line_beside_a_tan_table_is_ink_though_its_blur_is_as_tan() -> None:
    """A line of 1.5 mm averaged over two with the grey beside it is hardly redder than tan wood."""
    planks = np.array([0.10, 0.22, 0.40])
    light = np.broadcast_to(np.where(LEFT[..., None], BLUISH, planks), (SIDE, SIDE, 3)).copy()
    light[100:103, : SIDE // 2] = np.array([0.045, 0.04, 0.17])
    odds = np.where(np.broadcast_to(LEFT, (SIDE, SIDE)), 4.0, -4.0).astype(np.float32)
    odds[98:105, : SIDE // 2] = -1.0
    found = inked(photographed(light), odds)
    assert found[101, 20 : SIDE // 2 - 20].mean() > 0.95
    assert found[120:].mean() < 0.02
