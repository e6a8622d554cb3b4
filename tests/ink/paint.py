"""Flat views painted for the tests: tape of uneven grey with strokes of known place, width and colour."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from extract.doors import FlatView, Silhouette

MM_PER_PX = 0.2
SIZE_MM = (160.0, 120.0)
SHELL = np.array([[10.0, 10.0], [150, 10], [150, 110], [10, 110]])
BLACK, RED, BLUE = (0.12, 0.11, 0.12), (0.2, 0.18, 0.85), (0.8, 0.35, 0.2)
"""Share of the tape's light that ink sends back, in B, G, R."""


def line(*points, step=0.02):
    """Dense points along a polyline."""
    points = np.asarray(points, float)
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
    at = np.arange(0, along[-1] + step, step).clip(max=along[-1])
    return np.c_[np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])]


def arc(centre, radius, start_deg=0.0, end_deg=360.0):
    turn = np.radians(np.arange(start_deg, end_deg, 0.05))
    return np.asarray(centre) + radius * np.c_[np.cos(turn), np.sin(turn)]


def grid_mm(mm_per_px=MM_PER_PX):
    x, y = (np.arange(0, side, mm_per_px) for side in SIZE_MM)
    return np.stack(np.meshgrid(x, y), axis=-1)


def paint(strokes, noise=3.0, seed=0, tape=110.0, blur_px=0.8, light=lambda x, y: 1.0 + 0.002 * (x - 80)):
    """A flat view of a rectangular shell; ``strokes`` are (dense points, width_mm, ink colour)."""
    grid = grid_mm()
    x, y = grid[..., 0], grid[..., 1]
    inside = (abs(x - 80) <= 70) & (abs(y - 60) <= 50)
    picture = np.where(inside[..., None], tape, 200.0) * np.ones(3)
    picture *= np.broadcast_to(light(x, y), x.shape)[..., None]
    for points, width, colour in strokes:
        apart = cKDTree(points).query(grid.reshape(-1, 2), distance_upper_bound=width)[0].reshape(x.shape)
        cover = np.clip((width / 2 - apart) / MM_PER_PX + 0.5, 0, 1) * inside
        picture *= 1 - cover[..., None] * (1 - np.asarray(colour))
    picture = np.stack([gaussian_filter(picture[..., c], blur_px) for c in range(3)], axis=-1)
    picture += np.random.default_rng(seed).normal(0, noise, picture.shape)
    pixels = picture.clip(0, 255).round().astype(np.uint8)
    return FlatView(pixels, MM_PER_PX, (0.0, 0.0), np.ones(x.shape, bool)), Silhouette(
        (SHELL,), 0.05, (np.zeros(4, bool),)
    )


def apart_mm(points, truth):
    """Distance of each point from the true line."""
    return cKDTree(truth).query(points)[0]
