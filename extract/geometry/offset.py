"""Outlines and lines set off sideways, every edge by its own distance, corners kept clean, curves kept curves.

Distances are positive to the left of the way walked: out of an outline that runs clockwise to the eye. The edges'
parallels are prolonged along their tangents or trimmed until neighbours meet. Edges that the distance swallows are
left out; an offset that eats the piece is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from extract.doors import Array, CannotContinue, Curve
from extract.geometry.arc import joint_turnings, tangents
from extract.geometry.crossing import crossings, meeting_near
from extract.geometry.curve import curve_at, curve_length, curve_points, joined, polyline_curve, subcurve
from extract.geometry.parallel import ending_at, parallels
from extract.geometry.untangle import once_round

_KINK_DEG = 2.0
"""A smaller turn is meant to be smooth: closing what it opens moves a parallel at 10 mm by 0.01 mm sideways."""
_HOOK_MM = 0.3
_HOOK_DEG = 20.0
_LINES_DEG = 1e-4
"""Two straight lines have a corner however little they turn."""
_FAINT_DEG = 8.0
"""Parallels of edges nearly in line may miss one another by a hair; up to here they are joined half-way then."""
_MITRE = 4.0
"""The limit of mitres where nothing else is asked for in SVG 2 (section 13.5.5): sharper than 29° they are blunted."""
_STEP_DEG = 30.0
"""Edges this nearly in line meet in a step where their distances differ."""
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
    stretches = _stretches([_without_hooks(curve)], [distance_mm], tolerance_mm)
    joints = [_joint(a, b, _MITRE) for a, b in pairwise(stretches)]
    if any(joint is None for joint in joints):
        raise _eaten("The line is too crooked for this distance.")
    inner = [joint for joint in joints if joint is not None]
    open_end = _Joint(float(len(stretches[-1].raw.controls)), 0.0, None, ())
    parts = [_built(s, a, b) for s, a, b in zip(stretches, [open_end, *inner], [*inner, open_end], strict=True)]
    return welded(parts)


def offset_ring(
    curves: Sequence[Curve], distances_mm: Sequence[float], tolerance_mm: float = _TOLERANCE_MM, mitre: float = _MITRE
) -> tuple[Curve | None, ...]:
    """The open edges ``curves`` of an outline, each set off by its own distance and made to meet again.

    A corner whose mitre would reach further than ``mitre`` times the distance is cut blunt, yet stays the distance
    away; edges in line with unequal distances meet in a step. None for an edge that the distance swallows.
    CannotContinue where nothing would be left, the outline would fall apart or a gap in it would close up.
    """
    if not any(distances_mm):
        return tuple(curves)
    curves = [curve if d == 0 else _without_hooks(curve) for curve, d in zip(curves, distances_mm, strict=True)]
    stretches = _halved_alone(_stretches(curves, distances_mm, tolerance_mm))
    joints = [_joint(a, b, mitre) for a, b in zip(stretches, [*stretches[1:], stretches[0]], strict=True)]
    whole = _simply_joined(stretches, joints, len(curves))
    if whole is not None and _is_sound(curves, distances_mm, whole):
        return whole
    whole = _untangled(stretches, joints, len(curves))
    if not _is_sound(curves, distances_mm, whole):
        raise _eaten("The outline is too tight somewhere for this distance.")
    return whole


def _simply_joined(
    stretches: Sequence[_Stretch], joints: Sequence[_Joint | None], count: int
) -> tuple[Curve | None, ...] | None:
    """The edges where every stretch simply meets the next one, else None."""
    found = [joint for joint in joints if joint is not None]
    befores = [*found[-1:], *found[:-1]]
    if len(found) < len(joints) or any(a.start >= b.end - _CRUMB for a, b in zip(befores, found, strict=True)):
        return None
    parts = [_built(one, a, b) for one, a, b in zip(stretches, befores, found, strict=True)]
    return _by_edge([one.edge for one in stretches], parts, count)


def _untangled(stretches: Sequence[_Stretch], joints: Sequence[_Joint | None], count: int) -> tuple[Curve | None, ...]:
    """The edges where stretches swallow one another: all in one chain, led through the old corner where two do not
    meet by being prolonged, and the chain's loops taken off."""
    simple = [_prolonging(k, stretches, joints) for k in range(len(joints))]
    parts: list[Curve] = []
    edges: list[int] = []
    for k, one in enumerate(stretches):
        before, after, last = simple[k - 1], simple[k], float(len(one.raw.controls))
        bodies = [_built(one, before or _Joint(last, 0.0, None, ()), after or _Joint(last, 0.0, None, ()))]
        if before is None:
            bodies.insert(0, polyline_curve(np.stack([one.source.controls[0, 0], one.raw.controls[0, 0]])))
        if after is None:
            bodies.append(polyline_curve(np.stack([one.raw.controls[-1, 3], one.source.controls[-1, 3]])))
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


