"""The solve and its ± against published results and a general-purpose library.

- Zhang's planar calibration: Z. Zhang, "A flexible new technique for camera calibration", IEEE TPAMI 22(11):1330–1334,
  2000; his five photos and results lie in the folder of real photos (README there).
- Propagation of error to places on a plane: A. Criminisi, I. Reid, A. Zisserman, "A plane measuring device", Image and
  Vision Computing 17(8):625–634, 1999: first order through the covariance of the homography.
- OpenCV's calibrateCamera on the same corners.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from extract.camera.project import mm_from_px
from extract.camera.solve import SolveSettings, solve
from extract.camera.uncertainty import place_covariance_mm2
from extract.doors import Array, CardDesign, CardSighting, Photo, PlaneCamera

SIDE_MM, GAP_MM = 12.7, 0.38889 * 25.4
ZHANG_FOCAL_PX, ZHANG_CENTRE_PX, ZHANG_K1, ZHANG_K2 = 832.5, (303.959, 206.585), -0.228601, 0.190353

ANY_LENS = SolveSettings(k1_sd=0.5, k2_sd=0.5, centre_sd=0.05, usual_focal_sd=0.5)
"""A video camera of the nineties is no phone: nothing is taken for known of its lens."""


def dark_squares(grey: Array) -> list[Array]:
    """(4, 2) px corners of the dark squares."""
    soft = cv2.GaussianBlur(grey, (3, 3), 0)
    _, dark = cv2.threshold(soft, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
    outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    large = [line for line in outlines if 100 < cv2.contourArea(line) < 2000]
    rough = [cv2.approxPolyDP(line, 0.1 * cv2.arcLength(line, True), True).reshape(-1, 2) for line in large]
    return [quad.astype(float) for quad in rough if len(quad) == 4]


def cells_from_px(centres_px: Array) -> Array:
    """Homography to the cell numbers of an 8 × 8 grid, whichever way round, not mirrored."""
    hull = cv2.convexHull(centres_px.astype(np.float32))
    box = cv2.approxPolyDP(hull, 0.1 * cv2.arcLength(hull, True), True).reshape(-1, 2)
    assert len(box) == 4
    box = box if cv2.contourArea(box, oriented=True) > 0 else box[::-1]
    return np.asarray(cv2.findHomography(box.astype(float), np.array([[0, 0], [7, 0], [7, 7], [0, 7.0]]))[0], float)


def zhang_board(path: Path) -> tuple[Photo, CardSighting]:
    """All 256 corners of the 64 squares as one sighting; the pattern looks the same from all four sides, so every
    photo may number it from another."""
    pixels = cv2.imread(str(path))
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    quads = dark_squares(grey)
    grid = cells_from_px(np.array([quad.mean(axis=0) for quad in quads]))
    inside = [cv2.perspectiveTransform(quad[None], grid)[0] for quad in quads]
    cells = np.rint([quad.mean(axis=0) for quad in inside])
    assert len(np.unique(cells, axis=0)) == 64
    corner_mm = [cell * (SIDE_MM + GAP_MM) + SIDE_MM * (quad > cell) for cell, quad in zip(cells, inside, strict=True)]
    rough = np.vstack(quads).astype(np.float32).reshape(-1, 1, 2)
    seen = cv2.cornerSubPix(grey, rough, (4, 4), (-1, -1), (3, 50, 1e-3))
    design = CardDesign("A4", 0, (14, 14), (8 * SIDE_MM + 7 * GAP_MM) / 14, 9.0, 0, (190.0, 190.0))
    return Photo(path.name, pixels, ""), CardSighting(
        design, np.asarray(seen, float).reshape(-1, 2), np.vstack(corner_mm), 0.3
    )


@pytest.fixture(scope="module")
def zhang_cameras(shared_real: Path) -> tuple[PlaneCamera, ...]:
    shots = [zhang_board(shared_real / "zhang1998" / f"CalibIm{n}.jpg") for n in range(1, 6)]
    return solve([[sighting] for _, sighting in shots], [photo for photo, _ in shots], known=ANY_LENS)[0]


def pooled(cameras: tuple[PlaneCamera, ...], values: list[float], column: int) -> tuple[float, float]:
    """Mean weighted by what each photo knows, and its 1 σ."""
    weights = np.array([1 / camera.covariance[column, column] for camera in cameras])
    return float(weights @ values / weights.sum()), float(weights.sum() ** -0.5)


def test_zhang_s_camera_is_found_within_the_stated_doubt(zhang_cameras: tuple[PlaneCamera, ...]) -> None:
    """His lens is one for all five photos; ours is solved anew in each, so the five are pooled."""
    lenses = [camera.lens for camera in zhang_cameras]
    checks = [
        (ZHANG_FOCAL_PX, [lens.focal_px for lens in lenses], 0, 10.0),
        (ZHANG_K1, [lens.k1 for lens in lenses], 1, 0.02),
        (ZHANG_K2, [lens.k2 for lens in lenses], 2, 0.06),
        (ZHANG_CENTRE_PX[0], [lens.centre_px[0] for lens in lenses], 9, 5.0),
        (ZHANG_CENTRE_PX[1], [lens.centre_px[1] for lens in lenses], 10, 5.0),
    ]
    for published, found, column, widest in checks:
        mean, sd = pooled(zhang_cameras, found, column)
        assert abs(mean - published) < 2.5 * sd
        assert sd < widest


def test_zhang_s_squares_have_their_size(bench, zhang_cameras: tuple[PlaneCamera, ...]) -> None:
    """170 mm of squares read back through the solved camera, photo by photo, at 1.5 to 2 pixels per millimetre."""
    for camera in zhang_cameras:
        sighting = camera.cards[0].sighting
        found = mm_from_px(replace(camera, height_mm=0.0), sighting.corners_px)
        left = bench.rigid_residual_mm(found, sighting.corners_mm)
        assert np.sqrt((left**2).mean()) < 0.35


FREE_PLANE = SolveSettings(
    usual_focal_sd=3.0, centre_sd=0.5, k1_sd=1e-9, k2_sd=1e-9, bulge_sd_mm=1e-7, lift_sd_mm=1e-7, printer_sd=1e-8
)
"""No distortion, flat true cards, focal length and centre anything: with a card's pose as free as a homography."""


