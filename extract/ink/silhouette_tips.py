"""Where a relief cut ends, read from the finest of the picture.

The last millimetres of a cut are thinner than a pixel's blur, yet they still show as a dark or coloured hair between
two flanks of shell. So the picture is laid out along the cut, and the hair is followed from where the cut is plain
until it no longer stands out from what the flanks show in windows as wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d, maximum_filter1d

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image, lab_of

STEP_MM = 0.1
BACK_MM, ON_MM = 14.0, 6.0
"""The tip is looked for from so far before the place where the straight sides meet to so far beyond it."""

BEYOND_MM = 4.5
"""Further beyond, the hair is a stroke or a tape's edge that begins where the cut ends."""

STANDS_OUT = 2.0
"""Times what the flanks show: the least that is not their own texture."""

LEAST_MM = 2.0
"""Shorter ends are all tip."""

GAP_MM, LOST_MM = 0.8, 2.5
"""A glint or a drawn line hides so much of a hair; so much more while its sides promise that it goes on."""

UNSEEN_MM = 0.35
"""A hair is lost to the eye before its end, by 0.3 to 0.5 mm in the median over scenes with exact truth."""


@dataclass(frozen=True, eq=False)
class Hair:
    """The thin end of a cut: ``along`` mm from its base, ``height`` how far it stands out in multiples of what the
    flanks show, ``offset`` mm across."""

    along: Array
    height: Array
    offset: Array


def seen_tip(flat: FlatView, white: Image, end: Array) -> Array:
    """The end of a cut (foot, tip, foot) with the tip where it is seen; as it was where nothing clear is seen."""
    middle = end[[0, 2]].mean(0)
    reach = float(np.hypot(*(end[1] - middle)))
    half = 0.5 * float(np.hypot(*(end[0] - end[2])))
    if reach < LEAST_MM:
        return end
    axis = (end[1] - middle) / reach
    side = np.array([-axis[1], axis[0]])
    hair = _hair(flat, white, middle, axis, side, reach, half)
    last = _last_seen(hair.height > STANDS_OUT, round((reach - hair.along[0]) / STEP_MM))
    if last is None:
        return end
    seen = float(hair.along[last]) + UNSEEN_MM
    if seen > reach + BEYOND_MM:
        return end
    off = float(np.median(hair.offset[max(0, last - round(1.5 / STEP_MM)) : last + 1]))
    return np.stack([end[0], middle + seen * axis + off * side, end[2]])


def _hair(flat: FlatView, white: Image, middle: Array, axis: Array, side: Array, reach: float, half: float) -> Hair:
    along = np.arange(max(0.0, reach - BACK_MM), reach + ON_MM, STEP_MM)
    width = half * np.maximum(1 - along / reach, 0)[:, None]
    across = np.arange(-float(width.max()) - 4.0, float(width.max()) + 4.0 + 1e-6, STEP_MM)
    points = middle + along[:, None, None] * axis + across[None, :, None] * side
    seen = cv2.remap(flat.pixels, flat.px_from_mm(points).astype(np.float32), None, cv2.INTER_CUBIC)
    lab = gaussian_filter(lab_of(np.asarray(seen, np.uint8), white), (0.3 / STEP_MM, 0.12 / STEP_MM, 0))
    beside = np.abs(across)[None] - width
    far = _strangeness(lab, (beside > 1.0) & (beside < 3.5))
    windows = maximum_filter1d(far, 2 * round(0.7 / STEP_MM) + 1, axis=1)
    flanks = (beside > 1.8) & (beside < 3.5)
    # a stroke across the cut is as strange in the flanks of its rows
    by_row = np.array([np.median(row[flank]) for row, flank in zip(windows, flanks, strict=True)])
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
    level = np.stack([np.median(row[flank], axis=0) for row, flank in zip(lab, flanks, strict=True)])
    rest = lab - gaussian_filter1d(level, 0.3 / STEP_MM, axis=0, mode="nearest")[:, None]
    spread = 1.48 * np.median(np.abs(rest[flanks]), axis=0) + 0.35  # a third of a just noticeable step
    return np.asarray(np.sqrt(((rest / spread) ** 2).sum(-1)), float)


def _last_seen(standing: np.ndarray, promised: int) -> int | None:
    """The last row of the run of standing rows that starts at the first. Gaps are bridged: up to GAP_MM, and up to
    LOST_MM before the row where the sides promised the tip, for there the cut is known to go on."""
    rows = np.flatnonzero(standing)
    if not len(rows) or rows[0] > LOST_MM / STEP_MM:
        return None
    most = np.where(rows[1:] <= promised, LOST_MM, GAP_MM) / STEP_MM
    breaks = np.flatnonzero(np.diff(rows) > most)
    return int(rows[breaks[0]] if len(breaks) else rows[-1])
