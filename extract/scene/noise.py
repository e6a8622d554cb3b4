"""Smooth random fields, wobbly curves and resampled lines that everything natural in the scene is made of."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array

Plate = npt.NDArray[np.float32]


def field(rng: np.random.Generator, shape: tuple[int, int], wave_px: float | tuple[float, float]) -> Plate:
    """Zero mean, unit variance noise (rows, columns) whose bumps are about ``wave_px`` (down, across) wide."""
    waves = wave_px if isinstance(wave_px, tuple) else (wave_px, wave_px)
    rows, columns = (max(4, int(np.ceil(n / max(w, 1.0) * 2)) + 3) for n, w in zip(shape, waves, strict=True))
    coarse = rng.standard_normal((rows, columns), dtype=np.float32)
    full = cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return (full - full.mean()) / (full.std() + np.float32(1e-6))


def tile(rng: np.random.Generator, shape: tuple[int, int], wave_px: float | tuple[float, float]) -> Plate:
    """As ``field``, but opposite sides join without a seam."""
    waves = wave_px if isinstance(wave_px, tuple) else (wave_px, wave_px)
    rows, columns = (max(2, round(n / max(w, 1.0) * 2)) for n, w in zip(shape, waves, strict=True))
    pad = 3
    coarse = np.pad(rng.standard_normal((rows, columns), dtype=np.float32), pad, mode="wrap")
    zoom = shape[0] / rows, shape[1] / columns
    x = ((np.arange(shape[1], dtype=np.float32) + 0.5) / zoom[1] - 0.5) + pad
    y = ((np.arange(shape[0], dtype=np.float32) + 0.5) / zoom[0] - 0.5) + pad
    across, down = np.meshgrid(x, y)
    full = cv2.remap(coarse, across, down, cv2.INTER_CUBIC)
    return (full - full.mean()) / (full.std() + np.float32(1e-6))


def wander(rng: np.random.Generator, count: int, wave: float) -> Array:
    """Unit variance noise (count,) that turns about every ``wave`` samples."""
    knots = max(4, int(count / wave * 2) + 3)
    at = np.linspace(0, knots - 1, count)
    values = cv2.resize(rng.standard_normal((1, knots)), (knots * 8, 1), interpolation=cv2.INTER_CUBIC)[0]
    return np.interp(at, (np.arange(knots * 8) + 0.5) / 8 - 0.5, values)


def resampled(points: Array, step: float, closed: bool = False) -> Array:
    """The line through ``points`` at equal steps of about ``step``; a closed line does not repeat its first point."""
    line = np.vstack([points, points[:1]]) if closed else np.asarray(points, float)
    length = np.r_[0, np.cumsum(np.hypot(*np.diff(line, axis=0).T))]
    count = max(2, round(length[-1] / step)) + (0 if closed else 1)
    at = np.linspace(0, length[-1], count, endpoint=not closed)
    return np.c_[np.interp(at, length, line[:, 0]), np.interp(at, length, line[:, 1])]


def normals(points: Array, closed: bool = False) -> Array:
    """Unit normals (N, 2) to the left of a line."""
    ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0) if closed else np.gradient(points, axis=0)
    ahead = ahead / (np.linalg.norm(ahead, axis=1, keepdims=True) + 1e-12)
    return np.c_[-ahead[:, 1], ahead[:, 0]]
