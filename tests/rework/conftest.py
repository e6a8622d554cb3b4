"""A tracing without a photo: a square-on camera over a shell of plain shapes, so that every area is known."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

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


@pytest.fixture
def tracing() -> Tracing:
    """A shell of 200 × 100 mm with a black line across its middle (s1) and a red one (s2) at x = 150."""
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
        flat=FlatView(np.zeros((0, 0, 3), np.uint8), 0.2, (0.0, 0.0), np.zeros((0, 0), bool)),
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
