"""The whole of metrology on pictures: path-traced photos with exact truth, and real photos of boards of known size."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from extract.camera.project import mm_from_px
from extract.camera.solve import solve
from extract.camera.uncertainty import sd_mm_at, shape_sd_mm
from extract.doors import Array, CardDesign, CardSighting, Photo, TraceSettings

FAMILIES = {"CARD-A4": "A4", "CARD-LETTER": "Letter", "CARD-SMALL": "small"}


def truth_sightings(truth: dict) -> tuple[CardSighting, ...]:
    """The truth's own chess corners with noise of 0.08 px, what the finder shows on these photos (tests/cards)."""
    rng, sightings = np.random.default_rng(5), []
    for card in truth["cards"]:
        spec = card["spec"]
        design = CardDesign(
            FAMILIES[card["name"]],
            card["index"],
            tuple(spec["squares"]),
            float(spec["square"]),
            float(spec["marker"]),
            card["first_id"],
            tuple(map(float, spec["size"])),
        )
        seen = np.array([card["charuco_corners_px"][key] for key in sorted(card["charuco_corners_px"], key=int)])
        across, down = design.squares
        x, y = np.meshgrid(np.arange(1, across), np.arange(1, down))
        nominal = np.column_stack([x.ravel(), y.ravel()]) * design.square_mm
        sightings.append(CardSighting(design, seen + rng.normal(0, 0.08, seen.shape), nominal, 0.08))
    return tuple(sightings)


def shell_points(truth: dict) -> tuple[Array, Array]:
    """Drawn points of all lines: plan view (N, 2) with y down, and pixels by OpenCV's projection."""
    points = np.vstack(
        [np.column_stack([line["points"], np.broadcast_to(line["z"], len(line["points"]))]) for line in truth["lines"]]
    )
    camera = truth["camera"]
    turn = cv2.Rodrigues(np.array(camera["R_world_to_cam"]))[0]
    pixels, _ = cv2.projectPoints(
        points,
        turn,
        np.array(camera["t_world_to_cam_mm"]),
        np.array(camera["K"]),
        np.array(camera["dist_k1_k2_p1_p2_k3"], float),
    )
    return points[:, :2] * (1, -1), np.asarray(pixels, float).reshape(-1, 2)


def scale_error(found: Array, truth: Array) -> float:
    """Relative error of scale by the best similarity (Umeyama 1991)."""
    a, b = found - found.mean(axis=0), truth - truth.mean(axis=0)
    return float((a**2).sum() / np.linalg.svd(a.T @ b, compute_uv=False).sum() - 1)


@pytest.mark.parametrize("scene", ["easy_0012", "hard_0032", "multi-card_0043", "two-colour_0051", "typical_0023"])
def test_lines_on_the_shell_come_out_true(bench, shared_photos: Path, scene: str) -> None:
    """Scale within 0.25 % from one A4 card and 0.1 % from more; the shape no farther off than three times its ±."""
    truth = json.loads((shared_photos / f"{scene}.truth.json").read_text())
    width, height = truth["image"]["width"], truth["image"]["height"]
    hint = truth["camera"]["f35_exif"] / np.hypot(36, 24) * np.hypot(width, height)
    blank = np.broadcast_to(np.zeros((1, 1, 3), np.uint8), (height, width, 3))
    sightings = truth_sightings(truth)
    (camera,), doubts = solve([sightings], [Photo(scene, blank, "", hint)], TraceSettings(height_mm=0.6))
    plan, pixels = shell_points(truth)
    found = mm_from_px(camera, pixels)
    left = bench.rigid_residual_mm(found, plan)
    assert not doubts
    assert abs(scale_error(found, plan)) < (0.0025 if len(sightings) == 1 else 0.001)
    assert np.sqrt((left**2).mean()) < 3 * shape_sd_mm(camera, found)
    assert np.sqrt((left**2).mean()) < 0.2


