"""A picture of how a piece's halves differ: its outline with the difference to the other half's mirror image drawn on
it, enlarged. As SVG in millimetres; for looking at, not for cutting."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

import numpy as np

from extract.doors import Array

_BORDER_MM, _LEGEND_MM = 24.0, 135.0
_TALLEST_MM = 14.0
_SMALLEST_MM = 0.05
_ENLARGEMENTS = (1, 2, 5, 10, 20, 50, 100)
# Told apart by eyes of all kinds, and by their side of the outline as well.
_OUT, _IN = "#c2571a", "#1f5fa8"
_SIZE_MM = 4.0


def halves_svg(title: str, points: Sequence[Sequence[float]], by: Sequence[float], axis: Array, most_mm: float) -> str:
    """``points`` (N, 2) run evenly round the outline (clockwise to the eye); ``by`` (N,) mm sticks out each of them
    further than the other side; ``axis`` (2, 2) are its ends; ``most_mm`` is the largest difference of all."""
    ring, gap = np.asarray(points, float), np.asarray(by, float)
    large = _enlargement(most_mm)
    tips = ring + (gap * large)[:, None] * _outwards(ring)
    low = np.vstack([ring, tips, axis]).min(axis=0) - (_BORDER_MM / 3, _BORDER_MM)
    high = np.vstack([ring, tips, axis]).max(axis=0) + _BORDER_MM / 3
    high[0] = max(high[0], low[0] + _LEGEND_MM)
    width, height = high - low
    says = f"{title}: the halves differ by up to {most_mm:.1f} mm"
    body = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.2f}mm" height="{height:.2f}mm" '
        f'viewBox="{low[0]:.2f} {low[1]:.2f} {width:.2f} {height:.2f}">',
        f"<title>{escape(says)}</title>",
        f'<rect x="{low[0]:.2f}" y="{low[1]:.2f}" width="{width:.2f}" height="{height:.2f}" fill="#fff"/>',
        *_bands(ring, tips, gap),
        f'<path d="{_path(ring)}" fill="none" stroke="#000" stroke-width="0.5"/>',
        f'<path d="M {_pair(axis[0])} L {_pair(axis[1])}" stroke="#000" stroke-width="0.25" '
        'stroke-dasharray="6 0.75 0.125 0.75"/>',
        *_legend(low, says, large),
        "</svg>",
    ]
    return "\n".join(body) + "\n"


def _enlargement(most_mm: float) -> int:
    fitting = [times for times in _ENLARGEMENTS if times * most_mm <= _TALLEST_MM]
    return max(fitting, default=1)


def _outwards(ring: Array) -> Array:
    """Unit vectors (N, 2) out of the piece."""
    way = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    across = np.stack([way[:, 1], -way[:, 0]], axis=1)
    return np.asarray(across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12))


def _bands(ring: Array, tips: Array, gap: Array) -> list[str]:
    """One area for each stretch of the outline that visibly sticks out, or falls short."""
    side = np.where(np.abs(gap) >= _SMALLEST_MM, np.sign(gap), 0.0)
    starts = np.flatnonzero(side != np.roll(side, 1))
    if not len(starts):
        starts = np.array([0])
    shown = []
    for start, end in zip(starts, [*starts[1:], starts[0] + len(ring)], strict=True):
        if side[start] != 0:
            at = np.arange(start, end + 1) % len(ring)
            corners = " ".join(_pair(point) for point in (*ring[at], *tips[at[::-1]]))
            shown.append(f'<polygon points="{corners}" fill="{_OUT if side[start] > 0 else _IN}"/>')
    return shown


def _legend(low: Array, says: str, large: int) -> list[str]:
    x, y = low[0] + 3.0, low[1] + 3.0 + _SIZE_MM
    drawn = "drawn as large as it is" if large == 1 else f"drawn {large} times as large"
    rows = [
        (says, "#000"),
        (f"sticks out further than the other side, {drawn}", _OUT),
        ("falls short of the other side", _IN),
    ]
    return [
        f'<text x="{x:.2f}" y="{y + 1.3 * _SIZE_MM * k:.2f}" font-size="{_SIZE_MM}" '
        f'font-family="Helvetica, Arial, sans-serif" fill="{ink}">{escape(text)}</text>'
        for k, (text, ink) in enumerate(rows)
    ]


def _path(ring: Array) -> str:
    return "M " + " L ".join(_pair(point) for point in ring) + " Z"


def _pair(point: Array) -> str:
    return f"{point[0]:.3f} {point[1]:.3f}"
