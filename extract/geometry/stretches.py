"""Outlines cut into smooth stretches, each with its parallel, and how two such parallels meet at a corner."""

from __future__ import annotations

import cmath
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from extract.doors import Array, Curve, Mask
from extract.geometry.arc import end_tangents, tangents
from extract.geometry.crossing import crossings, meeting_near
from extract.geometry.curve import curve_at, joined, line_controls, polyline_curve, subcurve
from extract.geometry.parallel import parallels

_KINK_DEG = 2.0
"""A smaller turn is meant to be smooth: closing what it opens moves a parallel at 10 mm by 0.01 mm sideways."""
_HOOK_MM = 0.3
_HOOK_DEG = 20.0
_LINES_DEG = 1e-4
"""Two straight lines have a corner however little they turn."""
_FAINT_DEG = 8.0
"""Parallels of edges nearly in line may miss one another by a hair; up to here they are joined half-way then."""
_STEP_DEG = 30.0
"""Edges this nearly in line meet in a step where their distances differ."""

Ring = tuple[Sequence[Curve], Sequence[float]]
"""Open edges that follow one another, and how far each is to be set off."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """A smooth part of edge number ``edge`` with its parallel ``raw``; ``ends_mm`` (2, 2) the part's own ends,
    ``entering`` and ``leaving`` its directions there as unit complex numbers; ``folded``: it was too tight."""

    raw: Curve
    edge: int
    distance_mm: float
    ends_mm: Array
    entering: complex
    leaving: complex
    folded: bool


@dataclass(frozen=True, eq=False)
class Joint:
    """How two stretches meet: parameter ``end`` on the first (past its last: on its prolongation), ``start`` on the
    second (below 0: on its prolongation), ``place`` (2,) where, None where they meet already; ``bridge`` points
    (2 of them) where a straight cut joins them instead. ``after`` tells that the bridge belongs to the second."""

    end: float
    start: float
    place: Array | None
    bridge: tuple[Array, ...] = ()
    after: bool = False


def unjoined(one: Stretch) -> Joint:
    """Leaves a stretch's end, or its start, as it is."""
    return Joint(float(len(one.raw.controls)), 0.0, None)


def stretches_of(rings: Sequence[Ring], tolerance_mm: float) -> list[list[Stretch]]:
    """The smooth stretches of each ring's edges, in order, cut at every kink, with their parallels."""
    curves = [
        (r, k, curve, float(d))
        for r, (cs, ds) in enumerate(rings)
        for k, (curve, d) in enumerate(zip(cs, ds, strict=True))
    ]
    controls = np.concatenate([curve.controls for _, _, curve, _ in curves])
    straight = np.concatenate([curve.straight for _, _, curve, _ in curves])
    sizes = [len(curve.controls) for _, _, curve, _ in curves]
    distance = np.repeat([d for *_, d in curves], sizes)
    owner = np.repeat(np.arange(len(curves)), sizes)
    chain = Curve(controls, straight, False)
    first, last = tangents(chain, np.arange(len(controls), dtype=float)), end_tangents(chain)
    starts = [0, *(np.flatnonzero(_breaks(first, last, straight, owner, distance)) + 1).tolist()]
    raws = parallels(controls, straight, distance, [*starts, len(controls)], tolerance_mm)
    found: list[list[Stretch]] = [[] for _ in rings]
    for a, b, (raw, folded) in zip(starts, [*starts[1:], len(controls)], raws, strict=True):
        ring, edge, _, d = curves[owner[a]]
        ends = np.stack([controls[a, 0], controls[b - 1, 3]])
        found[ring].append(Stretch(raw, edge, d, ends, complex(*first[a]), complex(*last[b - 1]), folded))
    return [_halved_alone(stretches) for stretches in found]


def without_hooks(curves: Sequence[Curve]) -> list[Curve]:
    """The curves without the turns that a cubic makes within a fraction of a millimetre of its ends: there is no
    setting off a hook, and the corner it hides is one."""
    controls = np.concatenate([curve.controls for curve in curves])
    straight = np.concatenate([curve.straight for curve in curves])
    for sign in (1, -1):
        p = controls[:, ::sign]
        arm, reach = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
        size, far = np.hypot(*arm.T), np.hypot(*reach.T)
        bent = (arm * reach).sum(axis=1) < np.cos(np.radians(_HOOK_DEG)) * size * far
        hooked = ~straight & (size < _HOOK_MM) & (far > size) & bent
        if hooked.any():
            p[hooked, 1] = p[hooked, 0] + reach[hooked] * (size[hooked] / far[hooked])[:, None]
    bounds = np.cumsum([0, *(len(curve.controls) for curve in curves)]).tolist()
    return [Curve(controls[a:b], curve.straight, False) for curve, (a, b) in zip(curves, pairwise(bounds), strict=True)]


def _breaks(first: Array, last: Array, straight: Mask, owner: np.ndarray, distance: Array) -> Mask:
    """Whether a stretch ends at each joint (N − 1,) between cubics: where an edge ends, or at a kink of one that moves,
    for an edge that stays may be trimmed anywhere."""
    cross = last[:-1, 0] * first[1:, 1] - last[:-1, 1] * first[1:, 0]
    turn = np.abs(np.arctan2(cross, (last[:-1] * first[1:]).sum(axis=1)))
    least = np.where(straight[1:] & straight[:-1], np.radians(_LINES_DEG), np.radians(_KINK_DEG))
    return np.asarray(((turn > least) & (distance[1:] != 0)) | (owner[1:] != owner[:-1]))


