"""Cards that do not lie flat, corners that lie: what they do to the plane, and what the maker is told.

Bent paper is drawn as a circle of true arc length (tests/invented_tables.py), so the solve's second-order paper is
measured against something that is neither quadratic nor its own.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from invented_tables import Lying, Phone

from extract.camera.project import mm_from_px
from extract.camera.solve import SolveSettings, solve
from extract.camera.uncertainty import shape_sd_mm
from extract.cards.find import noise_px
from extract.doors import Array, Doubt, PlaneCamera

NOISE_PX = 0.08
NEAR = np.array([[x, y] for x in (-50.0, 50.0, 150.0) for y in (-60.0, 40.0, 140.0, 240.0)])


def shell() -> Array:
    x, y = np.meshgrid(np.arange(-100, 351, 50.0), np.arange(220, 521, 50.0))
    return np.column_stack([x.ravel(), y.ravel()])


def traced(bench, cards: tuple[Lying, ...], tilt_deg: float) -> tuple[PlaneCamera, tuple[Doubt, ...], float]:
    """Camera, doubts and RMS error of the shell's shape in mm."""
    phone = bench.phone(distance_mm=950.0, aim_mm=(100.0, 300.0), tilt_deg=tilt_deg, distortion=(-0.03, 0.01))
    photo, seen = bench.shoot(phone, cards, NOISE_PX, np.random.default_rng(1))
    (camera,), doubts = solve([seen], [photo])
    return camera, doubts, shape_error_mm(bench, phone, camera)


def shape_error_mm(bench, phone: Phone, camera: PlaneCamera) -> float:
    found = mm_from_px(replace(camera, height_mm=0.5), phone.sees(shell(), 0.5))
    return float(np.sqrt((bench.rigid_residual_mm(found, shell()) ** 2).mean()))


@pytest.mark.parametrize("tilt_deg", [5.0, 25.0])
@pytest.mark.parametrize("arch_mm", [2.0, 5.0])
@pytest.mark.parametrize("beside", [0, 1, 2], ids=["alone", "one flat beside", "two flat beside"])
def test_bent_card_is_named_with_its_bend_and_hurts_nobody(bench, arch_mm: float, tilt_deg: float, beside: int) -> None:
    third = replace(bench.a4, number=2, first_id=54)
    flat = (bench.lying(bench.a4_one, 0, 540), bench.lying(third, -330, 250))[:beside]
    camera, doubts, error = traced(bench, (bench.lying(bench.a4, arch_mm=arch_mm), *flat), tilt_deg)
    assert [doubt.code for doubt in doubts] == ["card-bent"] and "A4 card 0" in doubts[0].message
    told = float(re.search(r"about ([\d.]+) mm above its lowest", doubts[0].message)[1])
    assert told == pytest.approx(arch_mm, abs=0.5)
    assert error < 0.1
    assert error < 2 * shape_sd_mm(replace(camera, bias=(0.0, 0.0)), shell())


@pytest.mark.parametrize("beside", [0, 1], ids=["alone", "one flat beside"])
def test_flat_cards_are_not_called_bent(bench, beside: int) -> None:
    """Twenty tables with paper bulging as sheets pressed flat do."""
    known, rng = SolveSettings(), np.random.default_rng(4)
    for tilt_deg in rng.uniform(3, 32, 20):
        cards = (bench.lying(bench.a4), bench.lying(bench.a4_one, 0, 540))[: 1 + beside]
        lying = tuple(replace(card, bulge_mm=tuple(known.bulge_sd_mm * rng.normal(size=3))) for card in cards)
        _, doubts, _ = traced(bench, lying, float(tilt_deg))
        assert not doubts


@pytest.mark.parametrize("tilt_deg", [5.0, 25.0])
def test_curled_corner_is_left_out_and_named(bench, tilt_deg: float) -> None:
    cards = (bench.lying(bench.a4), bench.lying(bench.a4_one, 0, 540, curl_mm=15.0))
    _, doubts, error = traced(bench, cards, tilt_deg)
    assert error < 0.1
    assert [doubt.code for doubt in doubts] == ["card-corners"]
    message = doubts[0].message
    assert "A4 card 1" in message and "near its lower right corner" in message
    assert float(re.search(r"stood ([\d.]+) mm", message)[1]) == pytest.approx(1.5, abs=0.7)  # the printed corner's


