"""A first look at photos while the shell still lies there: cards found, how true they make the shape, what would help.

It reads no line, so it answers at once; everything it says is also in the report of the whole run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from extract.camera.advice import advise_card
from extract.camera.flatten import card_outlines_mm, flatten
from extract.camera.uncertainty import shape_sd_mm
from extract.doors import Array, CannotContinue, Doubt, PlaneCamera
from extract.ink.silhouette_where import rough_outline
from extract.overlay import CARD_COLOUR, Pen
from extract.scale import has_card
from extract.seeing import Seen, Table

LONG_SIDE_PX = 1400
ROUGH_MM = 1.0
WHITE = (255, 255, 255)


@dataclass(frozen=True, eq=False)
class Look:
    """``found`` is JSON-ready; ``pictures`` has one JPEG for each photo that could be read, its cards outlined, else
    None."""

    found: dict[str, Any]
    pictures: tuple[bytes | None, ...]


def look_over(table: Table, advise: bool = True) -> Look:
    """What can be said of a table before any line is read. Photos that cannot serve are told, each with its reason and
    advice; nothing is raised for them. Where the shell lies and which card would help takes about a second more, so it
    is left out without ``advise``."""
    cameras = {photo.digest: camera for photo, camera in table.placed}
    outline, advice = _advice(table) if advise else (None, ())
    said = (*(doubt for one in table.seen for doubt in one.doubts), *table.doubts, *table.blur_doubts, *advice)
    found = {
        "photos": [_told(one, cameras) for one in table.seen],
        "refusal": _refusal(table.refusal),
        "shell": outline is not None,
        "sigma_mm": _sigma(table, outline),
        "said": [doubt.message for doubt in said],
    }
    return Look(found, tuple(_picture(one, cameras) for one in table.seen))


Cameras = dict[str, PlaneCamera]
"""Camera by the photo's digest."""


def _advice(table: Table) -> tuple[Array | None, tuple[Doubt, ...]]:
    """The shell's rough outline, if one is to be seen, and where one more card would help: in the photo with the most
    cards."""
    if not table.placed:
        return None, ()
    photo, camera = max(table.placed, key=lambda each: len(each[1].cards))
    try:
        outline = rough_outline(flatten(photo, camera, mm_per_px=ROUGH_MM))
    except CannotContinue as why:
        return None, (Doubt("no-shell", f"{why.reason} {why.advice}"),)
    hint = photo.focal_hint_px
    advice = advise_card(camera, outline, focal_hint_px=hint) if has_card(camera) else None
    return outline, (advice,) if advice else ()


def _sigma(table: Table, outline: Array | None) -> float | None:
    """1 σ of the shell's shape in mm, by the best photo."""
    if outline is None:
        return None
    return round(min(shape_sd_mm(camera, outline) for _, camera in table.placed), 4)


def _told(one: Seen, cameras: Cameras) -> dict[str, Any]:
    return {
        "file": one.name,
        "size_px": list(one.photo.size_px) if one.photo else None,
        "cards": [
            {"family": s.design.family, "number": s.design.number, "corners_found": len(s.corners_px)}
            for s in one.sightings
        ],
        "placed": one.photo is not None and one.photo.digest in cameras,
        "refusal": _refusal(one.refusal),
    }


def _refusal(why: CannotContinue | None) -> dict[str, str] | None:
    return {"reason": why.reason, "advice": why.advice} if why else None


def _picture(one: Seen, cameras: Cameras) -> bytes | None:
    """The photo made small, cards outlined and numbered where their place was found."""
    if not one.photo:
        return None
    scale = min(1.0, LONG_SIDE_PX / max(one.photo.size_px))
    picture = np.asarray(cv2.resize(one.photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    if one.photo.digest in cameras:
        _outline_cards(Pen(picture, cameras[one.photo.digest], scale))
    done, content = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 82])
    return content.tobytes() if done else None


def _outline_cards(pen: Pen) -> None:
    for card, outline in zip(pen.camera.cards, card_outlines_mm(pen.camera), strict=True):
        for colour, width in ((WHITE, 7), (CARD_COLOUR, 3)):
            pen.line(outline, True, colour, width)
        x, y = outline.mean(axis=0)
        pen.word(card.sighting.design.name, (float(x), float(y)), 1.4, plate=True)
