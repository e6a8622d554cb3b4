"""What is known before the photo is looked at: of phone cameras, of paper, of printers."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from extract.camera.bundle import Key, Lie, Paper, Prior, Sight
from extract.camera.paper import bend_mm, sheet_of
from extract.camera.printer import UNMEASURED_SD, Prints
from extract.doors import Array, CardDesign, CardSighting, Photo, PlaneCamera

FAMILY_ORDER = ("A4", "Letter", "small", "hand")


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
    practice, no source for the size). ``lift_sd_mm``: how much higher one card lies than another, by what it bulges
    and lies on. ``printer_sd``: relative stretch, in x and in y, of a card whose bars nobody
    measured.
    ``paper_mm``: 80 g/m² paper is a tenth thick (ISO 536 sheets run 0.10 to 0.11 mm), so much the card's print lies
    above the table; ``height_sd_mm``: how well anybody knows the height of a taped shell.
    ``bent_sd``: a card counts as bent when it bulges by that many times ``bulge_sd_mm``; of sheets pressed flat, one
    in a hundred thousand. ``distrusted``: a card with less than this share of a flat one's weight is named.
    ``unlike_sd``: families that differ by more σ than this were not printed alike. ``odd_sd``: a focal length that is
    off by so many σ was not what the photo states.
    """

    stated_focal_sd: float = 0.02
    usual_focal_35mm: float = 26.0
    usual_focal_sd: float = 0.25
    k1_sd: float = 0.06
    k2_sd: float = 0.03
    centre_sd: float = 0.004
    bulge_sd_mm: float = 0.15
    lift_sd_mm: float = 0.05
    printer_sd: float = UNMEASURED_SD
    paper_mm: float = 0.1
    height_sd_mm: float = 0.3
    max_tilt_deg: float = 55.0
    bent_sd: float = 5.0
    distrusted: float = 0.25
    unlike_sd: float = 3.0
    odd_sd: float = 4.0

    def contradicts(self, camera: PlaneCamera, photo: Photo) -> bool:
        """Whether a camera's focal length and the one its photo states exclude each other."""
        stated = photo.focal_hint_px
        return bool(stated and abs(camera.lens.focal_px / stated - 1) > self.odd_sd * self.stated_focal_sd)


def key_of(design: CardDesign) -> Key:
    return design.number, FAMILY_ORDER.index(design.family)


def paper_of(designs: Iterable[CardDesign], prints: Prints, known: SolveSettings) -> Paper:
    """What is known of the paper before the photo is looked at."""
    flat = Lie(np.zeros(4), np.array([*[known.bulge_sd_mm] * 3, known.lift_sd_mm]))
    lies = {key_of(design): flat for design in designs}
    return Paper(lies, tuple(map(FAMILY_ORDER.index, prints.expected)), prints.covariance)


def is_bent(bulge_mm: Array, known: SolveSettings) -> bool:
    """Whether the paper bulges more than sheets pressed flat ever do."""
    return bool((bulge_mm**2).sum() > (known.bent_sd * known.bulge_sd_mm) ** 2)


def bent_lie(design: CardDesign, bulge_mm: Array, known: SolveSettings) -> Lie:
    """What is to be expected of a card that was found bent: a bulge of that size any way, and that it touches the table
    at its lowest point, give or take a third, as it may be held down at another."""
    _, lift = bend_mm(design, bulge_mm)
    size = max(float(np.linalg.norm(bulge_mm)), known.bulge_sd_mm * 1.01)
    return Lie(np.array([0, 0, 0, lift]), np.array([size, size, size, max(lift / 3, known.lift_sd_mm)]))


def sight_of(photo: int, sighting: CardSighting, prints: Prints) -> Sight:
    """A sighting as the bundle takes it."""
    design, nominal = sighting.design, sighting.corners_mm
    printed = nominal * prints.expected[design.family]
    return Sight(photo, key_of(design), printed, sighting.corners_px, sheet_of(design, nominal), sighting.sd_px)


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
