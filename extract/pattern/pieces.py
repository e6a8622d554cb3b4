"""From the traced panels to the first state of a build: pieces with their edges, and seams along shared lines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count, pairwise

import numpy as np
import shapely

from extract.build import Build, Detail, Edge, Face, Hole, Piece, Run, Seam, Use
from extract.doors import Array, Curve, Panel, Stroke, StrokeKind
from extract.geometry.arc import joint_turnings
from extract.geometry.curve import curve_points
from extract.geometry.planar import arc_length, closed_up
from extract.geometry.runs import edge_letters
from extract.pattern.marks import marks_on

CORNER_DEG = 30.0
"""What the fit of curves keeps sharp."""
_LOOK_MM = 2.0
"""A corner turns the line as a whole; a joint of a shaky polyline does not. Just over a marker's width.
Of corners nearer to each other than this, as at the blunt end of a slit, the sharpest is enough."""
_USES: dict[StrokeKind, Use] = {"tick": "tick", "note": "note"}

Side = tuple[int, int] | None
"""Panel and segment that run along a segment the other way."""


@dataclass(frozen=True, eq=False)
class _Rim:
    """A panel's outline, turned so that it starts between two edges. ``beyond`` names what lies on the other side of
    each segment, ``cuts`` the segments at which an edge starts."""

    curve: Curve
    beyond: tuple[Side, ...]
    cuts: tuple[int, ...]


def build_from(
    panels: Sequence[Panel],
    strokes: Sequence[Stroke],
    name: str = "",
    pairs: bool = False,
    face: Face = "inside",
) -> Build:
    """The build of traced ``panels``: pieces p1, p2, … in their order, named by the maker or else by their number.

    An outline is cut into edges at corners of ``CORNER_DEG`` or more and wherever the neighbour changes; its edges
    joined are the outline to the bit. Two panels that run along the very same curve get a seam there. What the strokes
    drew inside becomes details. With ``pairs`` every piece is cut as a left and a right one.
    """
    rims = _rims([panel.outline for panel in panels])
    pieces = []
    for number, (panel, rim) in enumerate(zip(panels, rims, strict=True), start=1):
        pieces.append(
            Piece(
                id=f"p{number}",
                name=panel.name or str(number),
                edges=_edges(rim),
                holes=tuple(Hole(f"h{n}", hole) for n, hole in enumerate(panel.holes, start=1)),
                details=_details(panel, strokes),
                copies="pair" if pairs else "one",
                sigma_mm=panel.sigma_mm,
            )
        )
    return Build(name=name, pieces=tuple(pieces), seams=tuple(_seams(pieces, rims)), face=face)


def _details(panel: Panel, strokes: Sequence[Stroke]) -> tuple[Detail, ...]:
    shape = shapely.Polygon(curve_points(panel.outline), [curve_points(hole) for hole in panel.holes])
    return tuple(
        Detail(f"d{n}", _USES.get(mark.kind, "reference"), mark.curve, colour=mark.colour)
        for n, mark in enumerate(marks_on(shape, strokes), start=1)
    )


def _edges(rim: _Rim) -> tuple[Edge, ...]:
    bounds = pairwise((*rim.cuts, len(rim.curve.controls)))
    return tuple(
        Edge(id_, Curve(rim.curve.controls[a:b], rim.curve.straight[a:b], False))
        for id_, (a, b) in zip(edge_letters(len(rim.cuts)), bounds, strict=True)
    )


def _rims(outlines: Sequence[Curve]) -> list[_Rim]:
    """Outlines cut into edges; both sides of a shared line are cut at the same places."""
    beyond = _sides(outlines)
    breaks = [_breaks(panel, sides, outlines) for panel, sides in enumerate(beyond)]
    ends = {
        curve.controls[k, 0].tobytes()
        for curve, broken in zip(outlines, breaks, strict=True)
        for k in broken | _corners(curve)
    }
    cuts = [[k for k, start in enumerate(c.controls[:, 0]) if start.tobytes() in ends] for c in outlines]
    shifts = [min(broken or at or [0]) for broken, at in zip(breaks, cuts, strict=True)]
    counts = [len(curve.controls) for curve in outlines]
    rims = []
    for curve, sides, at, shift, n in zip(outlines, beyond, cuts, shifts, counts, strict=True):
        order = np.roll(np.arange(n), -shift)
        turned = [side and (side[0], (side[1] - shifts[side[0]]) % counts[side[0]]) for side in sides]
        starts = sorted({0, *((k - shift) % n for k in at)})
        controls, straight = curve.controls[order], curve.straight[order]
        rims.append(_Rim(Curve(controls, straight, True), tuple(turned[k] for k in order), tuple(starts)))
    return rims


def _sides(outlines: Sequence[Curve]) -> list[tuple[Side, ...]]:
    owner = {
        (controls + 0.0).tobytes(): (panel, k)  # adding nothing makes -0.0 and 0.0 one
        for panel, curve in enumerate(outlines)
        for k, controls in enumerate(curve.controls)
    }
    return [tuple(owner.get((controls[::-1] + 0.0).tobytes()) for controls in curve.controls) for curve in outlines]


def _breaks(panel: int, beyond: tuple[Side, ...], outlines: Sequence[Curve]) -> set[int]:
    """Segments at whose start what lies beyond changes, or does not carry on there, or folds back on itself."""
    found = set()
    for k, after in enumerate(beyond):
        before = beyond[k - 1]
        if before is None or after is None:
            broken = before is not after
        else:
            steps = (before[1] - after[1]) % len(outlines[after[0]].controls)
            broken = before[0] != after[0] or steps != 1 or before == (panel, k)
        if broken:
            found.add(k)
    return found


def _corners(outline: Curve) -> set[int]:
    """Segments that start in a true corner, the sharper of two close ones."""
    points = closed_up(curve_points(outline))
    way = arc_length(points)
    turns_deg = np.degrees(np.abs(np.roll(joint_turnings(outline), 1)))
    found: dict[int, tuple[float, float]] = {}
    for k in np.flatnonzero(turns_deg >= CORNER_DEG).tolist():
        at = way[int(np.argmin(np.abs(points - outline.controls[k, 0]).sum(axis=1)))]
        turn = _wide_turn_deg(points, way, at)
        if turn >= CORNER_DEG:
            found[k] = at, turn
    kept: set[int] = set()
    for k, (at, _) in sorted(found.items(), key=lambda item: -item[1][1]):
        if all(_gap(found[other][0], at, way[-1]) >= _LOOK_MM for other in kept):
            kept.add(k)
    return kept


def _gap(a: float, b: float, length: float) -> float:
    return min(abs(a - b), length - abs(a - b))


def _wide_turn_deg(points: Array, way: Array, at: float) -> float:
    """Turn between the chords that reach ``_LOOK_MM`` back and ahead on a closed polyline."""
    length = way[-1]
    look = min(_LOOK_MM, length / 8)
    before, here, after = (
        np.array([np.interp(s % length, way, points[:, axis]) for axis in (0, 1)]) for s in (at - look, at, at + look)
    )
    into, out = here - before, after - here
    return float(np.degrees(np.abs(np.arctan2(into[0] * out[1] - into[1] * out[0], into @ out))))


def _seams(pieces: Sequence[Piece], rims: Sequence[_Rim]) -> Iterator[Seam]:
    """One seam for each stretch that two outlines share, numbered in the order of the first piece's edges."""
    numbers = count(1)
    for panel, rim in enumerate(rims):
        for edges in _shared_runs(panel, rim, rims):
            far, near_end = rim.beyond[rim.cuts[edges[0]]] or (panel, 0)
            _, far_end = rim.beyond[(*rim.cuts, len(rim.beyond))[edges[-1] + 1] - 1] or (panel, 0)
            if (far, far_end) < (panel, rim.cuts[edges[0]]):
                continue  # told from the other side already
            mates = [k for k, start in enumerate(rims[far].cuts) if far_end <= start <= near_end]
            yield Seam(next(numbers), _run(pieces[panel], edges), _run(pieces[far], mates))


def _run(piece: Piece, edges: Sequence[int]) -> Run:
    return Run(piece.id, tuple(piece.edges[k].id for k in edges))


def _shared_runs(panel: int, rim: _Rim, rims: Sequence[_Rim]) -> list[list[int]]:
    """Edges that follow one another on both pieces."""
    broken = _breaks(panel, rim.beyond, [other.curve for other in rims])
    groups: list[list[int]] = []
    for edge, start in enumerate(rim.cuts):
        if rim.beyond[start] is None:
            continue
        if start == 0 or start in broken:
            groups.append([])
        groups[-1].append(edge)
    return groups
