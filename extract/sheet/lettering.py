"""What is written on a part and where: inside when there is room, else beside it with a leader line. Pure, in mm."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from math import ceil, cos, hypot, pi, sin

import shapely
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from shapely import Geometry, LineString, STRtree

from extract.doors import Part
from extract.sheet.layout import Box

PLAIN, BOLD, SPARE = "Helvetica", "Helvetica-Bold", "Vera"
MM = 72 / 25.4
_HEAD_MM, _BODY_MM, _SMALL_MM = 5.0, 2.7, 2.1
# Below 1.6 mm (4.5 pt) lettering fills in on an ordinary printer (common practice, no source).
_SMALLEST_SCALE = 1.6 / _SMALL_MM
_LEADING = 1.25
_CLEAR_MM = 1.5
_LONGEST_NAME = 24
# What a leader that crosses something costs, in mm of its own length.
_CROSSED_PART, _CROSSED_TEXT = 40.0, 120.0
# Further out the lettering would cost paper.
_RINGS_WEIGHED = 4


@dataclass(frozen=True)
class Line:
    """One line of text: its size is the font size in mm."""

    text: str
    size_mm: float
    font: str = PLAIN

    @property
    def width_mm(self) -> float:
        return text_width(self.text, self.font, self.size_mm)


@dataclass(frozen=True)
class Lettering:
    """Lines centred on ``centre`` one below the other; ``leader`` runs from the text to a dot inside the part."""

    lines: tuple[Line, ...]
    centre: tuple[float, float]
    leader: tuple[tuple[float, float], tuple[float, float]] | None = None

    @cached_property
    def box(self) -> Box:
        width, height = _size(self.lines)
        x, y = self.centre
        return Box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)

    def baselines(self) -> list[tuple[Line, float]]:
        """Each line with the y of its baseline."""
        placed, y = [], self.box.top
        for line in self.lines:
            # A capital is about 0.72 of the font size; its middle goes to the middle of the line's share of the box.
            placed.append((line, y + line.size_mm * (_LEADING / 2 + 0.36)))
            y += line.size_mm * _LEADING
        return placed


@cache
def _spare_font() -> frozenset[int]:
    """Code points of the font the PDF library ships, for names that the base fonts cannot write."""
    font = TTFont(SPARE, "Vera.ttf")
    pdfmetrics.registerFont(font)
    return frozenset(font.face.charToGlyph)


def printable(text: str, font: str = PLAIN) -> tuple[str, str]:
    """``text`` and the font to set it in. Signs no font here has become "?", line breaks become spaces."""
    # Picture names from some systems hold a letter and its accent apart; joined, the base fonts know them.
    text = " ".join(unicodedata.normalize("NFC", text).split())
    try:
        text.encode("cp1252")
        return "".join(sign if sign.isprintable() else "?" for sign in text), font
    except UnicodeEncodeError:
        known = _spare_font()
        return "".join(sign if ord(sign) in known else "?" for sign in text), SPARE


@lru_cache(maxsize=20_000)
def text_width(text: str, font: str, size_mm: float) -> float:
    if font == SPARE:
        _spare_font()
    return float(pdfmetrics.stringWidth(text, font, size_mm))


def shortened(text: str, longest: int = _LONGEST_NAME) -> str:
    """The middle of a long name goes, since its start and its ending tell most."""
    if len(text) <= longest:
        return text
    tail = longest // 2
    return f"{text[: longest - tail - 1]}…{text[-tail:]}"


def plus_minus(sigma_mm: float) -> str:
    """± in tenths, rounded up so that the print never promises more than was found."""
    tenths = max(1, ceil(sigma_mm * 10 - 1e-6))
    return f"±{tenths / 10:.1f} mm"


def part_name(part: Part) -> str:
    return f"{part.number} {part.side}".strip()


def to_cut(part: Part) -> str:
    """ "cut 2 of foam, 6 mm", for parts of a build."""
    if not part.piece:
        return ""
    where = {"L": " left", "R": " right"}[part.side] if part.side else " on the centre line" if part.on_centre else ""
    thick = f", {part.thickness_mm:g} mm" if part.thickness_mm else ""
    return f"cut {part.copies}{where}" + (f" of {shortened(part.stock)}{thick}" if part.stock else "")


def part_lines(part: Part, date: str, photo_name: str) -> tuple[Line, ...]:
    """Number and side, name, material and how many, ±, date, photo name."""
    rows = (
        (part_name(part), _HEAD_MM, BOLD),
        (shortened(part.name), _BODY_MM, BOLD),
        (to_cut(part), _BODY_MM, PLAIN),
        ("seen from the back: this side up" if part.mirrored else "", _SMALL_MM, PLAIN),
        (plus_minus(part.sigma_mm), _BODY_MM, PLAIN),
        (date, _SMALL_MM, PLAIN),
        (shortened(photo_name), _SMALL_MM, PLAIN),
    )
    lines = []
    for text, size, font in rows:
        text, font = printable(text, font)
        if text:
            lines.append(Line(text, size, font))
    return tuple(lines)


def place_lettering(
    parts: Sequence[Part], regions: Sequence[Geometry], date: str, photo_name: str
) -> tuple[Lettering, ...]:
    """One lettering per part. ``regions`` are the parts as polygons; text moved outside keeps clear of all of them and
    of other text."""
    inside = [_inside(part, part_lines(part, date, photo_name)) for part in parts]
    taken: list[Geometry] = list(regions) + [_polygon(label.box) for label in inside if label]
    placed = []
    for part, region, label in zip(parts, regions, inside, strict=True):
        if label is None:
            label = _beside(part, region, part_lines(part, date, photo_name), taken, len(regions))
            taken.append(_polygon(label.box))
            if label.leader:
                taken.append(LineString(label.leader))
        placed.append(label)
    return tuple(placed)


def _inside(part: Part, lines: tuple[Line, ...]) -> Lettering | None:
    """The lettering in the part's free circle, shrunk if need be; None when it would be too small to read."""
    width, height = _size(lines)
    scale = min(1.0, 2 * part.room_mm / hypot(width + _CLEAR_MM, height + _CLEAR_MM))
    if scale < _SMALLEST_SCALE:
        return None
    return Lettering(_scaled(lines, scale), (float(part.label_mm[0]), float(part.label_mm[1])))


