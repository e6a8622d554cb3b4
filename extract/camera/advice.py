"""Where one more card would help most, and whether a ruler would, computed before anybody prints or measures.

The Cramér–Rao bound says what a photo with one more card would be worth: the card's corners add their information, less
what its own unknown place and bulge use up. No picture is needed, so the answer is as good as the noise it assumes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from extract.camera.bound import bounded, shape_bound_mm
from extract.camera.known import SolveSettings
from extract.camera.project import mm_from_px, px_from_mm
from extract.camera.uncertainty import shape_sd_mm
from extract.doors import Array, CardDesign, CardSighting, Doubt, PlacedCard, PlaneCamera, TraceSettings
from extract.geometry.scalecard import bar_lengths_mm, board_corner_mm, chess_corners_mm

PRINTER_ASIDE = SolveSettings(printer_sd=1e-6)
"""What the printer does is a ruler's business, cheaper than another card."""


@dataclass(frozen=True)
class AdviceSettings:
    """``good_mm``: a pattern this true needs no advice; a scalpel does not follow a line better. ``worth``: only a
    card that brings the ± down to this share is worth the trouble. ``gap_mm``: room left between shell and card.
    ``ruler_worth``: a minute with a ruler is worth a smaller gain. ``corner_sd_px``: corner noise of a phone photo
    (0.06 to 0.12 px on the test photos)."""

    good_mm: float = 0.1
    worth: float = 0.6
    ruler_worth: float = 0.85
    gap_mm: float = 15.0
    corner_sd_px: float = 0.1
    rim_px: float = 20.0


@dataclass(frozen=True)
class Advice:
    """``centre_mm`` of the proposed card, which way it lies from the shell as the picture shows it, and the 1 σ of
    the shell's shape (camera and lens alone) without and with it."""

    design: CardDesign
    centre_mm: tuple[float, float]
    direction: str
    in_view: bool
    now_mm: float
    then_mm: float


def advise_card(
    camera: PlaneCamera,
    outline_mm: Array,
    settings: AdviceSettings | None = None,
    focal_hint_px: float | None = None,
) -> Doubt | None:
    """A doubt that says where a second card would help most, or None where the photo is good enough or no card would
    help much. ``outline_mm`` (N, 2) is the shell's boundary; ``focal_hint_px`` is what EXIF said."""
    settings = settings or AdviceSettings()
    best = best_card(camera, outline_mm, settings, focal_hint_px)
    if best is None or best.now_mm <= settings.good_mm or best.then_mm > settings.worth * best.now_mm:
        return None
    step_back = "" if best.in_view else " and step back until both are in the picture"
    return Doubt(
        "card-advice",
        f"One more {best.design.family} card lying {best.direction} the shell in the picture would bring the shape's ± "
        f"from {best.now_mm:.2f} to about {best.then_mm:.2f} mm (printer aside): lay one there{step_back}.",
    )


def best_card(
    camera: PlaneCamera,
    outline_mm: Array,
    settings: AdviceSettings | None = None,
    focal_hint_px: float | None = None,
) -> Advice | None:
    """The most helpful place around the shell for one more card of a family already on the table; places in view come
    before places out of it. None if every place is taken."""
    settings = settings or AdviceSettings()
    outline = np.asarray(outline_mm, float).reshape(-1, 2)
    if len(outline) < 3 or not camera.cards:
        return None
    now = shape_bound_mm(camera, outline, focal_hint_px, known=PRINTER_ASIDE)
    designs = {card.sighting.design.family: card.sighting.design for card in camera.cards}
    found = []
    for design in designs.values():
        for direction, place in _places(camera, outline, design, settings):
            paper = _paper(design, place)
            if _taken(camera, paper):
                continue
            then = shape_bound_mm(
                _with_card(camera, design, place, settings), outline, focal_hint_px, known=PRINTER_ASIDE
            )
            centre = paper.mean(axis=0)
            at = (float(centre[0]), float(centre[1]))
            found.append(Advice(design, at, direction, _in_view(camera, paper, settings), now, then))
    return min(found, key=lambda advice: (not advice.in_view, advice.then_mm), default=None)


