"""Blur of known size and direction is found again on the cards' edges."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from scipy.stats import multivariate_normal

from extract.camera.blur import _correlation, blur_doubt, measure_blur
from extract.camera.solve import solve
from extract.cards.design import board, card_design
from extract.cards.find import find_cards
from extract.doors import Array, Blur, Photo, PlacedCard, PlaneCamera

PX_PER_MM, FINE, RIM_MM = 3.0, 3, 15
KERNEL = 41


def spread(sd_px: tuple[float, float], angle: float) -> Array:
    """Normal point spread, long side along ``angle``, on a fine raster of KERNEL photo pixels."""
    half = KERNEL * FINE // 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1] / FINE
    along, across = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    kernel = np.exp(-0.5 * ((along / sd_px[0]) ** 2 + (across / sd_px[1]) ** 2))
    return kernel / kernel.sum()


def moved(length_px: float, angle: float, sd_px: float) -> Array:
    """Steady movement over a length, on top of a round spread."""
    kernel = np.zeros((KERNEL * FINE // 2 * 2 + 1,) * 2)
    way = np.linspace(-0.5, 0.5, 4001) * length_px * FINE
    middle = len(kernel) // 2
    x, y = (np.rint(middle + way * f).astype(int) for f in (np.cos(angle), np.sin(angle)))
    np.add.at(kernel, (y, x), 1.0)
    return cv2.GaussianBlur(kernel / kernel.sum(), (0, 0), sd_px * FINE)


def photo_of(kernel: Array, turn_deg: float = 0.0, ink_mm: float = 0.0) -> Photo:
    """An A4 card seen from straight above, drawn by OpenCV, spread by ``kernel`` in light, stored with the sRGB curve.
    ``ink_mm``: how far every black edge has run."""
    design, fine = card_design("A4", 0), PX_PER_MM * FINE
    size = tuple(round((n * design.square_mm + 2 * RIM_MM) * fine) for n in design.squares)
    picture = np.asarray(board(design).generateImage(size, marginSize=round(RIM_MM * fine)), np.uint8)
    if ink_mm:
        picture = cv2.erode(picture, np.ones((2 * round(ink_mm * fine) + 1,) * 2, np.uint8))
    middle = ((picture.shape[1] - 1) / 2, (picture.shape[0] - 1) / 2)
    turned = cv2.warpAffine(picture, cv2.getRotationMatrix2D(middle, turn_deg, 1), picture.shape[::-1], borderValue=255)
    light = cv2.filter2D(0.04 + turned.astype(np.float32) * (0.8 / 255), -1, kernel.astype(np.float32))
    height, width = (n // FINE for n in light.shape)
    light = cv2.resize(light[: height * FINE, : width * FINE], (width, height), interpolation=cv2.INTER_AREA)
    level = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    grain = np.random.default_rng(4).normal(0, 0.008, level.shape)
    grey = np.clip(np.rint((level + grain) * 255), 0, 255).astype(np.uint8)
    return Photo("table.jpg", np.dstack([grey] * 3), "", 0.6 * math.hypot(width, height))


def seen(photo: Photo) -> PlaneCamera:
    (camera,), _ = solve([find_cards(photo)[0]], [photo])
    return camera


def blur_px(photo: Photo) -> tuple[float, float, float]:
    """Along and across in pixels, and the angle in the picture in degrees (the card lies along it, unturned)."""
    blur = measure_blur(photo, seen(photo))
    assert blur is not None
    return blur.along_mm * PX_PER_MM, blur.across_mm * PX_PER_MM, math.degrees(blur.angle_rad)


def with_pixel(sd_px: float) -> float:
    """A square pixel adds the variance of its own width, 1/12."""
    return math.hypot(sd_px, math.sqrt(1 / 12))


@pytest.mark.parametrize("sd_px", [0.7, 2.4])
def test_focus_is_measured_alike_in_all_directions(sd_px: float) -> None:
    along, across, _ = blur_px(photo_of(spread((sd_px, sd_px), 0.0)))
    assert along == pytest.approx(with_pixel(sd_px), rel=0.06)
    assert across == pytest.approx(with_pixel(sd_px), rel=0.06)


@pytest.mark.parametrize("angle_deg", [0, 45, 100])
def test_direction_is_found_even_where_both_edges_spread_alike(angle_deg: float) -> None:
    along, across, angle = blur_px(photo_of(spread((2.2, 0.8), math.radians(angle_deg))))
    assert along == pytest.approx(with_pixel(2.2), rel=0.08)
    assert across == pytest.approx(with_pixel(0.8), rel=0.15)
    assert abs((angle - angle_deg + 90) % 180 - 90) < 6


def test_the_card_s_own_turn_falls_out() -> None:
    """The card turned by 25° in the picture: the plane frame turns with it."""
    along, _, angle = blur_px(photo_of(spread((2.2, 0.8), math.radians(60)), turn_deg=25))
    assert along == pytest.approx(with_pixel(2.2), rel=0.08)
    assert abs((angle - (60 + 25) + 90) % 180 - 90) < 6


def test_ink_that_has_run_is_not_taken_for_blur() -> None:
    plain = blur_px(photo_of(spread((1.2, 1.2), 0.0)))
    run = blur_px(photo_of(spread((1.2, 1.2), 0.0), ink_mm=0.17))
    assert run[:2] == pytest.approx(plain[:2], rel=0.05)


def test_movement_spreads_by_its_length_over_the_root_of_twelve() -> None:
    along, across, _ = blur_px(photo_of(moved(9.0, math.radians(45), 0.7)))
    assert math.sqrt(12 * (along**2 - across**2)) == pytest.approx(9.0, rel=0.15)


@pytest.mark.parametrize("correlation", [-0.7, 0.5])
def test_light_where_edges_cross_is_sheppard_s_quadrant(correlation: float) -> None:
    """scipy's bivariate normal distribution gives the quadrant; the picture's corner shows it."""
    quadrant = multivariate_normal.cdf([0.0, 0.0], cov=[[1.0, correlation], [correlation, 1.0]])
    assert quadrant == pytest.approx(0.25 + math.asin(correlation) / (2 * math.pi), abs=1e-6)
    long = math.sqrt(1 + abs(correlation)), math.sqrt(1 - abs(correlation))
    angle = math.copysign(math.pi / 4, correlation)
    photo = photo_of(spread((2 * long[0], 2 * long[1]), angle))
    (card,) = seen(photo).cards
    assert isinstance(card, PlacedCard)
    assert _correlation(photo, card) == pytest.approx(correlation, abs=0.06)


def test_only_a_blur_that_matters_is_told_of_and_advice_follows_its_kind() -> None:
    photo = Photo("shell.jpg", np.zeros((4, 4, 3), np.uint8), "")
    assert blur_doubt(photo, None) is None
    assert blur_doubt(photo, Blur(0.3, 0.25, 0.0)) is None
    shaken, soft = blur_doubt(photo, Blur(0.9, 0.3, 0.0)), blur_doubt(photo, Blur(0.9, 0.8, 0.0))
    assert shaken is not None and soft is not None
    assert (shaken.code, soft.code) == ("photo-moved", "photo-unsharp")
    # √12 · √(0.9² − 0.3²) = 2.9 mm; a third of it with 0.3 mm of focus: √(0.3² + 0.9²/9 − 0.3²/9) = 0.41 mm
    assert "about 2.9 mm" in shaken.message and "0.90 to 0.41 mm" in shaken.message
    # erf(1 / (2 √2 · 0.9)) = 0.42
    assert "42 % of its contrast" in soft.message