def _prolonging(k: int, stretches: Sequence[_Stretch], joints: Sequence[_Joint | None]) -> _Joint | None:
    """Joint number ``k`` where it prolongs or bridges its stretches, leaving something of each, else None."""
    joint = joints[k]
    if joint is None:
        return None
    last = len(stretches[k].raw.controls)
    trims = joint.place is not None and joint.end <= last and joint.start >= 0 and (joint.end < last or joint.start > 0)
    before, after = joints[k - 1], joints[(k + 1) % len(joints)]
    swallows = (before is not None and before.start >= joint.end) or (after is not None and joint.start >= after.end)
    return None if trims or swallows else joint


def _chained(parts: Sequence[Curve]) -> Curve:
    """The parts, which meet but for rounding, as one closed chain, segment by segment as they are."""
    controls = np.concatenate([part.controls for part in parts])
    controls[:, 0] = np.roll(controls[:, 3], 1, axis=0)
    return Curve(controls, np.concatenate([part.straight for part in parts]), True)


def _eaten(reason: str) -> CannotContinue:
    return CannotContinue("pattern", reason, "Take a smaller distance, or leave out the narrow part.")


@dataclass(frozen=True, eq=False)
class _Stretch:
    """A smooth part ``source`` of edge number ``edge``, its parallel ``raw``; ``number`` counts round the outline."""

    source: Curve
    raw: Curve
    edge: int
    distance_mm: float
    number: int
    length_mm: float


@dataclass(frozen=True, eq=False)
class _Joint:
    """How two stretches meet: parameter ``end`` on the first (past its last: on its prolongation), ``start`` on the
    second (below 0: on its prolongation), ``place`` (2,) where, None where they meet already; ``bridge`` points
    (2 of them) where a straight cut joins them instead. ``after`` tells that the bridge belongs to the second."""

    end: float
    start: float
    place: Array | None
    bridge: tuple[Array, ...]
    after: bool = False


def _stretches(curves: Sequence[Curve], distances: Sequence[float], tolerance: float) -> list[_Stretch]:
    parts = [(part, k) for k, curve in enumerate(curves) for part in _smooth_parts(curve)]
    sources, edges = [part for part, _ in parts], [k for _, k in parts]
    raws = parallels(sources, [distances[k] for k in edges], tolerance)
    return [
        _Stretch(source, raw, k, float(distances[k]), number, curve_length(source))
        for number, (source, raw, k) in enumerate(zip(sources, raws, edges, strict=True))
    ]


def _without_hooks(curve: Curve) -> Curve:
    """The curve without the turns that a cubic makes within a fraction of a millimetre of its ends: there is no
    setting off a hook, and the corner it hides is one."""
    controls = curve.controls.copy()
    for sign in (1, -1):
        p = controls[:, ::sign]
        arm, reach = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
        size, far = np.linalg.norm(arm, axis=1), np.linalg.norm(reach, axis=1)
        bent = (arm * reach).sum(axis=1) < np.cos(np.radians(_HOOK_DEG)) * size * far
        hooked = ~curve.straight & (size < _HOOK_MM) & (far > size) & bent
        p[hooked, 1] = p[hooked, 0] + reach[hooked] * (size[hooked] / far[hooked])[:, None]
    return Curve(controls, curve.straight, False)


def _smooth_parts(curve: Curve) -> list[Curve]:
    """The open curve cut at every kink."""
    lines = curve.straight[1:] & curve.straight[:-1]
    least = np.radians(np.where(lines, _LINES_DEG, _KINK_DEG))
    kinks = np.flatnonzero(np.abs(joint_turnings(curve)) > least) + 1
    at = [0, *(int(k) for k in kinks), len(curve.controls)]
    return [Curve(curve.controls[start:end], curve.straight[start:end], False) for start, end in pairwise(at)]


def _halved_alone(stretches: list[_Stretch]) -> list[_Stretch]:
    """A lone stretch in two halves: it meets itself at one corner only, and two that meet are asked where."""
    if len(stretches) > 1:
        return stretches
    one = stretches[0]
    half = len(one.raw.controls) / 2
    parts = (0.0, half), (half, 2 * half)
    return [
        _Stretch(
            subcurve(one.source, *_share(one, a, b)), subcurve(one.raw, a, b), 0, one.distance_mm, k, one.length_mm
        )
        for k, (a, b) in enumerate(parts)
    ]


def _share(one: _Stretch, start: float, end: float) -> tuple[float, float]:
    """About the same part of the source as of the parallel; only end tangents and lengths are read from it."""
    scale = len(one.source.controls) / len(one.raw.controls)
    return start * scale, end * scale


