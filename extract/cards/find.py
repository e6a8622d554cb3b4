"""Finding the printed scale cards in a photo, chess corner by chess corner.

Markers are read on a reduced picture (OpenCV's detector is both slower and blinder at full size); they only say which
card lies where. Every chess corner is then refined at full size by OpenCV's gradient method (Förstner & Gülch 1987)
in a window that stays inside the white rim between square and marker, and kept only if its surroundings look like the
corner of a chessboard.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from extract.cards.design import DICTIONARY, all_designs, marker_corners_mm
from extract.doors import Array, CannotContinue, CardDesign, CardSighting, Doubt, Photo
from extract.geometry.scalecard import board_size_mm, chess_corners_mm

Grey = npt.NDArray[np.uint8]

FLAT_LEVELS = 4.0
"""Grey levels of spread below which a patch shows nothing: the noise of a photo in good light."""


LEAST_FREEDOM = 8
"""Observations to spare below which a spread estimated from them is off by half and more."""

SHARED_FREEDOM = 20
"""Cards of one photo differ in sharpness by a fifth or so (the test photos): as well as twenty observations tell."""

LEAST_PERIMETER_PX = 36
"""Markers of seven cells across can be read down to about a pixel and a third per cell; OpenCV takes the limit as a
share of the picture's long side, which would blind it on large pictures."""


@dataclass(frozen=True)
class FindSettings:
    """``detect_long_side_px``: markers of a card 1.3 m away still have 2 px per cell at this size.
    ``window_squares``: half the refinement window; the white rim is 0.125 squares wide at its narrowest.
    ``min_square_px``: below it the window holds under 5 × 5 pixels and the corners are no better than the markers.
    ``max_tilt_deg``: beyond it a stroke's two edges differ in sharpness and every height error doubles.
    ``min_corners``: fewer leave the four corners of a homography no check.
    ``min_likeness``: correlation with an ideal chess corner; a thumb or tape edge falls well below."""

    detect_long_side_px: int = 2016
    window_squares: float = 0.1
    min_square_px: float = 20.0
    max_tilt_deg: float = 50.0
    min_corners: int = 6
    min_likeness: float = 0.8


Markers = list[tuple[int, Array]]


def find_cards(
    photo: Photo, settings: FindSettings | None = None
) -> tuple[tuple[CardSighting, ...], tuple[Doubt, ...]]:
    """All usable scale cards in the photo, A4 before Letter before small, by number; doubts name the cards that were
    seen and left out. Raises ``CannotContinue`` when none can be used, when one card number lies there twice, or when
    the photo is mirrored."""
    settings = settings or FindSettings()
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY), np.uint8)
    groups = _search(grey, settings)
    if not groups:
        _explain_none(grey, settings)
    # A single marker beside real cards is somebody else's, or a misreading.
    groups = [group for group in groups if len(group[1]) > 1] or groups
    sightings, refusals = [], []
    for design, found in groups:
        try:
            sightings.append(_sight(grey, design, found, photo, settings))
        except _UnusableError as why:
            refusals.append(why)
    if not sightings:
        raise CannotContinue("cards", refusals[0].reason, refusals[0].advice)
    return noise_px(sightings), tuple(Doubt(why.code, f"{why.reason} It was left out.") for why in refusals)


class _UnusableError(Exception):
    """One card that was seen and cannot serve."""

    def __init__(self, code: str, reason: str, advice: str) -> None:
        super().__init__(reason)
        self.code, self.reason, self.advice = code, reason, advice


def _search(grey: Grey, settings: FindSettings) -> list[tuple[CardDesign, Markers]]:
    """Markers by card. One threshold on the reduced picture nearly always reads them all in a third of the time;
    where cards come out half read, or none at all, every threshold is tried, then a larger picture."""
    reduced = settings.detect_long_side_px
    groups = _by_card(_read_markers(grey, reduced, (23, 23)))
    if groups and all(2 * len(markers) > len(marker_corners_mm(design)) for design, markers in groups):
        return groups
    groups = max(groups, _by_card(_read_markers(grey, reduced, (3, 43))), key=_marker_count)
    if groups or max(grey.shape) <= reduced:
        return groups
    # Three times finer finds markers a third the size; finer still, a card would be too small to measure by anyway.
    return _by_card(_read_markers(grey, min(max(grey.shape), 3 * reduced), (3, 23)))


