"""A first look at photos while the shell still lies there: cards found, how true they make the shape, what would help.

It reads no line, so it answers in about a second; everything it says is also in the report of the whole run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from extract.camera.advice import advise_card
from extract.camera.blur import blur_doubt, measure_blur
from extract.camera.flatten import card_outlines_mm, flatten
from extract.camera.uncertainty import shape_sd_mm
from extract.doors import Array, CannotContinue, CardSighting, Doubt, Photo, PlaneCamera, Progress, TraceSettings
from extract.ink.silhouette_where import rough_outline
from extract.overlay import CARD_COLOUR, Pen
from extract.photo import read_photo
from extract.scale import find_scale, has_card, solve_scale

LONG_SIDE_PX = 1400
ROUGH_MM = 1.0
WHITE = (255, 255, 255)


@dataclass(frozen=True, eq=False)
class Look:
    """``found`` is JSON-ready; ``pictures`` has one JPEG for each photo that could be read, its cards outlined, else
    None."""

    found: dict[str, Any]
    pictures: tuple[bytes | None, ...]


@dataclass(frozen=True, eq=False)
class _Seen:
    """One photo with the cards on it, or why it cannot serve."""

    name: str
    photo: Photo | None = None
    sightings: tuple[CardSighting, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    refusal: CannotContinue | None = None


def look_over(sources: Sequence[tuple[str, bytes]], settings: TraceSettings, progress: Progress | None = None) -> Look:
    """What can be said of the photos (name and bytes) before any line is read. Photos that cannot serve are told, each
    with its reason and advice; nothing is raised for them."""
    tell = progress or (lambda words, share: None)
    seen = []
    for n, (name, content) in enumerate(sources):
        tell(f"finding the cards in {name}", 0.6 * n / len(sources))
        seen.append(_seen(name, content, settings))
    tell("working out how true they make it", 0.6)
    cameras, doubts, refusal = _solved([one for one in seen if one.sightings], settings)
    tell("looking where a card would help", 0.7)
    outline, advice = _advice(cameras)
    found = {
        "photos": [_told(one, cameras) for one in seen],
        "refusal": _refusal(refusal),
        "shell": outline is not None,
        "sigma_mm": _sigma(cameras, outline),
        "said": [d.message for d in (*(d for one in seen for d in one.doubts), *doubts, *advice)],
    }
    return Look(found, tuple(_picture(one, cameras) for one in seen))


Cameras = dict[str, tuple[Photo, PlaneCamera]]
"""Photo and camera by the photo's digest."""


def _seen(name: str, content: bytes, settings: TraceSettings) -> _Seen:
    try:
        photo = read_photo(content, name)
    except CannotContinue as why:
        return _Seen(name, refusal=why)
    try:
        sightings, doubts = find_scale(photo, settings)
    except CannotContinue as why:
        return _Seen(name, photo, refusal=why)
    return _Seen(name, photo, sightings, doubts)


def _solved(seen: list[_Seen], settings: TraceSettings) -> tuple[Cameras, tuple[Doubt, ...], CannotContinue | None]:
    photos = [one.photo for one in seen if one.photo]
    if not photos:
        return {}, (), None
    try:
        cameras, doubts = solve_scale([one.sightings for one in seen], photos, settings)
    except CannotContinue as why:
        return {}, (), why
    printed = [pair for pair in zip(photos, cameras, strict=True) if has_card(pair[1])]
    blurs = [blur_doubt(photo, measure_blur(photo, camera)) for photo, camera in printed]
    by_photo = {photo.digest: (photo, camera) for photo, camera in zip(photos, cameras, strict=True)}
    return by_photo, (*doubts, *(doubt for doubt in blurs if doubt)), None


def _advice(cameras: Cameras) -> tuple[Array | None, tuple[Doubt, ...]]:
    """The shell's rough outline, if one is to be seen, and where one more card would help: in the photo with the most
    cards."""
    if not cameras:
        return None, ()
    photo, camera = max(cameras.values(), key=lambda each: len(each[1].cards))
    try:
        outline = rough_outline(flatten(photo, camera, mm_per_px=ROUGH_MM))
    except CannotContinue as why:
        return None, (Doubt("no-shell", f"{why.reason} {why.advice}"),)
    hint = photo.focal_hint_px
    advice = advise_card(camera, outline, focal_hint_px=hint) if has_card(camera) else None
    return outline, (advice,) if advice else ()


def _sigma(cameras: Cameras, outline: Array | None) -> float | None:
    """1 σ of the shell's shape in mm, by the best photo."""
    if outline is None:
        return None
    return round(min(shape_sd_mm(camera, outline) for _, camera in cameras.values()), 4)


def _told(one: _Seen, cameras: Cameras) -> dict[str, Any]:
    camera = cameras.get(one.photo.digest, (None, None))[1] if one.photo else None
    return {
        "file": one.name,
        "size_px": list(one.photo.size_px) if one.photo else None,
        "cards": [
            {"family": s.design.family, "number": s.design.number, "corners_found": len(s.corners_px)}
            for s in one.sightings
        ],
        "placed": camera is not None,
        "refusal": _refusal(one.refusal),
    }


def _refusal(why: CannotContinue | None) -> dict[str, str] | None:
    return {"reason": why.reason, "advice": why.advice} if why else None


def _picture(one: _Seen, cameras: Cameras) -> bytes | None:
    """The photo made small, cards outlined and numbered where their place was found."""
    if not one.photo:
        return None
    scale = min(1.0, LONG_SIDE_PX / max(one.photo.size_px))
    picture = np.asarray(cv2.resize(one.photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    if one.photo.digest in cameras:
        _outline_cards(Pen(picture, cameras[one.photo.digest][1], scale))
    done, content = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 82])
    return content.tobytes() if done else None


def _outline_cards(pen: Pen) -> None:
    for card, outline in zip(pen.camera.cards, card_outlines_mm(pen.camera), strict=True):
        for colour, width in ((WHITE, 7), (CARD_COLOUR, 3)):
            pen.line(outline, True, colour, width)
        x, y = outline.mean(axis=0)
        pen.word(card.sighting.design.name, (float(x), float(y)), 1.4)
