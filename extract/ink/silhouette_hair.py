"""How far the last hair of a relief cut goes on, by the path along it that stands out most.

Told row by row, a hair is lost at the first drawn line or glint that hides it. So the path of a strip that gathers most
is sought as a whole, and the cut ends where the path, taken from the cut's open part on, has gathered most: gaps are
bridged by what stands out beyond them, and only by as much as that is. Paths to either side tell what foil, creases and
noise let any path gather.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, gaussian_filter1d, median_filter

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image, lab_of

STEP_MM = 0.1
EVERY = 2
"""The path has a point for so many rows of the strip."""

BEHIND_MM, BEYOND_MM = 2.0, 80.0
"""The strip reaches from so far before what is known to be open to so far past where the sides meet."""

SIDE_MM = 4.5
WIDEST_MM = 1.2
"""Half width beyond which a cut is no hair."""

FLANKS_MM = (0.8, 2.6)
"""Shell is looked at so far beside the hair, on either side by itself: the edge of a tape is like one of its sides."""

ROOM_MM, DRIFT, MOST_ROOM_MM = 0.6, 0.025, 1.6
"""How far the path may lie from the straight axis: so much at its start, and more by that slope up to a most."""

BEND = 0.3
ASKEW_MM = 0.4
"""Where the path leaves the axis by more, the strip is laid anew along the path."""

STANDS_OUT = 1.1
"""Log of how many spreads a pixel is off the shell to either side: past their tips paths gather 0.3 on average, and on
cuts 2 to 3 up to the last two millimetres (own scenes with exact truth)."""

BESIDE_MM, USUAL_MM, MARGIN = 2.7, 12.0, 0.8
"""Paths so far to either side, their median over such a length; the hair stands out by the margin more."""

MOST = 1.2
"""A row counts no more than this, so that no glint outvotes its neighbours."""

LOST, LOST_MM = 10.0, 10.0
"""Where the path has lost so much of what it had gathered, or shows nothing for so long, the hair has ended and what
comes later is another line."""

SIDE_SD_MM, LEAST_SD_MM, MOST_SD_MM = 0.3, 0.5, 6.0
"""How well a cut's width is known: over its slope, that is how well its sides say where they meet."""

DEARER = 0.6
"""A hair must stand out by so much more past what its sides promise."""

SOFT_MM, SHARP_MM = 0.6, 0.15
"""The strip is smoothed along the cut: as much where the cut is thin for long, less where its tip is blunt."""

INK, INK_SHARE, UNKNOWN = 0.7, 0.1, 0.02
"""A row with so large a share of flank darker than that part of the shell's lightness runs over a drawn line: what is
as dark, or does not stand out, says next to nothing there."""

FIRM, FIRM_WIDTH_MM, HIDDEN_MM, WIDEST_INK_MM = 0.6, 0.25, 0.8, 6.0
"""A hair that still stands out by so much more than it must is so wide yet, and its taper says how far it goes on.
Where it is lost no further than that before a drawn line, it then ends in the middle of the line, if the line is one
that is not run along."""

THIN_MM = 1.2
"""What is wider than that beyond the cut's own width is no hair but a line that the path runs along, or a crease."""

Frame = tuple[Array, Array]
"""The middle of a cut's base and the unit vector inwards."""


@dataclass(frozen=True, eq=False)
class Strip:
    """Rows ``along_mm`` a cut's axis and columns ``across_mm``: ``off`` how many spreads each pixel is off the nearer
    in colour of its two flanks, ``dark`` where it is as dark as ink, or within half a
    millimetre of what is and no lighter than its flanks, ``inked`` rows where a drawn line hides the
    flanks."""

    along_mm: Array
    across_mm: Array
    off: Array
    dark: npt.NDArray[np.bool_]
    inked: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Cut:
    """``reach_mm`` how deep the sides meet, ``half_mm`` half the width at the base, ``open_mm`` the depth to which it
    is open."""

    reach_mm: float
    half_mm: float
    open_mm: float

    @property
    def slope(self) -> float:
        return max(2 * self.half_mm, 1e-9) / self.reach_mm

    @property
    def promise_sd_mm(self) -> float:
        """How well the sides say where they meet."""
        return float(np.clip(SIDE_SD_MM / self.slope, LEAST_SD_MM, MOST_SD_MM))

    def width_mm(self, along: Array) -> Array:
        return 2 * self.half_mm * np.maximum(1 - along / self.reach_mm, 0)