def chessboard(path: Path, across: int, down: int, square_mm: float) -> tuple[Photo, CardSighting]:
    """A photographed chessboard of ``across`` × ``down`` inner corners as one sighting (noise as measured there)."""
    pixels = cv2.imread(str(path))
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    found, corners = cv2.findChessboardCorners(grey, (across, down))
    assert found
    corners = cv2.cornerSubPix(grey, corners.astype(np.float32), (5, 5), (-1, -1), (3, 50, 1e-3))
    seen = np.asarray(corners, float).reshape(-1, 2)
    x, y = np.meshgrid(np.arange(1.0, across + 1), np.arange(1.0, down + 1))
    right, below = seen[1] - seen[0], seen[across] - seen[0]
    if right[0] * below[1] < right[1] * below[0]:  # OpenCV may number a board from any corner: keep it unmirrored
        x = across + 1 - x
    nominal = np.column_stack([x.ravel(), y.ravel()]) * square_mm
    paper = ((across + 3) * square_mm, (down + 3) * square_mm)
    design = CardDesign("A4", 0, (across + 1, down + 1), square_mm, 0.7 * square_mm, 0, paper)
    return Photo(path.name, pixels, ""), CardSighting(design, seen, nominal, 0.15)


def near_half(sighting: CardSighting) -> np.ndarray:
    """Corners on one side of the board's middle, along its long side."""
    along = sighting.corners_mm[:, int(np.ptp(sighting.corners_mm, axis=0).argmax())]
    return along <= np.median(along)


HoldOut = Callable[[Photo, CardSighting], tuple[float, float, float]]


@pytest.fixture
def hold_out() -> HoldOut:
    def run(photo: Photo, sighting: CardSighting) -> tuple[float, float, float]:
        """Half a board measures the other half: RMS error, a bare homography's RMS error, and the foretold one."""
        near = near_half(sighting)
        half = replace(sighting, corners_px=sighting.corners_px[near], corners_mm=sighting.corners_mm[near])
        (camera,), _ = solve([[half]], [photo])
        camera = replace(camera, height_mm=0.0, bias=(0.0, 0.0))
        wanted = sighting.corners_mm[~near]
        ours = mm_from_px(camera, sighting.corners_px)[~near] - wanted
        plain, _ = cv2.findHomography(half.corners_px, half.corners_mm)
        theirs = cv2.perspectiveTransform(sighting.corners_px[None], plain)[0][~near] - wanted
        rms = [float(np.sqrt((miss**2).sum(axis=1).mean())) for miss in (ours, theirs)]
        return rms[0], rms[1], float(np.sqrt((sd_mm_at(camera, wanted) ** 2).mean()))

    return run


BOARDS = {
    "opencv": ("opencv_doc/left{:02d}.jpg", (1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14), 9, 6, 25.0, 535.9157),
    "sony": ("sony_chess30mm/frame{:02d}.jpg", tuple(range(1, 14)), 4, 6, 30.0, 701.0117),
}


@pytest.mark.parametrize("board", BOARDS)
def test_half_a_board_measures_the_other_half(shared_real: Path, hold_out: HoldOut, board: str) -> None:
    """Real photos (README there): OpenCV's left01–14, 25 mm squares, strong barrel distortion; a compact camera's
    13 photos of 30 mm squares. No EXIF, lens far outside what a phone has, boards not quite flat."""
    pattern, numbers, across, down, square_mm, _ = BOARDS[board]
    runs = [hold_out(*chessboard(shared_real / pattern.format(n), across, down, square_mm)) for n in numbers]
    ours, homography, foretold = np.median(runs, axis=0)
    assert ours < 0.4 * homography
    assert ours < 0.035 * square_mm
    assert ours < 3 * foretold


@pytest.mark.parametrize("board", BOARDS)
def test_focal_length_of_one_photo_is_near_the_published(shared_real: Path, board: str) -> None:
    """Published: OpenCV's left_intrinsics.yml fx 535.9; BoofCV-Data's intrinsic.yaml fx 701.0, each from all photos
    at once. One photo alone, where it is sure of itself, must come near on the median."""
    pattern, numbers, across, down, square_mm, published = BOARDS[board]
    focals = []
    for n in numbers:
        photo, sighting = chessboard(shared_real / pattern.format(n), across, down, square_mm)
        (camera,), _ = solve([[sighting]], [photo])
        if np.sqrt(camera.covariance[0, 0]) < 0.03 * published:
            focals.append(camera.lens.focal_px)
    assert len(focals) >= 7
    assert np.median(focals) == pytest.approx(published, rel=0.03)


