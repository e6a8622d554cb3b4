"""Names the colour of a stroke by what its ink takes out of the light of the tape."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from extract.doors import Array

EVEN_SHARE = 0.6
"""Black ink takes all three channels alike; the least absorbed one is still over this share of the most absorbed."""


def colour_names(absorbed: Sequence[Array], lengths_mm: Sequence[float]) -> list[str]:
    """Plain colour names for absorption vectors ln(tape / ink) in B, G, R."""
    return [_name(a) for a in absorbed]


def _name(absorbed: Array) -> str:
    share = np.maximum(absorbed, 0) / max(float(absorbed.max()), 1e-6)
    if share.min() > EVEN_SHARE:
        return "black"
    blue, green, red = share
    passed = 1 - share
    if passed[2] > 2 * max(passed[0], passed[1]):
        return "red"
    if passed[0] > 1.5 * passed[2] and blue == share.min():
        return "blue"
    if green == share.min():
        return "green"
    return "red" if red == share.min() else "purple"


def darkest(names: Sequence[str], absorbed: Sequence[Array], lengths_mm: Sequence[float]) -> str:
    """The colour whose ink takes the most light, weighed by stroke length."""
    totals: dict[str, list[tuple[float, float]]] = {}
    for name, a, mm in zip(names, absorbed, lengths_mm, strict=True):
        totals.setdefault(name, []).append((float(a.mean()), mm))
    return max(totals, key=lambda n: np.average([a for a, _ in totals[n]], weights=[m for _, m in totals[n]]))
