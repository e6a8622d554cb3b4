"""The way ahead of a line's end that gathers most contrast.

Point by point ink in glare drowns among creases; over centimetres it does not. So the strip ahead of the end is laid
straight, and dynamic programming over place and slope finds the smooth way that is darkest as a whole (Bellman 1957).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array, FlatView
from extract.ink.darkness import Image

FINE_MM, ROW_MM = 0.2, 0.5
"""The strip's columns and rows."""
STRIDE = 5
"""The way's slope is chosen anew every so many rows."""
STRIDES, HALF = 40, 80
"""The strip reaches 100 mm ahead and 16 mm to either side."""
STEEPEST, FIRST_STEEPEST = 5, 2
"""In columns per stride, where one is 4.6°. The direction of an end is known to ten degrees."""
TURN_COST = 0.12
"""For a change of slope by one column per stride: what a stride over half-hidden ink gains."""
SIDES_MM = (1.6, 2.6)
"""So far beside a line lies tape, even if the line is broad. The darker side counts: a tape's edge is dark on one."""
MOST, LEAST = 1.2, -1.0
"""A stride's contrast in shares of the line's own counts between these, so that no glint and no dark spot decides."""
NEEDED = 0.4
"""Share of the line's own contrast beyond which it is ink rather than not: under glare it sinks to a half."""

Marks = npt.NDArray[np.int32]
Slopes = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Way:
    """Points (N, 2) mm from the end's tip to the mark it comes to; ``gathered`` is the sum over strides of contrast, in
    shares of the line's own, beyond ``NEEDED``, less what turns cost."""

    points_mm: Array
    gathered: float
    mark: int


def way_ahead(
    flat: FlatView, dark: Image, marks: Image, tip_mm: Array, ahead: Array, own_contrast: float, own_mark: int = 0
) -> Way | None:
    """The best way from a tip, in direction ``ahead`` at first, to the first mark along it that is not its own; None
    where none is near. ``dark`` and ``marks`` (0: nothing) are rasters of the view."""
    across = np.array([-ahead[1], ahead[0]])
    rows, columns = (np.arange(STRIDES * STRIDE) + 0.5) * ROW_MM, np.arange(-HALF, HALF + 1) * FINE_MM
    points_mm = tip_mm + rows[:, None, None] * ahead + columns[:, None] * across
    at_px = flat.px_from_mm(points_mm.reshape(-1, 2)).reshape(points_mm.shape).astype(np.float32)
    seen = cv2.remap(dark, at_px, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    met = cv2.remap(marks, at_px, None, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
    met[met == own_mark] = 0
    gain = np.clip(contrast(np.asarray(seen, np.float32)) / own_contrast, LEAST, MOST) - NEEDED
    best = _best_arrival(_per_stride(gain), *_first_marks(met.astype(np.int32)))
    if best is None:
        return None
    places, gathered, mark = best
    return Way(tip_mm + places[:, :1] * ahead + places[:, 1:] * across, gathered, mark)


def contrast(seen: Image) -> Image:
    """How much darker each pixel of a strip (rows, columns of ``FINE_MM``) is than the darker of its two sides."""
    near, far = (round(side / FINE_MM) for side in SIDES_MM)
    off, beyond = (near + far) // 2, far + 1
    wide = cv2.copyMakeBorder(seen, 0, 0, beyond, beyond, cv2.BORDER_REPLICATE)
    side = cv2.blur(wide, (far - near + 1, 1))
    count = seen.shape[1]
    left, right = (side[:, beyond + shift : beyond + shift + count] for shift in (-off, off))
    return np.asarray(seen - np.maximum(left, right), np.float32)


def _shifts() -> Slopes:
    """How many columns aside each row of a stride lies, (slopes, STRIDE)."""
    slopes = np.arange(-STEEPEST, STEEPEST + 1)
    return np.rint(slopes[:, None] * (np.arange(STRIDE) + 0.5) / STRIDE).astype(int)


def _sheared(strip: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
    """The strip's values along each stride, (STRIDES, slopes, columns, STRIDE)."""
    wide = np.pad(strip, ((0, 0), (STEEPEST, STEEPEST)), mode="edge").reshape(STRIDES, STRIDE, -1)
    count = strip.shape[1]
    return np.stack(
        [
            np.stack([wide[:, row, STEEPEST + s : STEEPEST + s + count] for row, s in enumerate(shift)], axis=-1)
            for shift in _shifts()
        ],
        axis=1,
    )


def _per_stride(gain: Image) -> Image:
    return np.asarray(_sheared(gain).mean(axis=-1), np.float32)


def _first_marks(met: Marks) -> tuple[Marks, Slopes]:
    """The first mark along each stride (0: none) and the row of the stride where it lies."""
    along = np.asarray(_sheared(met), np.int32)
    first = (along != 0).argmax(axis=-1)
    return np.take_along_axis(along, first[..., None], axis=-1)[..., 0], first


def _best_arrival(gain: Image, marks: Marks, first: Slopes) -> tuple[Array, float, int] | None:
    """Places (N, 2) along and across, what they gathered and the mark, of the best way that comes to one."""
    slopes, count = gain.shape[1:]
    score = np.full((slopes, count), -np.inf, np.float32)
    start = np.arange(-FIRST_STEEPEST, FIRST_STEEPEST + 1)
    score[STEEPEST + start, HALF] = -TURN_COST * np.abs(start)
    turns: list[Slopes] = []
    best, arrival = -np.inf, (0, 0, 0)  # stride, slope, column
    for k in range(STRIDES):
        options = np.full((3, slopes, count), -np.inf, np.float32)
        options[0], options[1, 1:], options[2, :-1] = score, score[:-1] - TURN_COST, score[1:] - TURN_COST
        turns.append(options.argmax(axis=0))
        score = options.max(axis=0)
        arrived = np.where(marks[k] != 0, score, -np.inf) if k else np.full_like(score, -np.inf)
        if arrived.max() > best:
            slope, column = divmod(int(arrived.argmax()), count)
            best, arrival = float(arrived.max()), (k, slope, column)
        going = np.where(marks[k] != 0, -np.inf, score + gain[k]) if k else score + gain[k]
        score = np.stack([_moved(row, slope) for slope, row in enumerate(going, start=-STEEPEST)])
    if not np.isfinite(best):
        return None
    part = (int(first[arrival]) + 0.5) / STRIDE
    return _traced(turns, arrival, part), best, int(marks[arrival])


def _moved(row: Image, columns: int) -> Image:
    out = np.full_like(row, -np.inf)
    if columns >= 0:
        out[columns:] = row[: len(row) - columns]
    else:
        out[:columns] = row[-columns:]
    return out


def _traced(turns: list[Slopes], arrival: tuple[int, int, int], part: float) -> Array:
    """Places along and across (mm) at the beginning of each stride, and ``part`` of the last stride further."""
    k, slope, column = arrival
    stride_mm = STRIDE * ROW_MM
    places = [((k + part) * stride_mm, (column - HALF + part * (slope - STEEPEST)) * FINE_MM)]
    places.append((k * stride_mm, (column - HALF) * FINE_MM))
    while k > 0:
        slope -= (0, 1, -1)[int(turns[k][slope, column])]
        column -= slope - STEEPEST
        k -= 1
        places.append((k * stride_mm, (column - HALF) * FINE_MM))
    return np.array(places[::-1])
