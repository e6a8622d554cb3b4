"""Sheets as a maker writes them: "1000x500x6:2@8.50" is 1000 by 500 mm, 6 mm thick, two of them there, 8.50 each."""

from __future__ import annotations

import re
from math import isfinite

from extract.build import SheetStock
from extract.doors import CannotContinue

_NUMBER = r"(\d{1,6}(?:[.,]\d{1,3})?)"
_SHEET = re.compile(
    rf"\s*{_NUMBER}\s*[x×*]\s*{_NUMBER}\s*[x×*]\s*{_NUMBER}\s*(?:mm)?\s*(?::\s*(\d{{1,3}}))?\s*(?:@\s*{_NUMBER})?\s*",
    re.IGNORECASE,
)
_SIDES_MM = (20.0, 4_000.0)
_THICKEST_MM = 200.0
SAME_MM = 0.05
"""Thicknesses this near to one another are the same stock."""


def refused(reason: str, advice: str) -> CannotContinue:
    return CannotContinue("foam", reason, advice)


def sheet_from(text: str) -> SheetStock:
    """The sheet that ``text`` describes; CannotContinue for what is none."""
    match = _SHEET.fullmatch(text)
    if match is None:
        raise refused(
            f"“{text[:60]}” is no sheet.",
            "Write width, height and thickness in mm, then how many you have and what one costs: 1000x500x6:2@8.50.",
        )
    width, height, thickness = (_value(match[k]) for k in (1, 2, 3))
    if not all(_SIDES_MM[0] <= side <= _SIDES_MM[1] for side in (width, height)) or not 0 < thickness <= _THICKEST_MM:
        raise refused(
            f"A sheet of {text.strip()[:60]} is hardly meant.", "Sizes are in mm: width x height x thickness."
        )
    return SheetStock(width, height, thickness, int(match[4] or 0), _value(match[5]) if match[5] else None)


def _value(text: str) -> float:
    value = float(text.replace(",", "."))
    return value if isfinite(value) else 0.0
