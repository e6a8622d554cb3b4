"""Corrections by hand: what was read from the photo, put right by the maker, and its panels cut anew.

What a correction says is told in ``extract.correction``. The cut edge is a stroke too: "edge-1", "edge-2", …; it can be
moved, and nothing else. Corrections are done in order. One that no longer applies is left out and said so, so that
corrections outlive a new reading of the photo.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import shapely

from extract.camera.uncertainty import shape_sd_mm
from extract.correction import Correction, checked
from extract.doors import (
    Array,
    CannotContinue,
    Curve,
    Doubt,
    Panel,
    PlaneCamera,
    Silhouette,
    Stroke,
    StrokeKind,
    Tracing,
)
from extract.geometry.curve import curve_points
from extract.geometry.redraw import Line, as_read, closed_by_hand, drawn, joined, landed, pulled, split
from extract.graph.build import build_graph
from extract.guesses import on_a_guess, still_unsure
from extract.outline.edges import fitted_line
from extract.outline.panels import fit_panels
from extract.pattern.parts import make_pattern

HAND_SIGMA_MM = 0.5
"""1 σ of a line set by hand on the flat view: about a third of a marker's width, as far as an eye that centres a
pointer on it goes wrong (common practice, no source)."""
SNAP_MM = 1.5
"""An end set by hand this near to another line was meant to meet it: a marker's width."""
OVER_MM = 0.05
MEET_MM = 1.5
GUIDE_COLOUR = "grey"
"""What a line in the cutting colour is called once the maker says that it does not cut."""


def rework(tracing: Tracing, corrections: Sequence[Correction]) -> Tracing:
    """The tracing with its strokes corrected and its panels and pattern made anew; pure, and without the photo.

    Lines set by hand carry ``HAND_SIGMA_MM``, and panels their share of it. Raises CannotContinue for a correction that
    is none.
    """
    bench = _Bench(tracing)
    for number, correction in enumerate(corrections, start=1):
        what = checked(correction)["do"]
        try:
            _DEEDS[what](bench, correction)
        except _IdleError as why:
            bench.doubts.append(Doubt("correction-idle", f"Correction {number} ({what}) was left out: {why}."))
    try:
        return bench.finished()
    except (ValueError, ArithmeticError, IndexError, shapely.errors.ShapelyError) as error:
        raise CannotContinue(
            "rework", "Lines drawn like this cannot be cut into panels.", "Take the last correction back."
        ) from error


def cut_panels(
    silhouette: Silhouette, strokes: Sequence[Stroke], cut_colour: str, smooth_mm: float, camera: PlaneCamera
) -> tuple[Panel, ...]:
    """Panels of the shell along the strokes that cut, each with the ± of line and plane together. ``strokes`` carry
    their localisation alone."""
    graph = build_graph(silhouette, [stroke for stroke in strokes if cuts(stroke, cut_colour)])
    noise = float(np.median([silhouette.sigma_mm, *(s.sigma_mm for s in strokes if not s.by_hand)]))
    return fit_panels(graph, smooth_mm, lambda points: math.hypot(noise, shape_sd_mm(camera, points)), _fit)


def _fit(points_mm: Array, tolerance_mm: float, closed: bool) -> Curve:
    return _fit_once(np.ascontiguousarray(points_mm, float).tobytes(), tolerance_mm, closed)


@lru_cache(maxsize=512)
def _fit_once(points: bytes, tolerance_mm: float, closed: bool) -> Curve:
    """Curves of the last few hundred lines: a correction changes few of them, and following lines takes most of the
    time."""
    return fitted_line(np.frombuffer(points).reshape(-1, 2), tolerance_mm, closed)


def cuts(stroke: Stroke, cut_colour: str) -> bool:
    """Whether the stroke parts panels or is a hole's rim."""
    return stroke.kind == "ring" or (stroke.kind == "marker" and stroke.colour == cut_colour)


class _IdleError(Exception):
    """A correction that does not apply to what is there; says why."""


@dataclass(frozen=True, eq=False)
class _Held:
    """A stroke on the bench: its ``line`` is what corrections change, ``as_found`` what it was."""

    as_found: Stroke
    line: Line


