"""One sheet of a foam plan as a picture for the screen: its parts with their numbers over a grid of 100 mm."""

from __future__ import annotations

from collections.abc import Iterator
from xml.sax.saxutils import escape

import numpy as np

from extract.build import CutSheet, PlacedPart
from extract.geometry.curve import svg_path, transformed
from extract.sheet.foamplan import sheet_from_part
from extract.sheet.lettering import part_name

_PAPER, _FOAM, _LINE, _GRID = "#fbf9f4", "#efe9dc", "#3b362e", "#cfc7b6"
_GRID_MM = 100
_LETTER_SHARE = 1 / 40
"""Height of letters as a share of the sheet's longer side, so that they read alike for every size."""


def foam_view(sheet: CutSheet) -> str:
    """SVG of the sheet, in millimetres from its upper left corner."""
    stock = sheet.stock
    width, height = stock.width_mm, stock.height_mm
    size = _LETTER_SHARE * max(width, height)
    told = escape(f"Sheet {sheet.number}, {stock.name}, with {len(sheet.placed)} parts")
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{-size:.1f} {-2 * size:.1f} {width + 2 * size:.1f} '
        f'{height + 3 * size:.1f}" role="img" aria-label="{told}" font-family="sans-serif" text-anchor="middle" '
        f'stroke-linejoin="round">',
        f'<rect x="0" y="0" width="{width:g}" height="{height:g}" fill="{_PAPER}" stroke="{_LINE}" '
        f'stroke-width="{size / 8:.2f}"/>',
        *_grid(width, height, size),
        *(line for item in sheet.placed for line in _part(item, size)),
        "</svg>",
    ]
    return "\n".join(lines)


def _grid(width: float, height: float, size: float) -> Iterator[str]:
    ways = [f"M {x} 0 V {height:g}" for x in range(_GRID_MM, int(width) + 1, _GRID_MM)]
    ways += [f"M 0 {y} H {width:g}" for y in range(_GRID_MM, int(height) + 1, _GRID_MM)]
    yield f'<path d="{" ".join(ways)}" fill="none" stroke="{_GRID}" stroke-width="{size / 16:.2f}"/>'
    for x in range(0, int(width) + 1, _GRID_MM):
        yield f'<text x="{x}" y="{-0.5 * size:.1f}" font-size="{0.7 * size:.1f}" fill="{_LINE}">{x}</text>'


def _part(item: PlacedPart, size: float) -> Iterator[str]:
    matrix = sheet_from_part(item)
    curves = [transformed(curve, matrix) for curve in (item.part.outline, *item.part.holes)]
    path = " ".join(svg_path(curve) for curve in curves)
    yield (
        f'<path d="{path}" fill="{_FOAM}" fill-rule="evenodd" stroke="{_LINE}" stroke-width="{size / 12:.2f}">'
        f"<title>{escape(part_name(item.part))}</title></path>"
    )
    x, y = matrix[:, :2] @ np.asarray(item.part.label_mm, float) + matrix[:, 2]
    letters = min(size, max(0.5 * size, 1.6 * item.part.room_mm))
    yield (
        f'<text x="{x:.1f}" y="{y + 0.36 * letters:.1f}" font-size="{letters:.1f}" font-weight="bold" '
        f'fill="{_LINE}">{escape(part_name(item.part))}</text>'
    )