def homography_place_covariance(card_mm: Array, px_from_mm: Array, sd_px: float, points_mm: Array) -> Array:
    """(N, 2, 2) by Criminisi, Reid & Zisserman: Λ_h = σ² (JᵀJ)⁻¹ of the eight numbers fitted to the card's corners,
    carried to other points of the plane."""

    def jacobians(points: Array) -> tuple[Array, Array]:
        lifted = np.column_stack([points, np.ones(len(points))])
        top = lifted @ px_from_mm.T
        there, depth = top[:, :2] / top[:, 2:], top[:, 2]
        by_h = np.zeros((len(points), 2, 8))
        by_h[:, 0, :3] = by_h[:, 1, 3:6] = lifted / depth[:, None]
        by_h[:, :, 6:] = -there[:, :, None] * points[:, None, :] / depth[:, None, None]
        by_point = (px_from_mm[None, :2, :2] - there[:, :, None] * px_from_mm[None, 2:, :2]) / depth[:, None, None]
        return by_h, by_point

    fitted = jacobians(card_mm)[0].reshape(-1, 8)
    spread = sd_px**2 * np.linalg.inv(fitted.T @ fitted)
    by_h, by_point = jacobians(points_mm)
    move = np.linalg.solve(by_point, by_h)
    return np.asarray(move @ spread @ move.transpose(0, 2, 1), float)


def test_spread_is_criminisi_s_where_the_model_is_a_homography(bench) -> None:
    sd_px, phone = 0.1, bench.phone(distance_mm=700.0, tilt_deg=30.0)
    photo, (seen,) = bench.shoot(phone, (bench.lying(bench.a4),), 0.0, stated=False)
    (camera,), _ = solve([[replace(seen, sd_px=sd_px)]], [photo], known=FREE_PLANE)
    exact, _ = cv2.findHomography(seen.corners_mm, seen.corners_px)
    points = np.array([[-100.0, 300.0], [50.0, 280.0], [350.0, 50.0], [135.0, 90.0]])
    theirs = homography_place_covariance(seen.corners_mm, exact / exact[2, 2], sd_px, points)
    ours = place_covariance_mm2(replace(camera, height_mm=0.0, bias=(0.0, 0.0)), points)
    for one, other in zip(ours, theirs, strict=True):
        assert one == pytest.approx(other, abs=0.05 * np.abs(other).max())


def test_answer_is_opencv_s_where_both_know_the_same(bench) -> None:
    """cv2.calibrateCamera on the same noisy corners, centre held, focal length and k1 free."""
    phone = bench.phone(tilt_deg=30.0, distance_mm=450.0, aim_mm=(135.0, 90.0), distortion=(-0.05, 0.0))
    photo, (seen,) = bench.shoot(phone, (bench.lying(bench.a4),), 0.1, stated=False)
    board = np.column_stack([seen.corners_mm, np.zeros(len(seen.corners_mm))]).astype(np.float32)
    guess = np.array([[phone.focal_px, 0, phone.centre_px[0]], [0, phone.focal_px, phone.centre_px[1]], [0, 0, 1]])
    held = cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_PRINCIPAL_POINT
    start = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO
    seen_px = seen.corners_px.astype(np.float32)
    _, matrix, lens, turn, shift = cv2.calibrateCamera(
        [board], [seen_px], bench.size_px, guess, None, flags=held | start
    )
    known = replace(FREE_PLANE, usual_focal_sd=10.0, k1_sd=100.0, centre_sd=1e-9)
    (camera,), _ = solve([[seen]], [photo], known=known)
    assert camera.lens.focal_px == pytest.approx(matrix[0, 0], rel=1e-3)
    assert camera.lens.k1 == pytest.approx(float(np.ravel(lens)[0]), abs=1e-3)
    assert camera.rotation == pytest.approx(cv2.Rodrigues(turn[0])[0], abs=1e-3)
    assert camera.shift_mm == pytest.approx(np.ravel(shift[0]), abs=0.5)
