"""Relief cuts where they are narrower than the picture can part: where an outline runs into one, and which way it
points there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from extract.doors import Array
from extract.ink.silhouette_ring import runs

NARROW_MM = 5.0
"""Below this gap a cut is followed as a whole: a profile across one side would run into the other side's shell."""

UNCLEAR_MM = 3.0
"""The last of a cut that the map shows is too thin to tell its sides."""

CLEAR_MM = 4.0
"""Sides that are seen for so long tell which way a cut points."""

LONGEST_MM = 320.0
"""No relief cut has more outline than this between two facing points of its sides."""

OUTWARDS_MM, OUTWARDS_DEG = 15.0, np.arange(-15.0, 16.0, 3.0)
"""Out of a cut's mouth there is table, or the wider part of the cut, for most of so far in one of these directions
beside its own: none starts in the side of another (common practice, no source)."""


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
    inside = ring[np.arange(notch.first, notch.last + 1) % len(ring)]
    left, right = _before(ring, notch, spacing_mm, side_mm)
    deep = (inside - inside[[0, -1]].mean(0)) @ _inwards(inside)
    far = int(deep.argmax())
    clear = deep < deep[far] - UNCLEAR_MM
    ours, theirs = inside[:far][clear[:far]][1:], inside[far + 1 :][clear[far + 1 :]][:-1]
    if min(len(ours), len(theirs)) + len(left) < CLEAR_MM / spacing_mm:
        return None
    return _between(np.vstack([ours[::-1], left]), np.vstack([theirs, right]), inside[[0, -1]], inside[far])


def mouth_of(ring: Array, notch: Notch, spacing_mm: float, side_mm: float = 14.0) -> Frame | None:
    """The frame by the sides just outside the notch alone: what is inside may be a stroke that crosses the cut."""
    ends = ring[np.array([notch.first, notch.last]) % len(ring)]
    left, right = _before(ring, notch, spacing_mm, side_mm)
    return _between(left, right, ends, ends.mean(0)) if len(left) else None


def _before(ring: Array, notch: Notch, spacing_mm: float, side_mm: float) -> tuple[Array, Array]:
    """The cut's sides outwards of the notch, as far as they run beside each other; none where that is not far."""
    length = round(side_mm / spacing_mm)
    left = ring[(notch.first - np.arange(length)) % len(ring)]
    right = ring[(notch.last + np.arange(length)) % len(ring)]
    gap = np.linalg.norm(left - right, axis=1)
    # Past the mouth the two sides run apart about twice as fast as one walks along them.
    mouth = np.flatnonzero((gap[4:] - gap[:-4] > 1.2 * 4 * spacing_mm) | (gap[4:] > 2 * NARROW_MM))
    use = int(mouth[0]) + 2 if len(mouth) else length
    use = use if use * spacing_mm >= CLEAR_MM else 0
    return left[:use], right[:use]


def _between(left: Array, right: Array, ends: Array, deepest: Array) -> Frame | None:
    """The frame between two sides whose lines lie abreast of the ``ends`` (2, 2) of a notch."""
    (left_at, left_way), (right_at, right_way) = _line(left, ends[0]), _line(right, ends[1])
    if left_way @ right_way < 0.5:
        return None
    axis = -(left_way + right_way)
    axis = axis / np.hypot(*axis)
    base = np.stack([left_at, right_at])
    return Frame(base, axis, float((deepest - base.mean(0)) @ axis))


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


def from_outside(shell: BaseGeometry, mouth: Array, tip: Array) -> bool:
    """Whether a cut starts at the rim or goes on from the end of another, not in the side of one."""
    out = np.arctan2(*(mouth - tip)[::-1]) + np.radians(OUTWARDS_DEG)
    back = mouth + OUTWARDS_MM * np.stack([np.cos(out), np.sin(out)], axis=1)
    return any(LineString([mouth, end]).intersection(shell).length < OUTWARDS_MM / 2 for end in back)
