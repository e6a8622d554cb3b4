"""Outlines and lines set off sideways, every edge by its own distance, corners kept clean, curves kept curves.

Distances are positive to the left of the way walked: out of an outline that runs clockwise to the eye. The edges'
parallels are prolonged along their tangents or trimmed until neighbours meet. Edges that the distance swallows are
left out; an offset that eats the piece is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely

from extract.doors import Array, CannotContinue, Curve
from extract.geometry.curve import curve_points, joined, polyline_curve, subcurve
from extract.geometry.sound import LOOP_MM2, are_sound
from extract.geometry.stretches import Joint, Ring, Stretch, built, joint, stretches_of, unjoined, without_hooks
from extract.geometry.untangle import once_round

_MITRE = 4.0
"""The limit of mitres where nothing else is asked for in SVG 2 (section 13.5.5): sharper than 29° they are blunted."""
_TOLERANCE_MM = 0.002
_CRUMB = 1e-9
_SLACK_MM = 0.02
_CHECK_CHORD_MM = 0.05


def parallel_curve(curve: Curve, distance_mm: float, tolerance_mm: float = _TOLERANCE_MM) -> Curve:
    """The open or closed ``curve`` set off by ``distance_mm`` to its left, within ``tolerance_mm``.

    Corners become mitres or are trimmed; loops that cusps make are cut out. CannotContinue where nothing is left.
    """
    if distance_mm == 0 or not len(curve.controls):
        return curve
    if curve.closed:
        found = offset_ring([Curve(curve.controls, curve.straight, False)], [distance_mm], tolerance_mm)
        return joined([part for part in found if part is not None], True)
    opened = without_hooks([curve])[0], polyline_curve(curve.controls[[-1, 0], [3, 0]])
    stretches = [one for one in stretches_of([(opened, [distance_mm, 0.0])], tolerance_mm)[0] if one.edge == 0]
    joints = [joint(a, b, _MITRE) for a, b in pairwise(stretches)]
    inner = [one for one in joints if one is not None]
    if len(inner) < len(joints):
        raise _eaten("The line is too crooked for this distance.")
    befores, afters = [unjoined(stretches[0]), *inner], [*inner, unjoined(stretches[-1])]
    return welded([built(s, a, b) for s, a, b in zip(stretches, befores, afters, strict=True)])


def offset_ring(
    curves: Sequence[Curve], distances_mm: Sequence[float], tolerance_mm: float = _TOLERANCE_MM, mitre: float = _MITRE
) -> tuple[Curve | None, ...]:
    """The open edges ``curves`` of an outline, each set off by its own distance and made to meet again.

    A corner whose mitre would reach further than ``mitre`` times the distance is cut blunt, yet stays the distance
    away; edges in line with unequal distances meet in a step. None for an edge that the distance swallows.
    CannotContinue where nothing would be left, the outline would fall apart or a gap in it would close up.
    """
    return offset_rings([(curves, distances_mm)], tolerance_mm, mitre)[0]


def offset_rings(
    rings: Sequence[Ring], tolerance_mm: float = _TOLERANCE_MM, mitre: float = _MITRE
) -> list[tuple[Curve | None, ...]]:
    """The same for several outlines together, which is much quicker than one by one."""
    moving = [k for k, (_, distances) in enumerate(rings) if any(distances)]
    if not moving:
        return [tuple(curves) for curves, _ in rings]
    hookless = _hookless([rings[k] for k in moving])
    found: list[tuple[Curve | None, ...]] = [tuple(curves) for curves, _ in rings]
    stretches = stretches_of(hookless, tolerance_mm)
    joints = [[joint(a, b, mitre) for a, b in zip(s, [*s[1:], s[0]], strict=True)] for s in stretches]
    simple = [_simply_joined(s, j, len(ring[0])) for s, j, ring in zip(stretches, joints, hookless, strict=True)]
    sound = _are_sound([whole or () for whole in simple])
    for k, ring, whole, fine, s, j in zip(moving, hookless, simple, sound, stretches, joints, strict=True):
        if whole is None or not fine or (any(one.folded for one in s) and not _keeps_distance(ring[0], ring[1], whole)):
            whole = _untangled(s, j, len(ring[0]))
            if not _are_sound([whole], LOOP_MM2)[0] or not _keeps_distance(ring[0], ring[1], whole):
                raise _eaten("The outline is too tight somewhere for this distance.")
        found[k] = whole
    return found


def _hookless(rings: Sequence[Ring]) -> list[Ring]:
    """The rings without hooks on the edges that are to move."""
    plain = iter(without_hooks([curve for curves, _ in rings for curve in curves]))
    return [
        ([new if d else old for old, new, d in zip(curves, plain, distances, strict=False)], distances)
        for curves, distances in rings
    ]


def _simply_joined(
    stretches: Sequence[Stretch], joints: Sequence[Joint | None], count: int
) -> tuple[Curve | None, ...] | None:
    """The edges where every stretch simply meets the next one, else None."""
    found = [one for one in joints if one is not None]
    befores = [*found[-1:], *found[:-1]]
    if len(found) < len(joints) or any(a.start >= b.end - _CRUMB for a, b in zip(befores, found, strict=True)):
        return None
    parts = [built(one, a, b) for one, a, b in zip(stretches, befores, found, strict=True)]
    return _by_edge([one.edge for one in stretches], parts, count)


def _untangled(stretches: Sequence[Stretch], joints: Sequence[Joint | None], count: int) -> tuple[Curve | None, ...]:
    """The edges where stretches swallow one another: all in one chain, led through the old corner where two do not
    meet by being prolonged, and the chain's loops taken off."""
    simple = [_prolonging(k, stretches, joints) for k in range(len(joints))]
    parts: list[Curve] = []
    edges: list[int] = []
    for k, one in enumerate(stretches):
        before, after = simple[k - 1], simple[k]
        bodies = [built(one, before or unjoined(one), after or unjoined(one))]
        if before is None:
            bodies.insert(0, polyline_curve(np.stack([one.ends_mm[0], one.raw.controls[0, 0]])))
        if after is None:
            bodies.append(polyline_curve(np.stack([one.raw.controls[-1, 3], one.ends_mm[1]])))
        parts += bodies
        edges += [one.edge] * sum(len(body.controls) for body in bodies)
    ring = _chained(parts)
    pieces, owners = [], []
    for start, end in once_round(ring):
        bounds = [start, *(k for k in range(int(start) + 1, int(np.ceil(end))) if edges[k] != edges[k - 1]), end]
        for a, b in pairwise(bounds):
            pieces.append(subcurve(ring, a, b))
            owners.append(edges[int(a)])
    return _by_edge(owners, pieces, count)


