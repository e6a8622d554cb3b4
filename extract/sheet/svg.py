"""The pattern as SVG in true millimetres, in the pattern's own frame (x right, y down)."""

from __future__ import annotations

from xml.sax.saxutils import quoteattr

from extract.doors import Pattern
from extract.geometry.curve import svg_path
from extract.sheet.drawing import DrawnLine, DrawnPart, draw_pattern
from extract.sheet.layout import box_around
from extract.sheet.lettering import BOLD, Lettering, plus_minus
from extract.sheet.screen import words
from extract.sheet.styles import CUT, Ink, LineStyle
from extract.sheet.words_along import DrawnText

# Room around the pattern, so that no viewer clips a line on the very edge.
_BORDER_MM = 2.0
_FONT = 'font-family="Helvetica, Arial, sans-serif" text-anchor="middle" fill="#000"'
_GROUPS = (
    ("references", ("reference",)),
    ("ticks", ("tick",)),
    ("rings", ("ring",)),
    ("notes", ("note",)),
    ("centres", ("centre", "axis")),
    ("scores", ("score",)),
    ("burns", ("burn",)),
    ("arrows", ("arrow",)),
)


def pattern_svg(pattern: Pattern) -> str:
    """An SVG document whose user unit is one millimetre: width and height are in mm and the viewBox is the pattern's
    extent, so every coordinate is the pattern's own and the origin may be negative.

    Each part is one group ("part-3-L") with a title, one path for its outline and holes, subgroups for its marks, and
    its lettering. Raises CannotContinue for a pattern without parts.
    """
    drawn = draw_pattern(pattern)
    extent = box_around([part.box for part in drawn]).grown(_BORDER_MM)
    size = f'width="{_number(extent.width)}mm" height="{_number(extent.height)}mm"'
    view = " ".join(_number(value) for value in (extent.left, extent.top, extent.width, extent.height))
    title = f"Pattern from {pattern.photo_name}, {pattern.date}"
    body = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" {size} viewBox="{view}">',
        f"<title>{words(title)}</title>",
        "<desc>One unit is one millimetre.</desc>",
        '<g fill="none" stroke-linejoin="round">',
        *(_part_group(part) for part in drawn),
        "</g>",
        "</svg>",
    ]
    return "\n".join(body) + "\n"


def _part_group(part: DrawnPart) -> str:
    cut = [line for line in part.lines if line.role in ("outline", "hole")]
    path = " ".join(svg_path(line.curve) for line in reversed(cut))
    area = f"{part.part.area_mm2 / 100:.1f} cm²"
    rows = [
        f"<g id={quoteattr(part.id)}>",
        f"<title>{words(f'{part.name}, {area}, {plus_minus(part.part.sigma_mm)}')}</title>",
        f'<path id="{part.id}-outline" fill-rule="evenodd" {_stroke(CUT)} d="{path}"/>',
    ]
    for name, roles in _GROUPS:
        lines = [line for line in part.lines if line.role in roles]
        if lines:
            rows += [f'<g id="{part.id}-{name}">', *(_mark(line) for line in lines), "</g>"]
    if part.words:
        rows += [f'<g id="{part.id}-words" {_FONT}>', *(_word(word) for word in part.words), "</g>"]
    rows += [_label(part.id, part.lettering, [line for line in part.lines if line.role == "leader"]), "</g>"]
    return "\n".join(rows)


def _mark(line: DrawnLine) -> str:
    offset = f' stroke-dashoffset="{_number(line.phase_mm)}"' if line.phase_mm else ""
    return f'<path {_stroke(line.style)}{offset} d="{svg_path(line.curve)}"/>'


def _word(word: DrawnText) -> str:
    x, y = (_number(value) for value in word.baseline)
    turned = f' transform="rotate({_number(word.angle_deg)} {x} {y})"' if word.angle_deg else ""
    return f'<text x="{x}" y="{y}" font-size="{_number(word.size_mm)}"{turned}>{words(word.text)}</text>'


def _label(part_id: str, label: Lettering, leaders: list[DrawnLine]) -> str:
    rows = [f'<g id="{part_id}-label" {_FONT}>']
    rows += [_mark(line) for line in leaders]
    for line, y in label.baselines():
        weight = ' font-weight="bold"' if line.font == BOLD else ""
        place = f'x="{_number(label.centre[0])}" y="{_number(y)}" font-size="{_number(line.size_mm)}"'
        rows.append(f"<text {place}{weight}>{words(line.text)}</text>")
    return "\n".join([*rows, "</g>"])


def _stroke(style: LineStyle) -> str:
    dashes = f' stroke-dasharray="{" ".join(_number(length) for length in style.dashes_mm)}"' if style.dashes_mm else ""
    return f'stroke="{_hex(style.ink)}" stroke-width="{_number(style.width_mm)}"{dashes}'


def _hex(ink: Ink) -> str:
    return "#" + "".join(f"{round(255 * share):02x}" for share in ink)


def _number(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")
