"""Where the shell lies, to a few millimetres and in a fraction of the time: enough for advice on the next photo."""

from __future__ import annotations

import numpy as np
from skimage.measure import find_contours

from extract.doors import Array, FlatView
from extract.ink.shell_view import card_white, coarser, shrink, table_view
from extract.ink.silhouette_coarse import candidates
from extract.ink.silhouette_net import CARD_MARGIN_MM
from extract.ink.silhouette_read import LEAST_SCORE, pick

COARSE = 6
"""Pixels of the millimetre view to one here: relief cuts vanish, which advice on cards does not need."""


def rough_outline(flat: FlatView) -> Array:
    """Closed outline (N, 2) in mm of the shell in the flat view, first point not repeated.

    Raises CannotContinue when no shell is to be seen or when it runs out of the picture.
    """
    small = shrink(flat, 1.0)
    coarse = coarser(table_view(small, card_white(small), CARD_MARGIN_MM), COARSE)
    blob = np.pad(pick(candidates(coarse, LEAST_SCORE)).astype(float), 1)
    longest = max(find_contours(blob, 0.5), key=len)
    return np.asarray(coarse.flat.mm_from_px(longest[:-1, ::-1] - 1), float)
