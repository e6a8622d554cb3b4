"""Photos of printed cards made by OpenCV alone: its board picture warped by a homography, blurred, with noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from extract.cards.design import board
from extract.doors import Array, Bytes, CardDesign, Photo
from extract.geometry.scalecard import board_corner_mm, chess_corners_mm

SIZE_PX = (2000, 1500)
PX_PER_MM = 12
RIM_MM = 8


@dataclass(frozen=True, eq=False)
class Laid:
    """A card with its paper's top-left corner at (x, y) on the table, turned by ``angle_deg``."""

    design: CardDesign
    x_mm: float
    y_mm: float
    angle_deg: float = 0.0

    def table_from_paper(self) -> Array:
        cos, sin = np.cos(np.radians(self.angle_deg)), np.sin(np.radians(self.angle_deg))
        return np.array([[cos, -sin, self.x_mm], [sin, cos, self.y_mm], [0, 0, 1]])


@dataclass(frozen=True, eq=False)
class Shot:
    photo: Photo
    truth_px: tuple[Array, ...]


def px_from_table(tilt_deg: float, px_per_mm: float, size_px: tuple[int, int], middle_mm: tuple[float, float]) -> Array:
    """A pinhole of 26 mm equivalent looking at ``middle_mm``, tilted backwards."""
    focal = 0.6 * np.hypot(*size_px)
    tilt = np.radians(tilt_deg)
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    shift = np.array([0, 0, focal / px_per_mm]) - turn @ [*middle_mm, 0]
    lens = np.array([[focal, 0, (size_px[0] - 1) / 2], [0, focal, (size_px[1] - 1) / 2], [0, 0, 1]])
    return lens @ np.column_stack([turn[:, :2], shift])


def board_picture(design: CardDesign) -> Bytes:
    """OpenCV's picture of the board with a white rim of RIM_MM."""
    size = tuple(round((n * design.square_mm + 2 * RIM_MM) * PX_PER_MM) for n in design.squares)
    return np.asarray(board(design).generateImage(size, marginSize=RIM_MM * PX_PER_MM), np.uint8)


def photograph(
    cards: tuple[Laid, ...],
    tilt_deg: float = 15.0,
    px_per_mm: float = 3.5,
    size_px: tuple[int, int] = SIZE_PX,
    middle_mm: tuple[float, float] = (150.0, 110.0),
    noise: float = 3.0,
) -> Shot:
    px_from_mm = px_from_table(tilt_deg, px_per_mm, size_px, middle_mm)
    scene = np.full((size_px[1], size_px[0]), 120.0, np.float32)
    truth = []
    for card in cards:
        # raster centres lie half a raster pixel inside the paper
        left, top = (PX_PER_MM * (side - RIM_MM) + 0.5 for side in board_corner_mm(card.design))
        paper_from_raster = np.array([[1, 0, left], [0, 1, top], [0, 0, PX_PER_MM]]) / PX_PER_MM
        px_from_raster = px_from_mm @ card.table_from_paper() @ paper_from_raster
        shrink = PX_PER_MM / px_per_mm
        soft = cv2.GaussianBlur(board_picture(card.design), (0, 0), 0.6 * shrink)
        seen = cv2.warpPerspective(soft, px_from_raster, size_px, flags=cv2.INTER_LINEAR).astype(np.float32)
        inside = cv2.warpPerspective(np.full_like(soft, 255), px_from_raster, size_px).astype(np.float32) / 255
        scene = scene * (1 - inside) + (30 + 0.75 * seen) * inside
        paper = chess_corners_mm(card.design) + board_corner_mm(card.design)
        lifted = np.column_stack([paper, np.ones(len(paper))]) @ (px_from_mm @ card.table_from_paper()).T
        truth.append(lifted[:, :2] / lifted[:, 2:])
    scene = scene + np.random.default_rng(3).normal(0, noise, scene.shape)
    grey = np.clip(np.rint(scene), 0, 255).astype(np.uint8)
    return Shot(Photo("table.jpg", np.dstack([grey] * 3), "", 0.6 * float(np.hypot(*size_px))), tuple(truth))


@pytest.fixture(scope="session")
def laid() -> type[Laid]:
    return Laid


@pytest.fixture(scope="session")
def shoot() -> Callable[..., Shot]:
    return photograph
