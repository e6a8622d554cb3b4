"""Things a bench collects: pens, a roll of tape, coins, a steel rule. Solid shapes as shaded faces, drawn in order."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from shapely import MultiPoint, Polygon

from extract.doors import Array
from extract.scene.light import Light
from extract.scene.optics import Optics


@dataclass(frozen=True, eq=False)
class Face:
    """A ring of world points (N, 3) with one colour (linear BGR reflectance, light included)."""

    ring: Array
    colour: Array


@dataclass(frozen=True, eq=False)
class Thing:
    """``hull`` (N, 3) are points that span it; ``height_mm`` sets its shadow."""

    faces: tuple[Face, ...]
    hull: Array
    height_mm: float


def scatter(
    count: int, camera: Optics, light: Light, keep_clear_px: list[Polygon], rng: np.random.Generator
) -> list[Thing]:
    """Lay things where they hide neither shell nor cards nor each other."""
    things: list[Thing] = []
    taken = [shape.buffer(0.012 * camera.size_px[0]) for shape in keep_clear_px]
    makers = [_pen, _coin, _roll, _rule, _pen]
    for _ in range(25 * count):
        if len(things) >= count:
            break
        pixel = rng.uniform(0.02, 0.98, 2) * camera.size_px
        spot = camera.on_surface(pixel[None], lambda xy: np.zeros(len(xy)))[0]
        thing = makers[int(rng.integers(len(makers)))](spot, rng.uniform(0, 2 * np.pi), camera, light, rng)
        outline = MultiPoint(camera.pixels(thing.hull)).convex_hull
        if not any(outline.intersects(shape) for shape in taken):
            things.append(thing)
            taken.append(outline)
    return things


def pen_on(
    footprint: Polygon, camera: Optics, light: Light, keep_clear_px: Polygon, rng: np.random.Generator
) -> list[Thing]:
    """A pen left lying half on a card, clear of the shell."""
    for _ in range(20):
        spot = np.array(footprint.exterior.interpolate(rng.uniform(), normalized=True).coords[0])
        pen = _pen(spot, rng.uniform(0, 2 * np.pi), camera, light, rng)
        if not MultiPoint(camera.pixels(pen.hull)).convex_hull.intersects(keep_clear_px):
            return [pen]
    return []


def shadow_on_table(thing: Thing, light: Light) -> Array:
    """Outline (N, 3) of the shadow: every hull point sent along the light down to the table."""
    toward = light.toward(thing.hull[:, :2])
    fall = thing.hull[:, :2] - toward[:, :2] / toward[:, 2:] * thing.hull[:, 2:]
    hull = MultiPoint(np.vstack([fall, thing.hull[:, :2]])).convex_hull
    ring = np.asarray(hull.exterior.coords)[:-1]
    return np.c_[ring, np.zeros(len(ring))]


def _lit(colour: Array, normal: Array, spot: Array, light: Light) -> Array:
    toward = light.toward(spot[None, :2])[0]
    return colour * light.strength(spot[None, :2])[0] * (0.4 + 0.75 * max(0.0, float(normal @ toward)))


def _pen(spot: Array, angle: float, camera: Optics, light: Light, rng: np.random.Generator) -> Thing:
    along = np.array([np.cos(angle), np.sin(angle), 0])
    across = np.array([-np.sin(angle), np.cos(angle), 0])
    radius, up = rng.uniform(4.5, 6.5), np.array([0, 0, 1.0])
    base = np.array([*spot, radius])
    body = np.array(rng.choice([(0.02, 0.02, 0.022), (0.05, 0.04, 0.3), (0.3, 0.08, 0.03), (0.02, 0.02, 0.022)]))
    parts = [(-68.0, 24.0, 1.0, body), (24.0, 29.0, 1.06, np.array([0.6, 0.6, 0.6])), (29.0, 66.0, 1.08, body)]
    faces = []
    turns = np.linspace(-0.3, np.pi + 0.3, 13)
    for start, stop, swell, colour in parts:
        for a, b in pairwise(turns):
            # Every facet reaches to the last one, so that no sliver shows between neighbours.
            rim = [radius * swell * (np.cos(t) * across + np.sin(t) * up) for t in (a, turns[-1])]
            normal = np.cos((a + b) / 2) * across + np.sin((a + b) / 2) * up
            shine = 0.25 * max(0.0, float(normal @ light.toward(spot[None])[0])) ** 30
            ring = [base + start * along + rim[0], base + stop * along + rim[0]]
            ring += [base + stop * along + rim[1], base + start * along + rim[1]]
            faces.append(Face(np.array(ring), _lit(colour, normal, spot, light) + shine))
    ends = [base + s * along + 1.1 * radius * o for s in (-70, 68) for o in (across, -across, up, -up * 0.9)]
    return Thing(tuple(faces), np.array(ends), 2 * radius)


def _drum(
    spot: Array, radius: float, height: float, colour: Array, camera: Optics, light: Light
) -> tuple[list[Face], Array]:
    """Side faces of an upright cylinder that look at the camera, and the top's rim (N, 3)."""
    turns = np.linspace(0, 2 * np.pi, 73)
    faces = []
    for a, b in pairwise(turns):
        normal = np.array([np.cos((a + b) / 2), np.sin((a + b) / 2), 0])
        if normal[:2] @ (camera.place_mm[:2] - spot) < radius * 0.8:
            continue
        rim = [np.array([*spot, 0]) + radius * np.array([np.cos(t), np.sin(t), 0]) for t in (a, 2 * b - a)]
        top = [p + height * np.array([0, 0, 1]) for p in rim]
        faces.append(Face(np.array([rim[0], rim[1], top[1], top[0]]), _lit(colour, normal, spot, light)))
    return faces, _circle(spot, radius, height)


