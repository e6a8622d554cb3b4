"""Solving lens, camera pose and card places from the chess corners: photos and sightings in, ``PlaneCamera``s out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from extract.camera.bundle import Key, Sight, missed_px, risen_px
from extract.camera.doubts import Verdict, card_doubts, focal_doubts, print_doubts
from extract.camera.known import SolveSettings, key_of, paper_of, prior_of, sight_of
from extract.camera.printer import known_prints
from extract.camera.project import PARAMETERS
from extract.camera.weigh import Problem, Weighed, best_weighed
from extract.doors import (
    Array,
    CannotContinue,
    CardDesign,
    CardSighting,
    Doubt,
    Photo,
    PlacedCard,
    PlaneCamera,
    TraceSettings,
)


def solve(
    sightings_per_photo: Sequence[Sequence[CardSighting]],
    photos: Sequence[Photo],
    settings: TraceSettings | None = None,
    known: SolveSettings | None = None,
) -> tuple[tuple[PlaneCamera, ...], tuple[Doubt, ...]]:
    """One camera per photo, all in the frame of the lowest-numbered card, and what should be doubted about them.

    Raises ``CannotContinue`` when a photo shows no card, when photos share no card with the rest, when the bar lengths
    are impossible, or when the view is too slanted.
    """
    settings, known = settings or TraceSettings(), known or SolveSettings()
    designs = _designs(sightings_per_photo)
    prints = known_prints(list(designs.values()), settings, known.printer_sd)
    paper = paper_of(designs.values(), prints, known)
    sights = tuple(sight_of(i, s, prints) for i, seen in enumerate(sightings_per_photo) for s in seen)
    priors = tuple(prior_of(photo.size_px, photo.focal_hint_px, known) for photo in photos)
    for i, photo in enumerate(photos):
        if not any(sight.photo == i for sight in sights):
            raise CannotContinue("camera", f"{photo.name} shows no scale card.", "Leave it out or take it again.")
    weighed = best_weighed(Problem(sights, priors, min(designs), paper, tuple(photos), designs, known))
    sightings = [sighting for seen in sightings_per_photo for sighting in seen]
    verdicts = [_verdict(weighed, i, sights[i], photos, sighting) for i, sighting in enumerate(sightings)]
    height_mm, bias = settings.height_mm - known.paper_mm, (paper.scale_sd(), known.height_sd_mm)
    cameras = tuple(
        replace(_finished(i, weighed, sights, sightings, verdicts), height_mm=height_mm, bias=bias)
        for i in range(len(photos))
    )
    for camera, photo in zip(cameras, photos, strict=True):
        _check_tilt(camera, photo, known)
    unlike = print_doubts(paper, weighed.solved.table.stretches, known)
    return cameras, (*card_doubts(verdicts, known), *unlike, *focal_doubts(cameras, photos, known))


def _designs(sightings_per_photo: Sequence[Sequence[CardSighting]]) -> dict[Key, CardDesign]:
    found = {key_of(s.design): s.design for seen in sightings_per_photo for s in seen}
    if not found:
        raise CannotContinue("camera", "No scale card can be measured.", "Lay a printed scale card beside the shell.")
    return found


def _verdict(weighed: Weighed, index: int, sight: Sight, photos: Sequence[Photo], sighting: CardSighting) -> Verdict:
    table = weighed.solved.table
    return Verdict(
        sighting.design,
        photos[sight.photo],
        sighting.corners_mm,
        missed_px(table, sight),
        weighed.used[index],
        sighting.sd_px,
        float(weighed.factors[index]),
        risen_px(table, sight),
        table.places[sight.card][3:6],
    )


def _finished(
    index: int,
    weighed: Weighed,
    sights: Sequence[Sight],
    sightings: Sequence[CardSighting],
    verdicts: Sequence[Verdict],
) -> PlaneCamera:
    table = weighed.solved.table
    cards = [
        _placed_card(sighting, table.places[sight.card], verdict)
        for sight, sighting, verdict in zip(sights, sightings, verdicts, strict=True)
        if sight.photo == index
    ]
    block = slice(PARAMETERS * index, PARAMETERS * (index + 1))
    return replace(
        table.cameras[index],
        cards=tuple(sorted(cards, key=lambda card: key_of(card.sighting.design))),
        covariance=weighed.solved.covariance[block, block],
    )


def _placed_card(sighting: CardSighting, place: Array, verdict: Verdict) -> PlacedCard:
    x, y, angle = (float(value) for value in place[:3])
    return PlacedCard(sighting, x, y, math.remainder(angle, 2 * math.pi), verdict.rms_px, verdict.factor**-2)


def tilt_deg(camera: PlaneCamera) -> float:
    """Angle between the camera's axis and straight down."""
    return math.degrees(math.acos(min(1.0, abs(float(camera.rotation[2, 2])))))


def _check_tilt(camera: PlaneCamera, photo: Photo, known: SolveSettings) -> None:
    tilt = tilt_deg(camera)
    if tilt > known.max_tilt_deg:
        raise CannotContinue(
            "camera",
            f"{photo.name} looks at the table at a slant of {tilt:.0f}°, too flat an angle to measure by.",
            "Hold the camera more nearly straight above the table.",
        )
