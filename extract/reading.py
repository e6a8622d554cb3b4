"""A tracing as a file that hands can go on from: everything but the pictures, to the last bit of every number.

The report rounds and thins for scripts; this keeps what was read exactly, so that panels cut anew from it are those of
the first run. Format "truepeel-reading/1", JSON, millimetres in the plane frame.
"""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from extract.cards.by_hand import hand_design
from extract.cards.design import card_design
from extract.doors import (
    Array,
    Blur,
    CannotContinue,
    CardDesign,
    CardSighting,
    Doubt,
    FlatView,
    HandRectangle,
    Lens,
    Panel,
    Pattern,
    Photo,
    PlacedCard,
    PlaneCamera,
    Relief,
    Silhouette,
    Stroke,
    TraceSettings,
    Tracing,
)
from extract.photo import read_photo

FORMAT = "truepeel-reading/1"
READING = "reading.json"
MOST_POINTS = 2_000_000
"""A hundred times a big shell's; more is a damaged or hostile file."""
MAPS = ("heights_mm", "sd_mm")
RELIEF_FIGURES = ("step_mm", "lying_mm", "common_sd_mm", "found_mm", "own_common_sd_mm")
KINDS = ("marker", "cut-edge", "ring", "tick", "note")


def reading_json(tracing: Tracing) -> bytes:
    """Everything of ``tracing`` that cutting its panels anew needs; no picture, no panel."""
    document = {
        "format": FORMAT,
        "units": "mm",
        "photos": [
            _photo(photo) | {"camera": _camera(camera)}
            for photo, camera in zip(tracing.photos, tracing.cameras, strict=True)
        ],
        "read_from": tracing.read_from,
        "flat": {"mm_per_px": tracing.flat.mm_per_px, "origin": list(tracing.flat.origin_mm)},
        "silhouette": {
            "sigma": tracing.silhouette.sigma_mm,
            "rings": [ring.tolist() for ring in tracing.silhouette.rings_mm],
            "unsure": [np.flatnonzero(unsure).tolist() for unsure in tracing.silhouette.unsure],
        },
        "strokes": [_stroke(stroke) for stroke in tracing.strokes],
        "cut_colour": tracing.cut_colour,
        "sigma_mm": list(tracing.sigma_mm),
        "px_per_mm": list(tracing.px_per_mm),
        "date": tracing.pattern.date,
        "relief": _relief(tracing.relief),
        "blurs": [asdict(blur) if blur else None for blur in tracing.blurs],
        "doubts": [asdict(doubt) for doubt in tracing.doubts],
        "settings": asdict(tracing.settings),
    }
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()


def read_reading(content: bytes) -> Tracing:
    """The tracing that ``reading_json`` wrote, without pictures, panels and parts (``rework`` makes those).

    Raises CannotContinue for a file that is damaged or not one of these.
    """
    try:
        document = json.loads(content)
        if document["format"] != FORMAT:
            raise ValueError(document["format"])
        return _tracing(document)
    except (ValueError, KeyError, TypeError, IndexError, RecursionError, AttributeError, OverflowError) as error:
        raise CannotContinue(
            "rework",
            "What was read from the photo was saved, but the file is damaged.",
            "Trace the photo once more; your corrections are kept and fit the new reading as far as they can.",
        ) from error


def with_pictures(tracing: Tracing, sources: Sequence[bytes]) -> Tracing:
    """The tracing with its photos' pixels again, from the same bytes in the same order. Raises CannotContinue."""
    photos = tuple(read_photo(source, photo.name) for source, photo in zip(sources, tracing.photos, strict=True))
    return replace(tracing, photos=photos, sources=tuple(sources))


def without_pictures(tracing: Tracing) -> Tracing:
    """The tracing as it comes back from ``reading_json``, its panels and parts kept."""
    blank = np.zeros((0, 0, 3), np.uint8)
    photos = tuple(replace(photo, pixels=blank) for photo in tracing.photos)
    flat = FlatView(blank, tracing.flat.mm_per_px, tracing.flat.origin_mm, np.zeros((0, 0), bool))
    return replace(tracing, photos=photos, flat=flat, sources=(), timing_s={})


