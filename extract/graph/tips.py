"""Relief cuts that were cut up to a line: from the tip of a cut on to the stroke just beyond it.

A cut narrows to nothing at its tip, so the last of it is too thin to be seen in a photo, most of all on dark ink. A cut
that is seen to within a stroke's width of a drawn line was most likely cut to the line.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import LineString

from extract.doors import Array
from extract.geometry.planar import closed_up, densified, ring_peaks

REACH_MM = 1.75
"""From the visible tip to the middle of the line. On scenes with exact truth cuts up to a line or past it are seen to
end up to 1.7 mm before it; those that end short on purpose mostly show from 1.8 mm on. Between, it is a guess."""
ARM_MM = 6.0
STEP_MM = 0.5
WIDEST_DEG = 60.0
OVERRUN_MM = 0.05


def tip_lines(ring_mm: Array, strokes: list[LineString]) -> list[LineString]:
    """Short lines from the tips of the cuts in a ring to the first stroke straight ahead within ``REACH_MM``."""
    if not strokes:
        return []
    barriers = shapely.MultiLineString(strokes)
    out = []
    for tip, ahead in cut_tips(ring_mm):
        ray = LineString([tip, tip + REACH_MM * ahead])
        hits = shapely.get_coordinates(ray.intersection(barriers))
        if len(hits):
            far = float(((hits - tip) @ ahead).min())
            out.append(LineString([tip - OVERRUN_MM * ahead, tip + (far + OVERRUN_MM) * ahead]))
    return out


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
