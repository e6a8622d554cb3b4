"""What looks like a relief cut and is none: drawn lines that come to the cut edge, and the places along it where the
picture shows the plainest line inwards though nothing was cut there: tape edges, creases, glare."""

from __future__ import annotations

import cv2
import numpy as np
from edge_samples import Above, seen_on
from shapely import LineString, Polygon

from extract.geometry.planar import resampled

STEP_MM = 0.9
"""Points of a way, as far apart as those of a cut's middle."""

LEAST_MM, MOST_MM = 12.0, 70.0
TO_EDGE_MM = 2.0
"""A line that ends so near the cut edge comes to it."""

TRIED, KEPT = 60, 5
"""Of so many ways in, begun anywhere along the edge, so many are kept that look most like cuts."""

SLANT_DEG = 60.0
STRAIGHT_MM = (20.0, 45.0)
OFF_CUT_MM = 1.2
"""A way in keeps so far off what is cut, but for its beginning."""

BEGIN_MM = 3.0
ACROSS_MM = np.arange(-2.4, 2.41, 0.2)
INNER_MM, OUTER_MM = 0.7, 1.4


def ways(above: Above, ring: np.ndarray, white: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """Ways (N, 2) in mm into a generated shell whose outline is ``ring`` (mm), each from its deepest point back to the
    cut edge; ``white`` takes values to those under card paper's."""
    outline = LineString(np.vstack([ring, ring[:1]]))
    return [*_lines(above, outline), *_plainest(above, ring, outline, white, rng)]


def _lines(above: Above, outline: LineString) -> list[np.ndarray]:
    rest, found = above.truth["sheet"]["rest_z_mm"], []
    for drawn in above.truth["lines"]:
        if drawn["closed"]:
            continue
        points = seen_on(above.truth, rest, np.array(drawn["points"])[:, :2], np.ravel(drawn["z"]))
        for line in (points, points[::-1]):
            if outline.distance(LineString(line[:2])) < TO_EDGE_MM:
                even = resampled(line, max(2, round(LineString(line).length / STEP_MM)))
                way = even[: int(MOST_MM / STEP_MM)]
                if len(way) * STEP_MM > LEAST_MM:
                    found.append(way[::-1])
    return found


def _plainest(
    above: Above, ring: np.ndarray, outline: LineString, white: np.ndarray, rng: np.random.Generator
) -> list[np.ndarray]:
    shell, tried = Polygon(ring).buffer(0), []
    for index in rng.integers(len(ring), size=TRIED):
        chord = ring[(index + 8) % len(ring)] - ring[index - 8]
        inwards = np.array([-chord[1], chord[0]]) / max(float(np.hypot(*chord)), 1e-9)
        if not shell.covers(LineString([ring[index] + 2 * inwards, ring[index] + 3 * inwards])):
            inwards = -inwards
        turn = np.deg2rad(rng.uniform(-SLANT_DEG, SLANT_DEG))
        axis = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ inwards
        along = np.arange(0, rng.uniform(*STRAIGHT_MM), STEP_MM)
        way = ring[index] + along[:, None] * axis
        rest = LineString(way[along > BEGIN_MM])
        if shell.covers(rest) and outline.distance(rest) > OFF_CUT_MM:
            tried.append((_plainness(above, way[along > BEGIN_MM], white), way[::-1]))
    return [way for _, way in sorted(tried, key=lambda one: -one[0])[:KEPT]]


def _plainness(above: Above, way: np.ndarray, white: np.ndarray) -> float:
    """How far the middle of a strip along a way differs from what is beside it, against how it varies."""
    axis = (way[-1] - way[0]) / np.hypot(*(way[-1] - way[0]))
    grid = way[:, None] + ACROSS_MM[:, None] * np.array([-axis[1], axis[0]])
    spots = above.place(grid.reshape(-1, 2)).astype(np.float32).reshape(*grid.shape)
    seen = cv2.remap(above.seen, spots, None, cv2.INTER_LINEAR).astype(np.float32) * white
    middle, beside = (seen[:, part].mean(1) for part in (abs(ACROSS_MM) < INNER_MM, abs(ACROSS_MM) > OUTER_MM))
    off = middle - beside
    return float((np.abs(off.mean(0)) / (off.std(0) + 4)).max())
