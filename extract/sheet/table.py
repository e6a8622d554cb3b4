"""Rows of a printed table, as blocks of a column of text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from extract.sheet.flow import TEXT_MM, Block
from extract.sheet.lettering import PLAIN, text_width
from extract.sheet.paper import Page
from extract.sheet.styles import BLACK, Ink

_PITCH = 1.45


@dataclass(frozen=True)
class Column:
    """Where a cell stands: from ``at_mm`` on, or ending there when ``align`` is "right"; a text wider than
    ``room_mm`` is set smaller."""

    at_mm: float
    align: Literal["left", "right"] = "left"
    room_mm: float = 1e9


def table_row(
    cells: Sequence[str], columns: Sequence[Column], size_mm: float = TEXT_MM, font: str = PLAIN, ink: Ink = BLACK
) -> Block:
    """One line of cells, each in its column."""

    def draw(page: Page, x: float, y: float) -> None:
        for cell, column in zip(cells, columns, strict=True):
            wide = text_width(cell, font, size_mm)
            size = size_mm * min(1.0, column.room_mm / max(wide, 1e-9))
            page.text((x + column.at_mm, y + size_mm), cell, size, font, ink, align=column.align)

    return Block(size_mm * _PITCH, draw)
