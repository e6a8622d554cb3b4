"""The camera that takes the scene: world millimetres (x, y in the table, z up) to pixels and back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array

Plate = npt.NDArray[np.float32]

GRID_PX = 8
"""Rays are solved on a grid this coarse and interpolated; the lens bends far less than 0.01 px between its nodes."""


@dataclass(frozen=True, eq=False)
class Optics:
    """x_cam = rotation @ X + shift_mm, x right, y down, z forward; lens as in OpenCV (k1, k2)."""

    size_px: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float
    rotation: Array
    shift_mm: Array

    @property
    def matrix(self) -> Array:
        return np.array([[self.focal_px, 0, self.centre_px[0]], [0, self.focal_px, self.centre_px[1]], [0, 0, 1.0]])

    @property
    def place_mm(self) -> Array:
        """Where the camera is, (3,)."""
        return -self.rotation.T @ self.shift_mm

    def pixels(self, points_mm: Array) -> Array:
        """Pixels (N, 2) of world points (N, 3)."""
        cam = np.asarray(points_mm, float) @ self.rotation.T + self.shift_mm
        x = cam[:, :2] / cam[:, 2:]
        r2 = np.sum(x**2, axis=1, keepdims=True)
        return x * (1 + self.k1 * r2 + self.k2 * r2**2) * self.focal_px + np.asarray(self.centre_px)

    def rays(self, pixels: Array) -> Array:
        """World directions (N, 3) of pixels (N, 2)."""
        lens = np.array([self.k1, self.k2, 0, 0])
        stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-12)
        flat = cv2.undistortPoints(
            np.asarray(pixels, float).reshape(-1, 1, 2), self.matrix, lens, None, None, None, stop
        ).reshape(-1, 2)
        return np.c_[flat, np.ones(len(flat))] @ self.rotation

    def on_surface(self, pixels: Array, height: Callable[[Array], Array]) -> Array:
        """World x, y (N, 2) where the pixels' rays meet z = height(x, y), a surface of gentle slopes."""
        rays, place = self.rays(pixels), self.place_mm
        slope = rays[:, :2] / rays[:, 2:]
        xy = place[:2] - slope * place[2]
        for _ in range(12):
            xy = place[:2] + slope * (height(xy) - place[2])[:, None]
        return xy


def posed(
    size_px: tuple[int, int],
    focal_px: float,
    lens: tuple[float, float],
    centre_px: tuple[float, float],
    target_mm: Array,
    distance_mm: float,
    up: float,
    tilt: tuple[float, float],
) -> Optics:
    """A camera looking at ``target_mm`` (x, y on the table). ``up`` is the direction of the picture's upper edge in
    the table (radians), ``tilt`` the angle off the vertical and the direction it leans to, seen from ``up``."""
    angle, side = tilt
    lean = up + np.pi + side
    away = np.array([np.cos(lean) * np.sin(angle), np.sin(lean) * np.sin(angle), np.cos(angle)])
    forward = -away
    right = np.cross(forward, [np.cos(up), np.sin(up), 0.0])
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    place = np.array([*target_mm, 0.0]) + distance_mm * away
    return Optics(size_px, focal_px, centre_px, *lens, rotation, -rotation @ place)


@dataclass(frozen=True, eq=False)
class NodeGrid:
    """Nodes every GRID_PX pixels over a box of the picture, one spare ring of nodes outside it."""

    rows: slice
    columns: slice

    def nodes_px(self) -> tuple[Array, tuple[int, int]]:
        """Node pixels (N, 2) and the grid's (rows, columns)."""
        x = self._axis(self.columns)
        y = self._axis(self.rows)
        grid = np.stack(np.meshgrid(x, y), axis=-1)
        return grid.reshape(-1, 2), (len(y), len(x))

    def spread(self, values: Array, shape: tuple[int, int]) -> Plate:
        """Bilinear interpolation of node values (N,) to every pixel of the box."""
        coarse = np.asarray(values, np.float32).reshape(shape)
        full = cv2.resize(coarse, (shape[1] * GRID_PX, shape[0] * GRID_PX), interpolation=cv2.INTER_LINEAR)
        height, width = self.rows.stop - self.rows.start, self.columns.stop - self.columns.start
        inner: Plate = np.asarray(full[GRID_PX : GRID_PX + height, GRID_PX : GRID_PX + width], np.float32)
        return inner

    @staticmethod
    def _axis(span: slice) -> Array:
        count = -(-(span.stop - span.start) // GRID_PX) + 2
        return span.start + (np.arange(count) - 1) * GRID_PX + (GRID_PX - 1) / 2
