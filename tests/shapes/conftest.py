"""Pieces to stand shapes on."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from extract.build import Build, Edge, Piece, Stock
from extract.doors import Curve
from extract.geometry.runs import edge_letters

MakeBuild = Callable[..., Build]


@pytest.fixture
def build_of() -> MakeBuild:
    """A build of one piece "p1" bounded by the given curves, with a 6 mm stock."""

    def make(*curves: Curve, **more: object) -> Build:
        edges = tuple(Edge(name, curve) for name, curve in zip(edge_letters(len(curves)), curves, strict=True))
        piece = Piece("p1", "opening", edges, **more)  # type: ignore[arg-type]
        return Build("moth-lantern", (piece,), stocks=(Stock("foam 6", 6.0),))

    return make
