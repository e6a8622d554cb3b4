"""Relief cuts where they are narrower than the picture can part: where an outline runs into one, its frame, and the
sides of one that the outline does not know.

Where a cut is a few millimetres wide its two sides are edges like any other. Further in they are lost as edges, yet the
sliver of table or shadow between them is seen much further. So the sides are carried on as straight lines that meet
where the triangle between them covers most of what is unlike the shell beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image, lab_of
from extract.ink.silhouette_colours import ColourModels
from extract.ink.silhouette_ring import runs

NARROW_MM = 5.0
"""Below this gap a cut is followed as a whole: a profile across one side would run into the other side's shell."""

UNCLEAR_MM = 3.0
"""The last of a cut that the map shows is too thin to tell its sides."""

LONGEST_MM = 320.0
"""No relief cut has more outline than this between two facing points of its sides."""

STEP_MM = 0.2

CLEAR_MM = 0.9
"""From this width on the middle of a cut shows its own colour: twice the blur of a phone picture at 5 px/mm."""


@dataclass(frozen=True)
class Notch:
    """A stretch of ring, indices ``first`` to ``last`` (last may run past the ring's end), whose ends face each other
    across a narrow gap."""

    first: int
    last: int


@dataclass(frozen=True, eq=False)
class Frame:
    """A cut as the outline runs into it: ``base`` (2, 2) its left and right side, ``axis`` the unit vector inwards,
    ``open_mm`` how far in the outline runs."""

    base: Array
    axis: Array
    open_mm: float


@dataclass(frozen=True, eq=False)
class Wedge:
    """A cut that the outline does not know, in its own frame: ``base`` its two ends (2, 2) on the left and right side,
    ``axis`` the unit vector inwards, ``reach_mm`` about how far in the straight sides meet, ``reach_sd_mm`` the doubt
    of that."""

    base: Array
    axis: Array
    reach_mm: float
    reach_sd_mm: float


def find_notches(ring: Array, normals: Array, spacing_mm: float, narrow_mm: float = NARROW_MM) -> list[Notch]:
    """Places where the outline faces itself across less than ``narrow_mm`` of table."""
    count = len(ring)
    rows, other, _ = _facing(ring, normals, narrow_mm)
    forward = (other - rows) % count
    pairs = (forward * spacing_mm > 2.0) & (forward * spacing_mm < LONGEST_MM)
    change = np.zeros(2 * count + 1, int)
    np.add.at(change, rows[pairs], 1)
    np.add.at(change, rows[pairs] + forward[pairs] + 1, -1)
    depth = np.cumsum(change)[: 2 * count]
    inside = (depth[:count] > 0) | (depth[count:] > 0)
    if inside.all():
        return []
    return [Notch(int(run[0]), int(run[0]) + len(run) - 1) for run in runs(inside)]


def gap_beside(ring: Array, normals: Array) -> Array:
    """Width of table (mm) beside each point of a ring up to where the ring faces it; infinite past NARROW_MM."""
    rows, _, apart = _facing(ring, normals)
    gap = np.full(len(ring), np.inf)
    np.minimum.at(gap, rows, apart)
    return gap


def _facing(
    ring: Array, normals: Array, narrow_mm: float = NARROW_MM
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Array]:
    """Pairs of ring indices that face each other across less than ``narrow_mm`` of table, and how far apart they
    are."""
    one, two = cKDTree(ring).query_pairs(narrow_mm, output_type="ndarray").T
    faced = np.einsum("ij,ij->i", normals[one], normals[two]) < -0.3  # few are, most lie side by side
    one, two = one[faced], two[faced]
    rows, other = np.r_[one, two], np.r_[two, one]
    across = ring[other] - ring[rows]
    apart = np.hypot(*across.T)
    facing = (across * normals[rows]).sum(1) > 0.6 * apart
    return rows[facing], other[facing], apart[facing]


