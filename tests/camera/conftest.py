"""A table with cards and a phone above it, in numbers only; every pixel comes from OpenCV's own projectPoints."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from extract.doors import Array, CardDesign, CardSighting, Photo
from extract.geometry.scalecard import board_size_mm, chess_corners_mm

A4 = CardDesign("A4", 0, (9, 6), 30.0, 22.0, 0, (297.0, 210.0))
A4_ONE = CardDesign("A4", 1, (9, 6), 30.0, 22.0, 27, (297.0, 210.0))
SMALL = CardDesign("small", 0, (5, 4), 20.0, 15.0, 500, (120.0, 100.0))

SIZE_PX = (4032, 3024)
FOCAL_PX = 26.0 / np.hypot(36, 24) * np.hypot(*SIZE_PX)
"""A 26 mm equivalent, the main camera of many phones (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Phone:
    """Truth of one picture. The camera hangs ``distance_mm`` from ``aim_mm`` on the table, tilted by ``tilt_deg``
    towards ``bearing_deg`` and rolled by ``roll_deg``."""

    focal_px: float = FOCAL_PX
    distortion: tuple[float, float] = (0.0, 0.0)
    centre_px: tuple[float, float] = ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2)
    distance_mm: float = 650.0
    aim_mm: tuple[float, float] = (0.0, 100.0)
    tilt_deg: float = 20.0
    bearing_deg: float = 30.0
    roll_deg: float = 10.0

    def pose(self) -> tuple[Array, Array]:
        """Rotation and shift, camera_from_table (z down, away from the camera)."""
        bearing, tilt, roll = np.radians([self.bearing_deg, self.tilt_deg, self.roll_deg])
        axis = np.array([-np.sin(bearing), np.cos(bearing), 0.0]) * tilt
        rotation = cv2.Rodrigues(np.array([0, 0, roll]))[0] @ cv2.Rodrigues(axis)[0]
        return rotation, np.array([0, 0, self.distance_mm]) - rotation @ [*self.aim_mm, 0]

    def sees(self, points_mm: Array, height_mm: float = 0.0) -> Array:
        """(N, 2) pixels of table points (N, 2) lying ``height_mm`` above the cards, or of points (N, 3)."""
        points = np.asarray(points_mm, float)
        if points.shape[1] == 2:
            points = np.column_stack([points, np.full(len(points), -height_mm)])
        rotation, shift = self.pose()
        x, y = self.centre_px
        matrix = np.array([[self.focal_px, 0, x], [0, self.focal_px, y], [0, 0, 1]])
        pixels, _ = cv2.projectPoints(points, cv2.Rodrigues(rotation)[0], shift, matrix, (*self.distortion, 0.0, 0.0))
        return np.asarray(pixels, float).reshape(-1, 2)


@dataclass(frozen=True, eq=False)
class Lying:
    """A card on the table: its frame turned and shifted; ``bulge_mm`` lifts it along u², uv and v²."""

    design: CardDesign
    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_rad: float = 0.0
    bulge_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    stretch: tuple[float, float] = (1.0, 1.0)

    def corners_on_table(self) -> Array:
        """(N, 3) mm, z down."""
        flat = chess_corners_mm(self.design) * self.stretch
        cos, sin = np.cos(self.angle_rad), np.sin(self.angle_rad)
        turned = flat @ np.array([[cos, sin], [-sin, cos]]) + (self.x_mm, self.y_mm)
        centre = np.array(board_size_mm(self.design)) / 2
        u, v = ((chess_corners_mm(self.design) - centre) / (max(self.design.paper_mm) / 2)).T
        a, b, c = self.bulge_mm
        height = a * u**2 + b * u * v + c * v**2
        return np.column_stack([turned, -(height - height.mean())])


Shoot = Callable[..., tuple[Photo, tuple[CardSighting, ...]]]


def shoot(
    phone: Phone,
    cards: tuple[Lying, ...],
    noise_px: float = 0.0,
    rng: np.random.Generator | None = None,
    stated: bool = True,
) -> tuple[Photo, tuple[CardSighting, ...]]:
    """The photo (without its picture) and what a perfect finder would report, with noise where asked."""
    rng = rng or np.random.default_rng(0)
    sightings = []
    for card in cards:
        seen = phone.sees(card.corners_on_table())
        seen = seen + rng.normal(0, noise_px, seen.shape) if noise_px else seen
        sightings.append(CardSighting(card.design, seen, chess_corners_mm(card.design), max(noise_px, 0.05)))
    blank = np.broadcast_to(np.zeros((1, 1, 3), np.uint8), (SIZE_PX[1], SIZE_PX[0], 3))
    return Photo("table.jpg", blank, "", FOCAL_PX if stated else None), tuple(sightings)


def rigid_residual_mm(found: Array, truth: Array) -> Array:
    """(N,) distances left after the best turn and shift (Kabsch 1976)."""
    a, b = found - found.mean(axis=0), truth - truth.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    turn = u @ np.diag([1, np.sign(np.linalg.det(u @ vt))]) @ vt
    return np.linalg.norm(a @ turn - b, axis=1)


@dataclass(frozen=True)
class Bench:
    """What the camera tests share."""

    a4: CardDesign = A4
    a4_one: CardDesign = A4_ONE
    small: CardDesign = SMALL
    focal_px: float = FOCAL_PX
    size_px: tuple[int, int] = SIZE_PX
    phone: type[Phone] = Phone
    lying: type[Lying] = Lying
    shoot: Shoot = field(default=shoot)
    rigid_residual_mm: Callable[[Array, Array], Array] = field(default=rigid_residual_mm)


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench()
