"""Names the colour of a stroke by what its ink takes out of the light of the tape, and finds the inks of a photo."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from extract.doors import Array
from extract.ink.branches import Run

LEAST_SHARE, LEAST_INK_MM = 0.03, 60.0
"""Less of one colour is where two inks overlap, or a slip of the camera's colours, not a pen of its own."""

EVEN_SHARE = 0.6
"""Black ink takes all three channels alike; the least absorbed one is still over this share of the most absorbed."""
DARKEST_FIRST = ("black", "blue", "purple", "red", "green")
"""By the luminance of the pure hues, ITU-R BT.709: blue 0.07, red 0.21, green 0.72."""


def colour_name(absorbed: Array) -> str:
    """A plain colour name for an absorption vector ln(tape / ink) in B, G, R."""
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


def inks_of(runs: Sequence[Run]) -> dict[str, Array]:
    """The inks that ``runs`` were drawn with: colour name and typical absorption ln(tape / ink) in B, G, R; most used
    first."""
    by_name: dict[str, list[Run]] = defaultdict(list)
    for run in runs:
        by_name[colour_name(run.absorbed)].append(run)
    drawn_mm = {name: sum(run.length_mm for run in of) for name, of in by_name.items()}
    least = max(LEAST_INK_MM, LEAST_SHARE * sum(drawn_mm.values()))
    kept = sorted((name for name in by_name if drawn_mm[name] >= least), key=lambda name: -drawn_mm[name])
    return {name: _typical(by_name[name]) for name in kept}


def _typical(runs: Sequence[Run]) -> Array:
    """Median absorption, long runs counting more."""
    counts = [max(1, round(run.length_mm)) for run in runs]
    return np.asarray(np.median(np.repeat([run.absorbed for run in runs], counts, axis=0), axis=0))
