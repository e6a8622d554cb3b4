"""Names the colour of a stroke by what its ink takes out of the light of the tape."""

from __future__ import annotations

import numpy as np

from extract.doors import Array

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
