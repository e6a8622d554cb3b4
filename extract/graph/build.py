"""The planar subdivision that cut edges and cut strokes make of the shell.

Words: a *piece* is a stretch of one source line between two nodes; a *dangle* is a piece with an end that meets
nothing, so it bounds nothing; a *half-edge* is a piece taken in one direction; a *ring* is a closed walk of half-edges
that keeps one face at its side; a *sliver* is a face too small or thin to be meant.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import LineString, Point, Polygon

from extract.doors import Array, Face, PlanarGraph, Ring, Silhouette, Stroke
from extract.geometry.planar import closed_up
from extract.graph.tips import tip_lines

SPECK_MM2 = 0.01
"""A loop of one line smaller than this is a knot in the drawing, not a shape."""
SLIVER_MM2 = 25.0
SLIVER_WIDTH_MM = 0.8
"""Smaller or thinner faces come from strokes drawn twice or a line that overshot, not from a maker's wish."""

GRID_MM = 1e-3
"""Coordinates are snapped to this grid where lines meet, so that lines that all but coincide become one."""


@dataclass(frozen=True, eq=False)
class Piece:
    points_mm: Array
    source: str


@dataclass(frozen=True, eq=False)
class _Walk:
    """One ring with its polygon; ``outward`` rings run round the outside of a connected network."""

    ring: Ring
    polygon: Polygon
    outward: bool


def build_graph(silhouette: Silhouette, strokes: Iterable[Stroke]) -> PlanarGraph:
    """Nodes, pieces and faces of the subdivision by ``strokes`` (those that split panels, rings included).

    Faces outside the shell and faces inside rings are left out; a ring still shows as a hole of the face around it.
    """
    strokes = tuple(strokes)
    sources = _source_lines(silhouette, strokes)
    pieces = _merged(_without_dangles(_noded(sources)))
    shell = shapely.union_all([Polygon(r).buffer(0) for r in silhouette.rings_mm])
    discs = shapely.union_all([Polygon(s.points_mm).buffer(0) for s in strokes if s.kind == "ring"])
    while True:
        graph, polygons = _subdivision(pieces)
        sliver = _worst_sliver(graph, polygons, shell)
        if sliver is None:
            return _kept_faces(graph, polygons, shell, discs)
        pieces = _merged(_without_dangles([p for i, p in enumerate(pieces) if i != sliver]))


def _source_lines(silhouette: Silhouette, strokes: tuple[Stroke, ...]) -> dict[str, LineString]:
    drawn = {s.id: LineString(closed_up(s.points_mm) if s.closed else s.points_mm) for s in strokes}
    lines = {}
    for n, ring in enumerate(silhouette.rings_mm, start=1):
        lines[f"edge-{n}"] = LineString(closed_up(ring))
        lines |= {f"edge-{n}-tip-{k}": tip for k, tip in enumerate(tip_lines(ring, list(drawn.values())), start=1)}
    return lines | drawn


def _noded(sources: dict[str, LineString]) -> list[Piece]:
    """Splits all lines where they meet; each piece remembers its source (the cut edge first where two coincide)."""
    parts = shapely.get_parts(shapely.union_all(list(sources.values()), grid_size=GRID_MM))
    middles = shapely.line_interpolate_point(parts, 0.5, normalized=True)
    names = list(sources)
    nearest = np.array([shapely.distance(line, middles) for line in sources.values()]).argmin(axis=0)
    pieces = [Piece(shapely.get_coordinates(part), names[int(n)]) for part, n in zip(parts, nearest, strict=True)]
    return [piece for piece in pieces if not _is_speck(piece)]


def _is_speck(piece: Piece) -> bool:
    looped = _key(piece.points_mm[0]) == _key(piece.points_mm[-1])
    return looped and (len(piece.points_mm) < 4 or Polygon(piece.points_mm).area < SPECK_MM2)


def _key(point: Array) -> tuple[float, float]:
    return round(float(point[0]), 6), round(float(point[1]), 6)


def _degrees(pieces: list[Piece]) -> dict[tuple[float, float], list[int]]:
    at = defaultdict(list)
    for index, piece in enumerate(pieces):
        at[_key(piece.points_mm[0])].append(index)
        at[_key(piece.points_mm[-1])].append(index)
    return at


def _without_dangles(pieces: list[Piece]) -> list[Piece]:
    while True:
        at = _degrees(pieces)
        loose = {found[0] for found in at.values() if len(found) == 1}
        if not loose:
            return pieces
        pieces = [p for i, p in enumerate(pieces) if i not in loose]


def _merged(pieces: list[Piece]) -> list[Piece]:
    """Joins pieces of one source through nodes where nothing else meets."""
    pieces = list(pieces)
    while True:
        at = _degrees(pieces)
        pair = next(
            (f for f in at.values() if len(f) == 2 and f[0] != f[1] and pieces[f[0]].source == pieces[f[1]].source),
            None,
        )
        if pair is None:
            return pieces
        a, b = pieces[pair[0]], pieces[pair[1]]
        joined = Piece(_end_to_end(a.points_mm, b.points_mm), a.source)
        pieces = [p for i, p in enumerate(pieces) if i not in pair] + [joined]


