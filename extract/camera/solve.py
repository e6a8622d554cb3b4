"""Solving lens, camera pose and card places from the chess corners: photos and sightings in, ``PlaneCamera``s out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from extract.camera.bundle import HUBER, Key, Paper, Prior, Sight, Solved, Table, adjust, missed_px
from extract.camera.printer import UNMEASURED_SD, Prints, known_prints
from extract.camera.project import PARAMETERS, mm_from_px
from extract.doors import (
    Array,
    CannotContinue,
    CardDesign,
    CardSighting,
    Doubt,
    Lens,
    Photo,
    PlacedCard,
    PlaneCamera,
    TraceSettings,
)
from extract.geometry.scalecard import board_size_mm

OUTLIER = 5.0
"""Corners missing by more σ than this are blunders: of true ones, four in a million (Rayleigh)."""

FAMILY_ORDER = ("A4", "Letter", "small")


@dataclass(frozen=True)
class SolveSettings:
    """What is known of phone cameras before the photo is looked at, as 1 σ widths.

    ``stated_focal_sd``: EXIF rounds to whole millimetres (2 % at 26 mm from edge to edge) and focusing near adds one
    or two per cent. ``usual_focal_35mm`` ± ``usual_focal_sd``: main cameras of phones have 24 to 28 mm, but a photo
    without EXIF may be anything. ``k1_sd``, ``k2_sd``: what is left after the phone's own correction stays below a
    few per cent at the picture's corners. ``centre_sd``: share of the diagonal by which stabilised lenses wander
    (Jasinska et al., Sensors 23(2):728, find the centre changing from photo to photo).
    ``bulge_sd_mm``: how far a sheet pressed flat by hand still bulges over its half length; unmodelled, a tenth of a
    millimetre seen from the side falsifies the slant of a single card's plane more than all corner noise (common
    practice, no source for the size). ``printer_sd``: relative stretch, in x and in y, of a card whose bars nobody
    measured.
    ``paper_mm``: 80 g/m² paper is a tenth thick (ISO 536 sheets run 0.10 to 0.11 mm), so much the card's print lies
    above the table; ``height_sd_mm``: how well anybody knows the height of a taped shell.
    ``bent_sd_ratio``, ``bent_px``: a card counts as bent when its misfit exceeds both the corners' own noise by that
    ratio and half a pixel.
    """

    stated_focal_sd: float = 0.02
    usual_focal_35mm: float = 26.0
    usual_focal_sd: float = 0.25
    k1_sd: float = 0.06
    k2_sd: float = 0.03
    centre_sd: float = 0.004
    bulge_sd_mm: float = 0.15
    printer_sd: float = UNMEASURED_SD
    paper_mm: float = 0.1
    height_sd_mm: float = 0.3
    max_tilt_deg: float = 55.0
    bent_sd_ratio: float = 3.0
    bent_px: float = 0.5


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
    paper = paper_of(prints, known)
    sights = tuple(sight_of(i, s, prints) for i, seen in enumerate(sightings_per_photo) for s in seen)
    priors = tuple(prior_of(photo.size_px, photo.focal_hint_px, known) for photo in photos)
    for i, photo in enumerate(photos):
        if not any(sight.photo == i for sight in sights):
            raise CannotContinue("camera", f"{photo.name} shows no scale card.", "Leave it out or take it again.")
    frame = min(designs)
    start = _joined([_alone(i, sights, priors[i], photo, paper) for i, photo in enumerate(photos)], frame, photos)
    solved, factors = _weighed(sights, priors, start, frame, paper)
    cameras = tuple(
        _finished(i, solved, sights, factors, sightings_per_photo[i], settings, known, paper)
        for i in range(len(photos))
    )
    for camera, photo in zip(cameras, photos, strict=True):
        _check_tilt(camera, photo, known)
    return cameras, _doubts(cameras, photos, solved, sights, factors, known)


def key_of(design: CardDesign) -> Key:
    return design.number, FAMILY_ORDER.index(design.family)


def _designs(sightings_per_photo: Sequence[Sequence[CardSighting]]) -> dict[Key, CardDesign]:
    found = {key_of(s.design): s.design for seen in sightings_per_photo for s in seen}
    if not found:
        raise CannotContinue("camera", "No scale card can be measured.", "Lay a printed scale card beside the shell.")
    return found


def paper_of(prints: Prints, known: SolveSettings) -> Paper:
    """What is known of the paper before the photo is looked at."""
    return Paper(known.bulge_sd_mm, tuple(map(FAMILY_ORDER.index, prints.expected)), prints.covariance)


def sight_of(photo: int, sighting: CardSighting, prints: Prints) -> Sight:
    """A sighting as the bundle takes it."""
    printed_mm = sighting.corners_mm * prints.expected[sighting.design.family]
    bulges = card_bulges(sighting.design, sighting.corners_mm)
    return Sight(photo, key_of(sighting.design), printed_mm, sighting.corners_px, bulges, sighting.sd_px)


def card_bulges(design: CardDesign, corners_mm: Array) -> Array:
    """Heights of the corners when the paper bulges along x, along y, or in a twist by 1 mm between the paper's middle
    and the ends of its long side. Paper bends like a cylinder, about any axis: the three together. The mean height
    of a bulging card is that of the flat one, half way between lying on its middle and on its edges."""
    width, height = board_size_mm(design)
    u, v = ((corners_mm - (width / 2, height / 2)) / (max(design.paper_mm) / 2)).T
    forms = np.column_stack([u**2, u * v, v**2])
    return np.asarray(forms - forms.mean(axis=0), float)


def prior_of(size_px: tuple[int, int], focal_hint_px: float | None, known: SolveSettings) -> Prior:
    """What is known of a lens before the photo is looked at."""
    width, height = size_px
    diagonal = math.hypot(width, height)
    usual = known.usual_focal_35mm / math.hypot(36, 24) * diagonal
    focal = focal_hint_px or usual
    focal_sd = focal * (known.stated_focal_sd if focal_hint_px else known.usual_focal_sd)
    wander = known.centre_sd * diagonal
    expected = np.array([focal, 0, 0, (width - 1) / 2, (height - 1) / 2])
    return Prior(expected, np.array([focal_sd, known.k1_sd, known.k2_sd, wander, wander]))


def _alone(index: int, sights: tuple[Sight, ...], prior: Prior, photo: Photo, paper: Paper) -> Table:
    """One photo solved by itself, in the frame of its best-seen card. A flat card has two poses that look alike from
    afar (Oberkampf, DeMenthon & Davis 1996); the better one after adjustment is kept."""
    mine = tuple(replace(sight, photo=0) for sight in sights if sight.photo == index)
    best = max(mine, key=lambda sight: float(np.ptp(sight.corners_px, axis=0).prod()))
    starts = [_spread_out(mine, best, camera) for camera in _poses(best, prior, photo)]
    tries = [adjust(mine, (prior,), start, best.card, paper) for start in starts if start is not None]
    if not tries:
        raise CannotContinue(
            "camera",
            f"The cards in {photo.name} cannot lie on one table.",
            "Lay all cards flat on the table the shell lies on.",
        )
    return min(tries, key=lambda solved: solved.cost).table


def _poses(sight: Sight, prior: Prior, photo: Photo) -> list[PlaneCamera]:
    focal, k1, k2, x, y = prior.expected
    matrix = np.array([[focal, 0, x], [0, focal, y], [0, 0, 1]])
    points = np.column_stack([sight.corners_mm, np.zeros(len(sight.corners_mm))])
    _, turns, shifts, errors = cv2.solvePnPGeneric(points, sight.corners_px, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    lens = Lens(float(focal), (float(x), float(y)), float(k1), float(k2))
    errors = np.ravel(errors)
    return [
        PlaneCamera(
            lens,
            photo.size_px,
            Rotation.from_rotvec(np.ravel(turn)).as_matrix(),
            np.ravel(shift),
            0.0,
            (),
            np.zeros((PARAMETERS,) * 2),
        )
        for turn, shift, error in zip(turns, shifts, errors, strict=True)
        if error <= 3 * errors.min() + 1.0
    ]


def _spread_out(sights: tuple[Sight, ...], best: Sight, camera: PlaneCamera) -> Table | None:
    """Every card of one photo laid where the camera sees it; None if by this pose one would lie above the horizon."""
    seen = {sight.card: mm_from_px(camera, sight.corners_px) for sight in sights}
    if not all(np.isfinite(points).all() for points in seen.values()):
        return None
    places = {sight.card: _laid(sight.corners_mm, seen[sight.card]) for sight in sights}
    return Table((camera,), places | {best.card: np.zeros(6)})


def _laid(card_mm: Array, table_mm: Array) -> Array:
    """Place, without bulge, of the turn and shift that best takes card points to table points."""
    a, b = card_mm - card_mm.mean(axis=0), table_mm - table_mm.mean(axis=0)
    angle = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    shift = table_mm.mean(axis=0) - _turn3(angle)[:2, :2] @ card_mm.mean(axis=0)
    return np.array([shift[0], shift[1], angle, 0, 0, 0])


def _joined(alone: list[Table], frame: Key, photos: Sequence[Photo]) -> Table:
    """Tables of single photos brought into the frame card's frame through the cards they share."""
    cameras: list[PlaneCamera | None] = [None] * len(alone)
    places: dict[Key, Array] = {frame: np.zeros(6)}
    waiting = set(range(len(alone)))
    while waiting:
        linked = [i for i in sorted(waiting) if set(alone[i].places) & set(places)]
        if not linked:
            raise CannotContinue(
                "camera",
                f"{photos[min(waiting)].name} shares no scale card with the other photos.",
                "Leave the cards where they are between photos and keep at least one in both pictures.",
            )
        for i in linked:
            shared = min(set(alone[i].places) & set(places))
            cameras[i] = _reframed(alone[i].cameras[0], alone[i].places[shared], places[shared])
            for key, place in alone[i].places.items():
                places.setdefault(key, _moved_place(place, alone[i].places[shared], places[shared]))
            waiting.remove(i)
    return Table(tuple(camera for camera in cameras if camera is not None), places)