def frame_of(ring: Array, notch: Notch, spacing_mm: float, side_mm: float = 14.0) -> Frame | None:
    """The cut's frame from its sides, just outside the notch and inside it; None when they do not close in on each
    other, as beside a marker stroke taken for a gap."""
    count, length = len(ring), round(side_mm / spacing_mm)
    left = ring[(notch.first - np.arange(length)) % count]
    right = ring[(notch.last + np.arange(length)) % count]
    gap = np.linalg.norm(left - right, axis=1)
    # Past the mouth the two sides run apart about twice as fast as one walks along them.
    mouth = np.flatnonzero((gap[4:] - gap[:-4] > 1.2 * 4 * spacing_mm) | (gap[4:] > 2 * NARROW_MM))
    use = int(mouth[0]) + 2 if len(mouth) else length
    inside = ring[np.arange(notch.first, notch.last + 1) % count]
    deep = (inside - inside[[0, -1]].mean(0)) @ _inwards(inside)
    far = int(deep.argmax())
    clear = deep < deep[far] - UNCLEAR_MM
    ours, theirs = inside[:far][clear[:far]][1:], inside[far + 1 :][clear[far + 1 :]][:-1]
    if use * spacing_mm < 4.0:
        left, right, use = left[:0], right[:0], 0
    if min(len(ours), len(theirs)) + use < 4.0 / spacing_mm:
        return None
    left, right = np.vstack([ours[::-1], left[:use]]), np.vstack([theirs, right[:use]])
    (left_at, left_way), (right_at, right_way) = _line(left, inside[0]), _line(right, inside[-1])
    if left_way @ right_way < 0.5:
        return None
    axis = -(left_way + right_way)
    axis = axis / np.hypot(*axis)
    base = np.stack([left_at, right_at])
    return Frame(base, axis, float((inside[far] - base.mean(0)) @ axis))


def _inwards(inside: Array) -> Array:
    """Unit vector from the middle of a notch's mouth to its farthest point."""
    way = inside - inside[[0, -1]].mean(0)
    longest = way[int(np.hypot(*way.T).argmax())]
    return np.asarray(longest / max(np.hypot(*longest), 1e-9), float)


def _line(points: Array, foot: Array) -> tuple[Array, Array]:
    """Least-squares line through points that run outwards: its point abreast of ``foot``, and its way outwards."""
    centre = points.mean(0)
    way = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    way = way * np.sign(way @ (points[-1] - points[0]) or 1.0)
    return centre + ((foot - centre) @ way) * way, way


def follow(flat: FlatView, models: ColourModels, wedge: Wedge) -> Array:
    """The cut's end (3, 2) in mm: foot of its left side, tip, foot of its right side."""
    frame = _Along(wedge)
    long_mm = wedge.reach_mm + max(4.0, 3 * wedge.reach_sd_mm) + 4.0
    strip = strange_strip(flat, models, wedge, long_mm)
    far, along, across = strip.far, strip.along, strip.across
    ends = frame.across(wedge.base)
    # What is strange but no table (ink, creases) says nothing for a cut, else strokes would be followed.
    evidence = np.clip(0.5 * far**2 - 4.0, -1.5, np.where(strip.likeness < -0.3, 4.0, 0.0))
    sums = np.cumsum(evidence, axis=1)
    reach, drift = _cover_most(sums, along, across, ends, wedge)
    sides = np.array([[end, (drift * reach - end) / reach] for end in ends])
    for _ in range(3):
        sides = _sharpen(far, along, across, sides, reach)
        further = min((sides[1, 0] - sides[0, 0]) / (sides[0, 1] - sides[1, 1]), along[-1] - 1.0)
        if further <= reach:
            break  # else more of the sides is clear than was thought
        reach = further
    meet = (sides[1, 0] - sides[0, 0]) / (sides[0, 1] - sides[1, 1])
    tip = frame.mm(meet, sides[:, 0].mean() + meet * sides[:, 1].mean())
    return np.stack([frame.mm(0.0, sides[0, 0]), tip, frame.mm(0.0, sides[1, 0])])


