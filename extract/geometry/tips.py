"""Where a closed outline is cut into: the tips of its V-shaped cuts."""

from __future__ import annotations

import numpy as np

from extract.doors import Array
from extract.geometry.planar import closed_up, densified, ring_peaks

ARM_MM = 6.0
STEP_MM = 0.5
WIDEST_DEG = 60.0


def cut_tips(ring_mm: Array) -> list[tuple[Array, Array]]:
    """Tips (2,) of the V-shaped cuts that run into the shell, each with the unit direction in which it points."""
    points = densified(closed_up(np.asarray(ring_mm, float)), STEP_MM)[:-1]
    arm = round(ARM_MM / STEP_MM)
    if len(points) < 4 * arm:
        return []
    back, on = np.roll(points, arm, axis=0) - points, np.roll(points, -arm, axis=0) - points
    lengths = np.hypot(*back.T) * np.hypot(*on.T)
    between = np.degrees(np.arccos(np.clip((back * on).sum(axis=1) / np.maximum(lengths, 1e-9), -1, 1)))
    inwards = _outside_between(points, back, on)
    sharp = np.where(inwards, 180 - between, 0)
    axis = -(back + on)
    return [(points[i], axis[i] / np.hypot(*axis[i])) for i in ring_peaks(sharp, 180 - WIDEST_DEG, arm)]


def _outside_between(points: Array, back: Array, on: Array) -> np.ndarray:
    """Where the wedge between the two arms is table, not shell: the ring turns against its own sense there."""
    x, y = points.T
    sense = np.sign(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    turn = -back[:, 0] * on[:, 1] + back[:, 1] * on[:, 0]
    return np.asarray(np.sign(turn) == -sense)
