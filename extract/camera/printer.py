"""What the measured scale bars say about the printer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag

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
    """What the measured bars say of every family. They may have been measured on any family lying on the table: the
    one they match best. The others are expected to be stretched alike, give or take ``SAME_PRINTER``. With one bar
    measured the other direction is expected to be stretched alike too. Raises ``CannotContinue`` for lengths no
    printed bar can have."""
    families = {design.family: design for design in designs}
    long_mm, short_mm = settings.bar_long_mm, settings.bar_short_mm
    own = np.eye(2) * (1 - SAME_PRINTER) * unmeasured_sd**2
    if long_mm is None and short_mm is None:
        expected, common, strays = np.ones(2), np.eye(2) * SAME_PRINTER * unmeasured_sd**2, [own] * len(families)
    else:
        best = _best_match(families, long_mm, short_mm)
        expected, sd = stretch_from_bars(families[best], long_mm, short_mm, unmeasured_sd)
        common, strays = np.diag(sd**2), [np.zeros((2, 2)) if family == best else 2 * own for family in families]
    everywhere = np.kron(np.ones((len(families),) * 2), common)
    return Prints(dict.fromkeys(families, expected), everywhere + block_diag(*strays))


def _best_match(families: dict[str, CardDesign], long_mm: float | None, short_mm: float | None) -> str:
    ratios = {family: _ratios((long_mm, short_mm), design) for family, design in families.items()}
    return min(ratios, key=lambda family: max(abs(r - 1) for r in ratios[family] if r is not None))


def stretch_from_bars(
    design: CardDesign, long_mm: float | None, short_mm: float | None, unmeasured_sd: float = UNMEASURED_SD
) -> tuple[Array, Array]:
    """Stretch along x and y (2,) as one or both measured bars of a card say, and 1 σ of each. Raises
    ``CannotContinue`` for lengths no printed bar can have."""
    x, y = _ratios((long_mm, short_mm), design)
    found = [ratio for ratio in (x, y) if ratio is not None]
    if not all(PLAUSIBLE[0] <= ratio <= PLAUSIBLE[1] for ratio in found):
        raise _impossible(design, long_mm, short_mm)
    if x is not None and y is not None and abs(x / y - 1) > DISAGREE:
        raise CannotContinue(
            "camera",
            f"The two scale bars disagree: one is {100 * x:.1f} % of its true length, the other {100 * y:.1f} %.",
            "Measure both bars again.",
        )
    sd_x, sd_y = (RULER_SD_MM / nominal for nominal in bar_lengths_mm(design))
    # the other direction of a printer strays from this one as two unmeasured ones do from each other
    guess = math.sqrt(2) * unmeasured_sd
    if x is None:
        sd_x = math.hypot(sd_y, guess)
    if y is None:
        sd_y = math.hypot(sd_x, guess)
    return np.array([x or found[0], y or found[0]]), np.array([sd_x, sd_y])


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