def _halved_alone(stretches: list[Stretch]) -> list[Stretch]:
    """A lone stretch with a corner where it meets itself in two halves, so that no curve is crossed with itself."""
    if len(stretches) > 1 or abs(cmath.phase(stretches[0].leaving.conjugate() * stretches[0].entering)) <= _kink(
        stretches[0], stretches[0]
    ):
        return stretches
    one = stretches[0]
    last = float(len(one.raw.controls))
    halves = subcurve(one.raw, 0.0, last / 2), subcurve(one.raw, last / 2, last)
    middle, way = halves[0].controls[-1, 3], halves[0].controls[-1, 3] - halves[0].controls[-1, 2]
    along = complex(*way) / abs(complex(*way))
    return [
        replace(one, raw=halves[0], ends_mm=np.stack([one.ends_mm[0], middle]), leaving=along),
        replace(one, raw=halves[1], ends_mm=np.stack([middle, one.ends_mm[1]]), entering=along),
    ]


def _kink(a: Stretch, b: Stretch) -> float:
    return float(np.radians(_LINES_DEG if a.raw.straight[-1] and b.raw.straight[0] else _KINK_DEG))


def joint(a: Stretch, b: Stretch, mitre: float) -> Joint | None:
    """How the parallels of two stretches meet; None where they do not.

    Both are prolonged along their tangents, up to ``mitre`` times the distance measured from the corner. Beyond, a
    corner between equal distances is cut blunt, edges nearly in line with unequal ones meet in a step.
    """
    last, end, start = float(len(a.raw.controls)), a.raw.controls[-1, 3], b.raw.controls[0, 0]
    turn = cmath.phase(a.leaving.conjugate() * b.entering)
    level = a.distance_mm == b.distance_mm
    if level and (a.distance_mm == 0 or abs(turn) <= _kink(a, b)):
        return Joint(last, 0.0, (end + start) / 2)
    reach = (mitre**2 - 1) ** 0.5 * max(abs(a.distance_mm), abs(b.distance_mm))
    found = _nearest_crossing(a.raw, b.raw, a.leaving * reach, b.entering * reach)
    if found is not None:
        return found
    if level and abs(turn) <= np.radians(_FAINT_DEG):
        return Joint(last, 0.0, (end + start) / 2)
    if level and turn * a.distance_mm > 0:
        away = abs(a.distance_mm) * np.tan(abs(turn) / 4)
        return Joint(last, 0.0, None, (end + away * _vector(a.leaving), start - away * _vector(b.entering)))
    if not level and not np.radians(_STEP_DEG) < abs(turn) < np.pi - np.radians(_STEP_DEG):
        return Joint(last, 0.0, None, (end, start), abs(b.distance_mm) > abs(a.distance_mm))
    return None


def _vector(number: complex) -> Array:
    return np.array([number.real, number.imag])


def _nearest_crossing(a: Curve, b: Curve, along: complex, before: complex) -> Joint | None:
    """The crossing, of both prolonged by straight lines, that lies nearest to the ends that are to meet."""
    end, start, last = a.controls[-1, 3], b.controls[0, 0], len(a.controls) - 1
    near = meeting_near(a.controls[-1], b.controls[0], along, before)
    ahead, back = _vector(along), _vector(before)
    if near is not None:
        place = end + (near[0] - 1) * ahead if near[0] > 1 else curve_at(a, np.array([last + near[0]]))[0]
        return Joint(last + near[0], near[1], place)
    longer_a = joined([a, polyline_curve(np.stack([end, end + ahead]))], False)
    longer_b = joined([polyline_curve(np.stack([start - back, start])), b], False)
    found = crossings(longer_a, longer_b)
    if not len(found):
        return None
    places = curve_at(longer_a, found[:, 0])
    k = int(np.argmin(np.linalg.norm(places - end, axis=1) + np.linalg.norm(places - start, axis=1)))
    return Joint(float(found[k, 0]), float(found[k, 1]) - 1, places[k])


def built(one: Stretch, before: Joint, after: Joint) -> Curve:
    """The stretch's parallel between its joints, with what it is prolonged by and the bridges that are its own."""
    last = float(len(one.raw.controls))
    start, end = max(before.start, 0.0), min(after.end, last)
    head = list(before.bridge) if before.after else list(before.bridge[1:])
    tail = list(after.bridge[:1]) if after.after else list(after.bridge)
    if end <= start:
        head, tail = (
            [joint.place] if joint.place is not None else way for joint, way in ((before, head), (after, tail))
        )
        return polyline_curve(np.stack([*head, *tail]))
    body = subcurve(one.raw, start, end)
    controls, straight = body.controls, body.straight
    if before.place is not None:
        _extend(controls[0], straight[0], before.place, before.start < 0, head)
    if after.place is not None:
        _extend(controls[-1, ::-1], straight[-1], after.place, after.end > last, tail)
    return _with_lines(controls, straight, head, tail)


def _extend(cubic: Array, straight: bool, place: Array, prolonged: bool, lines: list[Array]) -> None:
    """Starts the cubic (4, 2), which is written to, at ``place``; a bend gets a straight line there instead."""
    if not prolonged:
        cubic[0] = place
    elif straight:
        cubic[:] = line_controls(place, cubic[3])
    else:
        lines.append(place)


def _with_lines(controls: Array, straight: Mask, head: list[Array], tail: list[Array]) -> Curve:
    """The chain with straight lines through ``head`` before and ``tail`` after it."""
    if not head and not tail:
        return Curve(controls, straight, False)
    to, back = [*head, controls[0, 0]], [controls[-1, 3], *tail]
    before = [line_controls(p, q) for p, q in pairwise(to) if (p != q).any()]
    after = [line_controls(p, q) for p, q in pairwise(back) if (p != q).any()]
    whole = np.concatenate([*(c[None] for c in before), controls, *(c[None] for c in after)])
    return Curve(whole, np.concatenate([np.ones(len(before), bool), straight, np.ones(len(after), bool)]), False)
