"""Which of the maker's inks has the colour of the table the shell lies on: such a line looks like a cut."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from extract.doors import Array, FlatView, Silhouette, Stroke
from extract.ink.reach import shell_of
from extract.ink.shell_view import Image, card_white, lab_of, shrink

OFF_MM = (8.0, 14.0, 20.0)
"""The table is looked at so far from the shell: beyond its shadow, and not beyond the table."""

LEAST_CHROMA, MOST_APART = 10.0, 20.0
"""CIE chroma of what has a colour at all (black ink has 0 to 1, kraft paper 20), and degrees of hue between two of the
same: blue ink and a blue mat are 2 apart, red ink and wood 50."""


def colours_like_table(flat: FlatView, silhouette: Silhouette, strokes: Sequence[Stroke]) -> tuple[str, ...]:
    """Names of those inks among ``strokes`` whose hue (CIE 1976 L*a*b*) is the table's."""
    white = card_white(shrink(flat, 1.0))
    shell = shell_of(silhouette)
    round_it = shapely.segmentize([shell.buffer(off).boundary for off in OFF_MM], 2.0)
    table = _typical(flat, white, shapely.get_coordinates(round_it))
    names = dict.fromkeys(stroke.colour for stroke in strokes)
    inks = {name: np.vstack([stroke.points_mm for stroke in strokes if stroke.colour == name]) for name in names}
    return tuple(name for name, points in inks.items() if _same_hue(_typical(flat, white, points), table))


def _typical(flat: FlatView, white: Image, points_mm: Array) -> Array:
    """Median CIE a*, b* (2,) at points that the photo saw; without colour where it saw none."""
    columns, rows = np.round(flat.px_from_mm(points_mm)).astype(int).T
    height, width = flat.valid.shape
    within = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
    seen = flat.pixels[rows[within], columns[within]][flat.valid[rows[within], columns[within]]]
    return np.median(lab_of(seen[None], white)[0, :, 1:], axis=0) if len(seen) else np.zeros(2)


def _same_hue(one: Array, other: Array) -> bool:
    chroma = np.hypot(*one), np.hypot(*other)
    return bool(min(chroma) > LEAST_CHROMA and one @ other > np.cos(np.radians(MOST_APART)) * np.prod(chroma))
