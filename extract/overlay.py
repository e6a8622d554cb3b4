"""The photo with what was read drawn over it, so that the maker sees at a glance whether it is right."""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from extract.camera.flatten import card_outlines_mm, px_on_shell
from extract.doors import Array, CannotContinue, PlaneCamera, Relief, StrokeKind, Tracing
from extract.geometry.curve import curve_points

Picture = npt.NDArray[np.uint8]
Colour = tuple[int, int, int]

# Okabe & Ito's colours (Color Universal Design, 2008), told apart by all common kinds of colour vision; B, G, R.
TINTS: tuple[Colour, ...] = (
    (0, 159, 230),
    (233, 180, 86),
    (115, 158, 0),
    (66, 228, 240),
    (178, 114, 0),
    (167, 121, 204),
)
STROKE_COLOURS: dict[StrokeKind | Literal["reference"], Colour] = {
    "marker": (0, 94, 213),
    "ring": (0, 94, 213),
    "tick": (167, 121, 204),
    "note": (170, 170, 170),
    "reference": (178, 114, 0),
    "cut-edge": (255, 255, 255),
}
CARD_COLOUR: Colour = (115, 158, 0)
TINT_SHARE = 0.35
FRACTION_BITS = 4
CHORD_MM = 0.2
NEIGHBOUR_MM = 1.0


def overlay_jpg(tracing: Tracing, long_side_px: int = 2400) -> bytes:
    """JPEG of the photo that was read, ``long_side_px`` at most, with panels tinted and numbered, strokes, cut edges
    and cards outlined."""
    photo, camera = tracing.photos[tracing.read_from], tracing.cameras[tracing.read_from]
    scale = min(1.0, long_side_px / max(photo.size_px))
    picture = cv2.resize(photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    pen = Pen(np.asarray(picture, np.uint8), camera, scale, tracing.relief)
    _tint_panels(pen, tracing)
    table = Pen(pen.picture, camera, scale)
    for outline in card_outlines_mm(camera):
        table.line(outline, True, CARD_COLOUR, 2)
    for ring in tracing.silhouette.rings_mm:
        pen.line(ring, True, STROKE_COLOURS["cut-edge"], 2)
    for stroke in tracing.strokes:
        kind = stroke.kind if stroke.colour == tracing.cut_colour or stroke.kind != "marker" else "reference"
        pen.line(stroke.points_mm, stroke.closed, STROKE_COLOURS[kind], 2)
    _number_panels(pen, tracing)
    done, content = cv2.imencode(".jpg", pen.picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
    if not done:
        raise CannotContinue("output", "The overlay picture could not be made.", "Try a smaller photo.")
    return content.tobytes()


class Pen:
    """Draws plane geometry onto the reduced photo."""

    def __init__(self, picture: Picture, camera: PlaneCamera, scale: float, relief: Relief | None = None) -> None:
        self.picture, self.camera, self.relief, self._scale = picture, camera, relief, scale

    def place(self, points_mm: Array) -> npt.NDArray[np.int32]:
        at = (px_on_shell(self.camera, self.relief, np.asarray(points_mm, float)) + 0.5) * self._scale - 0.5
        return np.round(at * 2**FRACTION_BITS).astype(np.int32)

    def line(self, points_mm: Array, closed: bool, colour: Colour, width_px: int) -> None:
        cv2.polylines(self.picture, [self.place(points_mm)], closed, colour, width_px, cv2.LINE_AA, FRACTION_BITS)

    def area(self, rings_mm: list[Array], colour: Colour) -> None:
        cv2.fillPoly(self.picture, [self.place(r) for r in rings_mm], colour, cv2.LINE_AA, FRACTION_BITS)

    def word(self, word: str, at_mm: tuple[float, float], size: float, plate: bool = False) -> None:
        """Words around the place; with a ``plate`` under them where a chequered ground would swallow them."""
        (width, height), _ = cv2.getTextSize(word, cv2.FONT_HERSHEY_SIMPLEX, size, 2)
        x, y = self.place(np.array([at_mm]))[0] / 2**FRACTION_BITS
        spot = int(x - width / 2), int(y + height / 2)
        if plate:
            rim = height // 3
            low, high = (spot[0] - rim, spot[1] - height - rim), (spot[0] + width + rim, spot[1] + rim)
            cv2.rectangle(self.picture, low, high, (0, 0, 0), cv2.FILLED)
        for colour, weight in (((0, 0, 0), 7), ((255, 255, 255), 2)):
            cv2.putText(self.picture, word, spot, cv2.FONT_HERSHEY_SIMPLEX, size, colour, weight, cv2.LINE_AA)


def _tint_panels(pen: Pen, tracing: Tracing) -> None:
    plain = pen.picture.copy()
    outlines = [[curve_points(c, CHORD_MM) for c in (p.outline, *p.holes)] for p in tracing.panels]
    for rings, tint in zip(outlines, _tints([shapely.Polygon(r[0], r[1:]).buffer(0) for r in outlines]), strict=True):
        pen.area(rings, TINTS[tint])
    cv2.addWeighted(pen.picture, TINT_SHARE, plain, 1 - TINT_SHARE, 0, dst=pen.picture)


def _tints(shapes: list[shapely.Geometry]) -> list[int]:
    """For each shape the first tint that no earlier neighbour has."""
    chosen: list[int] = []
    for index, shape in enumerate(shapes):
        taken = {tint for tint, other in zip(chosen, shapes, strict=False) if shape.distance(other) < NEIGHBOUR_MM}
        chosen.append(next((t for t in range(len(TINTS)) if t not in taken), index % len(TINTS)))
    return chosen


def _number_panels(pen: Pen, tracing: Tracing) -> None:
    size = max(pen.picture.shape) / 2400 * 1.3
    for part in tracing.pattern.parts[: len(tracing.panels)]:
        pen.word(part.number, part.label_mm, size)
