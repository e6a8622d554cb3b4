"""Where on the pattern there is room for something more. Everything drawn is sampled once as points, so that many
places can be weighed quickly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from extract.doors import Array
from extract.sheet.drawing import DrawnPart
from extract.sheet.layout import Box

LINE_PITCH_MM = 1.0
AREA_PITCH_MM = 5.0
_AIR_MM = 2.0


@dataclass(frozen=True, eq=False)
class Crowd:
    """What is drawn: ``line_points`` (K, 2) about 1 mm apart along all lines, ``text_boxes`` (T, 4) as left, top,
    right, bottom with a little air, ``area_points`` (A, 2) on a 5 mm grid inside the parts and ``area_part`` (A,) the
    part each lies in."""

    line_points: Array
    text_boxes: Array
    area_points: Array
    area_part: npt.NDArray[np.int_]

    def near(self, window: Box) -> Crowd:
        """Only what lies in ``window``, or may reach into it."""
        inside = in_box(self.line_points, window), in_box(self.area_points, window)
        return Crowd(
            self.line_points[inside[0]], self.text_boxes, self.area_points[inside[1]], self.area_part[inside[1]]
        )


def crowd_of(drawn: Sequence[DrawnPart]) -> Crowd:
    lines = [shapely.segmentize(line.path, LINE_PITCH_MM) for part in drawn for line in part.lines]
    areas = [_area_points(part) for part in drawn]
    return Crowd(
        shapely.get_coordinates(lines),
        box_array([part.lettering.box.grown(_AIR_MM) for part in drawn]),
        np.concatenate(areas),
        np.repeat(np.arange(len(drawn)), [len(points) for points in areas]),
    )


def _area_points(part: DrawnPart) -> Array:
    left, top, right, bottom = part.region.bounds
    x, y = np.meshgrid(np.arange(left, right, AREA_PITCH_MM), np.arange(top, bottom, AREA_PITCH_MM))
    points = np.c_[x.ravel(), y.ravel()]
    shapely.prepare(part.region)
    return np.asarray(points[shapely.contains_xy(part.region, points)])


def box_array(boxes: Sequence[Box]) -> Array:
    return np.array([(box.left, box.top, box.right, box.bottom) for box in boxes], float).reshape(-1, 4)


def in_box(points: Array, box: Box) -> npt.NDArray[np.bool_]:
    low, high = (box.left, box.top), (box.right, box.bottom)
    return np.asarray(((points >= low) & (points <= high)).all(axis=1))


def points_in(boxes: Array, points: Array) -> Array:
    """How many of ``points`` (K, 2) lie in each of ``boxes`` (N, 4)."""
    x, y = points[:, 0], points[:, 1]
    left, top, right, bottom = (side[:, None] for side in boxes.T)
    return np.asarray(((x >= left) & (x <= right) & (y >= top) & (y <= bottom)).sum(axis=1), float)


def area_shared(boxes: Array, others: Array) -> Array:
    """Area in mm² that each of ``boxes`` (N, 4) shares with all of ``others`` (M, 4)."""
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    return np.asarray(np.clip(high - low, 0, None).prod(axis=2).sum(axis=1))


def gap_to(boxes: Array, points: Array) -> Array:
    """Distance (K,) from each point to the nearest of ``boxes`` (N, 4), 0 inside; infinite without boxes."""
    apart = np.maximum(boxes[None, :, :2] - points[:, None], points[:, None] - boxes[None, :, 2:])
    return np.linalg.norm(np.clip(apart, 0, None), axis=2).min(axis=1, initial=np.inf)