def hair_end(flat: FlatView, white: Image, frame: Frame, cut: Cut) -> Array | None:
    """Where (mm) the hair of a cut ends; None where nothing goes on."""
    path = _followed(flat, white, frame, cut)
    if path is None:
        return None
    slope, start = np.polyfit(path[:, 0], path[:, 1], 1) if len(path) > 10 else (0.0, 0.0)
    if np.abs(start + slope * path[:, 0]).max() > ASKEW_MM:
        middle, axis = frame
        side = np.array([-axis[1], axis[0]])
        turned = axis + slope * side
        frame = middle + start * side, turned / np.hypot(*turned)
        again = _followed(flat, white, frame, cut)
        if again is None:
            return None
        path = again
    middle, axis = frame
    aside = float(np.median(path[-round(1.5 / STEP_MM / EVERY) :, 1]))
    return np.asarray(middle + path[-1, 0] * axis + aside * np.array([-axis[1], axis[0]]), float)


def _followed(flat: FlatView, white: Image, frame: Frame, cut: Cut) -> Array | None:
    """The hair (N, 2) in its frame, along and across, from the cut's open part to its end."""
    strip = _strip(flat, white, frame, cut)
    rows = np.arange(0, len(strip.along_mm), EVERY)
    along, off, inked = strip.along_mm[rows], np.maximum(strip.off[rows], 0.3), strip.inked[rows]
    columns = _best_paths(np.log(off), along, strip.across_mm)
    heights = np.log(off[np.arange(len(rows)), columns])
    usual = _usual(heights[1:].min(0), inked)
    dearer = DEARER * np.clip((along - cut.reach_mm) / cut.promise_sd_mm - 1, 0, 1)
    above = heights[0] - np.maximum(STANDS_OUT, usual + MARGIN)
    gain = np.clip(above - dearer, -MOST, MOST)
    gain = np.where(_width(off, columns[0]) < THIN_MM + cut.width_mm(along), gain, -UNKNOWN)
    hidden = inked & (strip.dark[rows, columns[0]] | (gain < 0))
    gain = np.where(hidden, -UNKNOWN, gain)
    gathered = np.cumsum(gain)
    each = np.arange(len(rows))
    unseen_mm = (each - np.maximum.accumulate(np.where(gain > 0, each, 0))) * STEP_MM * EVERY
    lost = (np.maximum.accumulate(np.maximum(gathered, 0)) - gathered > LOST) | (unseen_mm > LOST_MM)
    last = int(np.where(np.logical_or.accumulate(lost), -np.inf, gathered).argmax())
    if gathered[last] <= 0:
        return None
    if np.median(above[max(0, last - 4) : last + 1]) > FIRM:
        middle = into_ink(inked, last)
        last = middle if along[middle] - along[last] < FIRM_WIDTH_MM / cut.slope else last
    return np.column_stack([along, strip.across_mm[columns[0]]])[: last + 1]


def into_ink(inked: npt.NDArray[np.bool_], last: int) -> int:
    """The row in the middle of a drawn line that begins right after row ``last``; that row where none does."""
    step_mm = STEP_MM * EVERY
    ahead = inked[last + 1 : last + 1 + round((HIDDEN_MM + WIDEST_INK_MM) / step_mm)]
    if not ahead.any():
        return last
    first = int(ahead.argmax())
    if first * step_mm > HIDDEN_MM or ahead[first:].all():
        return last
    return last + 1 + first + int(ahead[first:].argmin()) // 2