def _reframed(camera: PlaneCamera, old: Array, new: Array) -> PlaneCamera:
    """The same camera after the frame moved so that a card at ``old`` comes to lie at ``new``."""
    old_from_new_turn = _turn3(old[2] - new[2])
    old_from_new_shift = np.array([old[0], old[1], 0]) - old_from_new_turn @ np.array([new[0], new[1], 0])
    return replace(
        camera,
        rotation=camera.rotation @ old_from_new_turn,
        shift_mm=camera.rotation @ old_from_new_shift + camera.shift_mm,
    )


def _moved_place(place: Array, old: Array, new: Array) -> Array:
    turn = _turn3(new[2] - old[2])[:2, :2]
    shift = turn @ (place[:2] - old[:2]) + new[:2]
    return np.array([shift[0], shift[1], place[2] + new[2] - old[2], *place[3:]])


def _turn3(angle: float) -> Array:
    cos, sin = math.cos(angle), math.sin(angle)
    return np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]])


def _weighed(
    sights: tuple[Sight, ...], priors: tuple[Prior, ...], start: Table, frame: Key, paper: Paper
) -> tuple[Solved, tuple[float, ...]]:
    """Adjustment with each sighting's noise estimated from its own residuals (variance components after Förstner
    1979), so that a card that does not lie flat loses its say, and without blunders. ``factors`` tell by how much
    each sighting's noise was raised."""
    factors, used = np.ones(len(sights)), sights
    solved = adjust(sights, priors, start, frame, paper)
    for _ in range(6):
        misses = [missed_px(solved.table, sight) for sight in sights]
        rms = np.array([_robust_rms(miss) / math.sqrt(solved.freedom) for miss in misses])
        last, factors = (factors, used), np.maximum(1.0, rms / [sight.sd_px for sight in sights])
        used = tuple(_trusted(*each) for each in zip(sights, misses, factors, strict=True))
        # A twentieth more or less noise on a card moves nothing that matters.
        if np.abs(factors / last[0] - 1).max() < 0.05 and all(map(_same_corners, used, last[1])):
            break
        solved = adjust(used, priors, solved.table, frame, paper)
    return solved, tuple(float(factor) for factor in factors)


