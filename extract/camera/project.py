"""From the table to the picture and back, and how the picture moves with the camera's parameters.

A camera is written as eleven numbers: focal_px, k1, k2, turn (3, a rotation vector multiplied from the left onto
``rotation``), shift_mm (3), centre_px (2). The model is OpenCV's: x' = x (1 + k1 r² + k2 r⁴), px = focal · x' + centre.
"""

from __future__ import annotations

import math

import numpy as np

from extract.doors import Array, Lens, PlaneCamera

PARAMETERS = 11


def px_from_mm(camera: PlaneCamera, points_mm: Array) -> Array:
    """(N, 2) pixels of points (N, 2) mm on the stroke plane. Points behind the camera, or past the radius where
    the lens model turns back on itself, come out as infinity."""
    return px_from_table(camera, _on_strokes(camera, points_mm))


def px_from_table(camera: PlaneCamera, points_mm: Array) -> Array:
    """(N, 2) pixels of points (N, 3) mm in the plane frame (z down, away from the camera)."""
    seen = np.asarray(points_mm, float) @ camera.rotation.T + camera.shift_mm
    lens = camera.lens
    with np.errstate(divide="ignore", invalid="ignore"):
        x = seen[:, :2] / seen[:, 2:]
        r2 = (x**2).sum(axis=1, keepdims=True)
        px = lens.focal_px * x * (1 + r2 * (lens.k1 + r2 * lens.k2)) + lens.centre_px
    px[(seen[:, 2] <= 0) | (r2[:, 0] >= last_radius2(lens))] = np.inf
    return px


def last_radius2(lens: Lens) -> float:
    """Square of the undistorted radius where the lens model turns back on itself; infinity if it never does."""
    under_root = 9 * lens.k1**2 - 20 * lens.k2
    if under_root < 0:
        return math.inf
    # u² + 3 k1 u + 5 k2 = 0 for u = 1 / r²: its largest root is the nearest turning point, and none is lost to k2 → 0.
    largest = (-3 * lens.k1 + math.sqrt(under_root)) / 2
    return 1 / largest if largest > 1e-9 else math.inf


def mm_from_px(camera: PlaneCamera, points_px: Array) -> Array:
    """(N, 2) mm on the stroke plane seen at pixels (N, 2). Pixels above the horizon come out as infinity."""
    rays = rays_from_px(camera, points_px) @ camera.rotation
    eye = -camera.rotation.T @ camera.shift_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (-camera.height_mm - eye[2]) / rays[:, 2:]
        points = eye[:2] + reach * rays[:, :2]
    points[rays[:, 2] <= 0] = np.inf
    return points


def rays_from_px(camera: PlaneCamera, points_px: Array) -> Array:
    """(N, 3) viewing directions in the camera's axes, third coordinate 1: the distortion taken out by Newton's
    method on the radius, to rounding."""
    lens = camera.lens
    bent = (np.asarray(points_px, float).reshape(-1, 2) - lens.centre_px) / lens.focal_px
    target = np.hypot(bent[:, 0], bent[:, 1])
    radius = target.copy()
    for _ in range(12):
        r2 = radius**2
        slope = 1 + r2 * (3 * lens.k1 + 5 * lens.k2 * r2)
        # A lens model of strong barrel shape turns back past its last radius; the floor keeps the step finite there.
        step = (radius * (1 + r2 * (lens.k1 + lens.k2 * r2)) - target) / np.maximum(slope, 0.05)
        radius = radius - step
        if np.abs(step).max(initial=0.0) < 1e-14:
            break
    gain = np.divide(radius, target, out=np.ones_like(target), where=target > 1e-12)
    return np.column_stack([bent * gain[:, None], np.ones(len(bent))])


def parameter_jacobian(camera: PlaneCamera, points_mm: Array) -> tuple[Array, Array]:
    """How pixels (N, 2) of points (N, 3) mm move: (N, 2, 11) with the camera's parameters, (N, 2, 3) with the point."""
    lens = camera.lens
    turned = np.asarray(points_mm, float) @ camera.rotation.T
    seen = turned + camera.shift_mm
    depth = seen[:, 2]
    x = seen[:, :2] / depth[:, None]
    r2 = (x**2).sum(axis=1)
    gain = 1 + r2 * (lens.k1 + r2 * lens.k2)
    bend = 2 * lens.k1 + 4 * lens.k2 * r2
    px_from_x = lens.focal_px * (gain[:, None, None] * np.eye(2) + bend[:, None, None] * x[:, :, None] * x[:, None, :])
    x_from_seen = np.zeros((len(x), 2, 3))
    x_from_seen[:, 0, 0] = x_from_seen[:, 1, 1] = 1 / depth
    x_from_seen[:, :, 2] = -x / depth[:, None]
    px_from_seen = px_from_x @ x_from_seen
    columns = np.zeros((len(x), 2, PARAMETERS))
    columns[:, :, 0] = x * gain[:, None]
    columns[:, :, 1] = lens.focal_px * x * r2[:, None]
    columns[:, :, 2] = lens.focal_px * x * r2[:, None] ** 2
    columns[:, :, 3:6] = px_from_seen @ -_cross_matrices(turned)
    columns[:, :, 6:9] = px_from_seen
    columns[:, :, 9:11] = np.eye(2)
    return columns, px_from_seen @ camera.rotation


def _cross_matrices(vectors: Array) -> Array:
    """(N, 3, 3) matrices C with C @ w = v × w."""
    x, y, z = vectors.T
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)


def _on_strokes(camera: PlaneCamera, points_mm: Array) -> Array:
    points = np.asarray(points_mm, float).reshape(-1, 2)
    return np.column_stack([points, np.full(len(points), -camera.height_mm)])


def stroke_jacobian(camera: PlaneCamera, points_mm: Array) -> tuple[Array, Array]:
    """``parameter_jacobian`` for points (N, 2) on the stroke plane."""
    return parameter_jacobian(camera, _on_strokes(camera, points_mm))
