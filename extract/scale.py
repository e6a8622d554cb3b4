"""What gives photos their scale: printed cards, or else a rectangle whose corners a hand set."""

from __future__ import annotations

from collections.abc import Sequence

from extract.cards.by_hand import hand_doubts, hand_sightings
from extract.cards.find import find_cards
from extract.doors import CardSighting, Doubt, Photo, PlaneCamera, TraceSettings


def find_scale(photo: Photo, settings: TraceSettings) -> tuple[tuple[CardSighting, ...], tuple[Doubt, ...]]:
    """The rectangle a hand set in the photo, or else its cards. Raises CannotContinue."""
    by_hand = hand_sightings(photo, settings.by_hand)
    return (by_hand, hand_doubts(by_hand)) if by_hand else find_cards(photo)


def solve_scale(
    sightings: Sequence[Sequence[CardSighting]], photos: Sequence[Photo], settings: TraceSettings
) -> tuple[tuple[PlaneCamera, ...], tuple[Doubt, ...]]:
    """The solve of cameras and table; where a hand set the scale, with how well the rectangle's size is known in the
    printer's place, and without the bars of cards that are not there. Raises CannotContinue."""
    # Fitting libraries load while cards are still looked for.
    from extract.camera.known import SolveSettings
    from extract.camera.solve import solve

    used = [one for one in settings.by_hand if one.photo in {photo.digest for photo in photos}]
    if not used:
        return solve(sightings, photos, settings)
    loosest = max(one.sd_mm / min(one.size_mm) for one in used)
    return solve(sightings, photos, TraceSettings(height_mm=settings.height_mm), SolveSettings(printer_sd=loosest))


def has_card(camera: PlaneCamera) -> bool:
    """Whether a printed card lies on the table, not only a rectangle that a hand set."""
    return any(card.sighting.design.board_mm is None for card in camera.cards)