def _trusted(sight: Sight, misses_px: Array, factor: float) -> Sight:
    """The sighting with its noise raised by ``factor``, without corners that miss by more than that explains."""
    near = np.hypot(*misses_px.T) <= OUTLIER * factor * sight.sd_px
    return replace(
        sight,
        corners_mm=sight.corners_mm[near],
        corners_px=sight.corners_px[near],
        bulges=sight.bulges[near],
        sd_px=sight.sd_px * factor,
    )


def _same_corners(one: Sight, other: Sight) -> bool:
    return np.array_equal(one.corners_px, other.corners_px)


def _robust_rms(misses_px: Array) -> float:
    """RMS of one coordinate with single bad corners cut down to size: one step from the median deviation (Huber &
    Ronchetti, Robust Statistics, sec. 5.5)."""
    size = np.abs(misses_px)
    limit = HUBER * 1.4826 * float(np.median(size))
    return math.sqrt(float((np.minimum(size, limit) ** 2).mean()))


def _finished(
    index: int,
    solved: Solved,
    sights: tuple[Sight, ...],
    factors: tuple[float, ...],
    sightings: Sequence[CardSighting],
    settings: TraceSettings,
    known: SolveSettings,
    paper: Paper,
) -> PlaneCamera:
    mine = [i for i, sight in enumerate(sights) if sight.photo == index]
    cards = tuple(
        _placed_card(sighting, solved.table.places[sights[i].card], solved.residuals_px[i], factors[i])
        for i, sighting in zip(mine, sightings, strict=True)
    )
    block = slice(PARAMETERS * index, PARAMETERS * (index + 1))
    return replace(
        solved.table.cameras[index],
        height_mm=settings.height_mm - known.paper_mm,
        cards=tuple(sorted(cards, key=lambda card: key_of(card.sighting.design))),
        covariance=solved.covariance[block, block],
        bias=(paper.scale_sd(), known.height_sd_mm),
    )


