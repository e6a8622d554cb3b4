"""What the measured scale bars say about the printer."""

from __future__ import annotations

import math
from dataclasses import dataclass

from extract.doors import CannotContinue, CardDesign, TraceSettings
from extract.geometry.scalecard import bar_lengths_mm

PLAUSIBLE = (0.85, 1.15)
"""“Fit to page” shrinks A4 to 0.94 on letter paper; beyond these bounds the ruler was misread."""

DISAGREE = 0.03
"""The two directions of one printer differ by a few tenths of a per cent (common practice, no source)."""

RULER_SD_MM = 0.2
"""A steel rule divided in half millimetres, read at both ends (common practice, no source)."""

UNMEASURED_SD = 0.0015
"""Relative scale of an office printer that was told not to fit to page (common practice, no source)."""


@dataclass(frozen=True)
class Stretch:
    """Printed over nominal length along a card's x and y, and the relative 1 σ of that scale."""

    x: float = 1.0
    y: float = 1.0
    sd: float = UNMEASURED_SD


def printer_stretch(designs: list[CardDesign], settings: TraceSettings) -> Stretch:
    """The stretch of the cards' printer. All cards are taken to come from one printer and one feed direction; the
    bars may have been measured on any family lying on the table: the one they match best. With one bar measured the
    other direction is taken to be stretched alike. Raises ``CannotContinue`` for lengths no printed bar can have."""
    long_mm, short_mm = settings.bar_long_mm, settings.bar_short_mm
    if long_mm is None and short_mm is None:
        return Stretch()
    nominal = [bar_lengths_mm(design) for design in designs]
    ratios = [[m / n for m, n in zip((long_mm, short_mm), bars, strict=True) if m is not None] for bars in nominal]
    best = min(range(len(ratios)), key=lambda i: max(abs(ratio - 1) for ratio in ratios[i]))
    found, (long_nominal, short_nominal) = ratios[best], nominal[best]
    if not all(PLAUSIBLE[0] <= ratio <= PLAUSIBLE[1] for ratio in found):
        given = " and ".join(f"{mm:g} mm" for mm in (long_mm, short_mm) if mm is not None)
        raise CannotContinue(
            "camera",
            f"A scale bar cannot measure {given}: the {designs[best].family} card prints {long_nominal:g} mm (long) "
            f"and {short_nominal:g} mm (short).",
            "Measure both bars again and give the long one and the short one in millimetres.",
        )
    x, y = found[0], found[-1]
    if abs(x / y - 1) > DISAGREE:
        raise CannotContinue(
            "camera",
            f"The two scale bars disagree: one is {100 * x:.1f} % of its true length, the other {100 * y:.1f} %.",
            "Measure both bars again.",
        )
    read = [nominal_mm for mm, nominal_mm in ((long_mm, long_nominal), (short_mm, short_nominal)) if mm is not None]
    return Stretch(x, y, math.hypot(*(RULER_SD_MM / nominal_mm for nominal_mm in read)) / len(read))
