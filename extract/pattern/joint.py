"""Two flat sheets that meet at an angle: how far their edges lean, what the other face loses, what gapes if they do
not lean. Plane trigonometry; the sizes hold on the face where the drawn lines meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from extract.build import Figure
from extract.geometry.runs import refused


@dataclass(frozen=True)
class Joint:
    """``lean_deg``: each edge from square; ``shift_mm``: how far the other face lies back; ``gap_mm``: between the
    outer faces if both edges stay square and touch at the inside."""

    lean_deg: float
    shift_mm: float
    gap_mm: float


def joint(between_deg: float, thickness_mm: float) -> Joint:
    """For two sheets with ``between_deg`` of angle between them (180 when in line), each ``thickness_mm`` thick."""
    if not 0 < between_deg <= 180:
        raise refused(
            f"Two sheets cannot meet at {between_deg:g}°.", "Give the angle between them, above 0° up to 180°."
        )
    lean = (180 - between_deg) / 2
    rad = np.radians(lean)
    return Joint(lean, float(thickness_mm * np.tan(rad)), float(2 * thickness_mm * np.sin(rad)))


def joint_figures(lean_deg: float, thickness_mm: float, where: str = "") -> tuple[Figure, ...]:
    """The figures shown when an edge is finished leaning."""
    found = joint(180 - 2 * abs(lean_deg), thickness_mm)
    return (
        Figure("lean of the edge", "°", None, found.lean_deg, where),
        Figure("angle between two sheets with such edges", "°", None, 180 - 2 * found.lean_deg, where),
        Figure("the other face lies back", "mm", None, found.shift_mm, where),
        Figure("gap if both edges stay square", "mm", None, found.gap_mm, where),
    )
