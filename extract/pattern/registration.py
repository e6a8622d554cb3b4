"""Where the maker drew registration ticks across a run of edges."""

from __future__ import annotations

import numpy as np

from extract.build import Build, Run
from extract.geometry.curve import curve_at, curve_points, nearest_parameters
from extract.geometry.runs import piece_named, run_curve
from extract.geometry.slits import glued_ways, run_length

_SNAP_MM = 3.0
"""A tick is drawn across the seam; a hand's ends miss it by no more than this (common practice, no source)."""


def drawn_shares(build: Build, run: Run, against: bool) -> dict[str, float]:
    """Shares along the seam of the ticks drawn across a run, by the detail's id."""
    curve, length = run_curve(build, run), run_length(build, run)
    found = {}
    for detail in piece_named(build, run.piece).details:
        if detail.use != "tick":
            continue
        points = curve_points(detail.curve, 0.1)
        at = nearest_parameters(curve, points)
        gap = np.linalg.norm(curve_at(curve, at) - points, axis=1)
        nearest = int(np.argmin(gap))
        if gap[nearest] <= _SNAP_MM:
            share = float(glued_ways(build, run, at[nearest : nearest + 1])[0] / length)
            found[detail.id] = 1 - share if against else share
    return found
