"""How far the last hair of a relief cut goes on, by the path along it that stands out most.

Told row by row, a hair is lost at the first drawn line or glint that hides it. So the path of a strip that gathers most
is sought as a whole, and the cut ends where the path, taken from the cut's open part on, has gathered most: gaps are
bridged by what stands out beyond them, and only by as much as that is.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image, lab_of

STEP_MM = 0.1
EVERY = 2
"""The path has a point for so many rows of the strip."""

BEHIND_MM, BEYOND_MM = 2.0, 20.0
"""The strip reaches from so far before what is known to be open to so far past where the sides meet."""

SIDE_MM = 4.5
WIDEST_MM = 1.2
"""Half width beyond which a cut is no hair."""

FLANKS_MM = (0.8, 2.6)
"""Shell is looked at so far beside the hair, on either side by itself: the edge of a tape is like one of its sides."""

ROOM_MM, DRIFT = 0.6, 0.025
"""How far the path may lie from the straight axis: so much at its start, and more by that slope."""

BEND = 0.3
STANDS_OUT = 1.1
"""Log of how many spreads a pixel is off the shell to either side: past their tips paths gather 0.3 on average, and on
cuts 2 to 3 up to the last two millimetres (own scenes with exact truth)."""

MOST = 1.2
"""A row counts no more than this, so that no glint outvotes its neighbours."""

PROMISED_MM, DEARER_MM, DEAREST = 6.0, 6.0, 1.5
"""So far past the place where the sides meet, a hair must stand out by one more per DEARER_MM."""

INK, INK_SHARE, UNKNOWN = 0.7, 0.1, 0.02
"""A row with so large a share of flank darker than that part of the shell's lightness runs over a drawn line: it hides
the hair and says next to nothing."""


@dataclass(frozen=True, eq=False)
class Strip:
    """Rows ``along_mm`` a cut's axis and columns ``across_mm``: ``off`` how many spreads each pixel is off the nearer
    in colour of its two flanks, ``inked`` rows where a drawn line hides the flanks."""

    along_mm: Array
    across_mm: Array
    off: Array
    inked: npt.NDArray[np.bool_]


def hair_end(
    flat: FlatView, white: Image, frame: tuple[Array, Array], reach_mm: float, half_mm: float, open_mm: float
) -> Array | None:
    """Where (mm) the hair of a cut ends; ``frame`` is the middle of the cut's base and the unit vector inwards,
    ``reach_mm`` how deep its sides meet, ``half_mm`` half its width at the base, ``open_mm`` the depth to which it is
    open. None where nothing goes on."""
    strip = _strip(flat, white, frame, reach_mm, half_mm, max(0.0, open_mm - BEHIND_MM))
    rows = np.arange(0, len(strip.along_mm), EVERY)
    along = strip.along_mm[rows]
    column = _best_path(np.log(np.maximum(strip.off[rows], 0.3)), along, strip.across_mm)
    height = np.log(np.maximum(strip.off[rows, column], 0.3))
    dearer = np.clip((along - reach_mm - PROMISED_MM) / DEARER_MM, 0, DEAREST)
    gain = np.clip(height - STANDS_OUT - dearer, -MOST, MOST)
    gathered = np.cumsum(np.where(strip.inked[rows], -UNKNOWN, gain))
    last = int(gathered.argmax())
    if gathered[last] <= 0:
        return None
    middle, axis = frame
    aside = float(np.median(strip.across_mm[column[max(0, last - round(1.5 / STEP_MM / EVERY)) : last + 1]]))
    return np.asarray(middle + along[last] * axis + aside * np.array([-axis[1], axis[0]]), float)


def _strip(
    flat: FlatView, white: Image, frame: tuple[Array, Array], reach_mm: float, half_mm: float, start_mm: float
) -> Strip:
    middle, axis = frame
    along = np.arange(start_mm, max(reach_mm, start_mm) + BEYOND_MM, STEP_MM)
    across = np.arange(-SIDE_MM, SIDE_MM + 1e-6, STEP_MM)
    points = middle + along[:, None, None] * axis + across[None, :, None] * np.array([-axis[1], axis[0]])
    seen = cv2.remap(flat.pixels, flat.px_from_mm(points).astype(np.float32), None, cv2.INTER_CUBIC)
    lab = gaussian_filter(lab_of(np.asarray(seen, np.uint8), white), (0.6 / STEP_MM, 0.12 / STEP_MM, 0))
    beside = np.abs(across)[None] - np.clip(half_mm * (1 - along / reach_mm), 0, WIDEST_MM)[:, None]
    flank = (beside > FLANKS_MM[0]) & (beside < FLANKS_MM[1])
    left, right = (_levels(lab, flank & here) for here in (across < 0, across > 0))
    rest = lab - np.where((across < 0)[None, :, None], left[:, None], right[:, None])
    spread = 1.48 * np.median(np.abs(rest[flank]), axis=0) + 0.25
    off = np.minimum(*(np.linalg.norm((lab - level[:, None]) / spread, axis=-1) for level in (left, right)))
    dark = (lab[..., 0] < INK * np.median(lab[..., 0][flank])) & flank
    return Strip(along, across, off, dark.sum(1) > INK_SHARE * flank.sum(1))


def _levels(lab: Image, where: npt.NDArray[np.bool_], every: int = 3) -> Array:
    """Median colour (rows, 3) of each row over the columns told, every so many rows and between them interpolated."""
    some = np.unique(np.r_[np.arange(0, len(lab), every), len(lab) - 1])
    ranked = np.sort(np.where(where[some, :, None], lab[some], np.inf), axis=1)
    count, each = where[some].sum(1), np.arange(len(some))
    medians = (ranked[each, (count - 1) // 2] + ranked[each, count // 2]) / 2
    level = np.stack([np.interp(np.arange(len(lab)), some, channel) for channel in medians.T], axis=1)
    return np.asarray(gaussian_filter1d(level, 0.4 / STEP_MM, axis=0, mode="nearest"), float)


def _best_path(height: Array, along: Array, across: Array) -> npt.NDArray[np.int64]:
    """Column per row of the path that gathers most, moving one column a row at most."""
    room = ROOM_MM + DRIFT * (along - along[0])
    height = np.where(np.abs(across)[None] <= room[:, None], height, -50.0)
    best = np.full((len(height), len(across) + 2), -np.inf)
    best[0, 1:-1] = height[0]
    for row in range(1, len(height)):
        before = best[row - 1]
        best[row, 1:-1] = np.maximum(before[1:-1], np.maximum(before[:-2], before[2:]) - BEND) + height[row]
    path = np.zeros(len(height), np.int64)
    at = int(best[-1].argmax())
    for row in range(len(height) - 1, -1, -1):
        path[row] = at - 1
        if row:
            at += int(np.argmax(best[row - 1, at - 1 : at + 2] - BEND * np.array([1, 0, 1]))) - 1
    return path