def _prolonging(k: int, stretches: Sequence[Stretch], joints: Sequence[Joint | None]) -> Joint | None:
    """Joint number ``k`` where it prolongs or bridges its stretches, leaving something of each, else None."""
    one = joints[k]
    if one is None:
        return None
    last = len(stretches[k].raw.controls)
    trims = one.place is not None and one.end <= last and one.start >= 0 and (one.end < last or one.start > 0)
    before, after = joints[k - 1], joints[(k + 1) % len(joints)]
    swallows = (before is not None and before.start >= one.end) or (after is not None and one.start >= after.end)
    return None if trims or swallows else one


def _chained(parts: Sequence[Curve]) -> Curve:
    """The parts, which meet but for rounding, as one closed chain, segment by segment as they are."""
    controls = np.concatenate([part.controls for part in parts])
    controls[:, 0] = np.roll(controls[:, 3], 1, axis=0)
    return Curve(controls, np.concatenate([part.straight for part in parts]), True)


def _eaten(reason: str) -> CannotContinue:
    return CannotContinue("pattern", reason, "Take a smaller distance, or leave out the narrow part.")


def _lines_merged(curve: Curve) -> Curve:
    """The open chain with straight segments that follow one another in one direction made one."""
    way = curve.controls[:, 3] - curve.controls[:, 0]
    way = way / np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-300)
    in_line = curve.straight[1:] & curve.straight[:-1] & ((way[1:] * way[:-1]).sum(axis=1) > 1 - 1e-12)
    if not in_line.any():
        return curve
    starts = np.flatnonzero(np.concatenate([[True], ~in_line]))
    ends = np.append(starts[1:], len(curve.controls)) - 1
    parts = [
        Curve(curve.controls[a : a + 1], curve.straight[a : a + 1], False)
        if a == b
        else polyline_curve(np.stack([curve.controls[a, 0], curve.controls[b, 3]]))
        for a, b in zip(starts, ends, strict=True)
    ]
    return joined(parts, False)


def _starting_at(curve: Curve, start_mm: Array) -> Curve:
    controls = curve.controls.copy()
    controls[0, 0] = start_mm
    return Curve(controls, curve.straight, False)


def _by_edge(owners: Sequence[int], parts: Sequence[Curve], count: int) -> tuple[Curve | None, ...]:
    """The parts put together edge by edge; None for an edge of which nothing is left."""
    grouped: list[list[Curve]] = [[] for _ in range(count)]
    for owner, part in zip(owners, parts, strict=True):
        grouped[owner].append(part)
    return tuple((group[0] if len(group) == 1 else welded(group)) if group else None for group in grouped)


def welded(parts: Sequence[Curve]) -> Curve:
    """Open parts that meet but for rounding, as one open chain; straight ones in line become one."""
    whole = [parts[0]]
    for part in parts[1:]:
        whole.append(_starting_at(part, whole[-1].controls[-1, 3]))
    return _lines_merged(joined(whole, False))


def _are_sound(wholes: Sequence[Sequence[Curve | None]], loop_mm2: float = 0.0) -> list[bool]:
    """Whether each outline, its edges in order, is there, runs clockwise to the eye and does not cross itself."""
    found = [False] * len(wholes)
    there = {k: [part for part in whole if part is not None] for k, whole in enumerate(wholes)}
    there = {k: parts for k, parts in there.items() if parts}
    for k, fine in zip(there, are_sound(list(there.values()), _CHECK_CHORD_MM, loop_mm2), strict=True):
        found[k] = fine
    return found


def _keeps_distance(curves: Sequence[Curve], distances: Sequence[float], whole: Sequence[Curve | None]) -> bool:
    """Whether the new edges keep their distance from the old ones that were set off alike."""
    for distance in {d for d in distances if abs(d) > _SLACK_MM + _CHECK_CHORD_MM}:
        alike = [k for k, d in enumerate(distances) if d == distance]
        sources = shapely.multilinestrings(
            [shapely.linestrings(curve_points(curves[k], _CHECK_CHORD_MM)) for k in alike]
        )
        shapely.prepare(sources)
        fresh = [part for part in (whole[k] for k in alike) if part is not None]
        near = abs(distance) - _SLACK_MM - _CHECK_CHORD_MM
        if fresh and shapely.dwithin(sources, shapely.points(_inner_points(fresh)), near).any():
            return False
    return True


def _inner_points(parts: Sequence[Curve]) -> Array:
    """Points on the curves, without their ends, where a step may lead to a neighbour."""
    return np.concatenate([curve_points(part, _CHECK_CHORD_MM)[1:-1] for part in parts])
