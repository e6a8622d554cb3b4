"""A build for the project file: twelve bowed leaves in a row, each glued to the next."""

from __future__ import annotations

import numpy as np
import pytest

from extract.build import Build, Detail, Edge, Finish, Hole, Piece, Run, Seam, Stock
from extract.doors import Curve
from extract.geometry.curve import circle_curve, polyline_curve, reversed_curve

LEAVES = 12


def leaf(number: int) -> Piece:
    x = 31.0 * number + 1 / 3  # thirds fill the last bit of every number
    corners = np.array([[x, 0], [x + 31, -4.1], [x + 31, 50.7], [x, 46.6]])
    edges = []
    for k, id_ in enumerate("abcd"):
        a, b = corners[k], corners[(k + 1) % 4]
        across = np.array([b[1] - a[1], a[0] - b[0]]) * 0.07
        curve = Curve(np.array([[a, (2 * a + b) / 3 + across, (a + 2 * b) / 3 + across, b]]), np.array([False]), False)
        edges.append(Edge(id_, curve, Finish(12.5, "back") if k == 1 else Finish()))
    line = polyline_curve(np.array([[x + 3, 10], [x + 20, 30.1]]))
    return Piece(
        id=f"p{number + 1}",
        name=f"leaf {number + 1} – żółty",
        edges=tuple(edges),
        holes=(Hole("h1", reversed_curve(circle_curve((x + 15, 20), 3.3))),),
        details=(Detail("d1", "score", line, "fold", "red"),),
        stock="foam",
        copies="pair",
        count=2,
        up="back",
        forward_deg=270.0,
        notes="felt out",
        sigma_mm=0.21,
    )


@pytest.fixture
def leaves() -> Build:
    seams = tuple(Seam(n, Run(f"p{n}", ("b",)), Run(f"p{n + 1}", ("d",)), True, (0.31, 0.7)) for n in range(1, LEAVES))
    return Build(
        name="moth lantern",
        pieces=tuple(leaf(n) for n in range(LEAVES)),
        seams=seams,
        stocks=(Stock("foam", 5.8, 0.55),),
        face="outside",
        measures={"head circumference": 574.4},
    )