def test_wrong_corner_is_left_out_and_named(bench) -> None:
    phone = bench.phone()
    photo, (seen,) = bench.shoot(phone, (bench.lying(bench.a4),), 0.05)
    spoilt = seen.corners_px.copy()
    spoilt[0] += (3.0, -2.0)
    (camera,), doubts = solve([[replace(seen, corners_px=spoilt)]], [photo])
    (clean,), none = solve([[seen]], [photo])
    assert not none and [doubt.code for doubt in doubts] == ["card-corners"]
    assert "One corner of 40 of the A4 card 0" in doubts[0].message and "upper left corner" in doubts[0].message
    assert "3.6 pixels where 0.05" in doubts[0].message
    assert camera.lens.focal_px == pytest.approx(clean.lens.focal_px, rel=0.01)


def test_a_quarter_of_a_lone_card_s_corners_may_be_wrong(bench) -> None:
    """Three of twelve corners thrown about by tens of pixels, twenty times over: the shell stays within the ±."""
    rng, errors = np.random.default_rng(8), []
    for _ in range(20):
        phone = bench.phone(distance_mm=700.0, aim_mm=(50.0, 100.0), tilt_deg=rng.uniform(5, 30))
        photo, (seen,) = bench.shoot(phone, (bench.lying(bench.small),), NOISE_PX, rng)
        spoilt, picked = seen.corners_px.copy(), rng.choice(12, 3, replace=False)
        spoilt[picked] += rng.normal(0, 20, (3, 2))
        (camera,), doubts = solve([[replace(seen, corners_px=spoilt)]], [photo])
        assert "card-corners" in [doubt.code for doubt in doubts]
        near = bench.rigid_residual_mm(mm_from_px(replace(camera, height_mm=0.5), phone.sees(NEAR, 0.5)), NEAR)
        errors.append(np.sqrt((near**2).mean()) / shape_sd_mm(replace(camera, bias=(0.0, 0.0)), NEAR))
    assert np.sqrt(np.mean(np.square(errors))) < 1.5 and max(errors) < 4


def test_bend_of_a_small_card_is_no_noise(bench) -> None:
    """The finder's own estimate of the corners' noise must not swallow the bend it is to be measured by."""
    bent = bench.lying(bench.small, 60, 480, 0.3, arch_mm=4.0)
    phone = bench.phone(distance_mm=900.0, aim_mm=(100.0, 250.0), tilt_deg=20.0)
    photo, seen = bench.shoot(phone, (bench.lying(bench.a4), bent), NOISE_PX, np.random.default_rng(3))
    found = noise_px(seen)
    assert [card.sd_px for card in found] == pytest.approx([NOISE_PX, NOISE_PX], rel=0.4)
    _, doubts = solve([found], [photo])
    assert [doubt.code for doubt in doubts] == ["card-bent"] and "small card 0" in doubts[0].message


def test_crumpled_cards_do_not_drive_the_lens_to_a_false_bottom(bench) -> None:
    """Four small cards, the nearest half rolled up: 27 % were once found missing from the focal length."""
    cards = [
        bench.lying(replace(bench.small, number=k, first_id=500 + 10 * k), *place, curl_mm=12.0 * (k == 0))
        for k, place in enumerate([(-150, -120), (250, -120), (-150, 400), (250, 400)])
    ]
    for tilt_deg in (5.0, 8.0, 20.0):
        phone = bench.phone(distance_mm=900.0, aim_mm=(100.0, 180.0), tilt_deg=tilt_deg)
        photo, seen = bench.shoot(phone, tuple(cards), NOISE_PX, np.random.default_rng(5))
        (camera,), doubts = solve([seen], [photo])
        assert "small card 0" in doubts[0].message
        assert camera.lens.focal_px == pytest.approx(phone.focal_px, rel=0.05)


