"""Where the cards lie and where the camera stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import MultiPolygon, Polygon, unary_union
from shapely.geometry.base import BaseGeometry

from extract.cards.design import card_design
from extract.doors import Array, CardDesign
from extract.geometry.scalecard import board_size_mm, paper_outline_mm
from extract.scene.optics import Optics, posed
from extract.scene.options import SceneOptions

CARD_TOP_MM = 0.15
"""Two sheets' thickness: paper lies on the table with a little air under it."""


@dataclass(frozen=True, eq=False)
class LaidCard:
    """A card lying with its middle at ``centre``; its printed x axis turned ``turn`` (radians) from world x.
    ``bow_mm``: how far the paper's middle stands up along its long side."""

    design: CardDesign
    centre: Array
    turn: float
    bow_mm: float

    def world(self, points: Array) -> Array:
        """World points (N, 3) of points (N, 2) in the card's frame (x right, y down, origin at the chess area)."""
        width, height = board_size_mm(self.design)
        p = np.asarray(points, float)
        cosine, sine = np.cos(self.turn), np.sin(self.turn)
        x, y = p[:, 0] - width / 2, p[:, 1] - height / 2
        z = CARD_TOP_MM + self.bow_mm * (1 - (2 * x / self.design.paper_mm[0]) ** 2)
        return np.c_[self.centre[0] + x * cosine + y * sine, self.centre[1] + x * sine - y * cosine, z]

    def footprint(self) -> Polygon:
        return Polygon(self.world(paper_outline_mm(self.design))[:, :2])


def lay_cards(
    outlines: MultiPolygon, options: SceneOptions, rng: np.random.Generator, up: float
) -> tuple[LaidCard, ...]:
    """Lay the cards round the pieces' ``outlines``, close by, clear of each other; of many tries the most compact."""
    landscape = 4 / 3 if options.orientation in (1, 3) else 3 / 4
    best: tuple[float, tuple[LaidCard, ...]] = (np.inf, ())
    for _ in range(24):
        cards = _one_layout(outlines, options, rng)
        edges = [outline.exterior.coords for outline in outlines.geoms]
        corners = np.vstack([*edges, *(card.footprint().exterior.coords for card in cards)])
        across = corners @ [np.sin(up), -np.cos(up)]
        along = corners @ [np.cos(up), np.sin(up)]
        need = max(np.ptp(across), np.ptp(along) * landscape) * rng.uniform(1, 1.15)
        best = min(best, (need, cards), key=lambda pair: pair[0])
    return best[1]


def _one_layout(outlines: MultiPolygon, options: SceneOptions, rng: np.random.Generator) -> tuple[LaidCard, ...]:
    cards: list[LaidCard] = []
    taken: BaseGeometry = outlines.convex_hull
    sector = rng.uniform(0, 2 * np.pi)
    numbers: dict[str, int] = {}
    for i, family in enumerate(options.cards):
        number = numbers.get(family, 0)
        numbers[family] = number + 1
        direction = sector + 2 * np.pi * i / len(options.cards) + rng.uniform(-0.5, 0.5)
        turn = rng.integers(4) * np.pi / 2 + rng.normal(0, 0.08)
        card = _slid_out(card_design(family, number), direction, turn, options.bow_mm, taken, rng.uniform(8, 30))
        cards.append(card)
        taken = unary_union([taken, card.footprint()])
    return tuple(cards)


def _slid_out(
    design: CardDesign, direction: float, turn: float, bow: float, taken: BaseGeometry, clear_mm: float
) -> LaidCard:
    toward = np.array([np.cos(direction), np.sin(direction)])
    far = 60.0
    for step in (48.0, 8.0):  # stride out until clear, then one stride back and out again in small steps
        while (card := LaidCard(design, far * toward, turn, bow)).footprint().distance(taken) <= clear_mm:
            far += step
        far = max(far - step, 60.0)
    return card


def place_camera(
    key_mm: Array,
    options: SceneOptions,
    size_px: tuple[int, int],
    rng: np.random.Generator,
    up: float,
    side: float = 0.0,
) -> Optics:
    """The nearest hand-held stand, 0.5 m or more away, from which every key point (N, 3) is in the picture. ``side``
    (radians) turns the way the camera leans round the table."""
    diagonal = float(np.hypot(*size_px))
    focal = options.focal_35mm * diagonal / np.hypot(36, 24)
    centre = (
        size_px[0] / 2 - 0.5 + rng.normal(0, 0.003) * diagonal,
        size_px[1] / 2 - 0.5 + rng.normal(0, 0.003) * diagonal,
    )
    tilt = (np.radians(options.tilt_deg), rng.uniform(-0.7, 0.7) + side)
    low = 0.03 * np.array(size_px)
    high = np.array(size_px) - low
    target = key_mm[:, :2].mean(axis=0)
    for distance in np.geomspace(480, 1300, 50):
        for _ in range(4):
            camera = posed(size_px, focal, (options.k1, options.k2), centre, target, distance, up, tilt)
            seen = camera.pixels(key_mm)
            middle = (seen.min(axis=0) + seen.max(axis=0)) / 2
            target = target + _flat_move(camera, middle - np.array(size_px) / 2)
        if np.all(seen > low) and np.all(seen < high):
            break
    distance *= options.slack
    shift = rng.normal(0, 0.01, 2) * size_px
    target = target + _flat_move(camera, shift)
    return posed(size_px, focal, (options.k1, options.k2), centre, target, float(distance), up, tilt)


def _flat_move(camera: Optics, pixels: Array) -> Array:
    """How far the target must move for the picture's middle to move by ``pixels``."""
    middle = np.array(camera.size_px) / 2
    here, there = camera.on_surface(np.array([middle, middle + pixels]), lambda xy: np.zeros(len(xy)))
    return there - here
