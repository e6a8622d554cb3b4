"""Text in columns that run on from page to page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from extract.sheet.layout import Box
from extract.sheet.lettering import PLAIN, printable, text_width
from extract.sheet.paper import Page
from extract.sheet.styles import BLACK, Ink

TEXT_MM, LEADING = 2.65, 1.3


@dataclass(frozen=True, eq=False)
class Block:
    """Something ``height_mm`` tall that draws itself with its top left corner at (x, y). ``with_next`` keeps it in
    the column of the block that follows."""

    height_mm: float
    draw: Callable[[Page, float, float], None]
    with_next: bool = False


def wrapped(text: str, width_mm: float, size_mm: float = TEXT_MM, font: str = PLAIN) -> list[str]:
    """``text`` in lines no wider than ``width_mm``; a word that is wider is broken."""
    text, font = printable(text, font)
    lines, line = [], ""
    for word in text.split():
        tried = f"{line} {word}".strip()
        if text_width(tried, font, size_mm) <= width_mm:
            line = tried
            continue
        if line:
            lines.append(line)
        while text_width(word, font, size_mm) > width_mm:
            fits = max(n for n in range(1, len(word)) if n == 1 or text_width(word[:n], font, size_mm) <= width_mm)
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line] if line else lines


def paragraph(
    text: str, width_mm: float, font: str = PLAIN, size_mm: float = TEXT_MM, ink: Ink = BLACK, indent_mm: float = 0.0
) -> Block:
    lines = wrapped(text, width_mm - indent_mm, size_mm, font)
    pitch = size_mm * LEADING

    def draw(page: Page, x: float, y: float) -> None:
        for row, line in enumerate(lines):
            page.text((x + indent_mm, y + pitch * row + size_mm), line, size_mm, font, ink)

    return Block(pitch * len(lines) + 0.9, draw)


def space(height_mm: float) -> Block:
    return Block(height_mm, lambda page, x, y: None)


def set_column(page: Page, column: Box, blocks: Sequence[Block]) -> list[Block]:
    """Draws what fits into ``column``; returns the rest. A block taller than an empty column is drawn anyway."""
    y, index = column.top, 0
    while index < len(blocks):
        group = index + 1
        while group < len(blocks) and blocks[group - 1].with_next:
            group += 1
        height = sum(block.height_mm for block in blocks[index:group])
        if y + height > column.bottom and y > column.top:
            break
        for block in blocks[index:group]:
            block.draw(page, column.left, y)
            y += block.height_mm
        index = group
    return list(blocks[index:])
