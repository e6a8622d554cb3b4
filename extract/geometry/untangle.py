"""The outline of what a closed chain goes round once or more: the loops that it makes with itself taken off.

A chain set off sideways turns back on itself where its source is too tight. Such loops go round the other way, so the
winding number is 0 or less in them. The chain is cut where it crosses itself, and those arcs are kept that have
winding 0 on their left and 1 on their right.
"""

from __future__ import annotations

import numpy as np

from extract.doors import Array, CannotContinue, Curve, Mask
from extract.geometry.arc import normals, tangents, ways_at
from extract.geometry.crossing import ring_crossings
from extract.geometry.curve import curve_area, curve_at, joined, sample_parameters, subcurve
from extract.geometry.parallel import SPECK_MM

_CHORD_MM = 0.005
_ASIDE_MM = 2e-3
"""How far beside the chain the winding is asked for: well within a knife's line, well off the chords' error."""
_MEETING_MM = 1e-5
_CRUMB_MM2 = 4.0
"""A loop smaller than this, two millimetres square, is a crumb of foam and may fall off."""
_LEAST = 1e-9


def once_round(ring: Curve) -> list[tuple[float, float]]:
    """Parameter intervals of the closed ``ring``, in order, that make up its outline; where the seam of the ring is
    passed, an interval ends at the last parameter and another starts at 0.

    CannotContinue where nothing is left, or more than one part of some size.
    """
    last = float(len(ring.controls))
    pairs = ring_crossings(ring)
    if not len(pairs):
        if curve_area(ring) <= 0:
            raise _fallen("Nothing is left of the outline.")
        return [(0.0, last)]
    specks = _specks(ring, pairs)
    inside = ((pairs[..., None] > specks[:, 0]) & (pairs[..., None] < specks[:, 1])).any(axis=(1, 2))
    cuts = np.unique(np.concatenate([[0.0, last], pairs[~inside].ravel(), specks.ravel()]))
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > _LEAST])]
    starts, ends = cuts[:-1], cuts[1:]
    middles = (starts + ends) / 2
    speck = ((middles[:, None] > specks[:, 0]) & (middles[:, None] < specks[:, 1])).any(axis=1)
    kept = _on_outline(ring, starts, ends) & ~speck
    return _largest(ring, starts[kept], ends[kept])


def _specks(ring: Curve, pairs: Array) -> Array:
    """Loops (K, 2) too small to ask for their winding, the outer ones of those that lie in one another."""
    ways = ways_at(ring, pairs.ravel()).reshape(-1, 2)
    small = pairs[ways[:, 1] - ways[:, 0] <= SPECK_MM]
    outer = [p for p in small if not ((small[:, 0] < p[0]) & (small[:, 1] > p[1])).any()]
    return np.array(outer).reshape(-1, 2)


def _on_outline(ring: Curve, starts: Array, ends: Array) -> Mask:
    """Which arcs part outside (winding 0) from inside (1)."""
    middles = (starts + ends) / 2
    at = np.unique(np.concatenate([sample_parameters(ring, _CHORD_MM), starts, middles]))
    chain = curve_at(ring, at)
    places, aside = curve_at(ring, middles), normals(tangents(ring, middles))
    short = np.linalg.norm(curve_at(ring, starts) - places, axis=1)
    reach = np.minimum(_ASIDE_MM, 0.2 * short)[:, None]
    inside, outside = _winding(chain, places + reach * aside), _winding(chain, places - reach * aside)
    return np.asarray((inside == 1) & (outside == 0))


def _winding(chain: Array, points: Array) -> Array:
    """Winding numbers (K,) of a closed chain (first point repeated) about ``points``, positive clockwise to the eye."""
    a, b = chain[:-1], chain[1:]
    x, y = points[:, :1], points[:, 1:]
    side = (b[:, 0] - a[:, 0]) * (y - a[:, 1]) - (x - a[:, 0]) * (b[:, 1] - a[:, 1])
    down = (a[:, 1] <= y) & (b[:, 1] > y) & (side > 0)
    up = (a[:, 1] > y) & (b[:, 1] <= y) & (side < 0)
    return down.sum(axis=1) - up.sum(axis=1)


def _largest(ring: Curve, starts: Array, ends: Array) -> list[tuple[float, float]]:
    """The arcs of the largest closed loop, in order along the ring."""
    loops = _loops(ring, starts, ends)
    if not loops:
        raise _fallen("Nothing is left of the outline.")
    areas = [curve_area(joined([subcurve(ring, a, b) for a, b in loop], False)) for loop in loops]
    order = np.argsort(areas)[::-1]
    if areas[order[0]] <= 0:
        raise _fallen("Nothing is left of the outline.")
    if any(abs(areas[k]) > _CRUMB_MM2 for k in order[1:]):
        raise _fallen("The outline would fall apart, or close up round a hole.")
    return sorted(loops[order[0]])


def _loops(ring: Curve, starts: Array, ends: Array) -> list[list[tuple[float, float]]]:
    """Arcs put together head to tail; what does not close is left out."""
    heads, tails = curve_at(ring, starts), curve_at(ring, ends)
    unused, found = set(range(len(starts))), []
    while unused:
        first = at = min(unused)
        loop: list[int] = []
        while at in unused:
            unused.discard(at)
            loop.append(at)
            gap = np.abs(heads - tails[at]).max(axis=1)
            following = [k for k in np.flatnonzero(gap <= _MEETING_MM).tolist() if k in unused or k == first]
            if not following:
                break
            at = following[0]
        if np.abs(heads[first] - tails[loop[-1]]).max() <= _MEETING_MM:
            found.append([(float(starts[k]), float(ends[k])) for k in loop])
    return found


def _fallen(reason: str) -> CannotContinue:
    return CannotContinue("pattern", reason, "Take a smaller distance, or leave out the narrow part.")
