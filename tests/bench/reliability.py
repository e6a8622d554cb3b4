"""The reliability plot: how often the truth lay within the spread that was stated for it."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

from PIL import Image, ImageDraw, ImageFont

SIDE, LEFT, TOP = 560, 110, 40
INKS = ("#1f4e79", "#b3541e", "#3f7d20")


def reliability_png(shares: Sequence[float], lines: Mapping[str, Sequence[float]]) -> bytes:
    """PNG bytes. ``shares`` (0 to 1) is what was stated, each of ``lines`` what was found; on the diagonal the stated
    spread is true, above it too wide, below it too narrow."""
    image = Image.new("RGB", (LEFT + SIDE + 40, TOP + SIDE + 90), "white")
    draw, font = ImageDraw.Draw(image), ImageFont.load_default(18)
    draw.line([_at(0, 0), _at(1, 1)], fill="#b0b0b0", width=2)
    draw.rectangle([_at(0, 1), _at(1, 0)], outline="#404040", width=2)
    for tenth in range(0, 11, 2):
        x, y = _at(tenth / 10, 0)
        draw.text((x, y + 8), f"{10 * tenth}", fill="black", font=font, anchor="mt")
        draw.text((LEFT - 10, _at(0, tenth / 10)[1]), f"{10 * tenth}", fill="black", font=font, anchor="rm")
    draw.text((LEFT + SIDE / 2, TOP + SIDE + 50), "stated interval (%)", fill="black", font=font, anchor="mt")
    draw.text((LEFT - 90, TOP - 12), "truth within it (%)", fill="black", font=font, anchor="lb")
    for i, (ink, (name, found)) in enumerate(zip(INKS, lines.items(), strict=False)):
        draw.line([_at(*pair) for pair in zip(shares, found, strict=True)], fill=ink, width=3)
        draw.text((LEFT + 20, TOP + 20 + 26 * i), name, fill=ink, font=font)
    out = io.BytesIO()
    image.quantize(32).save(out, "PNG", optimize=True)
    return out.getvalue()


def _at(stated: float, found: float) -> tuple[float, float]:
    return LEFT + SIDE * stated, TOP + SIDE * (1 - found)