def _photo(photo: Photo) -> dict[str, Any]:
    return {
        "file": photo.name,
        "digest": photo.digest,
        "focal_hint_px": photo.focal_hint_px,
        "reduced": photo.reduced,
    }


def _read_photo(value: dict[str, Any]) -> Photo:
    blank = np.zeros((0, 0, 3), np.uint8)
    return Photo(str(value["file"]), blank, str(value["digest"]), value["focal_hint_px"], int(value.get("reduced", 1)))


def _camera(camera: PlaneCamera) -> dict[str, Any]:
    return {
        "lens": asdict(camera.lens),
        "size_px": list(camera.size_px),
        "rotation": camera.rotation.tolist(),
        "shift": camera.shift_mm.tolist(),
        "height": camera.height_mm,
        "covariance": camera.covariance.tolist(),
        "bias": list(camera.bias),
        "cards": [_card(card) for card in camera.cards],
    }


def _card(card: PlacedCard) -> dict[str, Any]:
    return {
        "family": card.sighting.design.family,
        "number": card.sighting.design.number,
        "board": card.sighting.design.board_mm,
        "corners_px": card.sighting.corners_px.tolist(),
        "corners_mm": card.sighting.corners_mm.tolist(),
        "sd_px": card.sighting.sd_px,
        "place": [card.x_mm, card.y_mm, card.angle_rad],
        "rms_px": card.rms_px,
        "weight": card.weight,
    }


def _relief(relief: Relief | None) -> dict[str, Any] | None:
    """Plain values; the maps, which may be large and have holes, as 32-bit numbers row by row (RFC 4648 text)."""
    if relief is None:
        return None
    maps = {name: base64.b64encode(getattr(relief, name).astype("<f4").tobytes()).decode() for name in MAPS}
    figures = {name: getattr(relief, name) for name in RELIEF_FIGURES}
    return {"shape": list(relief.heights_mm.shape), "origin": list(relief.origin_mm), **figures, **maps}


def _stroke(stroke: Stroke) -> dict[str, Any]:
    return {
        "id": stroke.id,
        "kind": stroke.kind,
        "colour": stroke.colour,
        "closed": stroke.closed,
        "width": stroke.width_mm,
        "sigma": stroke.sigma_mm,
        "by_hand": stroke.by_hand,
        "points": stroke.points_mm.tolist(),
    }


def _tracing(document: dict[str, Any]) -> Tracing:
    photos = document["photos"]
    _check_size(document)
    cameras = tuple(_read_camera(photo["camera"]) for photo in photos)
    name, date = str(photos[document["read_from"]]["file"]), str(document["date"])
    doubts = tuple(Doubt(str(d["code"]), str(d["message"])) for d in document["doubts"])
    left, top = _numbers(document["flat"]["origin"], 2)
    blank = np.zeros((0, 0, 3), np.uint8)
    panels: tuple[Panel, ...] = ()
    return Tracing(
        photos=tuple(_read_photo(photo) for photo in photos),
        cameras=cameras,
        read_from=int(document["read_from"]),
        flat=FlatView(blank, _positive(document["flat"]["mm_per_px"]), (left, top), np.zeros((0, 0), bool)),
        silhouette=_read_silhouette(document["silhouette"]),
        strokes=tuple(_read_stroke(stroke) for stroke in document["strokes"]),
        panels=panels,
        pattern=Pattern((), name, date, doubts),
        doubts=doubts,
        settings=TraceSettings.from_plain(document["settings"]),
        sigma_mm=_numbers(document["sigma_mm"], 2),
        px_per_mm=_numbers(document["px_per_mm"], 2),
        cut_colour=str(document["cut_colour"]),
        relief=_read_relief(document.get("relief")),
        blurs=tuple(Blur(**blur) if blur else None for blur in document.get("blurs", ())),
    )


