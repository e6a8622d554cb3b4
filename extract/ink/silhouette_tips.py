"""Where a relief cut ends, read from the finest of the picture.

The last millimetres of a cut are thinner than a pixel's blur, yet they still show as a dark or coloured hair between
two flanks of shell. So the picture is laid out along the cut, and the hair is followed from where the cut is plain
until it no longer stands out from what the flanks show in windows as wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, gaussian_filter1d, maximum_filter1d

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image, lab_of
from extract.ink.silhouette_hair import Cut, hair_end

STEP_MM = 0.1
BACK_MM, ON_MM = 14.0, 6.0
"""The tip is looked for from so far before the place where the straight sides meet to so far beyond it."""

SURELY_MM = 2.0
"""The last that a map of half a millimetre shows open may be a smear."""

BEYOND_MM = 4.5
"""Further beyond, the hair is a stroke or a tape's edge that begins where the cut ends."""

FAR_MM = 8.0
"""Sides that meet so far beyond what the map shows open do not tell where."""

STILL_STANDS_OUT, STROKE_MM = 1.4, 4.0
"""A hair smoothed over almost a millimetre of its length stands out at less; a stroke aslant hides so much of it."""

STANDS_OUT = 2.0
"""Times what the flanks show: the least that is not their own texture."""

PLAIN = 0.6
"""A cut that no map shows open is plain up to this share of its reach."""

LEAST_MM = 2.0
"""Shorter ends are all tip."""

GAP_MM, LOST_MM = 0.8, 2.5
"""A glint or a drawn line hides so much of a hair; so much more while its sides promise that it goes on."""

UNSEEN_MM = 0.35
"""A hair is lost to the eye before its end, by 0.3 to 0.5 mm in the median over scenes with exact truth."""

UNSEEN_WIDTH_MM = 0.07
"""Blunt cuts by less: where they are so wide yet."""

BLUNT, BLUNT_FROM_MM, BLUNT_HAIR_MM, OPEN_WIDTH_MM = 0.15, 4.0, 4.0, 0.87
"""A cut whose width falls faster than that per length is blunt. The outline runs into it until it is so wide (median
over own scenes with exact truth); no deeper than that, it may be a dent, and a hair that goes on for longer is a cut
that is blunt at its mouth alone."""


@dataclass(frozen=True, eq=False)
class Hair:
    """The thin end of a cut: ``along`` mm from its base, ``height`` how far it stands out in multiples of what the
    flanks show, ``offset`` mm across."""

    along: Array
    height: Array
    offset: Array


def seen_tip(flat: FlatView, white: Image, end: Array, open_mm: float | None = None) -> Array:
    """The end of a cut (foot, tip, foot) with the tip where it is seen; as it was where nothing clear is seen.

    With ``open_mm``, the depth to which the cut is known to be open, a tip promised far beyond is not trusted. Row by
    row and as a whole path, a thin hair is lost too early rather than too late: the deeper end counts. A blunt cut has
    hardly a hair, and either way may run on along a crease or a line; but how wide it was where it was last open says
    well how far it goes. So of the three the middle one counts."""
    middle = end[[0, 2]].mean(0)
    reach = float(np.hypot(*(end[1] - middle)))
    half = 0.5 * float(np.hypot(*(end[0] - end[2])))
    if reach < LEAST_MM:
        return end
    axis = (end[1] - middle) / reach
    by_row = _seen_by_row(flat, white, end, open_mm)
    known = PLAIN * reach if open_mm is None else open_mm
    cut = Cut(reach, half, known)
    by_path = hair_end(flat, white, (middle, axis), cut)
    if by_path is None:
        return by_row
    unseen_mm = min(UNSEEN_MM, UNSEEN_WIDTH_MM / cut.slope)
    row_mm, path_mm = float((by_row[1] - middle) @ axis), float((by_path - middle) @ axis) + unseen_mm
    deep_mm = max(row_mm, path_mm)
    if open_mm is not None and open_mm > BLUNT_FROM_MM and cut.slope > BLUNT:
        taper_mm = open_mm + OPEN_WIDTH_MM / cut.slope
        if deep_mm - taper_mm < BLUNT_HAIR_MM:
            deep_mm = float(np.median([row_mm, path_mm, taper_mm]))
    near = by_row[1] if abs(deep_mm - row_mm) < abs(deep_mm - path_mm) else by_path
    tip = near + (deep_mm - (near - middle) @ axis) * axis
    return np.stack([end[0], tip, end[2]])


def _seen_by_row(flat: FlatView, white: Image, end: Array, open_mm: float | None) -> Array:
    middle = end[[0, 2]].mean(0)
    reach = float(np.hypot(*(end[1] - middle)))
    half = 0.5 * float(np.hypot(*(end[0] - end[2])))
    axis = (end[1] - middle) / reach
    side = np.array([-axis[1], axis[0]])
    if open_mm is not None and reach - open_mm > FAR_MM:
        return _far_tip(flat, white, end, open_mm)
    hair = _hair(
        flat, white, middle, axis, side, np.arange(max(0.0, reach - BACK_MM), reach + ON_MM, STEP_MM), reach, half
    )
    last = _last_seen(hair.height > STANDS_OUT, round((reach - hair.along[0]) / STEP_MM))
    if last is None:
        return end
    seen = float(hair.along[last]) + UNSEEN_MM
    if seen > reach + BEYOND_MM:
        return end
    off = float(np.median(hair.offset[max(0, last - round(1.5 / STEP_MM)) : last + 1]))
    return np.stack([end[0], middle + seen * axis + off * side, end[2]])


