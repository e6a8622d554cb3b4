"""Strokes that several photos of one table show, made one: matched by distance, averaged by their ±."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
import shapely.ops
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from extract.doors import Array, Mask, Stroke
from extract.geometry.planar import arc_length, closed_up, densified

Variance = Callable[[Array], Array]
"""(N, 2) points mm → (N,) mm²: how far a photo's own camera may misplace each point, one coordinate."""


@dataclass(frozen=True)
class SeveralSettings:
    """``reach_mm``: two strokes this near are one; lines are drawn further apart, and a solve that puts them further
    off has failed. ``ease_mm``: over so much of a line the two are drawn to each other, so that no step is left where
    one of them ends. ``catch_mm``: how far a shell may have been pushed and still be recognised. ``still_mm``,
    ``still_sd``: a shell counts as moved when it lies further off than both. ``alone_mm``: shorter lines seen in one
    photo only are nobody's concern."""

    reach_mm: float = 1.2
    ease_mm: float = 3.0
    catch_mm: float = 10.0
    still_mm: float = 0.5
    still_sd: float = 3.5
    alone_mm: float = 15.0


@dataclass(frozen=True, eq=False)
class Reading:
    """What one photo shows: its strokes, as seen from straight above, and its camera's own doubt."""

    strokes: tuple[Stroke, ...]
    variance: Variance


def averaged(first: Reading, others: Sequence[Reading], settings: SeveralSettings | None = None) -> tuple[Stroke, ...]:
    """The strokes of ``first``, each point drawn across its line to where all photos that show it put it, weighted by
    1 / σ² of line and camera. What no other photo shows stays as it was."""
    settings = settings or SeveralSettings()
    return tuple(_averaged(stroke, first, others, settings) for stroke in first.strokes)


def _averaged(stroke: Stroke, first: Reading, others: Sequence[Reading], settings: SeveralSettings) -> Stroke:
    points = stroke.points_mm
    if len(points) < 3:
        return stroke
    normals = _normals(points, stroke.closed)
    own = 1 / (stroke.sigma_mm**2 + first.variance(points))
    total, pull = own.copy(), np.zeros(len(points))
    noise = own**2 * stroke.sigma_mm**2
    for other in others:
        off, near, sigma = _offsets(points, normals, stroke.colour, other, settings)
        weight = near / (sigma**2 + other.variance(points))
        total += weight
        pull += weight * off * _eased(near, points, stroke.closed, settings)
        noise += weight**2 * sigma**2
    sigma_mm = float(np.sqrt(np.median(noise / total**2)))
    return replace(stroke, points_mm=points + (pull / total)[:, None] * normals, sigma_mm=sigma_mm)


def _normals(points: Array, closed: bool) -> Array:
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0) if closed else np.gradient(points, axis=0)
    along = along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    return np.column_stack([-along[:, 1], along[:, 0]])


def _offsets(
    points: Array, normals: Array, colour: str, other: Reading, settings: SeveralSettings
) -> tuple[Array, Mask, float]:
    """How far across the line the other photo's nearest stroke of that colour lies (N,), where it is near enough, and
    the typical localisation of these strokes."""
    alike = [s for s in other.strokes if s.colour == colour and len(s.points_mm) > 1]
    if not alike:
        return np.zeros(len(points)), np.zeros(len(points), bool), 1.0
    tree = shapely.STRtree([shapely.LineString(_ring(s)) for s in alike])
    which, apart = tree.query_nearest(shapely.points(points), return_distance=True, all_matches=False)
    lines = tree.geometries[which[1]]
    nearest = shapely.get_coordinates(
        shapely.line_interpolate_point(lines, shapely.line_locate_point(lines, shapely.points(points)))
    )
    off = ((nearest - points) * normals).sum(axis=1)
    aside = np.sqrt(np.maximum(apart**2 - off**2, 0))
    near = (apart <= settings.reach_mm) & (aside <= 0.3 * settings.reach_mm)
    sigma = float(np.median([alike[i].sigma_mm for i in which[1]]))
    return np.where(near, off, 0.0), near, sigma


def _ring(stroke: Stroke) -> Array:
    return closed_up(stroke.points_mm) if stroke.closed else stroke.points_mm


def _eased(near: Mask, points: Array, closed: bool, settings: SeveralSettings) -> Array:
    """1 well inside what both show, falling to 0 at its ends."""
    step = max(float(arc_length(points)[-1]) / max(len(points) - 1, 1), 1e-6)
    soft = gaussian_filter1d(near.astype(float), settings.ease_mm / 2 / step, mode="wrap" if closed else "nearest")
    return np.asarray(np.where(near, np.clip(2 * soft - 1, 0.0, 1.0), 0.0), float)


