"""The flattened shell: its cut outline with relief cuts, and how high it stands off the table."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from shapely import LinearRing, Polygon, contains_xy
from shapely import distance as shapely_distance
from shapely import points as shapely_points

from extract.doors import Array
from extract.scene.noise import field, normals, resampled, wander
from extract.scene.options import SceneOptions

REST_MM = 0.55
"""Top of a shell lying flat: crinkled foil and two to three layers of tape (common practice, no source)."""

LONG_BITE = 0.35
"""A cut is one or two long bites: the hand wavers less in it than along the outer edge (common practice, no source)."""
STRAY = 0.3
"""How far each side of a cut strays from the way of both, as a share of the cut's half width there. The snips of a
relief cut meet at its end alone: where they met sooner, the cut would end (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Dart:
    """A relief cut: a wedge from its mouth in the edge to a sharp apex."""

    apex: Array
    mouth: Array
    half_mm: float


@dataclass(frozen=True, eq=False)
class Relief:
    """Height above the rest height on a grid: ``values`` (rows along y, columns along x) from ``origin`` on."""

    origin: tuple[float, float]
    step_mm: float
    values: Array

    def at(self, points: Array) -> Array:
        """Heights (N,) by bilinear interpolation."""
        grid = (np.asarray(points, float)[:, :2] - self.origin) / self.step_mm
        rows, columns = self.values.shape
        x = np.clip(grid[:, 0], 0, columns - 1.001)
        y = np.clip(grid[:, 1], 0, rows - 1.001)
        i, j = x.astype(int), y.astype(int)
        u, v = x - i, y - j
        z = self.values
        return (1 - v) * ((1 - u) * z[j, i] + u * z[j, i + 1]) + v * ((1 - u) * z[j + 1, i] + u * z[j + 1, i + 1])


@dataclass(frozen=True, eq=False)
class Shell:
    """``outline`` is the exact cut edge (plan view, mm); ``relief`` is measured from REST_MM above the table."""

    outline: Polygon
    darts: tuple[Dart, ...]
    relief: Relief

    def top(self, points: Array) -> Array:
        """Height (N,) of the shell's top above the table."""
        return REST_MM + self.relief.at(points)


def make_shell(options: SceneOptions, rng: np.random.Generator) -> Shell:
    """A rounded shell, slit from its edge towards the middle."""
    body = _body(options, rng)
    return finished_shell(body, _darts(body, options, rng), options, rng)


def finished_shell(body: Polygon, darts: tuple[Dart, ...], options: SceneOptions, rng: np.random.Generator) -> Shell:
    """Cut the darts into ``body``, make the edge as uneven as scissors leave it, let the edges stand up."""
    cut = body
    for dart in darts:
        cut = cut.difference(_wedge(dart))
    if cut.geom_type != "Polygon":
        cut = max(cut.geoms, key=lambda part: part.area)
    outline = _ragged(cut, darts, options.ragged_mm, rng)
    return Shell(outline, darts, _relief(outline, options, rng))


def _body(options: SceneOptions, rng: np.random.Generator) -> Polygon:
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radius = np.ones_like(angle)
    for order in (2, 3, 4, 5):
        radius += rng.normal(0, 0.13 / order) * np.cos(order * angle + rng.uniform(0, 2 * np.pi))
    square = rng.uniform(1.7, 2.6)
    x = np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** (2 / square)
    y = np.sign(np.sin(angle)) * np.abs(np.sin(angle)) ** (2 / square)
    half = options.length_mm / 2
    return Polygon(np.c_[x * radius * half, y * radius * half * options.aspect]).buffer(0)


def _darts(body: Polygon, options: SceneOptions, rng: np.random.Generator) -> tuple[Dart, ...]:
    ring = body.exterior
    turn = rng.uniform(0, 1)
    darts = []
    for i in range(options.darts):
        at = (turn + (i + rng.uniform(-0.25, 0.25)) / options.darts) % 1
        mouth = np.array(ring.interpolate(at, normalized=True).coords[0])
        inward = -mouth / np.linalg.norm(mouth)
        lean = rng.uniform(-0.35, 0.35)
        inward = np.array([[np.cos(lean), -np.sin(lean)], [np.sin(lean), np.cos(lean)]]) @ inward
        depth = rng.uniform(0.3, 0.6) * np.linalg.norm(mouth)
        darts.append(Dart(mouth + depth * inward, mouth, rng.uniform(*options.dart_half_mm)))
    return tuple(darts)


def _wedge(dart: Dart) -> Polygon:
    along = dart.mouth - dart.apex
    side = np.array([-along[1], along[0]]) / np.linalg.norm(along) * dart.half_mm
    far = dart.mouth + 0.4 * along
    return Polygon([dart.apex, far + 1.4 * side, far - 1.4 * side])


def _ragged(cut: Polygon, darts: tuple[Dart, ...], amount_mm: float, rng: np.random.Generator) -> Polygon:
    """Facets a few scissor bites long and a fine burr; sharp corners (apex, dart mouths) stay where they are."""
    ring = np.asarray(cut.exterior.simplify(0.01).coords)[:-1]
    sides = [resampled(np.array([a, b]), 0.7)[:-1] for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True)]
    dense = np.vstack(sides)
    count = len(dense)
    push = amount_mm * (1.6 * wander(rng, count, 40) + 0.35 * wander(rng, count, 5))
    push *= np.minimum(1, _distance_from_corners(dense) / 4)
    inner = shapely_distance(shapely_points(dense), cut.convex_hull.exterior) > 4
    push[inner] *= LONG_BITE
    shift = np.zeros_like(dense)
    for dart in darts:
        of_cut, room, wave = _along_cut(dart, dense, rng.spawn(1)[0])
        push[of_cut] = np.clip(push[of_cut], -STRAY * room, STRAY * room)
        shift[of_cut] = LONG_BITE * amount_mm * wave
    moved = Polygon(dense + normals(dense, closed=True) * push[:, None] + shift)
    clean = moved if moved.is_valid else moved.buffer(0)
    return clean if clean.geom_type == "Polygon" else max(clean.geoms, key=lambda part: part.area)


