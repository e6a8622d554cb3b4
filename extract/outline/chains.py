"""Which edges of the subdivision are one line drawn through.

Words: an *end* is one end of an edge, (edge, whether it is its last point); a *chain* is a run of edges, each taken in
one direction, that the hand drew without a corner at the nodes between them; a *closed* chain comes back to its start.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from extract.doors import Array, PlanarGraph, Ring
from extract.geometry.planar import arc_length, without_repeats

_THROUGH_DEG = 30.0
_LOOK_MM = 5.0
"""A few millimetres, as for corners: the last half a millimetre at a node is where lines were cut and joined."""
_GUARD_MM = 0.5
_CROWDED_MM = 2.5

End = tuple[int, bool]


@dataclass(frozen=True)
class Chain:
    steps: Ring
    closed: bool

    def nodes(self, graph: PlanarGraph) -> tuple[int, ...]:
        """The node before each step, and the one after the last of an open chain."""
        before = tuple(graph.ends[edge][int(back)] for edge, back in self.steps)
        edge, back = self.steps[-1]
        return before if self.closed else (*before, graph.ends[edge][1 - int(back)])

    def shares(self, graph: PlanarGraph) -> Array:
        """How far along the chain, 0 to 1, each step begins."""
        way = np.array([arc_length(graph.edges_mm[edge])[-1] for edge, _ in self.steps])
        return (np.cumsum(way) - way) / way.sum()

    def points(self, graph: PlanarGraph) -> Array:
        """The drawn line from end to end; a closed chain does not repeat its first point."""
        runs = [graph.edges_mm[edge][::-1] if back else graph.edges_mm[edge] for edge, back in self.steps]
        line = without_repeats(np.vstack(runs))
        return line[:-1] if self.closed else line


def find_chains(graph: PlanarGraph, fixed: Collection[int] = ()) -> tuple[Chain, ...]:
    """Every edge in exactly one chain; none runs through a node that is ``fixed``."""
    partner = _partners(graph, fixed)
    chains: list[Chain] = []
    used: set[int] = set()
    starts = [(edge, last) for edge in range(len(graph.edges_mm)) for last in (False, True)]
    for start in [*(s for s in starts if s not in partner), *starts]:
        if start[0] in used:
            continue
        steps, closed = _walk(start, partner)
        used.update(edge for edge, _ in steps)
        chains.append(Chain(steps, closed))
    return tuple(chains)


def _walk(start: End, partner: dict[End, End]) -> tuple[Ring, bool]:
    """From ``start`` along its edge and on from partner to partner."""
    steps = [start]  # an edge entered at its last point is walked backwards
    while (end := partner.get((steps[-1][0], not steps[-1][1]))) not in (None, start):
        steps.append(end)
    return tuple(steps), end == start


def crowded_nodes(graph: PlanarGraph) -> set[int]:
    """Nodes less than a marker's width or so apart: there the order of the lines matters more than their flow."""
    short = [k for k, line in enumerate(graph.edges_mm) if arc_length(line)[-1] < _CROWDED_MM]
    return {node for edge in short for node in graph.ends[edge]}


def _partners(graph: PlanarGraph, fixed: Collection[int]) -> dict[End, End]:
    """Ends that carry each other on: at a node of two, whatever turns gently; else only ends of one and the same
    source, the straightest pair first."""
    at_node: dict[int, list[End]] = {}
    for edge, nodes in enumerate(graph.ends):
        for last, node in enumerate(nodes):
            at_node.setdefault(node, []).append((edge, bool(last)))
    partner: dict[End, End] = {}
    for ends in (ends for node, ends in at_node.items() if node not in fixed):
        pairs = [(_turn_deg(graph, a, b), a, b) for a, b in combinations(ends, 2)]
        for turn, a, b in sorted(pairs):
            one_line = len(ends) == 2 or graph.sources[a[0]] == graph.sources[b[0]]
            if turn < _THROUGH_DEG and one_line and a not in partner and b not in partner:
                partner[a], partner[b] = b, a
    return partner


def _turn_deg(graph: PlanarGraph, a: End, b: End) -> float:
    """Turn of a line that comes in along ``a`` and leaves along ``b``."""
    into, out = -_direction(graph, a), _direction(graph, b)
    return float(np.degrees(np.abs(np.arctan2(into[0] * out[1] - into[1] * out[0], into @ out))))


def _direction(graph: PlanarGraph, end: End) -> Array:
    """Direction (2,) in which the edge leaves its node."""
    line = graph.edges_mm[end[0]]
    line = line[::-1] if end[1] else line
    way = arc_length(line)
    at = np.array([min(_GUARD_MM, way[-1] / 4), min(_LOOK_MM, way[-1] / 2)])
    near, far = (np.array([np.interp(s, way, line[:, k]) for k in (0, 1)]) for s in at)
    return far - near
