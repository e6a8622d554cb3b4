"""Measures of people and hats, with their sources. For showing beside a maker's own figures, never in their place."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from math import pi

INCH_MM = 25.4
SOURCE = (
    "ANSUR II, US Army 2012 (report NATICK/TR-15/007), percentiles of the public data files: 4082 men and 1986 women, "
    "soldiers and not the general public"
)
Group = str
"""``men`` or ``women``."""


@dataclass(frozen=True)
class Spread:
    """Mean, standard deviation and percentiles of one measure of one group, in mm."""

    mean: float
    sd: float
    p1: float
    p5: float
    p50: float
    p95: float
    p99: float


MEASURES: dict[str, dict[Group, Spread]] = {
    "head circumference": {
        "men": Spread(574.4, 16.0, 538, 548, 574, 601, 614),
        "women": Spread(561.1, 19.4, 521, 532, 560, 597, 611),
    },
    "head length": {
        "men": Spread(199.5, 7.0, 182, 188, 200, 211, 215),
        "women": Spread(189.8, 7.4, 172, 178, 190, 202, 208),
    },
    "head breadth": {
        "men": Spread(154.3, 5.5, 142, 146, 154, 163, 168),
        "women": Spread(147.8, 5.2, 136, 140, 147, 156, 160),
    },
    "neck circumference": {
        "men": Spread(397.6, 25.8, 346, 360, 395, 443, 467),
        "women": Spread(329.8, 19.2, 291, 302, 328, 363, 384),
    },
    "chest circumference": {
        "men": Spread(1058.7, 87, 873, 922, 1056, 1207, 1276),
        "women": Spread(946.9, 83, 784, 824, 940, 1094, 1160),
    },
    "upper arm circumference": {
        "men": Spread(358.1, 35, 280, 303, 357, 418, 448),
        "women": Spread(305.6, 31, 244, 259, 304, 360, 388),
    },
    "forearm circumference": {
        "men": Spread(310.1, 22, 263, 275, 310, 348, 365),
        "women": Spread(264.1, 19, 225, 235, 263, 296, 312),
    },
    "thigh circumference": {
        "men": Spread(625.1, 58, 497, 532, 624, 723, 774),
        "women": Spread(616.1, 56, 495, 527, 613, 711, 757),
    },
    "calf circumference": {
        "men": Spread(392.3, 30, 330, 346, 392, 443, 467),
        "women": Spread(373.3, 29, 313, 328, 372, 423, 452),
    },
}
"""Upper arm and forearm flexed. Women's head circumference may include hair (from memory)."""

BODY_PARTS = tuple(name.removesuffix(" circumference") for name in MEASURES if name.endswith("circumference"))


@dataclass(frozen=True)
class HatSizes:
    """One head in three systems; ``eu`` in cm."""

    us: float
    uk: float
    eu: float


def hat_sizes(circumference_mm: float) -> HatSizes:
    """US: inches of circumference over π, to the nearest eighth; UK an eighth less; EU centimetres (three hat makers'
    charts agree up to 58 cm; one is an eighth larger beyond)."""
    us = round(circumference_mm / INCH_MM / pi * 8) / 8
    return HatSizes(us, us - 0.125, round(circumference_mm / 10))


_EIGHTHS = {"⅛": "1/8", "¼": "1/4", "⅜": "3/8", "½": "1/2", "⅝": "5/8", "¾": "3/4", "⅞": "7/8"}
_HAT = re.compile(r"(?:(US|UK|EU)\s*)?(\d{1,2}(?:\.\d+)?)(?:\s+(\d/\d))?\s*(US|UK|EU|cm)?", re.IGNORECASE)


def circumference_of_hat(text: str) -> float | None:
    """Head circumference in mm of a hat size such as "US 7 1/8", "7⅛ UK" or "57"; None for what is no hat size."""
    plain = text.strip()
    for sign, fraction in _EIGHTHS.items():
        plain = plain.replace(sign, f" {fraction}")
    match = _HAT.fullmatch(plain.strip())
    if match is None:
        return None
    size = float(match[2]) + (float(Fraction(match[3])) if match[3] and not match[3].endswith("0") else 0.0)
    system = (match[1] or match[4] or ("EU" if size > 20 else "US")).upper()
    if system in ("EU", "CM"):
        return size * 10 if 40 <= size <= 70 else None
    inches = size + (0.125 if system == "UK" else 0.0)
    return inches * INCH_MM * pi if 5 <= size <= 9 else None
