"""A rectangle of known size whose corners a hand set in the photo: what serves where no card can be read.

Four corners set by eye say far less than a card's forty found to a tenth of a pixel, and the ± says so: the plane comes
out several times less sure.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from extract.doors import Array, CannotContinue, CardDesign, CardSighting, Doubt, HandRectangle, Photo

FAMILY = "hand"
SET_SHARE = 1 / 1500
"""1 σ of a corner set by hand, as a share of the picture's long side: a pixel or so on a screen, under the glass
(common practice, no source)."""
LEAST_SHARE = 0.02
"""Of the picture's area: a smaller rectangle gives no plane worth having."""


def hand_design(rectangle: HandRectangle) -> CardDesign:
    """The rectangle as the solve takes cards; numbered behind all printed ones."""
    width, height = rectangle.size_mm
    return CardDesign(FAMILY, 9, (2, 2), width / 2, 0.0, -1, (width, height), (width, height))


def hand_sightings(photo: Photo, rectangles: Sequence[HandRectangle]) -> tuple[CardSighting, ...]:
    """The sighting of the rectangle that a hand set in this photo, if one was. Raises CannotContinue for corners or
    sizes that no rectangle on a table can have."""
    mine = [one for one in rectangles if one.photo == photo.digest]
    return tuple(_sighting(photo, one) for one in mine[-1:])


def hand_doubts(sightings: Sequence[CardSighting]) -> tuple[Doubt, ...]:
    """What is to be said where a hand set the scale."""
    if not any(sighting.design.family == FAMILY for sighting in sightings):
        return ()
    return (
        Doubt(
            "scale-by-hand",
            "No card was read; scale and slant come from four corners set by hand, and the ± says what that costs. A "
            "printed scale card on each side of the shell makes the pattern many times truer.",
        ),
    )


def _sighting(photo: Photo, rectangle: HandRectangle) -> CardSighting:
    corners_px = np.array(rectangle.corners_px, float).reshape(-1, 2)
    width, height = rectangle.size_mm
    if min(width, height) < 20 or max(width, height) > 3000 or not 0 < rectangle.sd_mm < min(width, height) / 10:
        raise _refusal("The rectangle's sides cannot be that long.", "Measure both sides in millimetres.")
    _check_shape(photo, corners_px)
    corners_mm = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    return CardSighting(hand_design(rectangle), _clockwise(corners_px), corners_mm, SET_SHARE * max(photo.size_px))


def _check_shape(photo: Photo, corners_px: Array) -> None:
    shape = shapely.Polygon(corners_px) if len(corners_px) == 4 and np.isfinite(corners_px).all() else None
    if shape is None or not shape.is_valid or shape.convex_hull.area > 1.001 * shape.area:
        raise _refusal(
            "The four corners do not go round a rectangle.", "Set them in turn, clockwise, each on its own corner."
        )
    if shape.area < LEAST_SHARE * photo.size_px[0] * photo.size_px[1]:
        raise _refusal("The rectangle is too small in the picture.", "Go nearer, or use a larger one.")


def _clockwise(corners_px: Array) -> Array:
    """The corners clockwise to the eye, the first side kept."""
    x, y = corners_px.T
    turns = float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    return corners_px if turns > 0 else corners_px[[1, 0, 3, 2]]


def _refusal(reason: str, advice: str) -> CannotContinue:
    return CannotContinue("cards", reason, advice)
