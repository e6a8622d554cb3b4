"""Panels with smooth outlines, assembled from one curve per edge of the subdivision."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import shapely

from extract.doors import Array, Curve, Face, Panel, PlanarGraph, Ring
from extract.geometry.curve import curve_area, curve_length, curve_points, joined, reversed_curve
from extract.geometry.planar import distance_to_curve
from extract.outline.chains import crowded_nodes, find_chains
from extract.outline.edges import Fit, edge_curves, fitted_line, tight_edge

_TIGHTER = (0.5, 0.25, 0.1, 0.0)
"""Shares of the tolerance to try in turn on edges that cross when smoothed; 0 is the edge as drawn."""
_SAME_MM = 1e-6


def fit_panels(
    graph: PlanarGraph, tolerance_mm: float, sigma_of: Callable[[Array], float], fit: Fit = fitted_line
) -> tuple[Panel, ...]:
    """Panels of all faces, the largest first: p1, p2, …

    Outlines turn x towards y (clockwise to the eye), holes the other way. ``area_mm2`` is that of the material, holes
    taken off; ``perimeter_mm`` that of the outline. ``sigma_of`` gives 1 σ in mm for outline points (N, 2). Where
    smoothing would make an outline cross itself or a hole, the edges concerned are fitted more tightly. ``fit`` follows
    whole lines; one that remembers saves most of the time when few lines have changed.
    """
    curves = _sound_curves(graph, tolerance_mm, fit)
    moved = [distance_to_curve(line, curve) for line, curve in zip(graph.edges_mm, curves, strict=True)]
    panels = [_panel(face, curves, moved, sigma_of) for face in graph.faces]
    ranked = sorted(panels, key=lambda panel: -panel.area_mm2)
    return tuple(replace(panel, id=f"p{n}") for n, panel in enumerate(ranked, start=1))


def _sound_curves(graph: PlanarGraph, tolerance_mm: float, fit: Fit) -> tuple[Curve, ...]:
    """Edge curves of which no face's boundary crosses itself."""
    fixed = crowded_nodes(graph)
    while True:
        curves, crossing = _untangled(graph, tolerance_mm, fixed, fit)
        tangled = {node for edge in crossing for node in graph.ends[edge]}
        if tangled <= fixed:  # none, as a rule; else the drawn lines themselves cross, and no fit can mend that
            return curves
        fixed |= tangled


def _untangled(
    graph: PlanarGraph, tolerance_mm: float, fixed: set[int], fit: Fit
) -> tuple[tuple[Curve, ...], set[int]]:
    """Edge curves, those that cross fitted ever more tightly, and the edges that cross in the end all the same."""
    chains = find_chains(graph, fixed)
    fitted = [fit(chain.points(graph), tolerance_mm, chain.closed) for chain in chains]
    smooth = edge_curves(graph, chains, fitted)
    curves, level = list(smooth), [0] * len(smooth)
    while True:
        crossing = _crossing(graph, curves, level)
        blamed = {edge for edge in crossing if level[edge] < len(_TIGHTER)}
        if not blamed:
            return tuple(curves), crossing
        for edge in blamed:
            curves[edge] = tight_edge(graph, edge, smooth[edge], tolerance_mm * _TIGHTER[level[edge]])
            level[edge] += 1


def _crossing(graph: PlanarGraph, curves: Sequence[Curve], level: Sequence[int]) -> set[int]:
    """Edges to blame for crossings: those that cross themselves, and of two that cross on one face's boundary the one
    less tightened so far, or else the shorter."""
    lines = [shapely.LineString(curve_points(curve)) for curve in curves]
    found: set[int] = set()
    for face in graph.faces:
        if _is_sound(face, lines):
            continue
        edges = sorted({edge for ring in (face.outer, *face.holes) for edge, _ in ring})
        found.update(edge for edge in edges if not lines[edge].is_simple)
        for a, b in combinations(edges, 2):
            if _cross(lines[a], lines[b], graph.ends[a], graph.ends[b]):
                found.add(min(a, b, key=lambda edge: (level[edge], lines[edge].length)))
    return found


def _is_sound(face: Face, lines: Sequence[shapely.LineString]) -> bool:
    """Whether the boundary neither crosses itself nor falls together, as two edges do that both became straight."""

    def points(ring: Ring) -> Array:
        return np.vstack([lines[edge].coords[::-1][:-1] if back else lines[edge].coords[:-1] for edge, back in ring])

    outer, *holes = map(points, (face.outer, *face.holes))
    return min(map(len, (outer, *holes))) > 2 and bool(shapely.Polygon(outer, holes).is_valid)


def _cross(a: shapely.LineString, b: shapely.LineString, ends_a: tuple[int, int], ends_b: tuple[int, int]) -> bool:
    """Whether two edges meet anywhere but at the nodes they share."""
    meeting = a.intersection(b)
    if meeting.is_empty:
        return False
    shared = [a.coords[-k] for k in (0, 1) if ends_a[k] in ends_b]  # coords[0] and coords[-1]
    return not shared or not shapely.MultiPoint(shared).buffer(_SAME_MM).covers(meeting)


def _panel(face: Face, curves: Sequence[Curve], moved: Sequence[Array], sigma_of: Callable[[Array], float]) -> Panel:
    outline = _outline(face.outer, curves, positive=True)
    holes = tuple(_outline(hole, curves, positive=False) for hole in face.holes)
    shift = np.concatenate([moved[edge] for ring in (face.outer, *face.holes) for edge, _ in ring])
    return Panel(
        id="",
        outline=outline,
        holes=holes,
        area_mm2=curve_area(outline) + sum(curve_area(hole) for hole in holes),
        perimeter_mm=curve_length(outline),
        sigma_mm=sigma_of(curve_points(outline)),
        smoothed_mm=(float(shift.max()), float(np.sqrt((shift**2).mean()))),
    )


def _outline(ring: Ring, curves: Sequence[Curve], positive: bool) -> Curve:
    outline = joined([reversed_curve(curves[edge]) if back else curves[edge] for edge, back in ring], closed=True)
    return outline if (curve_area(outline) > 0) == positive else reversed_curve(outline)