TOUCH_MM, BEYOND_MM = 0.3, 0.1
"""Ends this near to another line were brought there to meet it; they meet when they go this far beyond it."""


def joined_again(
    before: Sequence[Stroke], after: Sequence[Stroke], edges_before: Sequence[Array], edges_after: Sequence[Array]
) -> tuple[Stroke, ...]:
    """The moved strokes ``after`` with every end drawn out to what it met ``before``: another stroke or a cut edge.
    Lines that moved each for itself would else leave gaps of hundredths of a millimetre, and a panel with a gap is
    none."""
    then = [shapely.LineString(_ring(s)) for s in before] + [shapely.LinearRing(ring) for ring in edges_before]
    now = [shapely.LineString(_ring(s)) for s in after] + [shapely.LinearRing(ring) for ring in edges_after]
    return tuple(
        stroke if stroke.closed else replace(stroke, points_mm=_drawn_out(i, before[i].points_mm, stroke, then, now))
        for i, stroke in enumerate(after)
    )


def _drawn_out(
    own: int, before: Array, stroke: Stroke, then: Sequence[shapely.Geometry], now: Sequence[shapely.Geometry]
) -> Array:
    points = stroke.points_mm
    for end in (0, -1):
        place, tip = shapely.Point(before[end]), shapely.Point(points[end])
        tail = shapely.LineString(points[:8] if end == 0 else points[-8:])
        for i, (old, new) in enumerate(zip(then, now, strict=True)):
            if i == own or old.distance(place) > TOUCH_MM or tail.intersects(new):
                continue
            there = shapely.get_coordinates(shapely.ops.nearest_points(new, tip)[0])
            way = there - points[end]
            further = there + BEYOND_MM * way / max(float(np.linalg.norm(way)), 1e-9)
            points = np.vstack([further, points] if end == 0 else [points, further])
            break
    return points


def moved_mm(first: Reading, other: Reading, settings: SeveralSettings | None = None) -> tuple[float, float]:
    """By how much the lines of ``other`` lie off those of ``first`` as one piece (RMS over the lines, mm), and how much
    of that the cameras explain (1 σ). Zero where too little is seen in both."""
    settings = settings or SeveralSettings()
    one, two = _dense(first), _dense(other)
    if len(one) < 50 or len(two) < 50:
        return 0.0, 1.0
    tree, placed = cKDTree(two), one
    for reach in np.geomspace(settings.catch_mm, settings.reach_mm, 12):
        apart, nearest = tree.query(placed)
        near = apart <= reach
        if near.sum() < 50:
            return 0.0, 1.0
        placed = _rigid(placed[near], two[nearest[near]])(placed)
    explained = float(np.mean(first.variance(one) + other.variance(one)))
    return float(np.sqrt(((placed - one) ** 2).sum(axis=1).mean())), float(np.sqrt(2 * explained))


def _dense(reading: Reading) -> Array:
    lines = [densified(_ring(s), 2.0) for s in reading.strokes if s.kind in ("marker", "ring") and len(s.points_mm) > 1]
    return np.vstack(lines) if lines else np.zeros((0, 2))


def _rigid(source: Array, target: Array) -> Callable[[Array], Array]:
    """The turn and shift that best takes one set of points to the other (Kabsch 1976)."""
    here, there = source.mean(axis=0), target.mean(axis=0)
    a, b = source - here, target - there
    angle = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    cos, sin = np.cos(angle), np.sin(angle)
    turn = np.array([[cos, sin], [-sin, cos]])
    return lambda points: np.asarray((points - here) @ turn + there, float)


def only_there(first: Reading, other: Reading, settings: SeveralSettings | None = None) -> list[tuple[Array, float]]:
    """Middles (2,) and lengths mm of lines that ``other`` shows and ``first`` does not, longest first."""
    settings = settings or SeveralSettings()
    seen = [shapely.LineString(_ring(s)).buffer(2 * settings.reach_mm) for s in first.strokes if len(s.points_mm) > 1]
    known = shapely.union_all(seen)
    found = []
    for stroke in other.strokes:
        if stroke.kind == "marker" and len(stroke.points_mm) > 1:
            rest = shapely.LineString(_ring(stroke)).difference(known)
            parts = [part for part in shapely.get_parts(rest) if part.length >= settings.alone_mm]
            found += [
                (shapely.get_coordinates(part.interpolate(0.5, normalized=True))[0], part.length) for part in parts
            ]
    return sorted(found, key=lambda one: -one[1])


def has_moved(off_mm: float, explained_mm: float, settings: SeveralSettings | None = None) -> bool:
    """Whether the shell lay elsewhere in the other photo."""
    settings = settings or SeveralSettings()
    return off_mm > max(settings.still_mm, settings.still_sd * explained_mm)