@dataclass(eq=False)
class _Bench:
    """Strokes and cut edges as they lie while corrections are done one after another."""

    tracing: Tracing
    held: dict[str, _Held] = field(default_factory=dict)
    rings: dict[str, Line] = field(default_factory=dict)
    names: list[tuple[Array, str]] = field(default_factory=list)
    right: list[Array] = field(default_factory=list)
    doubts: list[Doubt] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.held = {s.id: _Held(s, as_read(s.points_mm, s.closed)) for s in self.tracing.strokes}
        rings = enumerate(self.tracing.silhouette.rings_mm, start=1)
        self.rings = {f"edge-{n}": as_read(ring, True) for n, ring in rings}

    def line(self, name: str) -> Line:
        if name in self.rings:
            return self.rings[name]
        return self.stroke(name).line

    def stroke(self, name: str) -> _Held:
        if name in self.rings:
            raise _IdleError("the cut edge can be moved, and nothing else")
        if name not in self.held:
            raise _IdleError(f"there is no line {name}")
        return self.held[name]

    def set(self, name: str, line: Line) -> None:
        if name in self.rings:
            if not shapely.LinearRing(line.points_mm).is_simple:
                raise _IdleError("the cut edge would cross itself")
            self.rings[name] = line
        else:
            self.held[name] = replace(self.held[name], line=line)

    def add(self, name: str, like: Stroke, line: Line) -> None:
        if name in self.held or name in self.rings:
            raise _IdleError(f"there is a line {name} already")
        self.held[name] = _Held(replace(like, id=name), line)

    def finished(self) -> Tracing:
        """The tracing with everything that depends on the lines made anew."""
        tracing, camera = self.tracing, self.tracing.cameras[self.tracing.read_from]
        silhouette = _silhouette(self.rings, tracing.silhouette, self.right)
        strokes = self._strokes(camera)
        cutting = [_without_plane(stroke, camera) for stroke in strokes]
        panels = cut_panels(silhouette, self._landed(cutting), tracing.cut_colour, tracing.settings.smooth_mm, camera)
        panels = _named(_hand_widened(panels, self._by_hand()), self.names)
        asked = any(unsure.any() for unsure in silhouette.unsure)
        left = [doubt for doubt in tracing.doubts if asked or doubt.code not in ("edge-unsure", "tip-near-line")]
        doubts = (*left, *self.doubts, *_hand_doubts(strokes, self.rings))
        old = tracing.pattern
        pattern = make_pattern(panels, strokes, old.photo_name, old.date, tracing.settings.pairs, doubts)
        return replace(tracing, silhouette=silhouette, strokes=strokes, panels=panels, pattern=pattern, doubts=doubts)

    def _strokes(self, camera: PlaneCamera) -> tuple[Stroke, ...]:
        return tuple(_stroke(held, camera) for held in self.held.values())

    def _landed(self, strokes: Sequence[Stroke]) -> list[Stroke]:
        """The strokes, ends that a hand set led onto the lines they were meant to meet."""
        cutting = {s.id: self.held[s.id].line for s in strokes if cuts(s, self.tracing.cut_colour)}
        lines = {name: line.shape() for name, line in (cutting | self.rings).items()}
        result = []
        for stroke in strokes:
            if stroke.by_hand and stroke.id in cutting:
                others = shapely.MultiLineString([shape for name, shape in lines.items() if name != stroke.id])
                line = landed(cutting[stroke.id], others, SNAP_MM, OVER_MM)
                stroke = replace(stroke, points_mm=line.points_mm)
            result.append(stroke)
        return result

    def _by_hand(self) -> shapely.Geometry:
        """Everything that a hand set, as one shape."""
        lines = [*(held.line for held in self.held.values()), *self.rings.values()]
        points = [line.points_mm[line.by_hand] for line in lines if line.by_hand.any()]
        return shapely.MultiPoint(np.vstack(points)) if points else shapely.MultiPoint()


def _silhouette(rings: Mapping[str, Line], old: Silhouette, right: Sequence[Array]) -> Silhouette:
    """The cut edges as they lie now; where a hand set one, or the maker said that it is right, it is no guess."""
    unsure = still_unsure(old, rings, right)
    return replace(old, rings_mm=tuple(line.points_mm for line in rings.values()), unsure=unsure)


def _stroke(held: _Held, camera: PlaneCamera) -> Stroke:
    """The stroke as the hand left it, with its ± where that was changed."""
    found, line = held.as_found, held.line
    if line.points_mm is found.points_mm and not line.by_hand.any():
        return found
    if not line.by_hand.any():
        return replace(found, points_mm=line.points_mm, closed=line.closed)
    share = line.hand_share()
    plane = shape_sd_mm(camera, line.points_mm)
    read = max(0.0, found.sigma_mm**2 - shape_sd_mm(camera, found.points_mm) ** 2)
    sigma = math.sqrt(share * HAND_SIGMA_MM**2 + (1 - share) * read + plane**2)
    return replace(found, points_mm=line.points_mm, closed=line.closed, sigma_mm=sigma, by_hand=True)


@lru_cache(maxsize=1024)
def _without_plane(stroke: Stroke, camera: PlaneCamera) -> Stroke:
    """The stroke with the localisation of its line alone."""
    plane = shape_sd_mm(camera, stroke.points_mm)
    return replace(stroke, sigma_mm=math.sqrt(max(0.0, stroke.sigma_mm**2 - plane**2)))


def _hand_widened(panels: Sequence[Panel], by_hand: shapely.Geometry) -> tuple[Panel, ...]:
    """The panels with the ± of a hand over the share of their outlines that a hand set."""
    if by_hand.is_empty:
        return tuple(panels)
    reach = by_hand.buffer(SNAP_MM)
    shapely.prepare(reach)
    widened = []
    for panel in panels:
        points = curve_points(panel.outline, 0.1)
        steps = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        near = shapely.contains_xy(reach, (points + np.roll(points, -1, axis=0)) / 2)
        share = float(steps[near].sum() / steps.sum())
        widened.append(replace(panel, sigma_mm=math.hypot(panel.sigma_mm, math.sqrt(share) * HAND_SIGMA_MM)))
    return tuple(widened)