def advise_ruler(
    camera: PlaneCamera,
    outline_mm: Array,
    told: TraceSettings,
    settings: AdviceSettings | None = None,
    focal_hint_px: float | None = None,
) -> Doubt | None:
    """A doubt that says what measuring the bars would bring, or None where they are measured, little would be gained
    or no printed card lies there. Everything the ± is made of counts here: camera, printer and the strokes' height."""
    settings = settings or AdviceSettings()
    if told.bar_long_mm is not None and told.bar_short_mm is not None:
        return None
    design = next((card.sighting.design for card in camera.cards if card.sighting.design.board_mm is None), None)
    if design is None:
        return None
    long_mm, short_mm = bar_lengths_mm(design)
    ruled = replace(told, bar_long_mm=told.bar_long_mm or long_mm, bar_short_mm=told.bar_short_mm or short_mm)
    now, then = (shape_sd_mm(bounded(camera, focal_hint_px, known), outline_mm) for known in (told, ruled))
    if now <= settings.good_mm or then > settings.ruler_worth * now:
        return None
    return Doubt(
        "ruler-advice",
        f"A ruler along both bars of the {design.name} would bring the shape's ± from "
        f"{now:.2f} to about {then:.2f} mm.",
    )


def _in_view(camera: PlaneCamera, points_mm: Array, settings: AdviceSettings) -> bool:
    seen = px_from_mm(camera, points_mm)
    return bool((seen > settings.rim_px).all() and (seen < np.array(camera.size_px) - settings.rim_px).all())


_DIRECTIONS = {
    (-1, 0): "to the left of",
    (1, 0): "to the right of",
    (0, -1): "above",
    (0, 1): "below",
    (-1, -1): "to the upper left of",
    (1, -1): "to the upper right of",
    (-1, 1): "to the lower left of",
    (1, 1): "to the lower right of",
}


def _places(
    camera: PlaneCamera, outline: Array, design: CardDesign, settings: AdviceSettings
) -> list[tuple[str, Array]]:
    """(direction, the card's place as the bundle writes it) around the shell's box, along and across the picture."""
    middle_px = px_from_mm(camera, outline.mean(axis=0)[None])
    ends = mm_from_px(camera, middle_px + np.array([[-50.0, 0.0], [50.0, 0.0]]))
    angle = math.atan2(*(ends[1] - ends[0])[::-1])
    table_from_picture = _turn(angle)
    along = outline @ table_from_picture
    low, high = along.min(axis=0), along.max(axis=0)
    corner = np.array(board_corner_mm(design)) - np.array(design.paper_mm) / 2
    places = []
    for quarter in (0, 1):
        paper = np.array(design.paper_mm)[:: -1 if quarter else 1]
        reach = (high - low) / 2 + paper / 2 + settings.gap_mm
        turned = angle + quarter * math.pi / 2
        for sides, words in _DIRECTIONS.items():
            origin = table_from_picture @ ((low + high) / 2 + sides * reach) + _turn(turned) @ corner
            places.append((words, np.array([*origin, turned])))
    return places


def _turn(angle: float) -> Array:
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def _paper(design: CardDesign, place: Array) -> Array:
    """(M, 2) points all over the card's paper."""
    x, y = np.meshgrid(np.linspace(0, design.paper_mm[0], 5), np.linspace(0, design.paper_mm[1], 5))
    plain = np.column_stack([x.ravel(), y.ravel()]) - board_corner_mm(design)
    return np.asarray(plain @ _turn(place[2]).T + place[:2], float)


def _taken(camera: PlaneCamera, paper: Array) -> bool:
    """Whether a card already lies there."""
    for card in camera.cards:
        there = _paper(card.sighting.design, np.array([card.x_mm, card.y_mm, card.angle_rad]))
        size = np.array(card.sighting.design.paper_mm) / 4
        if np.linalg.norm(paper[:, None] - there[None], axis=2).min() < size.min() / 2:
            return True
    return False


def _with_card(camera: PlaneCamera, design: CardDesign, place: Array, settings: AdviceSettings) -> PlaneCamera:
    corners = chess_corners_mm(design)
    numbers = {card.sighting.design.number for card in camera.cards}
    other = replace(design, number=1 + max(numbers))
    seen = CardSighting(other, np.zeros_like(corners), corners, settings.corner_sd_px)
    x, y, angle = (float(value) for value in place[:3])
    return replace(camera, cards=(*camera.cards, PlacedCard(seen, x, y, angle, 0.0)))