@dataclass(frozen=True, eq=False)
class Strip:
    """A strip over a cut, rows ``along`` its axis and columns ``across`` it (mm): ``far`` how many spreads each pixel
    is off the shell to either side, ``lab`` its colour, ``likeness`` the colour models' word (positive: shell)."""

    along: Array
    across: Array
    far: Array
    lab: Image
    likeness: Image


def strange_strip(flat: FlatView, models: ColourModels, wedge: Wedge, long_mm: float) -> Strip:
    along = np.arange(-2.0, long_mm, STEP_MM)
    half = 0.5 * float(np.hypot(*(wedge.base[0] - wedge.base[1])))
    across = np.arange(-half - 6.0, half + 6.0 + 1e-6, STEP_MM)
    points = _Along(wedge).mm(along[:, None], across[None, :])
    at_px = flat.px_from_mm(points).astype(np.float32)
    seen = np.asarray(cv2.remap(flat.pixels, at_px, None, cv2.INTER_LINEAR), np.uint8)
    lab = lab_of(seen, models.white)
    return Strip(along, across, _strangeness(lab, across, half), lab, models.likeness(seen, points))


class _Along:
    """Along a cut's axis and across it, from the middle of its base."""

    def __init__(self, wedge: Wedge) -> None:
        self._axis = wedge.axis
        self._side = np.array([-wedge.axis[1], wedge.axis[0]])
        self._middle = wedge.base.mean(0)

    def mm(self, along: npt.ArrayLike, across: npt.ArrayLike) -> Array:
        return np.asarray(
            self._middle + np.asarray(along)[..., None] * self._axis + np.asarray(across)[..., None] * self._side, float
        )

    def across(self, points: Array) -> Array:
        return np.asarray((points - self._middle) @ self._side, float)


def _cover_most(sums: Array, along: Array, across: Array, ends: Array, wedge: Wedge) -> tuple[float, float]:
    """Reach and drift (across per along) of the tip whose triangle gathers most evidence."""
    slack = max(4.0, 3 * wedge.reach_sd_mm)
    reaches = np.arange(max(0.5, wedge.reach_mm - slack), min(wedge.reach_mm + slack, along[-1] - 1.0), 1.0)
    drifts = np.arange(-0.12, 0.1201, 0.02)
    score = np.array([_cover(sums, along, across, ends, reach, drifts) for reach in reaches])
    score -= (0.5 * ((reaches - wedge.reach_mm) / wedge.reach_sd_mm) ** 2)[:, None]
    best = np.unravel_index(int(score.argmax()), score.shape)
    return float(reaches[best[0]]), float(drifts[best[1]])


