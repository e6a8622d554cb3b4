"""Advice against what really happens when the advised card is laid down."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from extract.camera.advice import PRINTER_ASIDE, AdviceSettings, advise_card, advise_ruler, best_card
from extract.camera.solve import solve
from extract.camera.uncertainty import shape_sd_mm
from extract.doors import Array, TraceSettings
from extract.geometry.scalecard import board_size_mm


def outline() -> Array:
    angle = np.linspace(0, 2 * np.pi, 80, endpoint=False)
    return np.column_stack([135 + 170 * np.cos(angle), 330 + 120 * np.sin(angle)])


def test_advised_card_brings_what_was_promised(bench) -> None:
    phone = bench.phone(distance_mm=1000.0, aim_mm=(135.0, 320.0), tilt_deg=20.0, roll_deg=0.0, bearing_deg=90.0)
    first = bench.lying(bench.a4)
    photo, seen = bench.shoot(phone, (first,), 0.1)
    (camera,), _ = solve([seen], [photo], known=PRINTER_ASIDE)
    advice = best_card(camera, outline(), focal_hint_px=photo.focal_hint_px)
    assert advice is not None and advice.in_view
    assert advice.now_mm == pytest.approx(shape_sd_mm(replace(camera, bias=(0.0, 0.0)), outline()), rel=0.1)
    # the first card lies above the shell, so the second belongs on the far side
    assert advice.centre_mm[1] > 400 and ("below" in advice.direction or "lower" in advice.direction)
    centre = np.array(advice.centre_mm) - np.array(board_size_mm(bench.a4)) / 2
    second = bench.lying(bench.a4_one, *centre)
    photo, seen = bench.shoot(phone, (first, second), 0.1)
    (both,), _ = solve([seen], [photo], known=PRINTER_ASIDE)
    real = shape_sd_mm(replace(both, bias=(0.0, 0.0)), outline())
    assert advice.then_mm == pytest.approx(real, rel=0.3)
    assert real < 0.5 * advice.now_mm
    doubt = advise_card(camera, outline())
    assert doubt is not None and doubt.code == "card-advice" and advice.direction in doubt.message


def test_good_photo_gets_no_advice(bench) -> None:
    phone = bench.phone(distance_mm=1000.0, aim_mm=(135.0, 320.0))
    photo, seen = bench.shoot(phone, (bench.lying(bench.a4), bench.lying(bench.a4_one, 0, 480)), 0.1)
    (camera,), _ = solve([seen], [photo], known=PRINTER_ASIDE)
    assert advise_card(camera, outline(), focal_hint_px=photo.focal_hint_px) is None
    assert advise_card(camera, outline(), AdviceSettings(good_mm=0.0, worth=1.0)) is not None


def test_tight_photo_is_told_to_step_back(bench) -> None:
    phone = bench.phone(distance_mm=500.0, aim_mm=(135.0, 230.0), tilt_deg=5.0, roll_deg=90.0)
    photo, seen = bench.shoot(phone, (bench.lying(bench.a4),), 0.1)
    (camera,), _ = solve([seen], [photo], known=PRINTER_ASIDE)
    doubt = advise_card(camera, outline(), AdviceSettings(good_mm=0.01))
    assert doubt is not None and "step back" in doubt.message


def test_ruler_brings_what_was_promised(bench) -> None:
    phone = bench.phone(distance_mm=1000.0, aim_mm=(135.0, 320.0))
    cards = (bench.lying(bench.a4), bench.lying(bench.a4_one, 0, 480))
    photo, seen = bench.shoot(phone, cards, 0.1)
    (camera,), _ = solve([seen], [photo])
    doubt = advise_ruler(camera, outline(), TraceSettings(), focal_hint_px=photo.focal_hint_px)
    assert doubt is not None and doubt.code == "ruler-advice"
    now, then = (float(number) for number in re.findall(r"[\d.]+(?= mm| to about)", doubt.message))
    measured = TraceSettings(bar_long_mm=280.0, bar_short_mm=190.0)
    (ruled,), _ = solve([seen], [photo], measured)
    assert now == pytest.approx(shape_sd_mm(camera, outline()), abs=0.02)
    assert then == pytest.approx(shape_sd_mm(ruled, outline()), abs=0.02)
    assert then < 0.8 * now
    assert advise_ruler(ruled, outline(), measured) is None
