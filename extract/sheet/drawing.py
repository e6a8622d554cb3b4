"""What a pattern looks like, said once: lines with a style, and lettering. The PDF, SVG and DXF writers only write it.

Coordinates are the pattern's own: mm, x right, y down.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from shapely import Geometry, Polygon

from extract.doors import CannotContinue, Curve, Mark, Part, Pattern
from extract.geometry.curve import curve_points, polyline_curve
from extract.sheet.layout import Box, box_around
from extract.sheet.lettering import Lettering, part_name, place_lettering
from extract.sheet.styles import BURN, CENTRE, CUT, DETAIL, SCORE, LineStyle, inked, reference_styles
from extract.sheet.words_along import DrawnText, arrow_of, words_of

# Only for placing things, never for cutting: coarse enough to be quick.
_LAYOUT_CHORD_MM = 0.1
# A hole that is this round gets a centre cross; a hand-drawn ring strays by some per cent of its size.
_ROUND = 0.97
_LARGEST_PUNCH_MM = 50.0
_CROSS_BEYOND_MM = 2.0
WORDS_ONLY = ("seam", "lean")
_USED = {"score": ("score", SCORE), "burn": ("burn", BURN), "centre": ("axis", CENTRE)}


@dataclass(frozen=True, eq=False)
class DrawnLine:
    """One line: ``role`` is "outline", "hole", "reference", "score", "burn", "axis", "tick", "ring", "note", "centre",
    "arrow" or "leader"; ``phase_mm`` is where along the dash pattern the line starts."""

    role: str
    style: LineStyle
    curve: Curve
    colour: str = "black"
    phase_mm: float = 0.0

    @cached_property
    def path(self) -> Geometry:
        """The line as a coarse polyline, for placing things around it."""
        points = curve_points(self.curve, _LAYOUT_CHORD_MM)
        return shapely.linestrings(np.vstack([points, points[:1]]) if self.curve.closed else points)

    @cached_property
    def box(self) -> Box:
        """Contains the line: a Bézier never leaves the hull of its controls."""
        (left, top), (right, bottom) = self.curve.controls.min(axis=(0, 1)), self.curve.controls.max(axis=(0, 1))
        return Box(float(left), float(top), float(right), float(bottom)).grown(self.style.width_mm)


@dataclass(frozen=True, eq=False)
class DrawnPart:
    """A part with all its lines, cut lines last so that they lie on top. ``region`` is its area, for placing only;
    ``words`` stand along lines."""

    part: Part
    id: str
    name: str
    lines: tuple[DrawnLine, ...]
    lettering: Lettering
    region: Geometry
    words: tuple[DrawnText, ...] = ()

    @property
    def things(self) -> tuple[Geometry, ...]:
        """The areas a page must show: the part, and whatever of its drawing lies outside."""
        shapes = [self.region]
        for line in self.lines:
            if line.role not in ("outline", "hole"):
                shapes.append(line.path)
        box = self.lettering.box
        shapes.append(shapely.box(box.left, box.top, box.right, box.bottom))
        return tuple(shapes)

    @cached_property
    def box(self) -> Box:
        lines, words = (line.box for line in self.lines), (word.box for word in self.words)
        return box_around([*lines, *words, self.lettering.box])


def draw_pattern(pattern: Pattern) -> tuple[DrawnPart, ...]:
    """Every part's lines and lettering. Raises CannotContinue for a pattern without parts or a part without area."""
    if not pattern.parts:
        raise CannotContinue("sheet", "The pattern has no parts to print.", "Trace a shell with closed panels first.")
    regions = [_region(part) for part in pattern.parts]
    letterings = place_lettering(pattern.parts, regions, pattern.date, pattern.photo_name)
    references = reference_styles(reference_colours(pattern))
    ids = _unique_ids(pattern.parts)
    return tuple(
        with_arrow(_drawn(part, id_, _part_lines(part, lettering, references), lettering, region))
        for part, id_, lettering, region in zip(pattern.parts, ids, letterings, regions, strict=True)
    )


def _drawn(part: Part, id_: str, lines: tuple[DrawnLine, ...], lettering: Lettering, region: Geometry) -> DrawnPart:
    return DrawnPart(part, id_, part_name(part), lines, lettering, region, words_of(part, region))


