"""What pages carry besides the pattern, drawn: joints with their marks, check lines, the page's name."""

from __future__ import annotations

from extract.sheet.lettering import BOLD, PLAIN, shortened, text_width
from extract.sheet.paper import Page
from extract.sheet.room import Crowd
from extract.sheet.styles import DETAIL, GREY, Ink
from extract.sheet.tiles import MARK_RADIUS_MM, CheckCorner, Joint, free_share

_TRIM: Ink = (0.62, 0.62, 0.62)
_CHECK: Ink = (0.30, 0.30, 0.30)
_TICK_MM = 1.2
_STRIP_TEXT_MM = 2.1


def draw_joint(page: Page, joint: Joint, crowd: Crowd) -> None:
    page.line([joint.start, joint.end], DETAIL, _TRIM)
    for mark in joint.marks:
        draw_mark(page, mark)
    text = f"cut off · goes on {joint.neighbour}" if joint.on_top else f"{joint.neighbour} goes on top, up to the line"
    width = text_width(text, PLAIN, _STRIP_TEXT_MM) + 2.0
    x, y = joint.strip_point(free_share(joint, width, _STRIP_TEXT_MM, crowd))
    middle = 0.36 * _STRIP_TEXT_MM
    at = (x + middle, y) if joint.upright else (x, y + middle)
    page.text(at, text, _STRIP_TEXT_MM, ink=GREY, align="middle", turned=joint.upright)


def draw_mark(page: Page, centre: tuple[float, float]) -> None:
    """A ring with two opposite quarters filled: half of it is on each page, and a shift or turn breaks the pattern."""
    for start in (0.0, 180.0):
        page.wedge(centre, MARK_RADIUS_MM, start, 90.0, _TRIM)
    page.ring(centre, MARK_RADIUS_MM - DETAIL.width_mm / 2, DETAIL, _TRIM)


def draw_check_corner(page: Page, corner: CheckCorner) -> None:
    for line in corner.lines:
        (x0, y0), (x1, y1) = line.start, line.end
        page.line([line.start, line.end], DETAIL, _CHECK)
        for x, y in (line.start, line.end):
            tick = [(x - _TICK_MM, y), (x + _TICK_MM, y)] if line.upright else [(x, y - _TICK_MM), (x, y + _TICK_MM)]
            page.line(tick, DETAIL, _CHECK)
        away = (x1 > x0) if not line.upright else (y1 < y0)
        gap = 1.2 * corner.inward[1 if line.upright else 0]
        at = (x1 + 0.75, y1 + gap) if line.upright else (x1 + gap, y1 + 0.75)
        page.text(at, line.label, 2.1, ink=_CHECK, align="left" if away else "right", turned=line.upright)


def draw_name(page: Page, corner: CheckCorner, name: str, rows: tuple[str, ...]) -> None:
    box, left = corner.name_box, corner.inward[0] > 0
    x, align = (box.left, "left") if left else (box.right, "right")
    down = corner.inward[1] > 0
    y = box.top + 5.5 if down else box.bottom - 8.8
    page.text((x, y), name, 7.5, BOLD, ink=_CHECK, align=align)
    for row, text in enumerate(rows):
        page.text((x, y + 3.4 + 2.7 * row), shortened(text, 36), 2.1, ink=GREY, align=align)