def _marker_count(groups: list[tuple[CardDesign, Markers]]) -> int:
    return sum(len(markers) for _, markers in groups)


def _read_markers(grey: Grey, long_side_px: int, windows: tuple[int, int]) -> Markers:
    """Ids with (4, 2) corners in full-size pixels; ``windows`` are the smallest and largest neighbourhood of the
    adaptive threshold."""
    factor = min(1.0, long_side_px / max(grey.shape))
    small = grey if factor == 1 else cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    scale = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
    corners, ids, _ = _detector(windows, max(small.shape)).detectMarkers(_stretched(small))
    if ids is None:
        return []
    # Pixel centres are whole numbers on both levels, hence the half pixel on either side of the scaling.
    full = [(np.asarray(quad, float).reshape(4, 2) + 0.5) * scale - 0.5 for quad in corners]
    return [(int(number), quad) for number, quad in zip(np.ravel(ids), full, strict=True)]


def _stretched(grey: Grey) -> Grey:
    """Contrast drawn out to the full range: the detector's threshold is a fixed number of grey levels, more than a
    marker in a dim room has."""
    dark, bright = np.percentile(grey[::4, ::4], (1, 99))
    levels = (np.arange(256) - dark) * (255 / max(bright - dark, 8.0))
    return np.asarray(cv2.LUT(grey, np.clip(levels, 0, 255).astype(np.uint8)), np.uint8)


def _detector(windows: tuple[int, int], long_side_px: int) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = LEAST_PERIMETER_PX / long_side_px
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = windows
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), parameters)


def _by_card(markers: Markers) -> list[tuple[CardDesign, Markers]]:
    """Markers grouped by the card they belong to; strays of no card are dropped."""
    groups = []
    for design in all_designs():
        ids = range(design.first_id, design.first_id + design.squares[0] * design.squares[1] // 2)
        found = [marker for marker in markers if marker[0] in ids]
        if found:
            groups.append((design, found))
    return groups


def _explain_none(grey: Grey, settings: FindSettings) -> None:
    mirrored = np.ascontiguousarray(grey[:, ::-1])
    if _by_card(_read_markers(mirrored, settings.detect_long_side_px, (3, 43))):
        raise CannotContinue(
            "cards",
            "This photo is mirrored: the scale card is only readable in a looking glass.",
            "Turn mirroring off in the camera app (selfie cameras do it) and take the photo again.",
        )
    raise CannotContinue(
        "cards",
        "No scale card was found in the photo.",
        "Lay a printed scale card flat beside the shell, wholly in view, in focus and free of glare.",
    )


def _sight(grey: Grey, design: CardDesign, markers: Markers, photo: Photo, settings: FindSettings) -> CardSighting:
    px_from_card = _place(design, markers)
    board_mm = chess_corners_mm(design)
    _check_view(design, px_from_card, photo, settings)
    guess_px = _mapped(px_from_card, board_mm)
    inside = _inside(guess_px, photo.size_px, margin_px=4.0)
    corners_mm, guess_px = board_mm[inside], guess_px[inside]
    corners_px, good = _refine(grey, design, px_from_card, corners_mm, guess_px, settings)
    corners_mm, corners_px = corners_mm[good], corners_px[good]
    if len(corners_mm) < settings.min_corners or _spread(corners_mm) < 0.4 * design.square_mm:
        raise _too_few(design, len(corners_mm), len(board_mm))
    return CardSighting(design, corners_px, corners_mm, math.nan)


def _too_few(design: CardDesign, found: int, of: int) -> _UnusableError:
    return _UnusableError(
        "card-covered",
        f"{f'Only {found}' if found else 'None'} of the {of} chess corners of the {design.name} can be seen.",
        "Uncover the card, keep it wholly in the picture and out of glare.",
    )


def _place(design: CardDesign, markers: Markers) -> Array:
    """Homography px_from_card from the card's markers; raises if they form two cards, or if no two of them agree."""
    design_mm = marker_corners_mm(design)
    px_from_card, used = _robust_homography(design_mm, markers)
    if px_from_card is None or sum(used) < 2:
        raise _too_few(design, 0, len(chess_corners_mm(design)))
    # A smeared marker misses its place by a little; only one that lies elsewhere altogether speaks of a second card.
    rest = [m for m, hit in zip(markers, used, strict=True) if not hit and _astray(m, design_mm, px_from_card)]
    if len(rest) >= 2 and sum(_robust_homography(design_mm, rest)[1]) >= 2:
        raise CannotContinue(
            "cards",
            f"The {design.name} lies in the photo twice.",
            "Every card of a set has its own number: print another number, or take one of the two away.",
        )
    return px_from_card


def _astray(marker: tuple[int, Array], design_mm: dict[int, Array], px_from_card: Array) -> bool:
    """Whether a marker lies more than its own size from where the card would have it."""
    number, quad = marker
    expected = _mapped(px_from_card, design_mm[number])
    size = float(np.linalg.norm(quad - quad.mean(axis=0), axis=1).mean())
    return float(np.linalg.norm(expected.mean(axis=0) - quad.mean(axis=0))) > 2 * size


def _robust_homography(design_mm: dict[int, Array], markers: Markers) -> tuple[Array | None, list[bool]]:
    """Homography most markers agree on, and which do. Lens distortion bends a card by up to a few per cent of a
    marker, so a corner may stray by a tenth of the marker's side."""
    source = np.vstack([design_mm[number] for number, _ in markers])
    target = np.vstack([quad for _, quad in markers])
    side_px = float(np.median([np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1).mean() for _, quad in markers]))
    found, hits = cv2.findHomography(source, target, cv2.RANSAC, max(2.0, 0.1 * side_px))
    if found is None:
        return None, [False] * len(markers)
    whole = np.all(np.reshape(hits, (-1, 4)), axis=1)
    return np.asarray(found, float), [bool(hit) for hit in np.atleast_1d(whole)]


