"""Projects of the first version kept no build, only their report ("truepeel-report/1"): its panels and strokes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, get_args

import numpy as np

from extract.doors import Array, Curve, Panel, Stroke, StrokeKind
from extract.geometry.curve import curve_area, curve_length, polyline_curve
from extract.keep.text import MOST_CUBICS, MOST_MM, MOST_PIECES, Spoilt

_WORD = re.compile(r"[MLCZ]|-?\d{1,9}(?:\.\d{1,9})?")
_NUMBERS = {"M": 2, "L": 2, "C": 6, "Z": 0}
_MOST_POINTS = 500_000
_MOST_STROKES = 20_000


def traced_in(report: Mapping[str, Any]) -> tuple[tuple[Panel, ...], tuple[Stroke, ...]]:
    """The panels, outlines as they were fitted, and the strokes. Raises Spoilt, or KeyError and the like."""
    panels, strokes = report["panels"], report["strokes"]
    if len(panels) > MOST_PIECES or len(strokes) > _MOST_STROKES:
        raise Spoilt("far more lines than a shell has")
    return tuple(_panel(panel) for panel in panels), tuple(_stroke(s) for s in strokes if s["kind"] != "cut-edge")


def _panel(value: Mapping[str, Any]) -> Panel:
    outline = path_curve(value["path"])
    holes = tuple(polyline_curve(_points(hole), closed=True) for hole in value["holes"])
    return Panel(
        id=str(value["id"]),
        outline=outline,
        holes=holes,
        area_mm2=curve_area(outline) + sum(curve_area(hole) for hole in holes),
        perimeter_mm=curve_length(outline),
        sigma_mm=float(value["sigma"]),
    )


def _stroke(value: Mapping[str, Any]) -> Stroke:
    if value["kind"] not in get_args(StrokeKind):
        raise Spoilt("a line of unknown kind")
    width, sigma, closed = float(value["width"]), float(value["sigma"]), value["closed"] is True
    return Stroke(
        str(value["id"]), value["kind"], str(value["colour"])[:40], closed, width, sigma, _points(value["points"])
    )


def _points(value: Any) -> Array:
    if not isinstance(value, list) or not 2 <= len(value) <= _MOST_POINTS:
        raise Spoilt("a line without points")
    if any(len(pair) != 2 or not {float, int}.issuperset(map(type, pair)) for pair in value):
        raise Spoilt("points that are none")
    points = np.array(value, float)
    if not (np.abs(points) <= MOST_MM).all():
        raise Spoilt("points of absurd size")
    return points


def path_curve(path: str) -> Curve:
    """The closed curve of an SVG path of absolute M, L, C and Z, as the report writes them. Raises Spoilt."""
    words = path.split()
    if not words or len(words) > 8 * MOST_CUBICS or not all(_WORD.fullmatch(word) for word in words):
        raise Spoilt("an outline that is no path")
    start = here = np.zeros(2)
    controls: list[Array] = []
    straight: list[bool] = []
    at = 0
    while at < len(words):
        verb, count = words[at], _NUMBERS[words[at]]
        points = np.array(words[at + 1 : at + 1 + count], float).reshape(-1, 2)
        at += 1 + count
        if verb == "M":
            start = here = points[0]
            continue
        line = verb != "C"
        end = start if verb == "Z" else points[-1]
        if not line or (end != here).any():
            third = (end - here) / 3
            controls.append(np.array([here, here + third, end - third, end]) if line else np.vstack([here, points]))
            straight.append(line)
        here = end
    if not controls or (here != start).any():
        raise Spoilt("an outline that does not close")
    return Curve(np.array(controls), np.array(straight), True)