def _check_size(document: dict[str, Any]) -> None:
    lines = [*document["silhouette"]["rings"], *(stroke["points"] for stroke in document["strokes"])]
    if sum(map(len, lines)) > MOST_POINTS:
        raise ValueError("too many points")


def _read_camera(saved: dict[str, Any]) -> PlaneCamera:
    lens = saved["lens"]
    width, height = _numbers(saved["size_px"], 2)
    return PlaneCamera(
        Lens(_positive(lens["focal_px"]), _numbers(lens["centre_px"], 2), *_numbers((lens["k1"], lens["k2"]), 2)),
        (int(width), int(height)),
        _array(saved["rotation"], (3, 3)),
        _array(saved["shift"], (3,)),
        float(saved["height"]),
        tuple(_read_card(card) for card in saved["cards"]),
        _array(saved["covariance"], (len(saved["covariance"]),) * 2),
        _numbers(saved["bias"], 2),
    )


def _read_card(saved: dict[str, Any]) -> PlacedCard:
    corners = len(saved["corners_px"])
    sighting = CardSighting(
        _read_design(saved),
        _array(saved["corners_px"], (corners, 2)),
        _array(saved["corners_mm"], (corners, 2)),
        _positive(saved["sd_px"]),
    )
    x, y, angle = _array(saved["place"], (3,)).tolist()
    rms, weight = _numbers((saved["rms_px"], saved["weight"]), 2)
    return PlacedCard(sighting, x, y, angle, rms, weight)


def _read_design(saved: dict[str, Any]) -> CardDesign:
    if saved.get("board") is None:
        return card_design(saved["family"], saved["number"])
    return hand_design(HandRectangle("", _numbers(saved["board"], 2), 1.0, ()))


def _read_relief(saved: dict[str, Any] | None) -> Relief | None:
    if saved is None:
        return None
    shape = tuple(int(count) for count in saved["shape"])
    maps = [np.frombuffer(base64.b64decode(saved[name]), "<f4").reshape(shape).astype(float) for name in MAPS]
    step, lying, common, found, own_common = (float(saved[name]) for name in RELIEF_FIGURES)
    return Relief(_numbers(saved["origin"], 2), step, maps[0], maps[1], lying, common, found, own_common)


def _read_silhouette(saved: dict[str, Any]) -> Silhouette:
    rings = tuple(_array(ring, (len(ring), 2)) for ring in saved["rings"])
    if any(len(ring) < 3 for ring in rings):
        raise ValueError("a ring of less than three points")
    unsure = [np.zeros(len(ring), bool) for ring in rings]
    for mask, places in zip(unsure, saved["unsure"], strict=True):
        mask[np.asarray(places, int)] = True
    return Silhouette(rings, _positive(saved["sigma"]), tuple(unsure))


def _read_stroke(saved: dict[str, Any]) -> Stroke:
    if saved["kind"] not in KINDS or len(saved["points"]) < 2:
        raise ValueError("no stroke")
    width, sigma = _numbers((saved["width"], saved["sigma"]), 2)
    return Stroke(
        str(saved["id"]),
        saved["kind"],
        str(saved["colour"]),
        bool(saved["closed"]),
        width,
        sigma,
        _array(saved["points"], (len(saved["points"]), 2)),
        bool(saved["by_hand"]),
    )


def _array(values: Any, shape: tuple[int, ...]) -> Array:
    found = np.asarray(values, float)
    if found.shape != shape or not np.isfinite(found).all():
        raise ValueError("no such numbers")
    return found


def _numbers(values: Any, count: int) -> tuple[Any, ...]:
    return tuple(_array(values, (count,)).tolist())


def _positive(value: Any) -> float:
    number = float(value)
    if not 0 < number < math.inf:
        raise ValueError("not a positive number")
    return number
