"""What pictures for the screen share: their frame, their lettering, their colours.

They are drawings to look at, not to cut from: nothing on them is at a stated scale, so they fit any screen. Their paper
is light by day and by night, as paper is.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

from extract.sheet.layout import Box

PAPER, FOAM, LIT, LINE, FAINT = "#fbf9f4", "#efe9dc", "#f6dfae", "#3b362e", "#a39b8b"


def picture(box: Box, told: str, size: float, body: Sequence[str]) -> str:
    """SVG of what lies in ``box``; ``told`` says in words what it shows, ``size`` is the usual height of letters."""
    place = f'x="{box.left:.1f}" y="{box.top:.1f}"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label={quoteattr(words(told))} '
            f'viewBox="{box.left:.1f} {box.top:.1f} {box.width:.1f} {box.height:.1f}" '
            f'font-family="sans-serif" font-size="{size:.2f}" text-anchor="middle" stroke-linejoin="round">',
            f'<rect {place} width="100%" height="100%" fill="{PAPER}"/>',
            *body,
            "</svg>",
        ]
    )


def text(x: float, y: float, said: str, size: float, colour: str = LINE, bold: bool = False) -> str:
    """Words with their middle at (x, y)."""
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.2f}" y="{y + 0.35 * size:.2f}" font-size="{size:.2f}" fill="{colour}"{weight}>'
        f"{words(said)}</text>"
    )


def words(said: str) -> str:
    """Text fit for XML 1.0, which has no place for control characters."""
    return escape("".join(sign if sign.isprintable() else " " for sign in said))
