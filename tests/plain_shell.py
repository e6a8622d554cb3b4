"""A tracing without a photo: a square-on camera over a shell of plain shapes, so that every area is known.

The shell is 200 × 100 mm, its corner at the origin; everything about it is invented.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from extract.cards.design import card_design
from extract.doors import (
    Array,
    CardSighting,
    Doubt,
    FlatView,
    Lens,
    Pattern,
    Photo,
    PlacedCard,
    PlaneCamera,
    Silhouette,
    Stroke,
    TraceSettings,
    Tracing,
)

PLANE_MM = 0.05


def line(*corners: tuple[float, float]) -> Array:
    """Points every half millimetre or so along the corners."""
    runs = [np.linspace(a, b, 2 * round(math.dist(a, b)), endpoint=False) for a, b in pairwise(corners)]
    return np.vstack([*runs, [corners[-1]]])


def stroke(name: str, points: Array, colour: str = "black", closed: bool = False) -> Stroke:
    return Stroke(name, "marker", colour, closed, 1.6, 0.05, points)


def plain_shell() -> Tracing:
    """A black line across the shell's middle (s1), a red one (s2) at x = 150, and two short black ones (s3, s4) that
    bound nothing."""
    sighting = CardSighting(card_design("A4", 0), np.zeros((6, 2)), np.zeros((6, 2)), 0.1)
    camera = PlaneCamera(
        Lens(3000.0, (2000.0, 1500.0)),
        (4000, 3000),
        np.eye(3),
        np.array([-100.0, -50.0, 900.0]),
        0.6,
        (PlacedCard(sighting, 0.0, -300.0, 0.0, 0.1),),
        np.diag([1.0, *[1e-12] * 10]),
        (PLANE_MM / 1000, 0.0),
    )
    ring = line((0, 0), (200, 0), (200, 100), (0, 100), (0, 0))[:-1]
    photo = Photo("shell.jpg", np.zeros((0, 0, 3), np.uint8), "0" * 64)
    return Tracing(
        photos=(photo,),
        cameras=(camera,),
        read_from=0,
        flat=FlatView(np.full((280, 480, 3), 180, np.uint8), 0.5, (-20.0, -20.0), np.ones((280, 480), bool)),
        silhouette=Silhouette((ring,), 0.1, (np.zeros(len(ring), bool),)),
        strokes=(
            stroke("s1", line((100, -1), (100, 101))),
            stroke("s2", line((150, 10), (150, 90)), "red"),
            stroke("s3", line((20, 50), (50, 50))),
            stroke("s4", line((60, 50), (100.5, 50))),
        ),
        panels=(),
        pattern=Pattern((), "shell.jpg", "2026-01-02", ()),
        doubts=(Doubt("bars-not-measured", "The bars were not measured."),),
        settings=TraceSettings(),
        sigma_mm=(0.05, 0.1),
        px_per_mm=(3.0, 3.5),
        cut_colour="black",
    )
