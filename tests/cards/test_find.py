"""Cards found in pictures whose corners are known, and the sentences for pictures that cannot serve."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from extract.cards.design import card_design
from extract.cards.find import find_cards
from extract.doors import Array, CannotContinue, CardSighting, Photo
from extract.geometry.scalecard import chess_corners_mm
from extract.photo import read_photo

SCENES = ("curled_0066", "easy_0012", "hard_0032", "multi-card_0043", "two-colour_0051", "typical_0023")


def errors_px(sighting: CardSighting, all_corners_px: Array) -> Array:
    """(N, 2) found minus true, corner by corner."""
    order = {tuple(place): i for i, place in enumerate(chess_corners_mm(sighting.design).tolist())}
    return sighting.corners_px - all_corners_px[[order[tuple(place)] for place in sighting.corners_mm.tolist()]]


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0, 45.0])
def test_every_card_of_a_mixed_set_is_found(laid, shoot, tilt_deg: float) -> None:
    a4, letter, small = card_design("A4", 3), card_design("Letter", 1), card_design("small", 9)
    cards = (laid(a4, -20, -60, 4), laid(letter, -40, 240, -8), laid(small, 420, 40, 95))
    shot = shoot(cards, tilt_deg=tilt_deg, px_per_mm=2.4, middle_mm=(150.0, 180.0))
    sightings, doubts = find_cards(shot.photo)
    assert not doubts
    assert [sighting.design for sighting in sightings] == [a4, letter, small]
    for sighting, truth in zip(sightings, shot.truth_px, strict=True):
        error = errors_px(sighting, truth)
        assert len(error) == len(truth)
        assert np.sqrt((error**2).mean()) < 0.1  # the corner noise DESIGN's bounds count on
        assert np.abs(error.mean(axis=0)).max() < 0.03


@pytest.mark.parametrize("noise", [2.0, 6.0, 12.0])
def test_stated_noise_is_the_noise(laid, shoot, noise: float) -> None:
    shot = shoot((laid(card_design("A4", 0), 0, 0, 20),), noise=noise)
    (sighting,), _ = find_cards(shot.photo)
    actual = np.sqrt((errors_px(sighting, shot.truth_px[0]) ** 2).mean())
    # 80 coordinates know their spread to 8 %; the floor of 0.03 px may stand above a very clean picture.
    assert 0.7 < sighting.sd_px / actual < 1.4 or sighting.sd_px == 0.03 > actual


def test_corners_beat_opencv_s_own_detector_or_equal_it(laid, shoot) -> None:
    from extract.cards.design import board

    design = card_design("A4", 0)
    shot = shoot((laid(design, 0, 0, 10),), noise=5.0)
    (sighting,), _ = find_cards(shot.photo)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board(design)).detectBoard(shot.photo.pixels[..., 0])
    theirs = np.reshape(corners, (-1, 2)) - shot.truth_px[0][np.ravel(ids)]
    ours = errors_px(sighting, shot.truth_px[0])
    assert len(ours) >= len(theirs)
    assert np.sqrt((ours**2).mean()) < 1.15 * np.sqrt((theirs**2).mean())


def test_covered_corners_are_left_out(laid, shoot) -> None:
    shot = shoot((laid(card_design("A4", 0), 0, 0),), tilt_deg=0.0)
    pixels = shot.photo.pixels.copy()
    truth = shot.truth_px[0]
    left, top = truth[18] - 40
    right, bottom = truth[28] + 30
    cv2.rectangle(pixels, (int(left), int(top)), (int(right), int(bottom)), (90, 110, 150), -1)
    hidden = ((truth > [left - 2, top - 2]) & (truth < [right + 2, bottom + 2])).all(axis=1)
    (sighting,), _ = find_cards(replace(shot.photo, pixels=pixels))
    error = errors_px(sighting, truth)
    assert hidden.sum() >= 6
    assert 40 - hidden.sum() - 6 <= len(error) <= 40 - hidden.sum()
    assert np.abs(error).max() < 0.3


def test_card_running_out_of_the_picture_still_serves(laid, shoot) -> None:
    shot = shoot((laid(card_design("A4", 0), 0, 0),), middle_mm=(350.0, 110.0))
    (sighting,), _ = find_cards(shot.photo)
    assert 6 <= len(sighting.corners_px) < 40
    assert np.abs(errors_px(sighting, shot.truth_px[0])).max() < 0.3


def refusal(photo: Photo) -> str:
    with pytest.raises(CannotContinue) as caught:
        find_cards(photo)
    assert caught.value.room == "cards" and caught.value.advice
    return caught.value.reason


def test_photo_without_a_card(shoot) -> None:
    assert "No scale card" in refusal(shoot(()).photo)


def test_mirrored_photo_is_named(laid, shoot) -> None:
    photo = shoot((laid(card_design("A4", 0), 0, 0),)).photo
    assert "mirrored" in refusal(replace(photo, pixels=np.ascontiguousarray(photo.pixels[:, ::-1])))


def test_upside_down_photo_is_no_mirror(laid, shoot) -> None:
    shot = shoot((laid(card_design("A4", 0), 0, 0),))
    turned = replace(shot.photo, pixels=np.ascontiguousarray(shot.photo.pixels[::-1, ::-1]))
    (sighting,), _ = find_cards(turned)
    last = np.array(shot.photo.size_px) - 1
    assert np.abs(errors_px(sighting, last - shot.truth_px[0])).max() < 0.3


def test_same_number_twice_is_named(laid, shoot) -> None:
    small = card_design("small", 2)
    shot = shoot((laid(small, 0, 0), laid(small, 180, 60, 30)))
    assert "small card 2 lies in the photo twice" in refusal(shot.photo)


def test_shaken_photo_is_not_taken_for_two_cards(laid, shoot) -> None:
    small, a4 = card_design("small", 0), card_design("A4", 1)
    shot = shoot((laid(a4, -60, 0), laid(small, 250, 40, 10)), tilt_deg=20.0)
    for length in (5, 9, 13):
        smear = np.eye(length, dtype=np.float32) / length
        shaken = replace(shot.photo, pixels=np.asarray(cv2.filter2D(shot.photo.pixels, -1, smear), np.uint8))
        sightings, _ = find_cards(shaken)
        assert sightings[0].design == a4
        assert np.abs(errors_px(sightings[0], shot.truth_px[0])).max() < 0.5


def test_cards_are_found_in_a_dim_room(laid, shoot) -> None:
    cards = (laid(card_design("A4", 1), -60, 0), laid(card_design("small", 0), 250, 40, 10))
    shot = shoot(cards, noise=0.0)
    grain = np.random.default_rng(2).normal(0, 2.0, shot.photo.pixels.shape[:2])[..., None]
    dim = np.clip(shot.photo.pixels * 0.12 + grain, 0, 255).astype(np.uint8)
    sightings, doubts = find_cards(replace(shot.photo, pixels=dim))
    assert not doubts and [len(sighting.corners_px) for sighting in sightings] == [40, 12]
    for sighting, truth in zip(sightings, shot.truth_px, strict=True):
        error = np.sqrt((errors_px(sighting, truth) ** 2).mean())
        assert error < 0.35 and sighting.sd_px == pytest.approx(error, rel=0.5)


def test_slanted_card_is_named(laid, shoot) -> None:
    assert "slant" in refusal(shoot((laid(card_design("A4", 0), 0, 0),), tilt_deg=60.0).photo)


def test_tiny_card_is_named(laid, shoot) -> None:
    assert "too small" in refusal(shoot((laid(card_design("small", 0), 0, 0),), px_per_mm=0.9, tilt_deg=0.0).photo)


def test_mostly_hidden_card_is_named(laid, shoot) -> None:
    shot = shoot((laid(card_design("A4", 0), 0, 0),), tilt_deg=0.0)
    pixels = shot.photo.pixels.copy()
    pixels[:, int(shot.truth_px[0][0, 0] + 10) :] = 120
    assert "Only" in refusal(replace(shot.photo, pixels=pixels))


def test_unusable_card_beside_a_good_one_is_only_doubted(laid, shoot) -> None:
    shot = shoot((laid(card_design("A4", 0), -60, 0), laid(card_design("small", 1), 240, 160)), tilt_deg=0.0)
    pixels = shot.photo.pixels.copy()
    edge = shot.truth_px[1][0]
    pixels[:, int(edge[0] + 12) :] = 120
    sightings, doubts = find_cards(replace(shot.photo, pixels=pixels))
    assert [sighting.design.name for sighting in sightings] == ["A4 card 0"]
    assert [doubt.code for doubt in doubts] == ["card-covered"] and "small card 1" in doubts[0].message


def test_foreign_markers_are_ignored(laid, shoot) -> None:
    shot = shoot((laid(card_design("A4", 0), 0, 0),), tilt_deg=0.0)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    pixels = shot.photo.pixels.copy()
    # 950 and 420 belong to no card, 3 to the card on the table, 100 to one that is not there
    for number, (x, y) in ((950, (30, 30)), (420, (1700, 1200)), (3, (30, 1300)), (100, (1700, 30))):
        pixels[y : y + 120, x : x + 120] = 255
        marker = cv2.aruco.generateImageMarker(dictionary, number, 80)
        pixels[y + 20 : y + 100, x + 20 : x + 100] = marker[..., None]
    (sighting,), doubts = find_cards(replace(shot.photo, pixels=pixels))
    assert not doubts and len(sighting.corners_px) == 40
    assert np.abs(errors_px(sighting, shot.truth_px[0])).max() < 0.3


@pytest.mark.parametrize(("family", "px_per_mm"), [("A4", 0.75), ("small", 1.15)])
def test_small_squares_in_a_large_picture_are_found(laid, shoot, family: str, px_per_mm: float) -> None:
    """Squares of 23 pixels on 12 megapixels: a card the width of a thumb at arm's length."""
    shot = shoot((laid(card_design(family, 0), 0, 0, 10),), size_px=(4032, 3024), px_per_mm=px_per_mm, tilt_deg=5.0)
    (sighting,), _ = find_cards(shot.photo)
    error = errors_px(sighting, shot.truth_px[0])
    assert len(error) >= 0.9 * len(shot.truth_px[0]) and np.sqrt((error**2).mean()) < 0.2


