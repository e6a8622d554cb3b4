"""How far each card is to be trusted, and which of several starts leads to the likeliest table.

Every card's noise is estimated from its own residuals (variance components after Förstner 1979), so that one that does
not fit loses its say. That has many bottoms: the lens may as well be bent to suit a crumpled card or wrong corners, and
the flat ones be blamed. So where anything looks odd, the solve is started anew without stray corners, with the focal
length believed, and without each card in turn, and the likeliest end wins.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from extract.camera.bundle import HUBER, Key, Lie, Paper, Prior, Sight, Solved, Table, adjust, missed_px
from extract.camera.known import SolveSettings, bent_lie, is_bent
from extract.camera.start import alone, joined, without_strays
from extract.doors import Array, CannotContinue, CardDesign, Mask, Photo

MOST_ROUNDS = 12
"""Bends and weights settle within four or five."""

OUTLIER = 5.0
"""Corners missing by more σ than this are blunders: of true ones, four in a million (Rayleigh)."""

HELD = 0.1
"""Share of its usual width by which a focal length is held for a start that is to believe it."""


@dataclass(frozen=True, eq=False)
class Problem:
    """All that is seen and known."""

    sights: tuple[Sight, ...]
    priors: tuple[Prior, ...]
    frame: Key
    paper: Paper
    photos: tuple[Photo, ...]
    designs: Mapping[Key, CardDesign]
    known: SolveSettings


@dataclass(frozen=True, eq=False)
class Weighed:
    """An adjustment: by how much each sighting's noise was raised, which of its corners counted, and how its cards
    were allowed to lie."""

    solved: Solved
    factors: Array
    used: tuple[Mask, ...]
    paper: Paper


def best_weighed(problem: Problem) -> Weighed:
    """The likeliest table from one start, or where it looks odd from several."""
    first = _weighed(problem, _start(problem))
    if not _looks_odd(first, problem):
        return first
    return min([first, *_other_ends(problem)], key=lambda end: _unlikeliness(end, problem))


def _other_ends(problem: Problem) -> list[Weighed]:
    clean = replace(problem, sights=tuple(map(without_strays, problem.sights)))
    starts = [partial(_start, clean)]
    if len(problem.designs) > 1:
        starts += [partial(_start, problem, without=key) for key in sorted(problem.designs)]
    ends = []
    for start, judge in [*((start, True) for start in starts), (partial(_start, problem, held=HELD), False)]:
        with contextlib.suppress(CannotContinue):  # a start that leads nowhere is no reason to give up the first
            ends.append(_weighed(problem, start(), judge))
    return ends


def _start(problem: Problem, held: float = 1.0, without: Key | None = None) -> Table:
    priors = [replace(prior, sd=prior.sd * np.array([held, 1, 1, 1, 1])) for prior in problem.priors]
    tables = [
        alone(i, problem.sights, priors[i], photo, problem.paper, without) for i, photo in enumerate(problem.photos)
    ]
    return joined(tables, problem.frame, problem.photos)


def _looks_odd(weighed: Weighed, problem: Problem) -> bool:
    known = problem.known
    distrusted = (weighed.factors**-2 < known.distrusted).any()
    bent = any(weighed.paper.lies[key] is not lie for key, lie in problem.paper.lies.items())
    cameras = zip(weighed.solved.table.cameras, problem.photos, strict=True)
    return bool(distrusted or bent or any(known.contradicts(camera, photo) for camera, photo in cameras))


def _unlikeliness(weighed: Weighed, problem: Problem) -> float:
    """Minus the logarithm of the likelihood, but for a constant: raised noise and allowed bends are paid for."""
    raised = sum(2 * used.sum() * math.log(factor) for used, factor in zip(weighed.used, weighed.factors, strict=True))
    left_out = sum(int((~used).sum()) for used in weighed.used)
    lies = [(weighed.paper.lies[key].sd, lie.sd) for key, lie in problem.paper.lies.items()]
    allowed = sum(float(np.log(now / before).sum()) for now, before in lies)
    return weighed.solved.cost + raised + left_out * HUBER * (OUTLIER - HUBER / 2) + allowed


def _weighed(problem: Problem, start: Table, judge: bool = False) -> Weighed:
    """The adjustment from one start, which may ``judge`` the cards already. A card found bent is first allowed its
    bend, and its noise judged after."""
    paper, solved = problem.paper, None
    factors, used = np.ones(len(problem.sights)), tuple(np.ones(len(s.corners_px), bool) for s in problem.sights)
    if judge:
        factors, used = _judged(problem.sights, start, 1.0)
    for _ in range(MOST_ROUNDS):
        trusted = tuple(map(_trusted, problem.sights, used, factors))
        solved = adjust(trusted, problem.priors, solved.table if solved else start, problem.frame, paper)
        lies = {key: _lie(solved.table, key, problem, lie) for key, lie in paper.lies.items()}
        if any(_differ(lie, paper.lies[key]) for key, lie in lies.items()):
            paper = replace(paper, lies=lies)
            continue
        last, (factors, used) = (factors, used), _judged(problem.sights, solved.table, solved.freedom)
        # A twentieth more or less noise on a card moves nothing that matters.
        if np.abs(factors / last[0] - 1).max() < 0.05 and all(map(np.array_equal, used, last[1])):
            break
    assert solved is not None
    return Weighed(solved, factors, used, paper)


def _judged(sights: tuple[Sight, ...], table: Table, freedom: float) -> tuple[Array, tuple[Mask, ...]]:
    """By how much each sighting's noise must be raised to explain its misses, and which corners miss by no more."""
    misses = [missed_px(table, sight) for sight in sights]
    stated = np.array([sight.sd_px for sight in sights])
    factors = np.maximum(1.0, np.array([_robust_rms(miss) for miss in misses]) / math.sqrt(freedom) / stated)
    used = tuple(np.hypot(*miss.T) <= OUTLIER * limit for miss, limit in zip(misses, factors * stated, strict=True))
    return factors, used


def _trusted(sight: Sight, used: Mask, factor: float) -> Sight:
    """The sighting with its noise raised by ``factor``, with the corners that count."""
    return replace(sight.only(used), sd_px=sight.sd_px * factor)


def _lie(table: Table, key: Key, problem: Problem, before: Lie) -> Lie:
    """How the card may lie, now that it has been seen; once suspected of a bend it stays so."""
    bulge, known = table.places[key][3:6], problem.known
    suspected = before.sd[0] > known.bulge_sd_mm
    return bent_lie(problem.designs[key], bulge, known) if suspected or is_bent(bulge, known) else before


def _differ(one: Lie, other: Lie) -> bool:
    """A tenth more or less of a bend moves nothing that matters."""
    return bool(np.abs(one.sd / other.sd - 1).max() > 0.1)


def _robust_rms(misses_px: Array) -> float:
    """RMS of one coordinate with single bad corners cut down to size: one step from the median deviation (Huber &
    Ronchetti, Robust Statistics, sec. 5.5)."""
    size = np.abs(misses_px)
    limit = HUBER * 1.4826 * float(np.median(size))
    return math.sqrt(float((np.minimum(size, limit) ** 2).mean()))
