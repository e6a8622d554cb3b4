"""Solving lens, camera pose and card places from the chess corners: photos and sightings in, ``PlaneCamera``s out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from extract.camera.bundle import HUBER, Key, Lie, Paper, Prior, Sight, Solved, Table, adjust, missed_px, risen_px
from extract.camera.doubts import Verdict, card_doubts, focal_doubts, print_doubts
from extract.camera.known import SolveSettings, bent_lie, is_bent, key_of, paper_of, prior_of, sight_of
from extract.camera.printer import known_prints
from extract.camera.project import PARAMETERS
from extract.camera.start import alone, joined
from extract.doors import (
    Array,
    CannotContinue,
    CardDesign,
    CardSighting,
    Doubt,
    Mask,
    Photo,
    PlacedCard,
    PlaneCamera,
    TraceSettings,
)

MOST_ROUNDS = 12
"""Bends and weights settle within four or five."""

OUTLIER = 5.0
"""Corners missing by more σ than this are blunders: of true ones, four in a million (Rayleigh)."""


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
    frame = min(designs)
    start = joined([alone(i, sights, priors[i], photo, paper) for i, photo in enumerate(photos)], frame, photos)
    weighed = _weighed(sights, priors, start, frame, paper, designs, known)
    sightings = [sighting for seen in sightings_per_photo for sighting in seen]
    verdicts = [_verdict(weighed, i, photos[sights[i].photo], sighting) for i, sighting in enumerate(sightings)]
    cameras = tuple(
        _finished(i, weighed, verdicts, sightings_per_photo[i], settings, known, paper) for i in range(len(photos))
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


@dataclass(frozen=True, eq=False)
class _Weighed:
    """The adjustment, all ``sights`` that went into it, by how much each one's noise was raised, and which of its
    corners counted."""

    solved: Solved
    sights: tuple[Sight, ...]
    factors: Array
    used: tuple[Mask, ...]


def _weighed(
    sights: tuple[Sight, ...],
    priors: tuple[Prior, ...],
    start: Table,
    frame: Key,
    paper: Paper,
    designs: Mapping[Key, CardDesign],
    known: SolveSettings,
) -> _Weighed:
    """Adjustment with each sighting's noise estimated from its own residuals (variance components after Förstner
    1979), so that a card that does not fit loses its say, and without blunders. A card found bent is first allowed its
    bend: else the flat ones beside it are blamed for what it does."""
    factors, used, trusted = np.ones(len(sights)), tuple(np.ones(len(s.corners_px), bool) for s in sights), sights
    solved = adjust(sights, priors, start, frame, paper)
    for _ in range(MOST_ROUNDS):
        bends = {key: _lie(solved.table, key, designs[key], paper.lies[key], known) for key in paper.lies}
        misses = [missed_px(solved.table, sight) for sight in sights]
        rms = np.array([_robust_rms(miss) / math.sqrt(solved.freedom) for miss in misses])
        if any(_differ(lie, paper.lies[key]) for key, lie in bends.items()):
            paper = replace(paper, lies=bends)
        else:
            last, factors = (factors, used), np.maximum(1.0, rms / [sight.sd_px for sight in sights])
            limits = OUTLIER * factors * [sight.sd_px for sight in sights]
            used = tuple(np.hypot(*miss.T) <= limit for miss, limit in zip(misses, limits, strict=True))
            # A twentieth more or less noise on a card moves nothing that matters.
            if np.abs(factors / last[0] - 1).max() < 0.05 and all(map(np.array_equal, used, last[1])):
                break
            trusted = tuple(_trusted(*each) for each in zip(sights, used, factors, strict=True))
        solved = adjust(trusted, priors, solved.table, frame, paper)
    return _Weighed(solved, sights, factors, used)


def _lie(table: Table, key: Key, design: CardDesign, before: Lie, known: SolveSettings) -> Lie:
    """How the card may lie, now that it has been seen; once suspected of a bend it stays so."""
    bulge, suspected = table.places[key][3:6], before.sd[0] > known.bulge_sd_mm
    return bent_lie(design, bulge, known) if suspected or is_bent(bulge, known) else before


def _differ(one: Lie, other: Lie) -> bool:
    """A tenth more or less of a bend moves nothing that matters."""
    return bool(np.abs(one.sd / other.sd - 1).max() > 0.1)


def _trusted(sight: Sight, used: Mask, factor: float) -> Sight:
    """The sighting with its noise raised by ``factor``, with the corners that count."""
    return replace(
        sight,
        corners_mm=sight.corners_mm[used],
        corners_px=sight.corners_px[used],
        sheet=sight.sheet.only(used),
        sd_px=sight.sd_px * factor,
    )


def _robust_rms(misses_px: Array) -> float:
    """RMS of one coordinate with single bad corners cut down to size: one step from the median deviation (Huber &
    Ronchetti, Robust Statistics, sec. 5.5)."""
    size = np.abs(misses_px)
    limit = HUBER * 1.4826 * float(np.median(size))
    return math.sqrt(float((np.minimum(size, limit) ** 2).mean()))


def _verdict(weighed: _Weighed, index: int, photo: Photo, sighting: CardSighting) -> Verdict:
    sight, table = weighed.sights[index], weighed.solved.table
    return Verdict(
        sighting.design,
        photo,
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
    weighed: _Weighed,
    verdicts: Sequence[Verdict],
    sightings: Sequence[CardSighting],
    settings: TraceSettings,
    known: SolveSettings,
    paper: Paper,
) -> PlaneCamera:
    mine = [i for i, sight in enumerate(weighed.sights) if sight.photo == index]
    table = weighed.solved.table
    cards = tuple(
        _placed_card(sighting, table.places[weighed.sights[i].card], verdicts[i])
        for i, sighting in zip(mine, sightings, strict=True)
    )
    block = slice(PARAMETERS * index, PARAMETERS * (index + 1))
    return replace(
        table.cameras[index],
        height_mm=settings.height_mm - known.paper_mm,
        cards=tuple(sorted(cards, key=lambda card: key_of(card.sighting.design))),
        covariance=weighed.solved.covariance[block, block],
        bias=(paper.scale_sd(), known.height_sd_mm),
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
