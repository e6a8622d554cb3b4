"""How parts fall on printed pages, as a picture for the screen."""

from __future__ import annotations

from extract.doors import Pattern
from extract.geometry.curve import svg_path
from extract.sheet.drawing import draw_pattern
from extract.sheet.layout import Box, lay_out, paper_named
from extract.sheet.screen import FAINT, FOAM, LINE, picture, text

_AIR = 0.02
_NAME_SHARE = 1 / 40


def pages_view(pattern: Pattern, paper: str, corner_mm: tuple[float, float] | None = None) -> tuple[str, int]:
    """SVG of the pages laid over the parts, each with its name, and how many are printed besides the guide page. Raises
    CannotContinue for an unknown paper or a pattern without parts."""
    drawn = draw_pattern(pattern)
    grid = lay_out([thing for part in drawn for thing in part.things], paper_named(paper), corner_mm)
    first, last = grid.tiles[0].window, grid.tiles[-1].window
    whole = Box(first.left, first.top, last.right, last.bottom)
    size = _NAME_SHARE * max(whole.width, whole.height)
    body = []
    for part in drawn:
        path = " ".join(svg_path(curve) for curve in (part.part.outline, *part.part.holes))
        line = f'stroke="{LINE}" stroke-width="{size / 12:.2f}"'
        body.append(f'<path d="{path}" fill="{FOAM}" fill-rule="evenodd" {line}/>')
        x, y = part.part.label_mm
        body.append(text(x, y, part.name, min(size, 1.2 * part.part.room_mm), bold=True))
    for tile in grid.printed:
        core = tile.core
        body.append(
            f'<rect x="{core.left:.1f}" y="{core.top:.1f}" width="{core.width:.1f}" height="{core.height:.1f}" '
            f'fill="none" stroke="{FAINT}" stroke-width="{size / 10:.2f}"/>'
        )
        body.append(text(core.left + 1.2 * size, core.top + size, tile.name, size, FAINT))
    count = len(grid.printed)
    told = f"{len(drawn)} parts on {count} pages of {paper}"
    return picture(whole.grown(_AIR * max(whole.width, whole.height)), told, size, body), count