def test_squares_too_small_in_a_large_picture_are_told(laid, shoot) -> None:
    cards = (laid(card_design("A4", 0), 0, 0, 10),)
    assert "too small" in refusal(shoot(cards, size_px=(4032, 3024), px_per_mm=0.6, tilt_deg=5.0).photo)


def test_large_photo_is_read_at_a_smaller_size(laid, shoot) -> None:
    shot = shoot((laid(card_design("A4", 0), 0, 0, 30),), size_px=(5000, 3750), px_per_mm=9.0)
    (sighting,), _ = find_cards(shot.photo)
    error = errors_px(sighting, shot.truth_px[0])
    assert len(error) == 40 and np.sqrt((error**2).mean()) < 0.1


@pytest.mark.parametrize("scene", SCENES)
def test_path_traced_photos(shared_photos: Path, scene: str) -> None:
    """Corners against truth.json of photos/README.md: rendered, then a phone's lens, noise, sharpening and JPEG."""
    families = {"CARD-A4": "A4", "CARD-LETTER": "Letter", "CARD-SMALL": "small"}
    truth = json.loads((shared_photos / f"{scene}.truth.json").read_text())
    corners = {
        card_design(families[card["name"]], card["index"]).name: np.array(
            [card["charuco_corners_px"][key] for key in sorted(card["charuco_corners_px"], key=int)]
        )
        for card in truth["cards"]
    }
    sightings, doubts = find_cards(read_photo(shared_photos / f"{scene}.jpg"))
    assert not doubts
    assert sorted(sighting.design.name for sighting in sightings) == sorted(corners)
    for sighting in sightings:
        error = errors_px(sighting, corners[sighting.design.name])
        assert len(error) >= 0.9 * len(corners[sighting.design.name])
        assert np.sqrt((error**2).mean()) < 0.12
        assert sighting.sd_px == pytest.approx(np.sqrt((error**2).mean()), rel=0.5)


def test_other_people_s_markers_are_no_card(shared_real: Path) -> None:
    """Five single DICT_5X5_100 markers, whose ids our dictionary shares, on a phone photo (GSNCodes)."""
    reason = refusal(read_photo(shared_real / "aruco_phone" / "pose_test.jpg"))
    assert "chess corners" in reason or "No scale card" in reason


@pytest.mark.parametrize("name", ["whiteboard/1.jpeg", "sony_chess30mm/frame01.jpg", "opencv_doc/choriginal.jpg"])
def test_photos_of_other_things_hold_no_card(shared_real: Path, name: str) -> None:
    assert "No scale card" in refusal(read_photo(shared_real / name))
