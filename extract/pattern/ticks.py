"""Registration ticks of a seam: pairs at equal shares of both sides, uneven so that a flipped part shows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from extract.build import Build, Detail, Figure, Outcome, Piece, Question, Seam, Step
from extract.doors import Array, Doubt
from extract.geometry.runs import piece_named, refused, with_piece
from extract.geometry.slits import run_length
from extract.pattern.registration import drawn_shares
from extract.pattern.seams import seam_numbered, with_seam

SPACING_MM = 37.5
"""Ticks stand 25 to 50 mm apart (common practice, no source)."""
_FLIP_MM = 5.0
"""A tick this far from where its flipped mate would be is seen at a glance (common practice, no source)."""
_UNEVEN = (0.1, 0.15, 0.2, 0.25, 0.3, 1 / 3)
"""By how much of it the last gap exceeds the mean one and the first falls short: the least that shows is enough."""
_SAME_MM = 3.0
_LEAST_MM = 12.0


def set_ticks(build: Build, seam: int, spacing: float = SPACING_MM, source: str = "even") -> Outcome:
    """Gives a seam its pairs of ticks.

    ``source`` "even": about ``spacing`` mm apart, the gaps growing along the seam. "drawn": where the maker drew ticks
    across either side, each put on the other side at the same share; they take the place of the drawn ones. "none":
    takes them off.
    """
    one = seam_numbered(build, seam)
    length = run_length(build, one.first)
    after = build
    if source == "even":
        shares = even_shares(length, spacing)
    elif source == "drawn":
        after, shares = _taken_over(build, one)
    else:
        shares = np.empty(0)
    after = with_seam(after, replace(one, ticks=tuple(float(share) for share in shares)))
    flip = flip_shift(shares, length)
    figures = (
        Figure("pairs of ticks", "", len(one.ticks), len(shares), f"seam {seam}"),
        *_gap_figures(shares, length, seam),
        Figure("a flipped part shows by", "mm", None, flip, f"seam {seam}"),
    )
    return Outcome(after, figures, tuple(_doubts(shares, flip, seam)))


def set_all_ticks(build: Build, spacing: float = SPACING_MM) -> Outcome:
    """Gives every seam that has no ticks its pairs: the drawn ones where there are any, else even ones."""
    after = build
    figures: list[Figure] = []
    doubts: list[Doubt] = []
    for seam in build.seams:
        if seam.ticks:
            continue
        drawn = any(drawn_shares(after, run, False) for run in (seam.first, seam.second))
        done = set_ticks(after, seam.number, spacing, "drawn" if drawn else "even")
        after = done.build
        figures.append(done.figures[0])
        doubts += done.doubts
    if not figures:
        raise refused("Every seam has its ticks.", "Change those of one seam with the step ticks.")
    return Outcome(after, tuple(figures), tuple(doubts))


def even_shares(length_mm: float, spacing_mm: float = SPACING_MM) -> Array:
    """Shares (N,) of a seam's length for ticks about ``spacing_mm`` apart, uneven so that the flipped set shows.

    Seams under 12 mm get none, short ones a single tick off the middle.
    """
    if spacing_mm <= 0:
        raise refused("Ticks need a spacing above 0 mm.", "25 to 50 mm is usual.")
    if length_mm < _LEAST_MM:
        return np.empty(0)
    count = max(1, round(length_mm / spacing_mm) - 1)
    if count == 1:
        off = min(0.25, 0.6 * _FLIP_MM / length_mm)
        return np.array([0.5 - off])
    trials = [_graded(count, uneven) for uneven in _UNEVEN]
    return next((t for t in trials if flip_shift(t, length_mm) >= _FLIP_MM), trials[-1])


def flip_shift(shares: Array, length_mm: float) -> float:
    """How far, at the most telling tick, a flipped part's nearest tick lies off, in mm; 0 for a symmetrical set."""
    if not len(shares):
        return 0.0
    apart = np.abs(np.asarray(shares)[:, None] - (1 - np.asarray(shares))[None])
    return float(apart.min(axis=1).max() * length_mm)


def _graded(count: int, uneven: float) -> Array:
    gaps = 1 + uneven * np.linspace(-1, 1, count + 1)
    return np.asarray(np.cumsum(gaps)[:-1] / gaps.sum())


def _taken_over(build: Build, seam: Seam) -> tuple[Build, Array]:
    """The build without the ticks drawn across the seam, and their shares; two that mean one are drawn together."""
    sides = [(seam.first, False), (seam.second, seam.against)]
    drawn = [drawn_shares(build, run, against) for run, against in sides]
    if not any(drawn):
        raise refused(
            f"No ticks are drawn across seam {seam.number}.", "Draw some, or let them be set at even distances."
        )
    after = build
    for (run, _), found in zip(sides, drawn, strict=True):
        after = with_piece(after, _without(piece_named(after, run.piece), found))
    length = run_length(build, seam.first)
    return after, _merged(np.sort([share for found in drawn for share in found.values()]), _SAME_MM / length)


def _without(piece: Piece, gone: dict[str, float]) -> Piece:
    details: tuple[Detail, ...] = tuple(one for one in piece.details if one.id not in gone)
    return replace(piece, details=details) if gone else piece


def _merged(shares: Array, same: float) -> Array:
    """Sorted shares with those nearer than ``same`` to the one before replaced by their mean."""
    groups = np.split(shares, np.flatnonzero(np.diff(shares) > same) + 1)
    return np.array([group.mean() for group in groups])


def _gap_figures(shares: Array, length: float, seam: int) -> Iterator[Figure]:
    if len(shares):
        gaps = np.diff(np.concatenate([[0.0], shares, [1.0]])) * length
        yield Figure("smallest gap between ticks", "mm", None, float(gaps.min()), f"seam {seam}")
        yield Figure("largest gap between ticks", "mm", None, float(gaps.max()), f"seam {seam}")


def _doubts(shares: Array, flip: float, seam: int) -> Iterator[Doubt]:
    if len(shares) and flip < _FLIP_MM:
        yield Doubt(
            "ticks-look-alike-flipped",
            f"Seam {seam}: a part laid the wrong way round meets ticks within {flip:.1f} mm; mind the numbers.",
        )


STEPS = (
    Step(
        "ticks",
        "Set registration ticks on a seam",
        (
            Question("seam", "seam", "Which seam"),
            Question("spacing", "length", "About how far apart", SPACING_MM),
            Question("source", "choice", "Where they come from", "even", ("even", "drawn", "none")),
        ),
        set_ticks,
    ),
    Step(
        "ticks-all",
        "Set registration ticks on every seam that has none",
        (Question("spacing", "length", "About how far apart, where none are drawn", SPACING_MM),),
        set_all_ticks,
    ),
)
