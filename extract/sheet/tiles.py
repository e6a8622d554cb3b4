"""What a pattern page carries besides the pattern: joints with their marks, and the check lines. Pure geometry in mm.

Everything that belongs to a joint lies in the overlap, so it vanishes once the pages are joined.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from extract.doors import Array
from extract.sheet.layout import OVERLAP_MM, Box, Grid, Tile
from extract.sheet.room import AREA_PITCH_MM, LINE_PITCH_MM, Crowd, area_shared, box_array, points_in

CHECK_LENGTHS_MM = (("4 in", 101.6), ("100 mm", 100.0))
# Clear of the trim line, which lies half an overlap inside the window.
CHECK_INSET_MM = 8.5
_CHECK_PITCH_MM = 3.4
_CHECK_START_MM = 7.0
_CHECK_TEXT_MM = 11.0
_NAME_MM = (46.0, 16.0)
_NAME_GAP_MM = 4.0
MARK_RADIUS_MM = 3.0
_STEP_INWARD_MM = 12.0
_TICK_CLEAR_MM = 3.0
# Between the marks, which stand at a quarter and at three quarters.
_STRIP_SHARES = (0.5, 0.45, 0.55, 0.4, 0.6)


Place = tuple[tuple[int, int], tuple[float, float]]
"""A corner of the page, and the distance from its two sides."""


@dataclass(frozen=True)
class Joint:
    """A trim line as one page shows it. ``upright``: the line runs along y. ``on_top``: this page lies on its
    neighbour and is cut along the line; else the neighbour is laid to the line. ``marks`` lie on the line and are
    the same points on both pages."""

    start: tuple[float, float]
    end: tuple[float, float]
    upright: bool
    on_top: bool
    neighbour: str
    marks: tuple[tuple[float, float], ...]

    def strip_point(self, share: float) -> tuple[float, float]:
        """A point in the middle of the strip that is cut off or covered, ``share`` of the way along."""
        x = self.start[0] + share * (self.end[0] - self.start[0])
        y = self.start[1] + share * (self.end[1] - self.start[1])
        out = (-1 if self.on_top else 1) * OVERLAP_MM / 4
        return (x + out, y) if self.upright else (x, y + out)

    def strip_box(self, share: float, width_mm: float, height_mm: float) -> Box:
        """Where lettering of that size would stand around the strip's point."""
        (x, y), (w, h) = self.strip_point(share), (width_mm, height_mm)
        w, h = (h, w) if self.upright else (w, h)
        return Box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)


@dataclass(frozen=True)
class CheckLine:
    """A line of known length with a tick at both ends; ``text_at`` is where its lettering starts or ends."""

    label: str
    start: tuple[float, float]
    end: tuple[float, float]
    upright: bool


@dataclass(frozen=True)
class CheckCorner:
    """Four check lines along two sides of a corner, and the box of the page's name in its angle. ``inward`` (±1, ±1)
    points from the corner to the middle of the page."""

    lines: tuple[CheckLine, ...]
    name_box: Box
    inward: tuple[int, int]
    boxes: tuple[Box, ...]


def joints(grid: Grid, tile: Tile) -> tuple[Joint, ...]:
    """The trim lines of a page: one for each printed neighbour."""
    found = []
    window, half = tile.window, OVERLAP_MM / 2
    for down, right, at in (
        (0, -1, window.left + half),
        (0, 1, window.right - half),
        (-1, 0, window.top + half),
        (1, 0, window.bottom - half),
    ):
        other = grid.neighbour(tile, down, right)
        if other is None:
            continue
        if right:
            ends = (at, window.top), (at, window.bottom)
            marks = tuple((at, y) for y in _quarters(tile.core.top, tile.core.bottom))
        else:
            ends = (window.left, at), (window.right, at)
            marks = tuple((x, at) for x in _quarters(tile.core.left, tile.core.right))
        found.append(Joint(*ends, bool(right), down + right < 0, other.name, marks))
    return tuple(found)