def test_partly_covered_card_measures_as_well_as_it_says(bench) -> None:
    """The lower two thirds of the card lie under the shell: less is known, and the ± says so."""
    phone = bench.phone(distance_mm=950.0, aim_mm=(100.0, 300.0), tilt_deg=25.0)
    photo, (seen, other) = bench.shoot(
        phone, (bench.lying(bench.a4), bench.lying(bench.a4_one, 0, 540)), NOISE_PX, np.random.default_rng(1)
    )
    bare = seen.corners_mm[:, 1] < 70
    part = replace(seen, corners_px=seen.corners_px[bare], corners_mm=seen.corners_mm[bare])
    sd = []
    for cards in ((seen, other), (part, other), (part,)):
        (camera,), doubts = solve([cards], [photo])
        sd.append(shape_sd_mm(replace(camera, bias=(0.0, 0.0)), shell()))
        assert not doubts
        assert shape_error_mm(bench, phone, camera) < 2 * sd[-1]
    assert sd[0] < sd[1] < sd[2]


def test_principal_point_is_held_until_the_photo_shows_it(bench) -> None:
    """One card barely tilted says little of it: its spread stays near what was known before, and it near the middle.
    Four cards all round show where the distortion has its centre."""
    known = SolveSettings()
    prior_px, off = known.centre_sd * np.hypot(*bench.size_px), np.array([35.0, -25.0])
    centre = tuple((np.array(bench.size_px) - 1) / 2 + off)
    cards = [
        bench.lying(replace(bench.a4, number=k, first_id=27 * k), *place)
        for k, place in enumerate([(-150, -130), (200, -130), (-150, 470), (200, 470)])
    ]
    moved, sd = [], []
    for chosen, tilt_deg in ((cards[:1], 3.0), (cards, 32.0)):
        phone = bench.phone(
            distance_mm=1000.0, aim_mm=(150.0, 250.0), tilt_deg=tilt_deg, centre_px=centre, distortion=(-0.1, 0.02)
        )
        photo, seen = bench.shoot(phone, tuple(chosen), NOISE_PX, np.random.default_rng(2))
        (camera,), _ = solve([seen], [photo])
        moved.append(np.array(camera.lens.centre_px) - (np.array(bench.size_px) - 1) / 2)
        sd.append(np.sqrt(np.diag(camera.covariance)[9:]))
    assert (np.abs(moved[0]) < 0.5 * np.abs(off)).all() and (sd[0] > 0.65 * prior_px).all()
    assert (sd[1] < 0.3 * prior_px).all() and (np.abs(moved[1] - off) < 3 * sd[1]).all()


def test_photos_solved_together_are_surer_than_each_alone(bench) -> None:
    """Three photos of the same two cards from three sides. Each has a lens of its own, but cards, bulges and print are
    shared: the ± shrinks, by less than √3, and the error stays within it."""
    cards = (bench.lying(bench.a4, bulge_mm=(0.2, 0.0, -0.1)), bench.lying(bench.small, 250, 480, 0.4))
    phones = [
        bench.phone(distance_mm=950.0, aim_mm=(100.0, 300.0), tilt_deg=22.0, bearing_deg=bearing, roll_deg=bearing / 3)
        for bearing in (10.0, 130.0, 250.0)
    ]
    rng = np.random.default_rng(6)
    shots = [bench.shoot(phone, cards, NOISE_PX, rng) for phone in phones]
    together, doubts = solve([seen for _, seen in shots], [photo for photo, _ in shots])
    assert not doubts
    for phone, (photo, seen), camera in zip(phones, shots, together, strict=True):
        (alone,), _ = solve([seen], [photo])
        sure, less = (shape_sd_mm(replace(c, bias=(0.0, 0.0)), shell()) for c in (camera, alone))
        assert sure < 0.8 * less
        assert shape_error_mm(bench, phone, camera) < 2 * sure


def test_bend_shown_by_several_photos_is_told_once(bench) -> None:
    cards = (bench.lying(bench.a4), bench.lying(bench.a4_one, 0, 540, arch_mm=4.0))
    shots = [
        bench.shoot(bench.phone(distance_mm=950.0, aim_mm=(100.0, 300.0), bearing_deg=bearing), cards, NOISE_PX)
        for bearing in (30.0, 200.0)
    ]
    _, doubts = solve([seen for _, seen in shots], [photo for photo, _ in shots])
    assert [doubt.code for doubt in doubts] == ["card-bent"]