def _sharpen(far: Array, along: Array, across: Array, sides: Array, reach: float) -> Array:
    """Straight sides (offset and slope each) through the half-height crossings, where the cut is wide enough for its
    middle to show its own colour."""
    new = sides.copy()
    width = (sides[1, 0] - sides[0, 0]) * (1 - along / reach)
    sign = np.sign(sides[1, 0] - sides[0, 0])
    rows = np.flatnonzero((np.abs(width) > CLEAR_MM) & (along >= 0))
    rows = rows[:: max(1, len(rows) // 150)]  # more points do not make the lines straighter
    for which, outwards in ((0, -sign), (1, sign)):
        expected = sides[which, 0] + sides[which, 1] * along[rows]
        spots = _crossings(far[rows], across, expected, int(outwards), np.abs(width[rows]))
        seen = np.isfinite(spots)
        if seen.sum() >= 8:
            new[which] = _steady_line(np.stack([along[rows], spots], axis=1)[seen])
    converging = (new[1, 0] - new[0, 0]) * (new[0, 1] - new[1, 1]) > 0
    meet = (new[1, 0] - new[0, 0]) / (new[0, 1] - new[1, 1]) if converging else np.inf
    return new if 0.3 * reach < meet < 1.3 * reach + 3 else sides


def _crossings(far: Array, across: Array, expected: Array, outwards: int, width: Array) -> Array:
    """Where each row of strangeness, coming from the shell, has risen to half of its first peak, NaN where it does
    not: the sliver next to the edge may be shadow, and far less strange than the lit table beside it."""
    start = np.round((expected - across[0]) / STEP_MM).astype(int)
    long = np.maximum(3, np.round(width / STEP_MM / 1.5).astype(int)) + 5
    walk = np.arange(int(long.max(initial=5)))
    path = start[:, None] - outwards * (walk - 4)
    last = np.take_along_axis(path, long[:, None] - 1, 1)[:, 0]
    within = (np.minimum(path[:, 0], last) >= 0) & (np.maximum(path[:, 0], last) < len(across))
    value = np.take_along_axis(far, np.clip(path, 0, len(across) - 1), 1)
    here = value[:, 1:-1]
    peaks = (here > 4) & (here >= value[:, 2:]) & (here >= value[:, :-2]) & (walk[2:] < long[:, None])
    first, rows = peaks.argmax(1) + 1, np.arange(len(far))
    half = 0.5 * value[rows, first]
    above = (value > half[:, None]).argmax(1)
    found = within & peaks.any(1) & (above > 0) & (above <= first)
    low, high = value[rows, above - 1], value[rows, above]
    part = (half - low) / np.where(found, high - low, 1)
    column = np.take_along_axis(path, np.maximum(above - 1, 0)[:, None], 1)[:, 0]
    place = across[np.clip(column, 0, len(across) - 1)] - outwards * STEP_MM * part
    return np.where(found, place, np.nan)


def _steady_line(spots: Array) -> Array:
    """Offset and slope of a line by iteratively reweighted least squares (Cauchy weights)."""
    design = np.stack([np.ones(len(spots)), spots[:, 0]], axis=1)
    weight = np.ones(len(spots))
    for _ in range(10):
        fit = np.linalg.lstsq(design * weight[:, None], spots[:, 1] * weight, rcond=None)[0]
        rest = np.abs(spots[:, 1] - design @ fit)
        weight = 1 / np.sqrt(1 + (rest / (0.05 + np.median(rest))) ** 2)
    return np.asarray(fit, float)


def _strangeness(lab: Image, across: Array, half: float) -> Array:
    """How many spreads each pixel is off the shell seen to either side of the cut."""
    flanks = lab[:, np.abs(across) > half + 1.5]
    level = gaussian_filter1d(np.median(flanks, axis=1), 2.0 / STEP_MM, axis=0)
    spread = 1.48 * np.median(np.abs(flanks - level[:, None]), axis=(0, 1)) + 1.5
    return np.asarray(np.sqrt((((lab - level[:, None]) / spread) ** 2).sum(-1)), float)


def _cover(sums: Array, along: Array, across: Array, ends: Array, reach: float, drifts: Array) -> Array:
    """Evidence inside the triangles from the base to tips at one reach."""
    rows = np.asarray(np.flatnonzero((along >= 0) & (along < reach)), np.int64)
    left = 1 - along[rows] / reach
    centre = drifts[:, None] * along[rows] + left * ends.mean()
    half = left * abs(ends[0] - ends[1]) / 2
    low, high = (np.asarray((centre + sign * half - across[0]) / STEP_MM - 0.5, float) for sign in (-1, 1))
    inside = _at(sums, rows, high) - _at(sums, rows, low)
    return np.asarray(inside.sum(1) * STEP_MM, float)


def _at(table: Array, rows: npt.NDArray[np.int64], position: Array) -> Array:
    position = np.clip(position, 0, table.shape[1] - 1.001)
    cell = position.astype(int)
    part = position - cell
    return np.asarray((1 - part) * table[rows, cell] + part * table[rows, cell + 1], float)