def _named(panels: Sequence[Panel], names: Sequence[tuple[Array, str]]) -> tuple[Panel, ...]:
    """Each panel with the last name that was given to a point in it."""
    shapes = [shapely.Polygon(curve_points(panel.outline, 0.1)) for panel in panels] if names else []
    found = {}
    for at, name in names:
        for index, shape in enumerate(shapes):
            if shapely.contains_xy(shape, *at):
                found[index] = name
    return tuple(replace(panel, name=found.get(index, "")) for index, panel in enumerate(panels))


def _hand_doubts(strokes: Sequence[Stroke], rings: Mapping[str, Line]) -> tuple[Doubt, ...]:
    touched = sum(stroke.by_hand for stroke in strokes) + sum(bool(line.by_hand.any()) for line in rings.values())
    if not touched:
        return ()
    what = "1 line was" if touched == 1 else f"{touched} lines were"
    return (Doubt("by-hand", f"{what} drawn or moved by hand and is taken as true to ± {HAND_SIGMA_MM} mm there."),)


def _delete(bench: _Bench, told: Correction) -> None:
    bench.stroke(told["stroke"])
    del bench.held[told["stroke"]]


def _join(bench: _Bench, told: Correction) -> None:
    name, other = told["stroke"], told["with"]
    first, second = bench.stroke(name).line, bench.stroke(other).line
    if first.closed or second.closed:
        raise _IdleError("a closed line has no end to join")
    if name == other:
        bench.set(name, closed_by_hand(first))
        return
    bench.set(name, joined(first, second))
    del bench.held[other]


def _split(bench: _Bench, told: Correction) -> None:
    held = bench.stroke(told["stroke"])
    try:
        parts = split(held.line, np.array(told["at"], float))
    except ValueError as why:
        raise _IdleError(f"the place is {why}") from why
    if len(parts) == 2:
        bench.add(told["new"], held.as_found, parts[1])
    bench.set(told["stroke"], parts[0])


def _draw(bench: _Bench, told: Correction) -> None:
    try:
        line = drawn(np.array(told["points"], float), told["closed"])
    except ValueError as why:
        raise _IdleError(f"it has {why}") from why
    known = [stroke.width_mm for stroke in bench.tracing.strokes]
    width = float(np.median(known)) if known else 1.5
    blank = Stroke("", "marker", GUIDE_COLOUR, line.closed, width, HAND_SIGMA_MM, line.points_mm)
    bench.add(told["new"], blank, line)
    _mean(bench, {"stroke": told["new"], "meaning": told["meaning"]})


def _move_point(bench: _Bench, told: Correction) -> None:
    line = bench.line(told["stroke"])
    start, end = np.array(told["from"], float), np.array(told["to"], float)
    bench.set(told["stroke"], pulled(line, start, end, told["reach"], sharp=False))


def _move_corner(bench: _Bench, told: Correction) -> None:
    start, end = np.array(told["from"], float), np.array(told["to"], float)
    spot = shapely.Point(start)
    names = [name for name, held in bench.held.items() if held.line.shape().distance(spot) <= MEET_MM]
    if not names:
        names = [name for name, line in bench.rings.items() if line.shape().distance(spot) <= MEET_MM]
    if not names:
        raise _IdleError("no line passes there")
    for name in names:
        bench.set(name, pulled(bench.line(name), start, end, told["reach"], sharp=True))


def _mean(bench: _Bench, told: Correction) -> None:
    held, meaning = bench.stroke(told["stroke"]), told["meaning"]
    if meaning == "hole" and not held.line.closed:
        raise _IdleError("a hole needs a closed line")
    cut, colour = bench.tracing.cut_colour, held.as_found.colour
    kinds: dict[str, StrokeKind] = {"tick": "tick", "note": "note", "hole": "ring"}
    if meaning == "cut":
        colour = cut
    elif meaning == "reference" and colour == cut:
        colour = GUIDE_COLOUR
    changed = replace(held.as_found, kind=kinds.get(meaning, "marker"), colour=colour)
    bench.held[told["stroke"]] = replace(held, as_found=changed)


def _name(bench: _Bench, told: Correction) -> None:
    bench.names.append((np.array(told["at"], float), told["name"].strip()))


def _edge_right(bench: _Bench, told: Correction) -> None:
    place = np.array(told["at"], float)
    if not on_a_guess(bench.tracing.silhouette, place):
        raise _IdleError("the cut edge is no guess there")
    bench.right.append(place)


_DEEDS: dict[str, Callable[[_Bench, Correction], None]] = {
    "delete": _delete,
    "join": _join,
    "split": _split,
    "draw": _draw,
    "move-point": _move_point,
    "move-corner": _move_corner,
    "meaning": _mean,
    "name": _name,
    "edge-right": _edge_right,
}
