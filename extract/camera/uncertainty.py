"""How far a place, a length or a whole outline on the table may be from the truth, from the solve's covariance and
the two things a photo cannot show: the printer's scale and the strokes' height.

First-order propagation as in Criminisi, Reid & Zisserman, "A plane measuring device" (1999), with the covariance of
the full camera in place of a homography's.
"""

from __future__ import annotations

import numpy as np

from extract.camera.project import stroke_jacobian
from extract.doors import Array, PlaneCamera


def sd_mm_at(camera: PlaneCamera, points_mm: Array) -> Array:
    """(N,) 1 σ distance by which each point (N, 2) on the stroke plane may be misplaced in the plane frame, RMS over
    the two directions taken together."""
    moves = _moves_mm(camera, points_mm)
    return np.sqrt((moves**2).sum(axis=(1, 2)))


def shape_sd_mm(camera: PlaneCamera, points_mm: Array) -> float:
    """1 σ of an outline's shape: the RMS distance of its points (N, 2) from the truth after the best rigid motion.
    Zero for fewer than two points."""
    at = shape_sd_mm_at(camera, points_mm)
    return float(np.sqrt((at**2).mean())) if len(at) > 1 else 0.0


def shape_sd_mm_at(camera: PlaneCamera, points_mm: Array) -> Array:
    """(N,) the same for each point of the outline: 1 σ distance from its true place in the shape."""
    points = np.asarray(points_mm, float).reshape(-1, 2)
    if len(points) < 2:
        return np.zeros(len(points))
    moves = _moves_mm(camera, points).reshape(2 * len(points), -1)
    rigid = _rigid_basis(points)
    left = moves - rigid @ (rigid.T @ moves)
    return np.sqrt((left.reshape(len(points), -1) ** 2).sum(axis=1))


def length_sd_mm(camera: PlaneCamera, points_mm: Array, closed: bool = False) -> float:
    """1 σ of the length of the polyline (N, 2)."""
    points = np.asarray(points_mm, float).reshape(-1, 2)
    if len(points) < 2:
        return 0.0
    ends = np.roll(points, -1, axis=0) if closed else points[1:]
    steps = ends - points[: len(ends)]
    unit = steps / np.maximum(np.linalg.norm(steps, axis=1, keepdims=True), 1e-12)
    pull = np.zeros_like(points)
    pull[: len(unit)] -= unit
    pull += np.roll(unit, 1, axis=0) if closed else np.vstack([np.zeros((1, 2)), unit])
    return float(np.linalg.norm(np.einsum("ni,nik->k", pull, _moves_mm(camera, points))))


def area_sd_mm2(camera: PlaneCamera, ring_mm: Array) -> float:
    """1 σ of the area inside the closed ring (N, 2), first point not repeated."""
    ring = np.asarray(ring_mm, float).reshape(-1, 2)
    if len(ring) < 3:
        return 0.0
    # the shoelace formula's derivative: half the vector between the two neighbours, turned by a right angle
    across = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    pull = np.column_stack([across[:, 1], -across[:, 0]]) / 2
    return float(np.linalg.norm(np.einsum("ni,nik->k", pull, _moves_mm(camera, ring))))


def place_covariance_mm2(camera: PlaneCamera, points_mm: Array) -> Array:
    """(N, 2, 2) covariance of each point's place (N, 2) in the plane frame."""
    moves = _moves_mm(camera, points_mm)
    return np.asarray(moves @ moves.transpose(0, 2, 1), float)


def _moves_mm(camera: PlaneCamera, points_mm: Array) -> Array:
    """(N, 2, K) displacement of each point under each of K independent unit errors."""
    points = np.asarray(points_mm, float).reshape(-1, 2)
    px_from_parameters, px_from_point = stroke_jacobian(camera, points)
    back = -np.linalg.inv(px_from_point[:, :, :2])
    known = camera.covariance.shape[0]
    solved = back @ (px_from_parameters[:, :, :known] @ _root(camera.covariance))
    scale_sd, height_sd = camera.bias
    height = height_sd * (back @ px_from_point[:, :, 2:])
    return np.concatenate([solved, scale_sd * points[:, :, None], height], axis=2)


def _root(covariance: Array) -> Array:
    """A matrix whose product with its transpose is the covariance."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)), float)


def _rigid_basis(points_mm: Array) -> Array:
    """(2N, 3) orthonormal basis of the small rigid motions of the points."""
    x, y = (points_mm - points_mm.mean(axis=0)).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    motions = np.stack([np.stack([one, zero], 1), np.stack([zero, one], 1), np.stack([-y, x], 1)], axis=2)
    return np.asarray(np.linalg.qr(motions.reshape(-1, 3))[0], float)