def _check_view(design: CardDesign, px_from_card: Array, photo: Photo, settings: FindSettings) -> None:
    centre = np.array([board_size_mm(design)]) / 2
    square_px = float(np.linalg.svd(_local_scale(px_from_card, centre)[0], compute_uv=False)[1]) * design.square_mm
    tilt = _tilt_deg(px_from_card, photo)
    # Markers of a few pixels misplace their corners by so much that the slant they show means nothing.
    if square_px < settings.min_square_px:
        raise _UnusableError(
            "card-small",
            f"The {design.name} is too small in the picture: its squares are {square_px:.0f} pixels wide.",
            "Go nearer, or use the camera's full resolution.",
        )
    if tilt > settings.max_tilt_deg:
        raise _UnusableError(
            "card-steep",
            f"The {design.name} is seen at a slant of {tilt:.0f}°, too flat an angle to measure by.",
            "Hold the camera more nearly straight above the table.",
        )


def _tilt_deg(px_from_card: Array, photo: Photo) -> float:
    """Angle between the camera's axis and the card's normal, with the stated focal length or a phone's usual
    26 mm (35 mm equivalent)."""
    width, height = photo.size_px
    focal = photo.focal_hint_px or 0.6 * math.hypot(width, height)
    to_rays = np.array([[1 / focal, 0, -(width - 1) / 2 / focal], [0, 1 / focal, -(height - 1) / 2 / focal], [0, 0, 1]])
    axes = to_rays @ px_from_card
    normal = np.cross(axes[:, 0], axes[:, 1])
    return math.degrees(math.acos(min(1.0, abs(normal[2]) / float(np.linalg.norm(normal)))))