def with_arrow(item: DrawnPart) -> DrawnPart:
    """The part with the arrow to the front where its lettering now leaves room for it."""
    curves, words = arrow_of(item.part, item.region, item.lettering.box)
    lines = tuple(line for line in item.lines if line.role != "arrow")
    others = tuple(word for word in item.words if word.role != "arrow")
    arrow = tuple(DrawnLine("arrow", DETAIL, curve) for curve in curves)
    return replace(item, lines=(*arrow, *lines), words=(*others, *words))


def reference_colours(pattern: Pattern) -> tuple[str, ...]:
    """Colours of the reference strokes, sorted so that the same pattern always gets the same line types."""
    return tuple(sorted({mark.colour for part in pattern.parts for mark in part.marks if _is_reference(mark)}))


def part_id(part: Part) -> str:
    """A name fit for XML and DXF: "part-3-L"."""
    number = re.sub(r"[^A-Za-z0-9]+", "-", part.number).strip("-") or "x"
    return f"part-{number}-{part.side}" if part.side else f"part-{number}"


def _unique_ids(parts: Sequence[Part]) -> list[str]:
    ids: list[str] = []
    for part in parts:
        wanted, count = part_id(part), 1
        while (wanted if count == 1 else f"{wanted}-{count}") in ids:
            count += 1
        ids.append(wanted if count == 1 else f"{wanted}-{count}")
    return ids


def _region(part: Part) -> Geometry:
    outline = curve_points(part.outline, _LAYOUT_CHORD_MM)
    if len(outline) < 3 or not np.isfinite(outline).all():
        raise CannotContinue(
            "sheet", f"Part {part_name(part)} has no outline that encloses anything.", "Trace the shell again."
        )
    holes = [points for hole in part.holes if len(points := curve_points(hole, _LAYOUT_CHORD_MM)) >= 3]
    return _sound_area(Polygon(outline, holes))


def _sound_area(shape: Polygon) -> Geometry:
    """The shape without self-crossings, areas only: where an outline touches itself no loose lines are left over."""
    return shapely.make_valid(shape, method="structure", keep_collapsed=False)


def _part_lines(part: Part, lettering: Lettering, references: dict[str, LineStyle]) -> tuple[DrawnLine, ...]:
    drawn = [mark for mark in part.marks if len(mark.curve.controls) and mark.use not in WORDS_ONLY]
    lines = [_mark_line(mark, references) for mark in drawn]
    for mark in part.marks:
        if mark.kind == "ring" and len(mark.curve.controls):
            lines += _centre_cross(mark.curve)
    for hole in part.holes:
        if _is_round(hole):
            lines += _centre_cross(hole)
    if lettering.leader:
        lines.append(DrawnLine("leader", DETAIL, polyline_curve(np.array(lettering.leader))))
    lines += [DrawnLine("hole", CUT, hole) for hole in part.holes if len(hole.controls)]
    return (*lines, DrawnLine("outline", CUT, part.outline))


def _is_reference(mark: Mark) -> bool:
    return mark.use == "reference" or (not mark.use and mark.kind in ("marker", "cut-edge"))


def _mark_line(mark: Mark, references: dict[str, LineStyle]) -> DrawnLine:
    if _is_reference(mark):
        return DrawnLine("reference", references[mark.colour], mark.curve, mark.colour)
    if mark.use in _USED:
        role, style = _USED[mark.use]
        return DrawnLine(role, inked(style, mark.colour), mark.curve, mark.colour)
    return DrawnLine(mark.kind, inked(DETAIL, mark.colour), mark.curve, mark.colour)


def _is_round(curve: Curve) -> bool:
    points = curve_points(curve, _LAYOUT_CHORD_MM)
    if len(points) < 3:
        return False
    shape = Polygon(points)
    roundness = 4 * np.pi * shape.area / max(shape.length, 1e-9) ** 2
    return bool(roundness >= _ROUND and np.ptp(points, axis=0).max() <= _LARGEST_PUNCH_MM)


def _centre_cross(curve: Curve) -> list[DrawnLine]:
    """Two centre lines through the middle, crossing in a dash as the standard asks."""
    points = curve_points(curve, _LAYOUT_CHORD_MM)
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    lines = []
    for axis, span in enumerate(np.ptp(points, axis=0) / 2 + _CROSS_BEYOND_MM):
        arm = np.zeros(2)
        arm[axis] = span
        period, dash = sum(CENTRE.dashes_mm), CENTRE.dashes_mm[0]
        ends = np.array([middle - arm, middle + arm])
        lines.append(DrawnLine("centre", CENTRE, polyline_curve(ends), phase_mm=float((dash / 2 - span) % period)))
    return lines
