"""report.json, format "truepeel-report/1": what a run found, for scripts. Pure: a tracing in, plain values out."""

from __future__ import annotations

import math
from itertools import zip_longest
from typing import Any

import numpy as np

from extract import __version__
from extract.doors import Array, Blur, Panel, Photo, PlaneCamera, Silhouette, Stroke, Tracing
from extract.geometry.curve import curve_points, svg_path
from extract.geometry.planar import closed_up
from extract.graph.ticks import tick_places
from extract.sureness import length_on_shell_mm, panel_sds, stroke_length, stroke_sds

CHORD_MM = 0.02
MAP_MM = 20.0
DECIMALS = 4


def report(tracing: Tracing) -> dict[str, Any]:
    """The whole report as JSON-ready values; lengths in mm in the plane frame."""
    ticks = _ticks(tracing)
    return {
        "format": "truepeel-report/1",
        "program": f"truepeel {__version__}",
        "units": "mm",
        "photos": [_photo(*seen) for seen in zip_longest(tracing.photos, tracing.cameras, tracing.blurs)],
        "read_from": tracing.photos[tracing.read_from].name,
        "cards": _cards(tracing.cameras),
        "plane": {
            "sigma_mm": {"median": _round(tracing.sigma_mm[0]), "worst": _round(tracing.sigma_mm[1])},
            "px_per_mm": {"min": _round(tracing.px_per_mm[0]), "max": _round(tracing.px_per_mm[1])},
            "height_mm": tracing.settings.height_mm,
            "height": _height(tracing),
        },
        "strokes": [
            *(
                _stroke(s) | _sure(s, *sds, tracing) | ticks.get(s.id, {})
                for s, sds in zip(tracing.strokes, stroke_sds(tracing), strict=True)
            ),
            *map(_stroke, _cut_edges(tracing.silhouette)),
        ],
        "panels": [_panel(p) | _sure_panel(p, tracing) for p in tracing.panels],
        "smoothing": {"tolerance_mm": tracing.settings.smooth_mm},
        "warnings": [{"code": d.code, "message": d.message} for d in tracing.doubts],
        "timing_s": {room: round(seconds, 3) for room, seconds in tracing.timing_s.items()},
    }


def _round(value: float) -> float:
    return round(float(value), DECIMALS)


def _points(points_mm: Array) -> list[list[float]]:
    return np.round(points_mm, DECIMALS).tolist()


def _photo(photo: Photo, camera: PlaneCamera, blur: Blur | None) -> dict[str, Any]:
    """In pixels of the file; everywhere else in the report a pixel is the mean of "reduced" × "reduced" of them."""
    width, height = camera.size_px
    lens = camera.lens
    return {
        "file": photo.name,
        "width_px": width * photo.reduced,
        "height_px": height * photo.reduced,
        "focal_px": _round(lens.focal_px * photo.reduced),
        "distortion": [round(lens.k1, 6), round(lens.k2, 6)],
        "reduced": photo.reduced,
        "blur_mm": _blur(blur),
    }


def _blur(blur: Blur | None) -> dict[str, float] | None:
    """1 σ of the picture's spread on the table."""
    if blur is None:
        return None
    angle = round(math.degrees(blur.angle_rad), 1)
    return {"along": _round(blur.along_mm), "across": _round(blur.across_mm), "angle_deg": angle}


def _cards(cameras: tuple[PlaneCamera, ...]) -> list[dict[str, Any]]:
    """Each card once per photo that shows it."""
    return [
        {
            "family": card.sighting.design.family,
            "number": card.sighting.design.number,
            "photo": index,
            "corners_found": len(card.sighting.corners_px),
            "rms_px": _round(card.rms_px),
            "weight": _round(card.weight),
            "pose": {
                "x": _round(card.x_mm),
                "y": _round(card.y_mm),
                "angle_deg": _round(math.degrees(card.angle_rad)),
            },
        }
        for index, camera in enumerate(cameras)
        for card in camera.cards
    ]


def _stroke(stroke: Stroke) -> dict[str, Any]:
    return {
        "id": stroke.id,
        "kind": stroke.kind,
        "colour": stroke.colour,
        "closed": stroke.closed,
        "width": _round(stroke.width_mm),
        "sigma": _round(stroke.sigma_mm),
        "by_hand": stroke.by_hand,
        "points": _points(stroke.points_mm),
    }


def _ticks(tracing: Tracing) -> dict[str, dict[str, Any]]:
    """For each tick the line it stands on, and the way to it from that line's first point."""
    places = tick_places(tracing.silhouette, tracing.strokes)
    return {place.tick: {"edge": place.edge, "at_mm": _round(place.at_mm)} for place in places}


def _sure(stroke: Stroke, points_mm: Array, sds_mm: Array, tracing: Tracing) -> dict[str, Any]:
    """Length and 1 σ; [x, y, 1 σ] of points about a centimetre apart, in the shape of the whole shell."""
    length, sigma = stroke_length(stroke, tracing)
    return {
        "length": _round(length),
        "length_sigma": _round(sigma),
        "sigma_points": _points(np.column_stack([points_mm, sds_mm])),
    }


def _sure_panel(panel: Panel, tracing: Tracing) -> dict[str, Any]:
    """1 σ of area and perimeter, and the perimeter up and down the shell where its heights are known."""
    area_sigma, perimeter_sigma = panel_sds(panel, tracing)
    outline = closed_up(curve_points(panel.outline, CHORD_MM))
    return {
        "area_sigma_mm2": _round(area_sigma),
        "perimeter_sigma": _round(perimeter_sigma),
        "perimeter_on_shell": _round(length_on_shell_mm(tracing, outline)),
    }


def _height(tracing: Tracing) -> dict[str, Any]:
    """Height of the lying shell above the cards, its 1 σ and where it comes from; with several photos the map of
    heights, rows by y and columns by x, which means nothing beside the shell."""
    relief, camera = tracing.relief, tracing.cameras[tracing.read_from]
    if relief is None:
        return {"from": "setting", "above_cards": _round(camera.height_mm), "sigma": _round(camera.bias[1])}
    every = max(1, round(MAP_MM / relief.step_mm))
    values = np.round(relief.heights_mm[::every, ::every], 2)
    return {
        "from": "parallax",
        "above_cards": _round(relief.lying_mm),
        "sigma": _round(relief.common_sd_mm),
        "map": {
            "origin": list(map(_round, relief.origin_mm)),
            "step": _round(relief.step_mm * every),
            "values": values.tolist(),
        },
    }


def _cut_edges(silhouette: Silhouette) -> list[Stroke]:
    return [
        Stroke(f"edge-{n + 1}", "cut-edge", "none", True, 0.0, silhouette.sigma_mm, ring)
        for n, ring in enumerate(silhouette.rings_mm)
    ]


def _panel(panel: Panel) -> dict[str, Any]:
    return {
        "id": panel.id,
        "name": panel.name,
        "outline": _points(curve_points(panel.outline, CHORD_MM)),
        "holes": [_points(curve_points(hole, CHORD_MM)) for hole in panel.holes],
        "area_mm2": _round(panel.area_mm2),
        "perimeter": _round(panel.perimeter_mm),
        "sigma": _round(panel.sigma_mm),
        "smoothed": {"max": _round(panel.smoothed_mm[0]), "rms": _round(panel.smoothed_mm[1])},
        "path": svg_path(panel.outline),
    }