def _end_to_end(a: Array, b: Array) -> Array:
    if _key(a[-1]) not in (_key(b[0]), _key(b[-1])):
        a = a[::-1]
    if _key(a[-1]) != _key(b[0]):
        b = b[::-1]
    return np.vstack([a, b[1:]])


def _subdivision(pieces: list[Piece]) -> tuple[PlanarGraph, list[Polygon]]:
    keys: dict[tuple[float, float], int] = {}
    ends = []
    for piece in pieces:
        first, last = (keys.setdefault(_key(piece.points_mm[i]), len(keys)) for i in (0, -1))
        ends.append((first, last))
    graph = PlanarGraph(
        np.array(list(keys)).reshape(-1, 2),
        tuple(p.points_mm for p in pieces),
        tuple(ends),
        tuple(p.source for p in pieces),
        (),
    )
    walks = [_walk_of(ring, graph) for ring in _rings(graph)]
    inner = [w for w in walks if not w.outward]
    faces = [Face(w.ring, _holes_of(n, inner, walks)) for n, w in enumerate(inner)]
    polygons = [Polygon(w.polygon.exterior) for w in inner]
    return replace(graph, faces=tuple(faces)), polygons


def _rings(graph: PlanarGraph) -> list[Ring]:
    """Walks every half-edge once; at each node the walk turns to the neighbouring half-edge, so each ring keeps one
    face on the same hand."""
    leaving: dict[int, list[tuple[float, int, bool]]] = defaultdict(list)
    for edge, (start, end) in enumerate(graph.ends):
        points = graph.edges_mm[edge]
        leaving[start].append((_angle(points[1] - points[0]), edge, False))
        leaving[end].append((_angle(points[-2] - points[-1]), edge, True))
    after: dict[tuple[int, bool], tuple[int, bool]] = {}
    for fan in leaving.values():
        fan.sort()
        for here, ahead in zip(fan, fan[1:] + fan[:1], strict=True):
            after[(here[1], not here[2])] = (ahead[1], ahead[2])
    rings: list[Ring] = []
    seen: set[tuple[int, bool]] = set()
    for first in sorted(after):
        if first in seen:
            continue
        ring = [first]
        while (step := after[ring[-1]]) != first:
            ring.append(step)
        seen |= set(ring)
        rings.append(tuple(ring))
    return rings


def _angle(way: Array) -> float:
    return float(np.arctan2(way[1], way[0]))


def _walk_of(ring: Ring, graph: PlanarGraph) -> _Walk:
    points = ring_points(graph, ring)
    x, y = points.T
    area = float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
    return _Walk(ring, Polygon(points), area >= 0)


def ring_points(graph: PlanarGraph, ring: Ring) -> Array:
    """The closed polyline of a ring, first point not repeated."""
    return np.vstack([(graph.edges_mm[e][::-1] if back else graph.edges_mm[e])[:-1] for e, back in ring])


def _holes_of(index: int, inner: list[_Walk], walks: list[_Walk]) -> tuple[Ring, ...]:
    """Outward rings whose smallest surrounding face, of another network, is face ``index``."""
    return tuple(w.ring for w in walks if w.outward and _surrounding(w, inner) == index)


def _surrounding(walk: _Walk, inner: list[_Walk]) -> int | None:
    probe = Point(walk.polygon.exterior.coords[0])
    own = {edge for edge, _ in walk.ring}
    around = [
        (candidate.polygon.area, n)
        for n, candidate in enumerate(inner)
        if not own & {edge for edge, _ in candidate.ring}
        and candidate.polygon.area > walk.polygon.area
        and candidate.polygon.contains(probe)
    ]
    return min(around)[1] if around else None


def _worst_sliver(graph: PlanarGraph, polygons: list[Polygon], shell: shapely.Geometry) -> int | None:
    """The stroke piece to take out so that the smallest sliver joins its neighbour; None when there is no sliver."""
    slivers = sorted(
        (p.area, n)
        for n, p in enumerate(polygons)
        if (p.area < SLIVER_MM2 or 2 * p.area / max(p.length, 1e-9) < SLIVER_WIDTH_MM)
        and shell.contains(p.representative_point())
    )
    for _, n in slivers:
        strokes = [e for e, _ in graph.faces[n].outer if not graph.sources[e].startswith("edge-")]
        if strokes:
            return max(strokes, key=lambda e: LineString(graph.edges_mm[e]).length)
    return None


def _kept_faces(
    graph: PlanarGraph, polygons: list[Polygon], shell: shapely.Geometry, discs: shapely.Geometry
) -> PlanarGraph:
    def kept(face: Face, outline: Polygon) -> bool:
        if outline.area < SLIVER_MM2:  # a crumb that the cut edge alone bounds, where it touches itself
            return False
        inside = outline
        for hole in face.holes:
            inside = inside.difference(Polygon(ring_points(graph, hole)).buffer(0))
        probe = inside.buffer(0).representative_point()
        return bool(shell.contains(probe)) and outline.intersection(discs).area < 0.5 * outline.area

    faces = tuple(f for f, p in zip(graph.faces, polygons, strict=True) if kept(f, p.buffer(0)))
    return replace(graph, faces=faces)