def _refine(
    grey: Grey, design: CardDesign, px_from_card: Array, corners_mm: Array, guess_px: Array, settings: FindSettings
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Refined corners (N, 2) px and which of them can be trusted."""
    if not len(corners_mm):
        return guess_px, np.zeros(0, bool)
    scale = _local_scale(px_from_card, corners_mm)
    squares_px = np.linalg.svd(scale, compute_uv=False)[:, 1] * design.square_mm
    window = int(np.clip(settings.window_squares * squares_px.min(), 2, 20))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-3)
    start = np.ascontiguousarray(guess_px.reshape(-1, 1, 2), np.float32)
    moved = cv2.cornerSubPix(grey, start.copy(), (window, window), (-1, -1), stop)
    corners_px = np.asarray(moved, float).reshape(-1, 2)
    near = np.linalg.norm(corners_px - guess_px, axis=1) < window
    alike = _likeness(grey, design, scale, corners_mm, corners_px, settings.window_squares)
    return corners_px, near & (alike >= settings.min_likeness)


def _likeness(
    grey: Grey, design: CardDesign, scale: Array, corners_mm: Array, corners_px: Array, reach_squares: float
) -> Array:
    """(N,) correlation of each corner's surroundings with an ideal chess corner of the right colours."""
    steps = np.linspace(-1, 1, 12) * reach_squares * design.square_mm
    u, v = (axis.ravel() for axis in np.meshgrid(steps, steps))
    offsets_px = np.einsum("nij,kj->nki", scale, np.column_stack([u, v]))
    at = (corners_px[:, None, :] + offsets_px).astype(np.float32)
    seen = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(float)
    even = (corners_mm / design.square_mm).round().sum(axis=1) % 2 == 0
    ideal = np.sign(u * v)[None, :] * np.where(even, -1.0, 1.0)[:, None]
    seen -= seen.mean(axis=1, keepdims=True)
    length = np.linalg.norm(seen, axis=1)
    flat = length < FLAT_LEVELS * math.sqrt(len(u))
    return np.where(flat, 0.0, (seen * ideal).sum(axis=1) / np.maximum(length, 1e-9) / math.sqrt(len(u)))


def noise_px(sightings: Sequence[CardSighting]) -> tuple[CardSighting, ...]:
    """The sightings of one photo with 1 σ of a corner coordinate as their corners show it. A photo is about as sharp
    all over, and twelve corners tell their own noise to a fifth only, so each card's is drawn towards what all show
    together (the mean of a χ² with a prior worth ``SHARED_FREEDOM`` observations). Never below 0.03 px, the best such
    corners reach on a sharp picture."""
    rests = [_rest_px2(sighting.corners_mm, sighting.corners_px) for sighting in sightings]
    typical = sum(rest for rest, _ in rests) / sum(freedom for _, freedom in rests)
    spreads = [(rest + SHARED_FREEDOM * typical) / (freedom + SHARED_FREEDOM) for rest, freedom in rests]
    return tuple(replace(s, sd_px=max(0.03, math.sqrt(spread))) for s, spread in zip(sightings, spreads, strict=True))


def _rest_px2(corners_mm: Array, corners_px: Array) -> tuple[float, int]:
    """Sum of squares left after a smooth map is taken out, and how many observations it had to spare. The map is cubic
    where there are corners enough, else a homography bent quadratically, as lens and paper bend it; with the fewest
    corners it is not bent."""
    centred = (corners_mm - corners_mm.mean(axis=0)) / np.ptp(corners_mm, axis=0).max()
    left, degree, unknowns = corners_px, 3 if len(centred) >= 20 else 2, 0
    if degree == 2:
        fitted, _ = cv2.findHomography(centred, corners_px, 0)
        left, unknowns = corners_px - _mapped(np.asarray(fitted, float), centred), 8
    u, v = centred.T
    terms = np.column_stack([u**i * v**j for i in range(degree + 1) for j in range(degree + 1 - i)])
    if 2 * len(centred) - 2 * terms.shape[1] >= LEAST_FREEDOM:
        # to first order the homography's eight are among the quadratic map's twelve
        left, unknowns = left - terms @ np.linalg.lstsq(terms, left, rcond=None)[0], 2 * terms.shape[1]
    return float((left**2).sum()), 2 * len(centred) - unknowns


def _mapped(homography: Array, points: Array) -> Array:
    lifted = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(lifted[:, :2] / lifted[:, 2:], float)


def _local_scale(homography: Array, points: Array) -> Array:
    """(N, 2, 2) derivative of the mapped point with the point."""
    lifted = np.column_stack([points, np.ones(len(points))]) @ homography.T
    there = lifted[:, :2] / lifted[:, 2:]
    top = homography[None, :2, :2] - there[:, :, None] * homography[None, 2:, :2]
    return np.asarray(top / lifted[:, 2, None, None], float)


def _inside(points_px: Array, size_px: tuple[int, int], margin_px: float) -> npt.NDArray[np.bool_]:
    limits = np.array(size_px, float) - 1 - margin_px
    return np.asarray(((points_px >= margin_px) & (points_px <= limits)).all(axis=1))


def _spread(points: Array) -> float:
    """Standard deviation along the narrowest direction."""
    return float(np.sqrt(np.linalg.eigvalsh(np.cov(points.T))[0])) if len(points) > 2 else 0.0