def test_plane_agrees_with_opencv_s_calibration(bench, shared_real: Path) -> None:
    """OpenCV calibrates the lens from all thirteen photos; taking that lens for true, the board's corners read
    through our one-photo camera must agree with those read through OpenCV's to a tenth of a millimetre."""
    pattern, numbers, across, down, square_mm, _ = BOARDS["sony"]
    shots = [chessboard(shared_real / pattern.format(n), across, down, square_mm) for n in numbers]
    boards = [np.column_stack([s.corners_mm, np.zeros(len(s.corners_mm))]).astype(np.float32) for _, s in shots]
    seen = [s.corners_px.astype(np.float32) for _, s in shots]
    _, matrix, lens, _, _ = cv2.calibrateCamera(boards, seen, shots[0][0].size_px, None, None)
    misses = []
    for photo, sighting in shots:
        (camera,), _ = solve([[sighting]], [photo])
        camera = replace(camera, height_mm=0.0)
        flat = cv2.undistortPoints(sighting.corners_px[:, None], matrix, lens)[:, 0]
        plain, _ = cv2.findHomography(flat, sighting.corners_mm)
        theirs = cv2.perspectiveTransform(flat[None], plain)[0]
        misses.append(bench.rigid_residual_mm(mm_from_px(camera, sighting.corners_px), theirs))
    assert np.sqrt(np.mean([(miss**2).mean() for miss in misses])) < 0.15


def test_printed_charuco_board_of_the_opencv_documentation(bench, shared_real: Path) -> None:
    """choriginal.jpg: 5 × 7 squares of nominally 40 mm, DICT_6X6_250, 640 × 480: a board read with every freedom of
    the lens must come out square to 1 % of a square."""
    pixels = cv2.imread(str(shared_real / "opencv_doc" / "choriginal.jpg"))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    board = cv2.aruco.CharucoBoard((5, 7), 40.0, 20.0, dictionary)
    board.setLegacyPattern(True)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(pixels)
    assert len(ids) == 24
    nominal = np.asarray(board.getChessboardCorners(), float)[np.ravel(ids), :2]
    design = CardDesign("A4", 0, (5, 7), 40.0, 20.0, 0, (200.0, 280.0))
    sighting = CardSighting(design, np.asarray(corners, float).reshape(-1, 2), nominal, 0.15)
    (camera,), _ = solve([[sighting]], [Photo("choriginal.jpg", pixels, "")])
    found = mm_from_px(replace(camera, height_mm=0.0), sighting.corners_px)
    assert np.sqrt((bench.rigid_residual_mm(found, nominal) ** 2).mean()) < 0.4


def test_phone_photo_of_a_board_measured_with_a_ruler(shared_real: Path, hold_out: HoldOut) -> None:
    """A phone's photo of a ChArUco board on a laptop's screen, squares of 38 mm by the ruler, with glare and some
    markers painted over: the ten corners left in one half measure the other ten as well as they say."""
    pixels = cv2.imread(str(shared_real / "charuco_screen" / "sample_measurement_points_on_the_board.jpg"))
    board = cv2.aruco.CharucoBoard((9, 5), 38.0, 30.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250))
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(pixels)
    nominal = np.asarray(board.getChessboardCorners(), float)[np.ravel(ids), :2]
    design = CardDesign("A4", 0, (9, 5), 38.0, 30.0, 0, (342.0, 190.0))
    sighting = CardSighting(design, np.asarray(corners, float).reshape(-1, 2), nominal, 0.3)
    ours, _, foretold = hold_out(Photo("board.jpg", pixels, ""), sighting)
    assert ours < 3 * foretold
    assert foretold < 1.0