def check_corner(window: Box, corner: tuple[int, int], inset_mm: tuple[float, float] | None = None) -> CheckCorner:
    """The check lines in one corner of ``window``: (-1, -1) is top left, (1, 1) bottom right; ``inset_mm`` is their
    distance from the window's sides."""
    inset = inset_mm or (CHECK_INSET_MM, CHECK_INSET_MM)
    inward = -corner[0], -corner[1]
    x = (window.left if corner[0] < 0 else window.right) + inward[0] * inset[0]
    y = (window.top if corner[1] < 0 else window.bottom) + inward[1] * inset[1]
    lines = []
    for row, (label, length) in enumerate(CHECK_LENGTHS_MM):
        aside, near, far = row * _CHECK_PITCH_MM, _CHECK_START_MM, _CHECK_START_MM + length
        sx, sy = inward
        lines.append(CheckLine(label, (x + sx * near, y + sy * aside), (x + sx * far, y + sy * aside), False))
        lines.append(CheckLine(label, (x + sx * aside, y + sy * near), (x + sx * aside, y + sy * far), True))
    reach = _CHECK_START_MM + CHECK_LENGTHS_MM[0][1] + _CHECK_TEXT_MM
    name = _CHECK_PITCH_MM + _NAME_GAP_MM
    name_box = _box_from(x + inward[0] * name, y + inward[1] * name, inward[0] * _NAME_MM[0], inward[1] * _NAME_MM[1])
    arms = (
        _box_from(x, y, inward[0] * reach, inward[1] * _CHECK_PITCH_MM).grown(1.5),
        _box_from(x, y, inward[0] * _CHECK_PITCH_MM, inward[1] * reach).grown(1.5),
    )
    return CheckCorner(tuple(lines), name_box, inward, (*arms, name_box))


def emptiest_corner(window: Box, crowd: Crowd) -> CheckCorner:
    """The corner where check lines disturb least: lettering first, then drawn lines (at the ticks above all), then the
    inside of parts, then the way from the page's corner. ``crowd`` is what lies
    in the window."""
    places, boxes, ticks, inward = _candidates(round(window.width, 6), round(window.height, 6))
    shift = np.array([window.left, window.top] * 2)

    def per_place(values: Array) -> Array:
        return np.asarray(values.reshape(len(places), -1).sum(axis=1))

    taken = (boxes + shift).reshape(-1, 4)
    cost = (
        40.0 * per_place(area_shared(taken, crowd.text_boxes))
        + LINE_PITCH_MM * per_place(points_in(taken, crowd.line_points))
        + 10.0 * LINE_PITCH_MM * per_place(points_in((ticks + shift).reshape(-1, 4), crowd.line_points))
        + 0.01 * AREA_PITCH_MM**2 * per_place(points_in(taken, crowd.area_points))
        + 0.05 * inward
    )
    return check_corner(window, *places[int(np.argmin(np.round(cost, 3)))])


@cache
def _candidates(width: float, height: float) -> tuple[list[Place], Array, Array, Array]:
    """Places for check lines in a window of this size whose corner is (0, 0): every corner, and shifted inward in
    steps. With their boxes (N, 3, 4), boxes around their ticks (N, 8, 4) and how far they are shifted (N,)."""
    window = Box(0.0, 0.0, width, height)
    reach = 2 * CHECK_INSET_MM + _CHECK_START_MM + CHECK_LENGTHS_MM[0][1] + _CHECK_TEXT_MM
    places: list[Place] = [
        (corner, (CHECK_INSET_MM + x, CHECK_INSET_MM + y))
        for corner in ((-1, 1), (-1, -1), (1, -1), (1, 1))
        for x in np.arange(0.0, max(width - reach, 0.0) + 1e-9, _STEP_INWARD_MM).tolist()
        for y in np.arange(0.0, max(height - reach, 0.0) + 1e-9, _STEP_INWARD_MM).tolist()
    ]
    blocks = [check_corner(window, *place) for place in places]
    boxes = np.array([box_array(block.boxes) for block in blocks])
    ends = np.array([[end for line in block.lines for end in (line.start, line.end)] for block in blocks])
    ticks = np.concatenate([ends - _TICK_CLEAR_MM, ends + _TICK_CLEAR_MM], axis=2)
    inward = np.array([inset[0] + inset[1] for _, inset in places]) - 2 * CHECK_INSET_MM
    return places, boxes, ticks, inward


def free_share(joint: Joint, width_mm: float, height_mm: float, crowd: Crowd) -> float:
    """Where along the joint lettering of that size meets the least ink, the middle if it is free there."""
    boxes = box_array([joint.strip_box(share, width_mm, height_mm) for share in _STRIP_SHARES])
    return _STRIP_SHARES[int(np.argmin(points_in(boxes, crowd.line_points)))]


def _quarters(low: float, high: float) -> tuple[float, float]:
    return low + (high - low) / 4, low + 3 * (high - low) / 4


def _box_from(x: float, y: float, width: float, height: float) -> Box:
    return Box(min(x, x + width), min(y, y + height), max(x, x + width), max(y, y + height))
