"""What every room saw and made of it, as one picture per room with a legend, for whoever wants to know why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from extract.camera.flatten import card_outlines_mm
from extract.camera.project import px_from_mm, px_from_table
from extract.doors import Array, Curve, FlatView, PlacedCard, PlaneCamera, Tracing
from extract.files import check_folder, write_whole
from extract.geometry.curve import curve_points
from extract.graph.build import build_graph, ring_points
from extract.ink.lines import ink_evidence
from extract.overlay import STROKE_COLOURS, TINTS, Colour
from extract.rework import cuts

Picture = npt.NDArray[np.uint8]

LONG_SIDE_PX = 1400
GRID_MM = 50.0
RESIDUAL_TIMES = 100.0
CHORD_MM = 0.1
SUN, SKY, LEAF, RUST, SEA, ROSE = TINTS[0], TINTS[1], TINTS[2], (0, 94, 213), (178, 114, 0), (167, 121, 204)
BLACK, GREY, WHITE = (0, 0, 0), (140, 140, 140), (255, 255, 255)
LINE_PX, ROW_PX, FONT, SIZE = 2, 26, cv2.FONT_HERSHEY_SIMPLEX, 0.55


@dataclass(eq=False)
class _Sheet:
    """A picture being drawn on, whose pixel for a point of the plane is ``scale`` · (mm − ``origin_mm``), and the lines
    of its legend."""

    picture: Picture
    scale: float
    origin_mm: Array
    legend: list[tuple[Colour | None, str]] = field(default_factory=list)

    def place(self, points_mm: Array) -> npt.NDArray[np.int32]:
        at = (np.asarray(points_mm, float).reshape(-1, 2) - self.origin_mm) * self.scale
        return np.round(at * 16).astype(np.int32)

    def line(self, points_mm: Array, closed: bool, colour: Colour, width_px: int = LINE_PX) -> None:
        cv2.polylines(self.picture, [self.place(points_mm)], closed, colour, width_px, cv2.LINE_AA, 4)

    def area(self, rings_mm: Sequence[Array], colour: Colour, share: float = 0.35) -> None:
        tinted = self.picture.copy()
        cv2.fillPoly(tinted, [self.place(ring) for ring in rings_mm], colour, cv2.LINE_AA, 4)
        cv2.addWeighted(tinted, share, self.picture, 1 - share, 0, dst=self.picture)

    def dots(self, points_mm: Array, colour: Colour, radius_px: int = 4) -> None:
        for x, y in self.place(points_mm):
            cv2.circle(self.picture, (int(x), int(y)), radius_px << 4, colour, -1, cv2.LINE_AA, 4)

    def word(self, text: str, at_mm: Array) -> None:
        (width, height), _ = cv2.getTextSize(text, FONT, SIZE, 1)
        left, low = (int(v) + d for v, d in zip(self.place(at_mm)[0] >> 4, (4, -4), strict=True))
        cv2.rectangle(self.picture, (left - 2, low - height - 2), (left + width + 2, low + 4), WHITE, -1)
        cv2.putText(self.picture, text, (left, low), FONT, SIZE, BLACK, 1, cv2.LINE_AA)

    def png(self, title: str) -> bytes:
        """The picture with title and legend beneath it."""
        rows = [(None, title), *self.legend]
        strip = np.full((ROW_PX * len(rows) + 14, self.picture.shape[1], 3), 255, np.uint8)
        for n, (colour, text) in enumerate(rows):
            y = ROW_PX * (n + 1)
            if colour is not None:
                cv2.rectangle(strip, (12, y - 12), (36, y), colour, -1)
                cv2.rectangle(strip, (12, y - 12), (36, y), BLACK, 1)
            spot, weight = (12 if n == 0 else 48, y), 2 if n == 0 else 1
            cv2.putText(strip, text, spot, FONT, SIZE, BLACK, weight, cv2.LINE_AA)
        done, content = cv2.imencode(".png", np.vstack([self.picture, strip]))
        assert done, "OpenCV writes PNG from any 8-bit picture"
        return content.tobytes()


def explain(tracing: Tracing, folder: Path) -> tuple[Path, ...]:
    """Writes one PNG for each room into ``folder``; returns their paths. Raises CannotContinue when it cannot."""
    check_folder(folder)
    return tuple(write_whole(folder / name, content) for name, content in pictures(tracing).items())


def pictures(tracing: Tracing) -> dict[str, bytes]:
    """PNGs by file name, in the order of the rooms. The tracing must still hold its photo and flat view."""
    return {
        "1-cards.png": _cards(tracing),
        "2-flat-view.png": _flat_view(tracing),
        "3-ink.png": _ink(tracing),
        "4-strokes.png": _strokes(tracing),
        "5-cut-edge.png": _cut_edge(tracing),
        "6-graph.png": _graph(tracing),
        "7-curves.png": _curves(tracing),
        "8-pattern.png": _pattern(tracing),
    }


def _fitted(pixels: Picture) -> tuple[Picture, float]:
    scale = min(1.0, LONG_SIDE_PX / max(pixels.shape[:2]))
    return np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8), scale


def _sheet(flat: FlatView, dim: float = 0.0) -> _Sheet:
    """The flat view to draw on, its colours ``dim`` of the way to white."""
    picture, scale = _fitted(flat.pixels)
    pale = np.asarray(255 - (255 - picture.astype(np.float32)) * (1 - dim), np.uint8)
    return _Sheet(np.ascontiguousarray(pale), scale / flat.mm_per_px, np.asarray(flat.origin_mm))


def _shell_sheet(tracing: Tracing, dim: float = 0.5) -> _Sheet:
    """The part of the flat view that holds the shell."""
    flat, outline = tracing.flat, np.vstack(tracing.silhouette.rings_mm)
    low, high = (np.round(flat.px_from_mm(p)).astype(int) for p in (outline.min(axis=0) - 8, outline.max(axis=0) + 8))
    low = np.maximum(low, 0)
    part = flat.pixels[low[1] : high[1], low[0] : high[0]]
    left, top = flat.mm_from_px(low)
    return _sheet(FlatView(part, flat.mm_per_px, (float(left), float(top)), np.ones(part.shape[:2], bool)), dim)


def _cards(tracing: Tracing) -> bytes:
    """The photo with every chess corner found, and how far the solved camera misses it, much enlarged."""
    photo, camera = tracing.photos[tracing.read_from], tracing.cameras[tracing.read_from]
    picture, scale = _fitted(photo.pixels)
    sheet = _Sheet(picture, scale, np.zeros(2))
    for outline, card in zip(card_outlines_mm(camera), camera.cards, strict=True):
        sheet.line(px_from_mm(camera, outline), True, LEAF)
        found, solved = card.sighting.corners_px, px_from_table(camera, _corners_on_table(card))
        for start, miss in zip(found, found - solved, strict=True):
            sheet.line(np.array([start, start + RESIDUAL_TIMES * miss]), False, RUST, 1)
        sheet.dots(found, SKY, 2)
        sheet.word(card.sighting.design.name, px_from_mm(camera, outline[:1]))
        words = f"{card.sighting.design.name}: {len(found)} corners, off by {card.rms_px:.2f} photo pixels (RMS)"
        sheet.legend.append((None, words))
    sheet.legend += [
        (LEAF, "paper of the cards as solved"),
        (SKY, "chess corner found"),
        (RUST, f"how far the corner lies from where the solved camera puts it, {RESIDUAL_TIMES:.0f} times enlarged"),
        (None, _camera_words(camera)),
    ]
    return sheet.png("Cards: the scale cards in the photo")


def _corners_on_table(card: PlacedCard) -> Array:
    cos, sin = np.cos(card.angle_rad), np.sin(card.angle_rad)
    flat = card.sighting.corners_mm @ np.array([[cos, sin], [-sin, cos]]) + (card.x_mm, card.y_mm)
    return np.column_stack([flat, np.zeros(len(flat))])


def _camera_words(camera: PlaneCamera) -> str:
    tilt = np.degrees(np.arccos(np.clip(abs(camera.rotation[2, 2]), 0, 1)))
    away = float(np.linalg.norm(camera.shift_mm))
    return f"camera: focal length {camera.lens.focal_px:.0f} px, tilted {tilt:.0f} degrees, {away:.0f} mm away"


def _flat_view(tracing: Tracing) -> bytes:
    """The table seen square from above, with a grid in mm."""
    flat = tracing.flat
    sheet = _sheet(flat)
    height, width = flat.pixels.shape[:2]
    (left, top), (right, bottom) = flat.mm_from_px(np.array([[0, 0], [width - 1, height - 1]]))
    for x in np.arange(np.ceil(left / GRID_MM), right / GRID_MM) * GRID_MM:
        sheet.line(np.array([[x, top], [x, bottom]]), False, SKY, 1)
        sheet.word(f"{x:.0f}", np.array([x, top + 18 / sheet.scale]))
    for y in np.arange(np.ceil(top / GRID_MM), bottom / GRID_MM) * GRID_MM:
        sheet.line(np.array([[left, y], [right, y]]), False, SKY, 1)
        sheet.word(f"{y:.0f}", np.array([left, y]))
    for outline in flat.card_outlines_mm:
        sheet.line(outline, True, LEAF)
    sheet.legend = [
        (SKY, f"grid, every {GRID_MM:.0f} mm; the zero point is the chess corner of the lowest card"),
        (LEAF, "paper of the cards"),
        (None, f"one pixel of the full view is {flat.mm_per_px:.3f} mm"),
    ]
    return sheet.png("Flat view: the table seen square from above")


def _ink(tracing: Tracing) -> bytes:
    """How much darker than its tape the shell is, and which dark lines were taken for ink."""
    flat, dark, seen, kept = ink_evidence(tracing.flat, tracing.silhouette)
    grey = np.asarray(255 * np.exp(-np.maximum(dark.dark, 0) / 0.5), np.uint8)
    grey[~dark.inside] = 255
    view = FlatView(
        np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), np.uint8), flat.mm_per_px, flat.origin_mm, flat.valid
    )
    sheet = _sheet(view, 0.3)
    for runs, colour in ((seen, RUST), (kept, LEAF)):
        for run in runs:
            sheet.line(run.points_mm, run.closed, colour)
    inks = sum(run.length_mm for run in kept)
    doubted = sum(run.length_mm for run in seen) - inks
    sheet.legend = [
        (GREY, "the darker, the more light is missing against the tape around (ink, shadows, edges of tape)"),
        (LEAF, f"read as ink: {inks:.0f} mm"),
        (RUST, f"dark, but unlike ink: {doubted:.0f} mm of tape edges and wrinkles"),
    ]
    return sheet.png("Ink: darkness of the shell and what was taken for a line")


def _strokes(tracing: Tracing) -> bytes:
    sheet = _shell_sheet(tracing)
    words = {
        "marker": f"line that cuts ({tracing.cut_colour})",
        "reference": "line of another colour: drawn on the parts, cuts nothing",
        "ring": "ring: a hole or detail",
        "tick": "tick across an edge",
        "note": "writing and arrows: kept for the print",
    }
    colours = {**STROKE_COLOURS, "ring": SUN, "note": GREY}
    for stroke in tracing.strokes:
        other = stroke.kind == "marker" and stroke.colour != tracing.cut_colour
        sheet.line(stroke.points_mm, stroke.closed, colours["reference" if other else stroke.kind])
        sheet.word(stroke.id, stroke.points_mm[len(stroke.points_mm) // 2])
    sheet.legend = [(colours[kind], text) for kind, text in words.items()]  # type: ignore[index]
    return sheet.png(f"Strokes: {len(tracing.strokes)} centre lines")


def _cut_edge(tracing: Tracing) -> bytes:
    sheet = _shell_sheet(tracing, 0.2)
    unsure_mm = 0.0
    for ring, unsure in zip(tracing.silhouette.rings_mm, tracing.silhouette.unsure, strict=True):
        sheet.line(ring, True, LEAF)
        after = np.roll(ring, -1, axis=0)
        for start, end in zip(ring[unsure], after[unsure], strict=True):
            sheet.line(np.array([start, end]), False, RUST, 4)
        unsure_mm += float(np.linalg.norm(after[unsure] - ring[unsure], axis=1).sum())
    sheet.legend = [
        (LEAF, f"cut edge, good to about {tracing.silhouette.sigma_mm:.2f} mm (1 sigma)"),
        (RUST, f"stretches that hardly differ from the table: {unsure_mm:.0f} mm; look whether they are right"),
    ]
    return sheet.png("Cut edge: where the shell ends")


def _graph(tracing: Tracing) -> bytes:
    sheet = _shell_sheet(tracing)
    splitting = [stroke for stroke in tracing.strokes if cuts(stroke, tracing.cut_colour)]
    graph = build_graph(tracing.silhouette, splitting)
    for n, face in enumerate(graph.faces):
        sheet.area([ring_points(graph, ring) for ring in (face.outer, *face.holes)], TINTS[n % len(TINTS)])
    for line, source in zip(graph.edges_mm, graph.sources, strict=True):
        sheet.line(line, False, WHITE if source.startswith("edge-") else RUST)
    sheet.dots(graph.nodes_mm, BLACK)
    sheet.legend = [
        (BLACK, f"{len(graph.nodes_mm)} nodes: where lines meet each other or the cut edge"),
        (RUST, "drawn lines that bound something; what bounds nothing is left out"),
        (WHITE, "cut edge"),
        (TINTS[0], f"{len(graph.faces)} faces, in several tints: the panels to be"),
    ]
    return sheet.png("Graph: which lines meet, and what they bound")


def _curves(tracing: Tracing) -> bytes:
    """Fitted outlines, piece by piece, with their control points and corners."""
    sheet = _shell_sheet(tracing, 0.75)
    for panel in tracing.panels:
        for curve in (panel.outline, *panel.holes):
            _draw_curve(sheet, curve)
    most = max((panel.smoothed_mm[0] for panel in tracing.panels), default=0.0)
    rms = max((panel.smoothed_mm[1] for panel in tracing.panels), default=0.0)
    count = sum(len(panel.outline.controls) for panel in tracing.panels)
    sheet.legend = [
        (SEA, "curved piece (cubic Bezier)"),
        (LEAF, "straight piece"),
        (GREY, "control points and their arms"),
        (BLACK, "joint that is smooth"),
        (RUST, "corner that stays sharp"),
        (None, f"{count} pieces in {len(tracing.panels)} outlines"),
        (None, f"smoothing moved an outline by up to {rms:.2f} mm RMS and {most:.2f} mm at most"),
    ]
    return sheet.png("Curves: what was fitted through the drawn lines")


def _draw_curve(sheet: _Sheet, curve: Curve) -> None:
    for controls, straight in zip(curve.controls, curve.straight, strict=True):
        one = Curve(controls[None], np.array([straight]), False)
        if not straight:
            for arm in (controls[:2], controls[2:]):
                sheet.line(arm, False, GREY, 1)
            sheet.dots(controls[1:3], GREY, 2)
        sheet.line(curve_points(one, CHORD_MM), False, LEAF if straight else SEA)
    sharp = _sharp_joints(curve)
    joints = curve.controls[:, 0] if curve.closed else curve.controls[1:, 0]
    sheet.dots(joints[~sharp], BLACK, 3)
    sheet.dots(joints[sharp], RUST, 5)


def _sharp_joints(curve: Curve, least_deg: float = 5.0) -> npt.NDArray[np.bool_]:
    """For each joint, (N,) or (N − 1,) of an open curve, whether the direction turns there by more than a hand's
    unsteadiness."""
    into, out = curve.controls[:, 3] - curve.controls[:, 2], curve.controls[:, 1] - curve.controls[:, 0]
    into = np.roll(into, 1, axis=0)
    if not curve.closed:
        into, out = into[1:], out[1:]
    cross = into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0]
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, (into * out).sum(axis=1)))) > least_deg)


def _pattern(tracing: Tracing) -> bytes:
    """The parts as they will be printed, without the photo."""
    parts = tracing.pattern.parts
    outlines = [curve_points(part.outline, CHORD_MM) for part in parts]
    every = np.vstack(outlines)
    low, span = every.min(axis=0) - 10, np.ptp(every, axis=0) + 20
    scale = LONG_SIDE_PX / float(span.max())
    size = np.ceil(span * scale).astype(int)
    sheet = _Sheet(np.full((size[1], size[0], 3), 255, np.uint8), scale, low)
    for n, (part, outline) in enumerate(zip(parts, outlines, strict=True)):
        holes = [curve_points(hole, CHORD_MM) for hole in part.holes]
        sheet.area([outline, *holes], TINTS[n % len(TINTS)], 0.2)
        for ring in (outline, *holes):
            sheet.line(ring, True, BLACK)
        for mark in part.marks:
            sheet.line(curve_points(mark.curve, CHORD_MM), mark.curve.closed, STROKE_COLOURS[mark.kind])
        sheet.word(f"{part.number}{part.side}: {part.area_mm2 / 100:.1f} cm2", np.array(part.label_mm))
    area = sum(part.area_mm2 for part in parts) / 100
    sheet.legend = [
        (BLACK, f"{len(parts)} parts, {area:.0f} cm2 in all; number, side and area stand on each"),
        (STROKE_COLOURS["tick"], "ticks"),
        (STROKE_COLOURS["note"], "notes"),
        (STROKE_COLOURS["marker"], "other lines drawn on the parts"),
    ]
    return sheet.png("Pattern: the parts ready for cutting")
