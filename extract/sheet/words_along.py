"""Short words that stand along lines: seam numbers, how an edge leans, tick numbers, and the arrow to the front."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely import Geometry

from extract.doors import Array, Curve, Mark, Part
from extract.geometry.arc import normals, parameters_at, tangents
from extract.geometry.curve import curve_at, curve_length, polyline_curve
from extract.sheet.layout import Box
from extract.sheet.lettering import PLAIN, text_width

_SIZE_MM, _TICK_SIZE_MM = 2.1, 2.4
_SMALLEST_MM = 1.6
_INWARDS_MM = 2.0
# Where along its line a word may stand, the best place first.
_PLACES = (0.5, 0.4, 0.6, 0.32, 0.68, 0.25, 0.75, 0.18, 0.82)
_ARROW_MM, _SHORTEST_ARROW_MM = 18.0, 5.0
_HEAD_MM = 2.5
_ARROW_CLEAR_MM = 1.0
FRONT = "front"


@dataclass(frozen=True)
class DrawnText:
    """A word centred on ``at``, its baseline turned by ``angle_deg`` from x towards y, always readable from below or
    from the right."""

    role: str
    text: str
    at: tuple[float, float]
    angle_deg: float = 0.0
    size_mm: float = _SIZE_MM

    @property
    def baseline(self) -> tuple[float, float]:
        """The middle of the baseline: a capital is about 0.72 of the font size."""
        down = np.radians(self.angle_deg + 90)
        x, y = np.array(self.at) + 0.36 * self.size_mm * np.array([np.cos(down), np.sin(down)])
        return float(x), float(y)

    @cached_property
    def box(self) -> Box:
        angle, width = np.radians(self.angle_deg), text_width(self.text, PLAIN, self.size_mm)
        x = (abs(np.cos(angle)) * width + abs(np.sin(angle)) * self.size_mm) / 2
        y = (abs(np.sin(angle)) * width + abs(np.cos(angle)) * self.size_mm) / 2
        return Box(self.at[0] - x, self.at[1] - y, self.at[0] + x, self.at[1] + y)


def words_of(part: Part, region: Geometry) -> tuple[DrawnText, ...]:
    """All words along the part's lines; those along an edge inside ``region``, clear of ticks and of each other, where
    they can be."""
    marks = [mark for mark in part.marks if mark.text and len(mark.curve.controls)]
    words = [_beyond(mark) for mark in marks if mark.use == "tick"]
    feet = [mark.curve.controls[0, 0] for mark in part.marks if mark.kind == "tick" and len(mark.curve.controls)]
    taken = [*feet, *(np.array(word.at) for word in words)]
    for mark in marks:
        if mark.use != "tick":
            word = _along(mark, region, np.array(taken).reshape(-1, 2))
            words.append(word)
            taken.append(np.array(word.at))
    return tuple(words)


def _beyond(mark: Mark) -> DrawnText:
    """The tick's number past its inner end."""
    root, tip = mark.curve.controls[0, 0], mark.curve.controls[-1, 3]
    place = tip + (tip - root) / max(float(np.linalg.norm(tip - root)), 1e-9) * 0.75 * _TICK_SIZE_MM
    return DrawnText("tick", mark.text, _pair(place), 0.0, _TICK_SIZE_MM)


def _along(mark: Mark, region: Geometry, taken: Array) -> DrawnText:
    """The word inside its line, at the first place that is free, or else at the freest."""
    length = curve_length(mark.curve)
    width = text_width(mark.text, PLAIN, _SIZE_MM)
    size = max(_SMALLEST_MM, min(_SIZE_MM, _SIZE_MM * length / max(width, 1e-9)))
    at = parameters_at(mark.curve, length * np.array(_PLACES))
    ways = tangents(mark.curve, at)
    places = curve_at(mark.curve, at) + _INWARDS_MM * normals(ways)
    gaps = np.linalg.norm(places[:, None] - taken, axis=2).min(axis=1, initial=np.inf)
    ends = np.stack([places - ways * width / 2, places + ways * width / 2])
    inside = shapely.contains_xy(region, ends[..., 0], ends[..., 1]).all(axis=0)
    free = np.flatnonzero(inside & (gaps >= width / 2 + _INWARDS_MM))
    best = int(free[0]) if len(free) else int(np.argmax(np.where(inside, gaps + 1e3, gaps)))
    role = mark.use if mark.use in ("seam", "lean") else "word"
    return DrawnText(role, mark.text, _pair(places[best]), _readable(ways[best]), size)


def _readable(direction: Array) -> float:
    """Degrees in (−90, 90] along a line that may be walked either way."""
    angle = float(np.degrees(np.arctan2(direction[1], direction[0])))
    return angle - 180 if angle > 90 else angle + 180 if angle <= -90 else angle


def arrow_of(part: Part, region: Geometry, taken: Box) -> tuple[tuple[Curve, ...], tuple[DrawnText, ...]]:
    """The arrow to the wearer's front with its word, in the largest free circle beside the lettering; nothing where the
    part has no forward direction or no room."""
    if part.forward_deg is None:
        return (), ()
    box = taken.grown(_ARROW_CLEAR_MM)
    free = region.difference(shapely.box(box.left, box.top, box.right, box.bottom))
    largest = max((one for one in shapely.get_parts(free) if one.area > 1), key=lambda one: one.area, default=None)
    if largest is None:
        return (), ()
    spoke = np.asarray(shapely.maximum_inscribed_circle(largest, tolerance=0.5).coords)
    room = float(np.linalg.norm(spoke[1] - spoke[0]))
    length = min(_ARROW_MM, 1.6 * room)
    if length < _SHORTEST_ARROW_MM:
        return (), ()
    way = np.array([np.cos(np.radians(part.forward_deg)), np.sin(np.radians(part.forward_deg))])
    side = np.array([-way[1], way[0]])
    tip, tail = spoke[0] + way * length / 2, spoke[0] - way * length / 2
    head = np.array([tip - _HEAD_MM * (way + side / 2.5), tip, tip - _HEAD_MM * (way - side / 2.5)])
    angle = _readable(way)
    above = np.array([np.sin(np.radians(angle)), -np.cos(np.radians(angle))]) * 1.6
    lines = polyline_curve(np.array([tail, tip])), polyline_curve(head)
    return lines, (DrawnText("arrow", FRONT, _pair(spoke[0] + above), angle, _SIZE_MM),)


def _pair(point: Array) -> tuple[float, float]:
    return float(point[0]), float(point[1])