def _strip(flat: FlatView, white: Image, frame: Frame, cut: Cut) -> Strip:
    middle, axis = frame
    start = max(0.0, cut.open_mm - BEHIND_MM)
    along = np.arange(start, max(cut.reach_mm, start) + BEYOND_MM, STEP_MM)
    across = np.arange(-SIDE_MM, SIDE_MM + 1e-6, STEP_MM)
    points = flat.px_from_mm(middle + along[:, None, None] * axis + across[:, None] * np.array([-axis[1], axis[0]]))
    seen = cv2.remap(flat.pixels, points.astype(np.float32), None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    soft_mm = max(SOFT_MM * cut.promise_sd_mm / MOST_SD_MM, SHARP_MM)
    lab = gaussian_filter(lab_of(np.asarray(seen, np.uint8), white), (soft_mm / STEP_MM, 0.12 / STEP_MM, 0))
    beside = np.abs(across)[None] - np.minimum(0.5 * cut.width_mm(along), WIDEST_MM)[:, None]
    flank = (beside > FLANKS_MM[0]) & (beside < FLANKS_MM[1])
    left, right = (_levels(lab, flank & here) for here in (across < 0, across > 0))
    rest = lab - np.where((across < 0)[None, :, None], left[:, None], right[:, None])
    spread = 1.48 * np.median(np.abs(rest[flank]), axis=0) + 0.25
    apart = [(lab - level[:, None]) / spread for level in (left, right)]
    # what lies between the colours of its sides is the blurred edge of a line or a tape
    ridge = (apart[0] * apart[1]).sum(-1) > 0
    off = np.where(ridge, np.minimum(*(np.linalg.norm(one, axis=-1) for one in apart)), 0)
    dark = lab[..., 0] < INK * np.median(lab[..., 0][flank])
    inked = (dark & flank).sum(1) > INK_SHARE * flank.sum(1)
    beside_ink = cv2.dilate(dark.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    lighter = lab[..., 0] > np.maximum(left[:, :1], right[:, :1])
    return Strip(along, across, off, dark | beside_ink & ~lighter, inked)


def _usual(heights: Array, inked: npt.NDArray[np.bool_]) -> Array:
    """What paths beside the hair gather where no drawn line crosses them, smoothed along it."""
    clear = np.flatnonzero(~inked)
    if not len(clear):
        return np.zeros(len(heights))
    some = median_filter(heights[clear], round(USUAL_MM / STEP_MM / EVERY), mode="nearest")
    return np.asarray(np.interp(np.arange(len(heights)), clear, some), float)


def _width(off: Array, column: npt.NDArray[np.int64]) -> Array:
    """Per row, how wide (mm) what stands out at ``column`` is at half its height."""
    rows, at = np.arange(len(off)), np.arange(off.shape[1])
    low = off < 0.5 * off[rows, column][:, None]
    right = np.where(low & (at > column[:, None]), at, off.shape[1]).min(1)
    left = np.where(low & (at < column[:, None]), at, -1).max(1)
    return np.asarray((right - left - 1) * STEP_MM, float)


def _levels(lab: Image, where: npt.NDArray[np.bool_], every: int = 3) -> Array:
    """Median colour (rows, 3) of each row over the columns told, every so many rows and between them interpolated."""
    some = np.unique(np.r_[np.arange(0, len(lab), every), len(lab) - 1])
    ranked = np.sort(np.where(where[some, :, None], lab[some], np.inf), axis=1)
    count, each = where[some].sum(1), np.arange(len(some))
    medians = (ranked[each, (count - 1) // 2] + ranked[each, count // 2]) / 2
    level = np.stack([np.interp(np.arange(len(lab)), some, channel) for channel in medians.T], axis=1)
    return np.asarray(gaussian_filter1d(level, 0.4 / STEP_MM, axis=0, mode="nearest"), float)


def _best_paths(height: Array, along: Array, across: Array) -> npt.NDArray[np.int64]:
    """Columns (3, rows) of the path in the middle, and of one to either side to compare it with, that gather most,
    moving one column a row at most."""
    room = np.minimum(ROOM_MM + DRIFT * (along - along[0]), MOST_ROOM_MM)
    lanes = np.array([0.0, -BESIDE_MM, BESIDE_MM])
    within = np.abs(across - lanes[:, None, None]) <= room[:, None]
    height = np.where(within, height, -50.0).transpose(1, 0, 2)
    best = np.full((len(height), len(lanes), len(across) + 2), -np.inf)
    best[0, :, 1:-1] = height[0]
    for row in range(1, len(height)):
        before = best[row - 1]
        sideways = np.maximum(before[:, :-2], before[:, 2:]) - BEND
        best[row, :, 1:-1] = np.maximum(before[:, 1:-1], sideways) + height[row]
    path = np.zeros((len(lanes), len(height)), np.int64)
    each, moves = np.arange(len(lanes)), np.arange(3)
    at = best[-1].argmax(1)
    for row in range(len(height) - 1, -1, -1):
        path[:, row] = at - 1
        if row:
            near = best[row - 1, each[:, None], at[:, None] + moves - 1] - BEND * np.array([1, 0, 1])
            at = at + near.argmax(1) - 1
    return path
