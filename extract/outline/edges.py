"""One fitted curve per edge of the subdivision, so that neighbours share the very same curve.

Whole chains are fitted, so that a line that meets a drawn-through one does not kink it; then nodes are moved onto the
curves that run through them, the curves that end there follow, and the chains are cut at their nodes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import shapely

from extract.doors import Array, Curve, PlanarGraph
from extract.geometry.curve import (
    curve_at,
    nearest_parameters,
    polyline_curve,
    reversed_curve,
    subcurve,
)
from extract.geometry.fit import fit_curve
from extract.outline.chains import Chain

_ROUNDS = 8
"""Rounds of moving nodes onto curves and ends onto nodes. Where two curves cross at 45° each halves what is left, so
that tenths of a millimetre become less than a micrometre."""
_SETTLED_MM = 1e-6
"""Nodes that move no further in a round have come to rest, most of them after three."""
_APART = 1e-3
"""Least distance, in shares of a cubic, of neighbouring nodes on one curve: their order must not turn over."""


Fit = Callable[[Array, float, bool], Curve]
"""Points (N, 2), tolerance in mm and whether they close, to the curve that follows them."""


def fitted_line(points_mm: Array, tolerance_mm: float, closed: bool) -> Curve:
    """The curve of a drawn line."""
    return fit_curve(points_mm, tolerance_mm, closed).curve


def tight_edge(graph: PlanarGraph, edge: int, smooth: Curve, tolerance_mm: float) -> Curve:
    """The edge fitted on its own between the ends of its ``smooth`` curve; with no tolerance, as it was drawn."""
    line = np.vstack([smooth.controls[:1, 0], graph.edges_mm[edge][1:-1], smooth.controls[-1:, 3]])
    return fit_curve(line, tolerance_mm).curve if tolerance_mm > 0 else polyline_curve(line)


def edge_curves(graph: PlanarGraph, chains: Sequence[Chain], fitted: Sequence[Curve]) -> tuple[Curve, ...]:
    """The curve of each edge, from its first node to its last, meeting at the nodes to the bit."""
    places = graph.nodes_mm.astype(float)
    shares = [_shares(chain, curve, graph) for chain, curve in zip(chains, fitted, strict=True)]
    curves = list(fitted)
    for _ in range(_ROUNDS):
        before = places.copy()
        for chain, curve, share in zip(chains, curves, shares, strict=True):
            first = 0 if chain.closed else 1
            nodes = list(chain.nodes(graph)[first : len(chain.steps)])
            places[nodes] = curve_at(curve, _stations(curve, chain, graph, places, share)[first:])
        curves = [_led(curve, chain, graph, places) for chain, curve in zip(chains, fitted, strict=True)]
        if np.abs(places - before).max(initial=0.0) < _SETTLED_MM:
            break
    result: dict[int, Curve] = {}
    for chain, curve, share in zip(chains, curves, shares, strict=True):
        for (edge, back), piece in zip(chain.steps, _cut(curve, chain, graph, places, share), strict=True):
            result[edge] = reversed_curve(piece) if back else piece
    return tuple(result[edge] for edge in range(len(graph.edges_mm)))


def _shares(chain: Chain, curve: Curve, graph: PlanarGraph) -> Array:
    """How far along the curve, 0 to 1, each step of the chain is to begin; a closed curve starts where it likes."""
    shares = chain.shares(graph)
    if not chain.closed:
        return shares
    drawn = shapely.LinearRing(chain.points(graph))
    start = drawn.project(shapely.Point(curve.controls[0, 0]), normalized=True)
    return np.asarray((shares - start) % 1.0)


def _stations(curve: Curve, chain: Chain, graph: PlanarGraph, places: Array, shares: Array) -> Array:
    """Parameters at which the steps of the chain begin: those nearest to their nodes, in the chain's order."""
    at = nearest_parameters(curve, places[list(chain.nodes(graph)[: len(shares)])], shares)
    n = len(curve.controls)
    if chain.closed:
        step = np.diff(at) % n
        slipped = (step > n / 2) & (np.diff(shares) % 1.0 < 0.25)  # a little backwards, not nearly once round
        at = at[0] + np.concatenate([[0.0], np.cumsum(step - n * slipped)])
    else:
        at[0] = 0.0
    order = _APART * np.arange(len(at))
    inside = np.minimum(np.maximum.accumulate(at - order), at[0] + n - order[-1] - _APART) + order
    return np.asarray(inside % n if chain.closed else inside)


def _led(curve: Curve, chain: Chain, graph: PlanarGraph, places: Array) -> Curve:
    """The curve with its ends brought to their nodes' places, the rest giving way in proportion.

    The shift is linear in the way along the control polygon: lines stay lines and smooth joints stay smooth, for the
    three controls at a joint stay on one line.
    """
    if chain.closed:
        return curve
    nodes = chain.nodes(graph)
    flat = curve.controls.reshape(-1, 2)
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))])
    share = (way / way[-1])[:, None]
    shift = (1 - share) * (places[nodes[0]] - flat[0]) + share * (places[nodes[-1]] - flat[-1])
    return Curve((flat + shift).reshape(-1, 4, 2), curve.straight, False)


def _cut(curve: Curve, chain: Chain, graph: PlanarGraph, places: Array, shares: Array) -> list[Curve]:
    """The chain's curve cut at its nodes, one piece per step, each pinned to the places of its two nodes."""
    nodes = chain.nodes(graph)
    at = _stations(curve, chain, graph, places, shares)
    if chain.closed:
        stops, around = [*at, at[0]], (*nodes, nodes[0])
    else:
        stops, around = [*at, float(len(curve.controls))], nodes
    pieces = [subcurve(curve, a, b) for a, b in pairwise(stops)]
    return [_pinned(piece, places[a], places[b]) for piece, (a, b) in zip(pieces, pairwise(around), strict=True)]


def _pinned(curve: Curve, start: Array, end: Array) -> Curve:
    """The curve from exactly ``start`` to exactly ``end``; what is left to move is rounding, or micrometres where two
    curves cross."""
    controls = curve.controls.copy()
    controls[0, 1] += start - controls[0, 0]
    controls[-1, 2] += end - controls[-1, 3]
    controls[0, 0], controls[-1, 3] = start, end
    for k in {0, len(controls) - 1}:
        if curve.straight[k]:
            third = (controls[k, 3] - controls[k, 0]) / 3
            controls[k, 1], controls[k, 2] = controls[k, 0] + third, controls[k, 3] - third
    return Curve(controls, curve.straight, False)