def _placed_card(sighting: CardSighting, place: Array, misses_px: Array, factor: float) -> PlacedCard:
    x, y, angle = (float(value) for value in place[:3])
    angle = math.remainder(angle, 2 * math.pi)
    rms = math.sqrt(float((misses_px**2).sum(axis=1).mean()))
    return PlacedCard(sighting, x, y, angle, rms, 1 / factor**2)


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


def _doubts(
    cameras: Sequence[PlaneCamera],
    photos: Sequence[Photo],
    solved: Solved,
    sights: tuple[Sight, ...],
    factors: tuple[float, ...],
    known: SolveSettings,
) -> tuple[Doubt, ...]:
    doubts = []
    for camera, photo in zip(cameras, photos, strict=True):
        for card in camera.cards:
            noise = math.sqrt(2) * card.sighting.sd_px
            if card.rms_px > max(known.bent_px, known.bent_sd_ratio * noise):
                doubts.append(_bent(card, photo))
        stated = photo.focal_hint_px
        if stated and abs(camera.lens.focal_px / stated - 1) > 4 * known.stated_focal_sd:
            doubts.append(_odd_focal(camera, photo, stated))
    return tuple(doubts)


def _bent(card: PlacedCard, photo: Photo) -> Doubt:
    name = card.sighting.design.name
    return Doubt(
        "card-bent",
        f"The {name} in {photo.name} does not lie flat: its corners miss by {card.rms_px:.1f} pixels, so it was "
        f"trusted {100 * card.weight:.0f} % as much as a flat one. Tape it down and take the photo again.",
    )


def _odd_focal(camera: PlaneCamera, photo: Photo, stated_px: float) -> Doubt:
    change = 100 * (camera.lens.focal_px / stated_px - 1)
    return Doubt(
        "focal-odd",
        f"{photo.name} states a focal length that its cards contradict by {change:+.0f} %; the cards were believed. "
        "Was the photo cropped or edited? Use the one straight from the camera.",
    )