def kept_whole(label: Lettering, room_mm: float, cores: Sequence[Box]) -> Lettering:
    """The lettering moved as little as needed to lie on one page, where it can within its free circle of ``room_mm``;
    unmoved where it cannot, or where it stands outside its part."""
    if label.leader:
        return label
    box = label.box.grown(_CLEAR_MM)
    x, y = label.centre
    moves = []
    for core in cores:
        dx = max(core.left - box.left, 0.0) - max(box.right - core.right, 0.0)
        dy = max(core.top - box.top, 0.0) - max(box.bottom - core.bottom, 0.0)
        if hypot(abs(dx) + label.box.width / 2, abs(dy) + label.box.height / 2) <= room_mm:
            moves.append((hypot(dx, dy), dx, dy))
    _, dx, dy = min(moves, default=(0.0, 0.0, 0.0))
    return Lettering(label.lines, (x + dx, y + dy))


def _beside(part: Part, region: Geometry, lines: tuple[Line, ...], taken: list[Geometry], parts: int) -> Lettering:
    """A free place near the part whose leader crosses little, on the first rings around it that have one. ``taken``
    holds ``parts`` parts first, then lettering and leaders."""
    target = (float(part.label_mm[0]), float(part.label_mm[1]))
    tree = STRtree(taken)
    best: tuple[float, Lettering] | None = None
    rings = 0
    for label in _ring_places(region, _scaled(lines, _SMALLEST_SCALE)):
        rings += label is None and best is not None
        if rings == _RINGS_WEIGHED:
            break
        if label is None or len(tree.query(_polygon(label.box.grown(_CLEAR_MM)), predicate="intersects")):
            continue
        start = _nearest_on(label.box, target)
        crossed = tree.query(LineString([start, target]), predicate="intersects")
        cost = _CROSSED_TEXT * int((crossed >= parts).sum()) + _CROSSED_PART * int((crossed < parts).sum())
        cost += hypot(start[0] - target[0], start[1] - target[1])
        if best is None or cost < best[0] - 1e-9:
            best = cost, Lettering(label.lines, label.centre, (start, target))
    # Nothing within some 240 mm is free: over the part is better than not at all.
    return best[1] if best else Lettering(_scaled(lines, _SMALLEST_SCALE), target)


def _ring_places(region: Geometry, lines: tuple[Line, ...]) -> Iterator[Lettering | None]:
    """Places around the part, ring by ring outwards, with None at the end of each ring."""
    width, height = _size(lines)
    left, top, right, bottom = region.bounds
    for ring in range(60):
        reach_x = (right - left) / 2 + width / 2 + 3.0 + 4.0 * ring
        reach_y = (bottom - top) / 2 + height / 2 + 3.0 + 4.0 * ring
        for angle in (2 * pi * step / 24 for step in range(24)):
            x = (left + right) / 2 + _squared(cos(angle)) * reach_x
            y = (top + bottom) / 2 + _squared(sin(angle)) * reach_y
            yield Lettering(lines, (x, y))
        yield None


def _squared(value: float) -> float:
    """Spreads the ring's points along the sides of a rectangle instead of an ellipse."""
    return max(-1.0, min(1.0, 1.5 * value))


def _nearest_on(box: Box, point: tuple[float, float]) -> tuple[float, float]:
    grown = box.grown(0.4)
    return min(max(point[0], grown.left), grown.right), min(max(point[1], grown.top), grown.bottom)


def _scaled(lines: tuple[Line, ...], scale: float) -> tuple[Line, ...]:
    return tuple(Line(line.text, line.size_mm * scale, line.font) for line in lines)


def _size(lines: tuple[Line, ...]) -> tuple[float, float]:
    return max((line.width_mm for line in lines), default=0.0), sum(line.size_mm for line in lines) * _LEADING


def _polygon(box: Box) -> Geometry:
    return shapely.box(box.left, box.top, box.right, box.bottom)
