"""How surely a dark line is ink: a small network that is shown the picture laid out along the line.

Edges of tape, creases and scratches are dark lines, too. What tells ink from them is how its sides and its inside look
along some millimetres, which ``ink_net.onnx`` has learnt from scenes of our own generator (``training/ink_net.py``).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from extract.doors import Array, FlatView
from extract.ink.branches import STEP_MM, normals
from extract.ink.darkness import Image, InkField, sampled
from extract.ink.silhouette_net import network

ACROSS_MM, COLUMNS = 0.25, 24
"""6 mm of the picture are shown across a line."""

CELL = 4
"""The network answers for so many points, ``STEP_MM`` apart, at once: every 1.6 mm."""

BEYOND = 16
"""So many points more are shown beyond either end, straight on."""

TANGENT = 12
"""Straight on is said by so many points of the line."""

MOST_ROWS = 32768
"""Shown at once, for the sake of memory: a shell has some ten thousand, a shell of printed cloth any number."""

DARKEST, LIGHTEST = 1.5, -1.0
"""Bounds of ln(tape / pixel) as shown."""


def ink_odds(lines: Sequence[tuple[Array, bool]], field: InkField, flat: FlatView) -> list[Array]:
    """Log odds that a line is ink, for every CELL of its points (N, 2) mm; lines are told with whether they close."""
    if not lines:
        return []
    strips = [laid_along(points, closed, field, flat) for points, closed in lines]
    said, at, found = strips_odds(strips), 0, []
    for (points, _), strip in zip(lines, strips, strict=True):
        first = (at + BEYOND) // CELL
        found.append(said[first : first + cells(len(points))])
        at += len(strip)
    return found


def strips_odds(strips: Sequence[Image]) -> Array:
    """Log odds of ink for every CELL rows of strips one after the other."""
    net, whole, said = network("ink_net.onnx"), np.concatenate(strips), []
    for first in range(0, len(whole), MOST_ROWS):
        net.setInput(whole[first : first + MOST_ROWS].transpose(2, 0, 1)[None])
        said.append(net.forward()[0, 0, :, 0].copy())
    return np.concatenate(said).astype(float)


def cells(points: int) -> int:
    return -(-points // CELL)


def laid_along(points_mm: Array, closed: bool, field: InkField, flat: FlatView) -> Image:
    """What the network is shown of one line: (rows, COLUMNS, 3), rows a multiple of CELL, BEYOND of them before it and
    at least as many after."""
    after = BEYOND + cells(len(points_mm)) * CELL - len(points_mm)
    points_px = flat.px_from_mm(_lengthened(points_mm, closed, BEYOND, after))
    across = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * (ACROSS_MM / flat.mm_per_px)
    grid = points_px[:, None] + across[:, None] * normals(points_px, False)[:, None]
    return as_shown(sampled(field.ratio, grid.reshape(-1, 2)).reshape(*grid.shape[:2], 3))


def as_shown(ratio: npt.NDArray[np.float32]) -> Image:
    return np.clip(ratio, LIGHTEST, DARKEST)


def _lengthened(points: Array, closed: bool, before: int, after: int) -> Array:
    if closed:
        return np.take(points, np.arange(-before, len(points) + after), axis=0, mode="wrap")
    back = min(TANGENT, len(points) - 1)
    ways = [points[0] - points[back], points[-1] - points[-1 - back]]
    start, end = (way / max(float(np.hypot(*way)), 1e-9) * STEP_MM for way in ways)
    return np.vstack(
        [
            points[0] + np.arange(before, 0, -1)[:, None] * start,
            points,
            points[-1] + np.arange(1, after + 1)[:, None] * end,
        ]
    )
