"""How sure every point, length and area of a tracing is: the solve's covariance together with how well lines and edges
could be localised. All figures are 1 σ."""

from __future__ import annotations

import math

import numpy as np
import shapely

from extract.camera.uncertainty import area_sd_mm2, length_sd_mm, shape_sd_mm, shape_sd_mm_at
from extract.doors import Array, Panel, Stroke, Tracing
from extract.geometry.curve import curve_points
from extract.geometry.planar import arc_length, closed_up, densified, resampled
from extract.geometry.relief import height_at, sd_at

EVERY_MM = 10.0
"""Between points whose σ is told: camera and lens change it over decimetres."""

ALIKE_MM = 10.0
"""Over about so much of a line its localisation error is the same: the hand and the tape below it change that fast
(common practice, no source; tests/bench/bench_lengths.py holds the areas it gives against scenes of known truth)."""

OUTLINE_POINTS = 120
RING_CHORD_MM = 0.5


def point_sds_mm(tracing: Tracing, points_mm: Array) -> Array:
    """(N,) how far each point (N, 2) may be off in the shell's shape by camera, lens, cards and height alone: RMS
    distance, any common turn and shift left out."""
    camera = tracing.cameras[tracing.read_from]
    points = np.asarray(points_mm, float).reshape(-1, 2)
    outline = np.vstack([resampled(closed_up(r), OUTLINE_POINTS)[:-1] for r in tracing.silhouette.rings_mm])
    plane = shape_sd_mm_at(camera, np.vstack([outline, points]))[len(outline) :]
    if tracing.relief is None:
        return plane
    eye = -camera.rotation.T @ camera.shift_mm
    slant = np.linalg.norm(points - eye[:2], axis=1) / -eye[2]
    return np.asarray(np.hypot(plane, sd_at(tracing.relief, points) * slant), float)


def edge_sd_mm(stroke: Stroke, tracing: Tracing) -> float:
    """How far a stroke may be off across itself by its own reading, its camera's part taken out again."""
    plane = shape_sd_mm(tracing.cameras[tracing.read_from], stroke.points_mm)
    return math.sqrt(max(stroke.sigma_mm**2 - plane**2, 0.0))


def coarse_points(stroke: Stroke) -> Array:
    """Points of a stroke about ``EVERY_MM`` apart, its ends among them."""
    line = closed_up(stroke.points_mm) if stroke.closed else stroke.points_mm
    count = max(2, round(float(arc_length(line)[-1]) / EVERY_MM) + 1)
    points = resampled(line, count)
    return points[:-1] if stroke.closed and count > 2 else points


def stroke_sds(tracing: Tracing) -> list[tuple[Array, Array]]:
    """For every stroke coarse points (N, 2) and the 1 σ of each (N,)."""
    places = [coarse_points(stroke) for stroke in tracing.strokes]
    if not places:
        return []
    plane = np.split(point_sds_mm(tracing, np.vstack(places)), np.cumsum([len(p) for p in places])[:-1])
    return [
        (points, np.hypot(sds, edge_sd_mm(stroke, tracing)))
        for stroke, points, sds in zip(tracing.strokes, places, plane, strict=True)
    ]


def length_on_shell_mm(tracing: Tracing, line_mm: Array) -> float:
    """Length of a polyline (N, 2) up and down the shell where its heights are known, else as seen from above."""
    if tracing.relief is None:
        return float(arc_length(line_mm)[-1])
    dense = densified(line_mm, tracing.relief.step_mm / 2)
    rise = np.diff(height_at(tracing.relief, dense))
    return float(np.hypot(np.linalg.norm(np.diff(dense, axis=0), axis=1), rise).sum())


def stroke_length(stroke: Stroke, tracing: Tracing) -> tuple[float, float]:
    """Length mm on the shell and 1 σ; the ends of an open line are found about as well as the line is across."""
    line = closed_up(stroke.points_mm) if stroke.closed else stroke.points_mm
    length, own = length_on_shell_mm(tracing, line), edge_sd_mm(stroke, tracing)
    plane = length_sd_mm(tracing.cameras[tracing.read_from], coarse_points(stroke), stroke.closed)
    return length, math.hypot(plane, _turning_sd_mm(own, line) if stroke.closed else math.sqrt(2) * own)


def panel_sds(panel: Panel, tracing: Tracing) -> tuple[float, float]:
    """1 σ of a panel's area (mm²) and perimeter (mm), holes included."""
    camera = tracing.cameras[tracing.read_from]
    rings = [curve_points(curve, RING_CHORD_MM) for curve in (panel.outline, *panel.holes)]
    rings = [ring[:-1] if np.array_equal(ring[0], ring[-1]) else ring for ring in rings]
    own = math.sqrt(max(panel.sigma_mm**2 - shape_sd_mm(camera, rings[0]) ** 2, 0.0))
    lengths = [shapely.LinearRing(ring).length for ring in rings]
    # an edge that is off by n over a piece of length s changes the area by n s; pieces are off each by itself
    edge_area = own * math.sqrt(sum(lengths) * ALIKE_MM)
    plane_area = math.sqrt(sum(area_sd_mm2(camera, _thinned(ring)) ** 2 for ring in rings))
    plane_length = length_sd_mm(camera, _thinned(rings[0]), closed=True)
    return math.hypot(plane_area, edge_area), math.hypot(plane_length, _turning_sd_mm(own, closed_up(rings[0])))


def _thinned(ring_mm: Array) -> Array:
    """The ring by points ``EVERY_MM`` apart: σ of an area or length changes little between them."""
    closed = closed_up(ring_mm)
    return resampled(closed, max(8, round(float(arc_length(closed)[-1]) / EVERY_MM)))[:-1]


def _turning_sd_mm(own_sd_mm: float, closed_line: Array) -> float:
    """1 σ of a closed line's length: pushed outwards by n, a piece grows by n times the angle it turns through; pieces
    are off each by itself."""
    count = max(8, round(float(arc_length(closed_line)[-1]) / ALIKE_MM))
    ahead = np.diff(resampled(closed_line, count + 1), axis=0)
    heading = np.arctan2(ahead[:, 1], ahead[:, 0])
    turn = np.angle(np.exp(1j * (heading - np.roll(heading, 1))))
    return own_sd_mm * float(np.sqrt((turn**2).sum()))