def _joint(a: _Stretch, b: _Stretch, mitre: float) -> _Joint | None:
    """How the parallels of two stretches meet; None where they do not."""
    last, end, start = float(len(a.raw.controls)), a.raw.controls[-1, 3], b.raw.controls[0, 0]
    leaving, entering = _tangent(a.source, at_end=True), _tangent(b.source, at_end=False)
    turn = float(np.arctan2(leaving[0] * entering[1] - leaving[1] * entering[0], leaving @ entering))
    level = a.distance_mm == b.distance_mm
    least = _LINES_DEG if a.raw.straight[-1] and b.raw.straight[0] else _KINK_DEG
    if level and (a.distance_mm == 0 or abs(turn) <= np.radians(least)):
        return _Joint(last, 0.0, (end + start) / 2, ())
    reach = np.sqrt(mitre**2 - 1) * max(abs(a.distance_mm), abs(b.distance_mm))
    found = _nearest_crossing(a.raw, b.raw, leaving * reach, entering * reach)
    if found is not None:
        return found
    if level and abs(turn) <= np.radians(_FAINT_DEG):
        return _Joint(last, 0.0, (end + start) / 2, ())
    if level and turn * a.distance_mm > 0:
        away = abs(a.distance_mm) * np.tan(abs(turn) / 4)
        return _Joint(last, 0.0, None, (end + away * leaving, start - away * entering))
    if not level and not np.radians(_STEP_DEG) < abs(turn) < np.pi - np.radians(_STEP_DEG):
        return _Joint(last, 0.0, None, (end, start), abs(b.distance_mm) > abs(a.distance_mm))
    return None


def _tangent(curve: Curve, at_end: bool) -> Array:
    if not at_end:
        return tangents(curve, np.zeros(1))[0]
    return -tangents(Curve(curve.controls[-1:, ::-1], curve.straight[-1:], False), np.zeros(1))[0]


def _nearest_crossing(a: Curve, b: Curve, ahead: Array, back: Array) -> _Joint | None:
    """The crossing, of both prolonged by straight lines, that lies nearest to the ends that are to meet."""
    end, start = a.controls[-1, 3], b.controls[0, 0]
    near = meeting_near(a.controls[-1], b.controls[0], ahead, back)
    if near is not None:
        last = len(a.controls) - 1
        place = end + (near[0] - 1) * ahead if near[0] > 1 else curve_at(a, np.array([last + near[0]]))[0]
        return _Joint(last + near[0], near[1], place, ())
    longer_a = joined([a, polyline_curve(np.stack([end, end + ahead]))], False)
    longer_b = joined([polyline_curve(np.stack([start - back, start])), b], False)
    found = crossings(longer_a, longer_b)
    if not len(found):
        return None
    places = curve_at(longer_a, found[:, 0])
    k = int(np.argmin(np.linalg.norm(places - end, axis=1) + np.linalg.norm(places - start, axis=1)))
    return _Joint(float(found[k, 0]), float(found[k, 1]) - 1, places[k], ())


def _built(one: _Stretch, before: _Joint, after: _Joint) -> Curve:
    """The stretch's parallel between its joints, with what it is prolonged by and the bridges that are its own."""
    last = len(one.raw.controls)
    start, end = max(before.start, 0.0), min(after.end, float(last))
    parts = [_between(one.raw, start, end)] if end > start else []
    if parts and before.start >= 0 and before.place is not None:
        parts[0] = _starting_at(parts[0], before.place)
    if parts and after.end <= last and after.place is not None:
        parts[-1] = ending_at(parts[-1], after.place)
    head = [before.place] if before.place is not None and (before.start < 0 or not parts) else []
    head = head or (list(before.bridge) if before.after else list(before.bridge[1:]))
    tail = [after.place] if after.place is not None and (after.end > last or not parts) else []
    tail = tail or (list(after.bridge[:1]) if after.after else list(after.bridge))
    return _prolonged(parts, head, tail)


def _between(curve: Curve, start: float, end: float) -> Curve:
    return curve if (start, end) == (0.0, len(curve.controls)) else subcurve(curve, start, end)


def _prolonged(parts: list[Curve], head: list[Array], tail: list[Array]) -> Curve:
    """The curve (none: straight on) with straight lines from ``head`` and to ``tail``; lines in line become one."""
    if not parts:
        return polyline_curve(np.stack([*head, *tail]))
    first, last = parts[0].controls[0, 0], parts[-1].controls[-1, 3]
    chain = joined([polyline_curve(np.stack([*head, first])), *parts, polyline_curve(np.stack([last, *tail]))], False)
    return _lines_merged(chain)


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
    return tuple(welded(group) if group else None for group in grouped)


def welded(parts: Sequence[Curve]) -> Curve:
    """Open parts that meet but for rounding, as one open chain; straight ones in line become one."""
    whole = [parts[0]]
    for part in parts[1:]:
        whole.append(_starting_at(part, whole[-1].controls[-1, 3]))
    return _lines_merged(joined(whole, False))


def _is_sound(curves: Sequence[Curve], distances: Sequence[float], whole: Sequence[Curve | None]) -> bool:
    """Whether the new outline does not cross itself and keeps its distance from the edges that were set off alike."""
    points = curve_points(welded([part for part in whole if part is not None]), _CHECK_CHORD_MM)[:-1]
    if len(points) < 3 or not shapely.Polygon(points).is_valid or _signed_area(points) <= 0:
        return False
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


def _signed_area(points: Array) -> float:
    x, y = points.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
