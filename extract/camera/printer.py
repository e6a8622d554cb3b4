"""What the measured scale bars say about the printer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from extract.doors import Array, CannotContinue, CardDesign, TraceSettings
from extract.geometry.scalecard import bar_lengths_mm

PLAUSIBLE = (0.85, 1.15)
"""“Fit to page” shrinks A4 to 0.94 on letter paper; beyond these bounds the ruler was misread."""

DISAGREE = 0.03
"""The two directions of one printer differ by a few tenths of a per cent (common practice, no source)."""

RULER_SD_MM = 0.2
"""A steel rule divided in half millimetres, read at both ends (common practice, no source)."""

UNMEASURED_SD = 0.0015
"""Relative stretch of an office printer that was told not to fit to page, in either direction (common practice, no
source)."""


SAME_PRINTER = 0.8
"""Correlation of two families' stretches: all cards are laid the same way round on the page, so one printer stretches
them alike; what is left is another day's paper, or another printer (common practice, no source)."""


UNUSUAL = 4.0
"""Bars that stray by more than this many σ from what is expected of them have another cause."""

FIT_TO_PAGE_SD = 0.05
"""“Fit to page” may be any few per cent, the same along and across."""

Indices = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Prints:
    """What is known of the print before the photo is looked at: ``expected`` printed over nominal length along x and y
    (2,) of every family, and the ``covariance`` (2F, 2F) of all of them, families in the order of ``expected``."""

    expected: dict[str, Array]
    covariance: Array

    def sd(self, family: str) -> Array:
        """(2,) 1 σ of one family's stretch along x and y."""
        first = 2 * list(self.expected).index(family)
        return np.asarray(np.sqrt(np.diag(self.covariance)[first : first + 2]), float)


def known_prints(
    designs: Sequence[CardDesign], settings: TraceSettings, unmeasured_sd: float = UNMEASURED_SD
) -> Prints:
    """What is known of every family's stretch, given the bars that were measured. They may belong to any family lying
    on the table: the one they match best. Raises ``CannotContinue`` for lengths no printed bar can have.

    Bars that an office printer may print at 100 % are weighed with what is known of such printers (the conditional
    normal distribution). If they are too far from 100 % for that, the page was fitted to the paper; if one direction
    is too far from the other, only the ruler knows."""
    families = {design.family: design for design in designs}
    expected, covariance = np.ones(2 * len(families)), _unmeasured(len(families), unmeasured_sd)
    long_mm, short_mm = settings.bar_long_mm, settings.bar_short_mm
    if long_mm is not None or short_mm is not None:
        best = _best_match(families, long_mm, short_mm)
        axes, strays, ruler_sd = _measured(families[best], long_mm, short_mm)
        at, ruler = 2 * list(families).index(best) + axes, np.diag(ruler_sd**2)
        for excuse in (FIT_TO_PAGE_SD**2, FIT_TO_PAGE_SD**2 * _alike(len(families))):
            if strays @ np.linalg.solve(covariance[np.ix_(at, at)] + ruler, strays) > UNUSUAL**2:
                covariance = covariance + excuse
        gain = covariance[:, at] @ np.linalg.inv(covariance[np.ix_(at, at)] + ruler)
        expected, covariance = expected + gain @ strays, covariance - gain @ covariance[at]
    stretches = {family: expected[2 * i : 2 * i + 2] for i, family in enumerate(families)}
    return Prints(stretches, np.asarray((covariance + covariance.T) / 2, float))


def _unmeasured(families: int, sd: float) -> Array:
    return np.asarray(sd**2 * (SAME_PRINTER * _alike(families) + (1 - SAME_PRINTER) * np.eye(2 * families)), float)


def _alike(families: int) -> Array:
    """(2F, 2F) ones where two stretches have the same direction."""
    return np.asarray(np.kron(np.ones((families, families)), np.eye(2)), float)


def _best_match(families: dict[str, CardDesign], long_mm: float | None, short_mm: float | None) -> str:
    ratios = {family: _ratios((long_mm, short_mm), design) for family, design in families.items()}
    return min(ratios, key=lambda family: max(abs(r - 1) for r in ratios[family] if r is not None))


def _measured(design: CardDesign, long_mm: float | None, short_mm: float | None) -> tuple[Indices, Array, Array]:
    """Which of a card's axes were measured (0 for x, 1 for y), by what share each bar is longer than nominal, and 1 σ
    of it. Raises ``CannotContinue`` for lengths no printed bar can have."""
    x, y = ratios = _ratios((long_mm, short_mm), design)
    if not all(PLAUSIBLE[0] <= ratio <= PLAUSIBLE[1] for ratio in ratios if ratio is not None):
        raise _impossible(design, long_mm, short_mm)
    if x is not None and y is not None and abs(x / y - 1) > DISAGREE:
        raise CannotContinue(
            "camera",
            f"The two scale bars disagree: one is {100 * x:.1f} % of its true length, the other {100 * y:.1f} %.",
            "Measure both bars again.",
        )
    axes = np.array([axis for axis, ratio in enumerate(ratios) if ratio is not None])
    strays = np.array([ratio - 1 for ratio in ratios if ratio is not None])
    return axes, strays, RULER_SD_MM / np.array(bar_lengths_mm(design))[axes]


def stretch_from_bars(design: CardDesign, long_mm: float | None, short_mm: float | None) -> tuple[Array, Array]:
    """Stretch along x and y (2,) of one card as the ruler alone says, and 1 σ of each; a direction that was not
    measured is expected to be like the other. Raises ``CannotContinue`` for lengths no printed bar can have."""
    axes, strays, ruler_sd = _measured(design, long_mm, short_mm)
    if len(axes) == 2:
        return np.asarray(1 + strays, float), np.asarray(ruler_sd, float)
    # the other direction of a printer strays from this one as two unmeasured ones do from each other
    other = math.hypot(float(ruler_sd[0]), math.sqrt(2) * UNMEASURED_SD)
    return np.full(2, 1 + strays[0]), np.array([float(ruler_sd[0]) if axis == axes[0] else other for axis in (0, 1)])


def _ratios(measured_mm: tuple[float | None, float | None], design: CardDesign) -> tuple[float | None, float | None]:
    (long_mm, short_mm), (long_nominal, short_nominal) = measured_mm, bar_lengths_mm(design)
    return (
        None if long_mm is None else long_mm / long_nominal,
        None if short_mm is None else short_mm / short_nominal,
    )


def _impossible(design: CardDesign, long_mm: float | None, short_mm: float | None) -> CannotContinue:
    long_nominal, short_nominal = bar_lengths_mm(design)
    given = " and ".join(f"{mm:g} mm" for mm in (long_mm, short_mm) if mm is not None)
    return CannotContinue(
        "camera",
        f"A scale bar cannot measure {given}: the {design.family} card prints {long_nominal:g} mm (long) "
        f"and {short_nominal:g} mm (short).",
        "Measure both bars again and give the long one and the short one in millimetres.",
    )
