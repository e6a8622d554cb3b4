"""A printed card and a ruler beside it, drawn by OpenCV and seen by a pinhole: the printer's doing is known."""

from __future__ import annotations

import math

import cv2
import numpy as np

from extract.cards.design import board
from extract.doors import Array, Bytes, CardDesign, Photo
from extract.geometry.scalecard import board_corner_mm

FINE = 14
"""Raster pixels per mm of the drawn table."""
TABLE_MM = (380, 300)
RIM_MM = 4


def table(design: CardDesign, stretch: tuple[float, float], ruler: Bytes | None, turn_deg: float, at: Array) -> Bytes:
    """The card's paper at (20, 20) on a wooden table, printed ``stretch`` times too large along x and y, and the ruler
    with its zero at ``at``, turned."""
    rng = np.random.default_rng(8)
    # grain 3.7 mm apart, drawn smooth: a raster of whole millimetres would be a ruler of its own
    wood = rng.normal(130, 25, (TABLE_MM[1] * 10 // 37, TABLE_MM[0] * 10 // 37)).astype(np.float32)
    ground = cv2.resize(wood, (TABLE_MM[0] * FINE, TABLE_MM[1] * FINE), interpolation=cv2.INTER_CUBIC)
    picture = np.clip(ground, 0, 255).astype(np.uint8)
    size = [round((n * design.square_mm + 2 * RIM_MM) * FINE) for n in design.squares]
    printed = np.asarray(board(design).generateImage(size, marginSize=RIM_MM * FINE), np.uint8)
    left, top = (side - RIM_MM for side in board_corner_mm(design))
    x, y = stretch
    move = np.array([[x, 0, (20 + left) * FINE], [0, y, (20 + top) * FINE]], float)
    paper = np.array(
        [[20, 20], [20 + design.paper_mm[0], 20], np.add(20, design.paper_mm), [20, 20 + design.paper_mm[1]]]
    )
    cv2.fillPoly(picture, [np.round(paper * FINE).astype(np.int32)], 235)
    cv2.warpAffine(printed, move, picture.shape[::-1], picture, borderMode=cv2.BORDER_TRANSPARENT)
    if ruler is not None:
        turn = np.radians(turn_deg)
        cos, sin = math.cos(turn), math.sin(turn)
        place = np.array([[cos, -sin, at[0] * FINE], [sin, cos, at[1] * FINE]])
        cv2.warpAffine(ruler, place, picture.shape[::-1], picture, borderMode=cv2.BORDER_TRANSPARENT)
    return picture


def ruler(length_mm: int = 200, width_mm: float = 28, pitch_mm: float = 1.0, longer: bool = True) -> Bytes:
    """A steel ruler: marks 0.2 mm thick, 4 mm long, 6 at every fifth, 9 at every tenth."""
    picture = np.full((round(width_mm * FINE), (length_mm + 10) * FINE), 190, np.uint8)
    for n in range(int(length_mm / pitch_mm) + 1):
        reach = 4.0 if not longer or n % 5 else (6.0 if n % 10 else 9.0)
        x = (5 + n * pitch_mm) * FINE
        cv2.rectangle(picture, (round(x - 0.1 * FINE), 0), (round(x + 0.1 * FINE), round(reach * FINE)), 40, -1)
        if longer and n % 10 == 0:
            spot = (round(x - 2 * FINE), 14 * FINE)
            cv2.putText(picture, str(n // 10), spot, cv2.FONT_HERSHEY_SIMPLEX, 1.6, 40, 3, cv2.LINE_AA)
    return picture


def photograph(drawn: Bytes, tilt_deg: float = 6.0, size_px: tuple[int, int] = (2400, 1900)) -> Photo:
    """A pinhole of 26 mm equivalent over the table's middle, leaning back."""
    focal = 26 / math.hypot(36, 24) * math.hypot(*size_px)
    tilt = math.radians(tilt_deg)
    turn = np.array([[1, 0, 0], [0, math.cos(tilt), -math.sin(tilt)], [0, math.sin(tilt), math.cos(tilt)]])
    middle = np.array([TABLE_MM[0] / 2, TABLE_MM[1] / 2, 0.0])
    shift = np.array([0, 0, 1.06 * focal * TABLE_MM[0] / size_px[0]]) - turn @ middle
    lens = np.array([[focal, 0, (size_px[0] - 1) / 2], [0, focal, (size_px[1] - 1) / 2], [0, 0, 1]])
    # raster pixel (i, j) is the table's point ((i, j) + 1/2) / FINE
    table_from_raster = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, FINE]]) / FINE
    px_from_raster = lens @ np.column_stack([turn[:, :2], shift]) @ table_from_raster
    soft = cv2.GaussianBlur(drawn, (0, 0), 0.35 * FINE * TABLE_MM[0] / size_px[0] * 2)
    seen = cv2.warpPerspective(soft, px_from_raster, size_px, flags=cv2.INTER_LINEAR, borderValue=120)
    noisy = seen + np.random.default_rng(2).normal(0, 2.5, seen.shape)
    grey = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    return Photo("card-and-ruler.jpg", np.dstack([grey] * 3), "", focal)
