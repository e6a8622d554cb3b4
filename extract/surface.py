"""What the drawing surface shows: the flat view cropped to the shell, and lines and panels thin enough to draw quickly.

Everything is mm in the plane frame and JSON-ready; figures that matter are taken before anything is thinned.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from extract.correction import MEANINGS
from extract.doors import Array, CannotContinue, Curve, Panel, Stroke, Tracing
from extract.geometry.curve import curve_points
from extract.geometry.planar import arc_length, closed_up
from extract.guesses import guesses
from extract.ink.follow import follow_ink
from extract.reading import READING, reading_json, without_pictures
from extract.rework import HAND_SIGMA_MM

MARGIN_MM = 15.0
"""Enough table around the shell to see whether the cut edge runs along it."""
LONG_SIDE_PX = 2600
MOST_BYTES = 2_000_000
QUALITIES = (82, 70, 55, 40)
THIN_MM = 0.04
"""A tenth of a screen pixel at the nearest zoom that is of use."""
SHARP_DEG = 20.0
SAME_CORNER_MM = 0.8
PICTURE, FRAME = "flat.jpg", "flat.json"


def write_surface(tracing: Tracing, folder: Path) -> Tracing:
    """What correcting by hand needs later, into a fresh folder; returns that, ready to go on from."""
    picture, frame = flat_picture(tracing)
    (folder / READING).write_bytes(reading_json(tracing))
    (folder / PICTURE).write_bytes(picture)
    (folder / FRAME).write_text(json.dumps(frame), "utf-8")
    return without_pictures(tracing)


def flat_picture(tracing: Tracing) -> tuple[bytes, dict[str, float]]:
    """JPEG of the flat view around the shell, 2 MB at most, and its frame: left, top, width and height of the picture
    in mm, pixels' outer edges."""
    flat = tracing.flat
    low, high = (extreme(np.vstack(tracing.silhouette.rings_mm), axis=0) for extreme in (np.min, np.max))
    size = np.array(flat.pixels.shape[1::-1])
    first = np.clip(np.floor(flat.px_from_mm(low - MARGIN_MM)), 0, size - 1).astype(int)
    last = np.clip(np.ceil(flat.px_from_mm(high + MARGIN_MM)), first, size - 1).astype(int)
    crop = flat.pixels[first[1] : last[1] + 1, first[0] : last[0] + 1]
    scale = min(1.0, LONG_SIDE_PX / max(crop.shape[:2]))
    small = cv2.resize(crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    left, top = flat.mm_from_px(first - 0.5)
    width, height = (last - first + 1) * flat.mm_per_px
    frame = {"left": float(left), "top": float(top), "width": float(width), "height": float(height)}
    return _jpeg(np.asarray(small, np.uint8)), frame


def followed(picture: bytes, frame: Mapping[str, float], points_mm: Sequence[Sequence[float]]) -> list[list[float]]:
    """Points along the ink in the flat picture from each given place (mm) to the next; straight where there is none."""
    grey = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        raise CannotContinue("surface", "The flat view cannot be read.", "Trace the photo once more.")
    mm_per_px = frame["width"] / grey.shape[1]
    origin = frame["left"] + mm_per_px / 2, frame["top"] + mm_per_px / 2
    found = follow_ink(np.asarray(grey, np.uint8), mm_per_px, origin, np.array(points_mm, float))
    return np.round(found, 3).tolist()


def drawing(tracing: Tracing) -> dict[str, Any]:
    """Lines, cut edges, panels and corners of a tracing, and what the corrections left to say."""
    said = [doubt.message for doubt in tracing.doubts if doubt.code in ("correction-idle", "by-hand")]
    return {
        "lines": [
            *(_line(stroke, tracing.cut_colour) for stroke in tracing.strokes),
            *(_edge(n, ring, tracing) for n, ring in enumerate(tracing.silhouette.rings_mm, start=1)),
        ],
        "panels": [_panel(panel, n, tracing) for n, panel in enumerate(tracing.panels)],
        "corners": _corners(tracing),
        "guesses": guesses(tracing.silhouette),
        "handSigma": HAND_SIGMA_MM,
        "said": said,
    }


def meaning_of(stroke: Stroke, cut_colour: str) -> str:
    """The maker's word for what a stroke is for, one of ``correction.MEANINGS``."""
    if stroke.kind == "marker":
        return "cut" if stroke.colour == cut_colour else "reference"
    meaning = {"ring": "hole"}.get(stroke.kind, stroke.kind)
    return meaning if meaning in MEANINGS else "note"


def _jpeg(pixels: np.ndarray) -> bytes:
    for quality in QUALITIES:
        done, content = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
        if not done:
            raise CannotContinue("surface", "The flat view could not be made a picture.", "Try a smaller photo.")
        if content.nbytes <= MOST_BYTES:
            break
    return content.tobytes()


@lru_cache(maxsize=1024)
def _line(stroke: Stroke, cut_colour: str) -> dict[str, Any]:
    return {
        "id": stroke.id,
        "meaning": meaning_of(stroke, cut_colour),
        "colour": stroke.colour,
        "closed": stroke.closed,
        "width": round(stroke.width_mm, 2),
        "sigma": round(stroke.sigma_mm, 3),
        "byHand": stroke.by_hand,
        "length": round(_length(stroke.points_mm, stroke.closed), 1),
        "points": _thin(stroke.points_mm, stroke.closed),
    }


def _edge(number: int, ring: Array, tracing: Tracing) -> dict[str, Any]:
    return {
        "id": f"edge-{number}",
        "meaning": "edge",
        "colour": "none",
        "closed": True,
        "width": 0.0,
        "sigma": round(tracing.silhouette.sigma_mm, 3),
        "byHand": False,
        "length": round(_length(ring, True), 1),
        "points": _thin(ring, True),
    }


def _length(points: Array, closed: bool) -> float:
    return float(arc_length(closed_up(points) if closed else points)[-1])


def _thin(points: Array, closed: bool) -> list[list[float]]:
    line = shapely.LineString(closed_up(points) if closed else points).simplify(THIN_MM)
    kept = np.round(shapely.get_coordinates(line), 3).tolist()
    return kept[:-1] if closed else kept


def _panel(panel: Panel, index: int, tracing: Tracing) -> dict[str, Any]:
    part = tracing.pattern.parts[index]
    return {
        "id": panel.id,
        "number": part.number,
        "name": panel.name,
        "area": round(panel.area_mm2, 1),
        "perimeter": round(panel.perimeter_mm, 1),
        "sigma": round(panel.sigma_mm, 3),
        "at": [round(value, 2) for value in part.label_mm],
        "outline": _outline(panel.outline),
        "holes": [_outline(hole) for hole in panel.holes],
    }


def _outline(curve: Curve) -> list[list[float]]:
    return np.round(curve_points(curve, THIN_MM), 3).tolist()


def _corners(tracing: Tracing) -> list[list[float]]:
    """Places worth taking hold of: sharp turns of the panels' outlines, and ends of the lines that part or guide."""
    ends = [s.points_mm[i] for s in tracing.strokes if not s.closed and s.kind == "marker" for i in (0, -1)]
    kept: list[Array] = []
    for place in [*(corner for panel in tracing.panels for corner in _sharp(panel.outline)), *ends]:
        if all(np.hypot(*(place - other)) > SAME_CORNER_MM for other in kept):
            kept.append(place)
    return np.round(kept, 3).tolist() if kept else []


def _sharp(outline: Curve) -> Sequence[Array]:
    """Joints where the outline turns by more than ``SHARP_DEG``."""
    into = outline.controls[:, 3] - outline.controls[:, 2]
    away = np.roll(outline.controls[:, 1] - outline.controls[:, 0], -1, axis=0)
    turn = np.degrees(np.abs(np.arctan2(into[:, 0] * away[:, 1] - into[:, 1] * away[:, 0], (into * away).sum(axis=1))))
    return list(outline.controls[turn > SHARP_DEG, 3])