def _along_cut(dart: Dart, dense: Array, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Which points lie on the two sides of a cut, its half width there, and how far the hand moves both (x, y)."""
    length = np.linalg.norm(dart.mouth - dart.apex)
    along = (dart.mouth - dart.apex) / length
    across = np.array([-along[1], along[0]])
    depth, aside = (dense - dart.apex) @ along, (dense - dart.apex) @ across
    room = depth / length * dart.half_mm
    of_cut = (depth > 0) & (depth < length) & (np.abs(np.abs(aside) - room) < 0.05)
    way = np.arange(max(2, round(length)))
    wave = 1.6 * wander(rng, len(way), 28) * np.minimum(1, np.minimum(way, way[::-1]) / 4)
    return of_cut, room[of_cut], np.interp(depth[of_cut], way, wave)[:, None] * across


def _distance_from_corners(dense: Array) -> Array:
    """Steps (mm, about) from the nearest corner or the seam of the ring."""
    ahead = np.roll(dense, -1, axis=0) - dense
    heading = np.unwrap(np.arctan2(ahead[:, 1], ahead[:, 0]))
    turn = np.abs(np.angle(np.exp(1j * (heading - np.roll(heading, 1)))))
    corners = np.r_[0, np.nonzero(turn > 0.3)[0]]
    steps = np.abs(np.arange(len(dense))[:, None] - corners)
    return np.minimum(steps, len(dense) - steps).min(axis=1) * 0.7


def _relief(outline: Polygon, options: SceneOptions, rng: np.random.Generator) -> Relief:
    step = 2.0
    x0, y0, x1, y1 = outline.buffer(20).bounds
    x = np.arange(np.floor(x0), x1 + step, step)
    y = np.arange(np.floor(y0), y1 + step, step)
    shape = (len(y), len(x))
    dent = np.clip(field(rng, shape, 40 / step) * 0.4 + 0.5, 0, 1.6) * options.dent_mm * 0.5
    height = dent.astype(float)
    if options.curl_mm > 0:
        height += _curl(outline, x, y, options, rng)
    return Relief((float(x[0]), float(y[0])), step, cv2.GaussianBlur(height, (0, 0), 1.0))


def _curl(outline: Polygon, x: Array, y: Array, options: SceneOptions, rng: np.random.Generator) -> Array:
    """The hull's edge stands up, here more, there less, easing to nothing ``curl_width_mm`` inside."""
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    rim = LinearRing(outline.convex_hull.exterior.coords)
    depth = shapely_distance(shapely_points(grid.reshape(-1, 2)), rim).reshape(grid.shape[:2])
    middle = outline.centroid
    angle = np.arctan2(grid[..., 1] - middle.y, grid[..., 0] - middle.x)
    share = 0.55 + 0.45 * np.cos(rng.integers(2, 5) * angle + rng.uniform(0, 2 * np.pi))
    outside = ~contains_xy(outline.convex_hull, grid[..., 0], grid[..., 1])
    ease = np.clip(1 - np.where(outside, 0, depth) / options.curl_width_mm, 0, 1) ** 2
    return options.curl_mm * share * ease