def _circle(spot: Array, radius: float, z: float) -> Array:
    turns = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    return np.c_[spot[0] + radius * np.cos(turns), spot[1] + radius * np.sin(turns), np.full(120, z)]


def _roll(spot: Array, angle: float, camera: Optics, light: Light, rng: np.random.Generator) -> Thing:
    grey, card, up = np.array([0.3, 0.29, 0.28]), np.array([0.16, 0.28, 0.42]), np.array([0, 0, 1.0])
    radius, height = rng.uniform(44, 62), 48.0
    faces, rim = _drum(spot, radius, height, grey, camera, light)
    for inner, colour in ((radius, grey), (40.0, card), (37.0, card * 0.35)):
        faces.append(Face(_circle(spot, inner, height), _lit(colour, up, spot, light)))
    return Thing(tuple(faces), np.vstack([rim, _circle(spot, radius, 0)]), height)


def _coin(spot: Array, angle: float, camera: Optics, light: Light, rng: np.random.Generator) -> Thing:
    colour = np.array(rng.choice([(0.1, 0.2, 0.36), (0.16, 0.34, 0.44), (0.42, 0.43, 0.44)]))
    radius, height = rng.uniform(9, 13), 1.8
    up = np.array([0, 0, 1.0])
    faces, rim = _drum(spot, radius, height, colour * 0.7, camera, light)
    for inner, share in ((radius, 1.0), (radius * 0.88, 0.75), (radius * 0.84, 0.95), (radius * 0.45, 0.8)):
        faces.append(Face(_circle(spot, inner, height), _lit(colour * share, up, spot, light)))
    return Thing(tuple(faces), np.vstack([rim, _circle(spot, radius, 0)]), height)


def _rule(spot: Array, angle: float, camera: Optics, light: Light, rng: np.random.Generator) -> Thing:
    """A steel rule 200 mm long."""
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    up = np.array([0, 0, 1.0])

    def box(a: float, b: float, c: float, d: float) -> Array:
        flat = [spot + x * along + y * across for x, y in ((a, c), (b, c), (b, d), (a, d))]
        return np.c_[np.array(flat), np.full(4, 1.0)]

    steel, black = _lit(np.array([0.42, 0.42, 0.41]), up, spot, light), np.array([0.02, 0.02, 0.02])
    faces = [Face(box(-100, 100, -13, 13), steel)]
    for i in range(191):
        long = 6.0 if i % 10 == 0 else 4.5 if i % 5 == 0 else 3.0
        faces.append(Face(box(-95.1 + i, -94.9 + i, 13 - long, 13), black))
    return Thing(tuple(faces), box(-100, 100, -13, 13), 1.0)