def _far_tip(flat: FlatView, white: Image, end: Array, open_mm: float) -> Array:
    """The end of a cut too narrow for its sides to promise its tip: the hair is followed from where the map shows the
    cut open, with more patience and smoothed over more of its length."""
    middle = end[[0, 2]].mean(0)
    reach, half = float(np.hypot(*(end[1] - middle))), 0.5 * float(np.hypot(*(end[0] - end[2])))
    axis = (end[1] - middle) / reach
    side = np.array([-axis[1], axis[0]])
    along = np.arange(max(0.0, open_mm - SURELY_MM), reach + ON_MM, STEP_MM)
    hair = _hair(flat, white, middle, axis, side, along, reach, half, soft_mm=0.8)
    standing = (hair.height > STILL_STANDS_OUT) & (np.abs(hair.offset) < 0.5 + 0.01 * (along - along[0]))
    last = _last_seen(standing, round((reach - along[0]) / STEP_MM), STROKE_MM)
    if last is None:
        return np.stack([end[0], middle + (open_mm + UNSEEN_MM) * axis, end[2]])
    off = float(np.median(hair.offset[max(0, last - round(3.0 / STEP_MM)) : last + 1]))
    return np.stack([end[0], middle + (along[last] + UNSEEN_MM) * axis + off * side, end[2]])


def _hair(
    flat: FlatView, white: Image, middle: Array, axis: Array, side: Array, along: Array, reach: float, half: float,
    soft_mm: float = 0.3,
) -> Hair:  # fmt: skip
    width = half * np.maximum(1 - along / reach, 0)[:, None]
    across = np.arange(-float(width.max()) - 4.0, float(width.max()) + 4.0 + 1e-6, STEP_MM)
    points = middle + along[:, None, None] * axis + across[None, :, None] * side
    seen = cv2.remap(flat.pixels, flat.px_from_mm(points).astype(np.float32), None, cv2.INTER_CUBIC)
    lab = gaussian_filter(lab_of(np.asarray(seen, np.uint8), white), (soft_mm / STEP_MM, 0.12 / STEP_MM, 0))
    beside = np.abs(across)[None] - width
    far = _strangeness(lab, (beside > 1.0) & (beside < 3.5))
    windows = maximum_filter1d(far, 2 * round(0.7 / STEP_MM) + 1, axis=1)
    flanks = (beside > 1.8) & (beside < 3.5)
    # a stroke across the cut is as strange in the flanks of its rows
    by_row = _row_medians(windows[..., None], flanks)[:, 0]
    usual = np.maximum(by_row, np.median(windows[flanks])) + 1e-6
    place = _followed(far, across, width[:, 0])
    return Hair(along, far[np.arange(len(along)), place] / usual, across[place])


def _followed(far: Array, across: Array, width: Array, room_mm: float = 0.5, steady: float = 0.15) -> np.ndarray:
    """Column of the strangest pixel of each row near the cut's middle, which may bend away from the straight axis."""
    middle, place = 0.0, []
    for row, half in zip(far, width, strict=True):
        place.append(int(np.where(np.abs(across - middle) < half + room_mm, row, -1).argmax()))
        middle += steady * (across[place[-1]] - middle) * (half < room_mm)
    return np.array(place)


def _strangeness(lab: Image, flanks: np.ndarray) -> Array:
    """How many spreads each pixel is off the median of its row's flanks."""
    level = _row_medians(lab, flanks)
    rest = lab - gaussian_filter1d(level, 0.3 / STEP_MM, axis=0, mode="nearest")[:, None]
    spread = 1.48 * np.median(np.abs(rest[flanks]), axis=0) + 0.35  # a third of a just noticeable step
    return np.asarray(np.sqrt(((rest / spread) ** 2).sum(-1)), float)


def _row_medians(values: npt.NDArray[np.floating], where: np.ndarray, every: int = 3) -> Array:
    """Median (rows, channels) of each row of ``values`` (rows, columns, channels) over the columns told; asked of every
    third row and interpolated, for the rows lie closer than the picture is sharp."""
    some = np.unique(np.r_[np.arange(0, len(values), every), len(values) - 1])
    ranked = np.sort(np.where(where[some, :, None], values[some], np.inf), axis=1)
    count, each = where[some].sum(1), np.arange(len(some))
    medians = (ranked[each, (count - 1) // 2] + ranked[each, count // 2]) / 2
    rows = np.arange(len(values))
    return np.stack([np.interp(rows, some, channel) for channel in medians.T], axis=1)


def _last_seen(standing: np.ndarray, promised: int, lost_mm: float = LOST_MM) -> int | None:
    """The last row of the run of standing rows that starts at the first. Gaps are bridged: up to GAP_MM, and up to
    ``lost_mm`` before the row where the sides promised the tip, for there the cut is known to go on."""
    rows = np.flatnonzero(standing)
    if not len(rows) or rows[0] > lost_mm / STEP_MM:
        return None
    most = np.where(rows[1:] <= promised, lost_mm, GAP_MM) / STEP_MM
    breaks = np.flatnonzero(np.diff(rows) > most)
    return int(rows[breaks[0]] if len(breaks) else rows[-1])
