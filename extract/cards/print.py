"""Scale cards as true-scale vector PDF: one A4 or Letter card a page, small cards four to a page with cut outlines."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from reportlab.lib.units import mm
from reportlab.pdfbase.pdfdoc import PDFDictionary, PDFName
from reportlab.pdfgen.canvas import FILL_NON_ZERO, Canvas

from extract.cards.design import LETTER_MM, black_rectangles_mm, card_design
from extract.doors import CannotContinue, CardDesign
from extract.geometry.scalecard import bar_lengths_mm, board_corner_mm

UNPRINTABLE_MM = 5.0
"""Office printers leave up to so much of a page's rim blank (common practice, no source)."""

TICK_MM, LINE_MM = 3.0, 0.25
"""A bar's end ticks, and its line: thick enough for any printer, thin enough to set a ruler on."""


@dataclass(frozen=True)
class Bar:
    """A scale bar from (x, y) to the right or, if ``upright``, downwards; mm from the paper's top left. Its ends are
    the outer edges of its ticks."""

    x: float
    y: float
    length: float
    upright: bool


def bars(design: CardDesign) -> tuple[Bar, Bar]:
    """The long bar below the board and the short one to its left, clear of each other and of the page's rim."""
    width, height = design.paper_mm
    left, top = board_corner_mm(design)
    long_mm, short_mm = bar_lengths_mm(design)
    rim = 1.0 if design.family == "small" else UNPRINTABLE_MM
    short = Bar(0.7 * left, rim + 1.0, short_mm, True)
    return Bar(min(short.x + 2.5, width - rim - long_mm), height - 0.62 * top, long_mm, False), short


def cards_pdf(designs: Iterable[CardDesign], date: str | None = None, paper: str = "A4") -> bytes:
    """Pages for the cards in the order given. ``date`` is printed on each; ``paper`` ("A4" or "Letter") is the page
    small cards are put on. The same cards always give the same bytes. Raises ``CannotContinue`` for no cards."""
    designs = list(designs)
    if not designs:
        raise CannotContinue("cards", "No scale card was asked for.", "Name at least one number from 0 to 9.")
    out = io.BytesIO()
    canvas = Canvas(out, pdfVersion=(1, 7), invariant=1, pageCompression=1)
    canvas.setTitle("Truepeel scale cards")
    # ISO 32000-2 table 147; the canvas's own setter does not know PickTrayByPDFSize.
    preferences = {"PrintScaling": PDFName("None"), "PickTrayByPDFSize": "true"}
    canvas._doc.Catalog.ViewerPreferences = PDFDictionary(preferences)
    for page_mm, cards in _pages(designs, paper):
        canvas.setPageSize((page_mm[0] * mm, page_mm[1] * mm))
        for design, x, y in cards:
            _Sheet(canvas, page_mm[1], x, y).card(design, date)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


Placed = tuple[CardDesign, float, float]


def _pages(designs: Sequence[CardDesign], paper: str) -> Iterator[tuple[tuple[float, float], list[Placed]]]:
    for design in designs:
        if design.family != "small":
            yield design.paper_mm, [(design, 0.0, 0.0)]
    small = [design for design in designs if design.family == "small"]
    page = LETTER_MM if paper.lower() == "letter" else card_design("A4", 0).paper_mm
    for first in range(0, len(small), 4):
        yield page, [_quarter(design, i, page) for i, design in enumerate(small[first : first + 4])]


def _quarter(design: CardDesign, index: int, page_mm: tuple[float, float]) -> Placed:
    """Two by two in the middle of the page, their long sides along the page's: one printer stretch fits them all."""
    width, height = design.paper_mm
    return design, page_mm[0] / 2 + (index % 2 - 1) * width, page_mm[1] / 2 + (index // 2 - 1) * height


@dataclass(frozen=True)
class _Sheet:
    """A card's paper on a PDF page: takes mm from the card's top-left corner, y down."""

    canvas: Canvas
    page_height_mm: float
    left_mm: float
    top_mm: float

    def card(self, design: CardDesign, date: str | None) -> None:
        self.pattern(design)
        for bar in bars(design):
            self.bar(bar, 1.9 if design.family == "small" else 2.5)
        self.lettering(design, date)
        if design.family == "small":
            self.cut_outline(design)

    def pattern(self, design: CardDesign) -> None:
        """One path for all: touching rectangles of one path leave no hairline between them on screen."""
        left, top = board_corner_mm(design)
        path = self.canvas.beginPath()
        for x, y, width, height in black_rectangles_mm(design):
            path.rect(*self.at(left + x, top + y + height), width * mm, height * mm)
        self.canvas.setFillGray(0)
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_NON_ZERO)

    def bar(self, bar: Bar, size_mm: float) -> None:
        path = self.canvas.beginPath()
        for along, across, length, depth in (
            (0.0, -LINE_MM / 2, bar.length, LINE_MM),
            (0.0, -TICK_MM / 2, LINE_MM, TICK_MM),
            (bar.length - LINE_MM, -TICK_MM / 2, LINE_MM, TICK_MM),
        ):
            if bar.upright:
                path.rect(*self.at(bar.x + across, bar.y + along + length), depth * mm, length * mm)
            else:
                path.rect(*self.at(bar.x + along, bar.y + across + depth), length * mm, depth * mm)
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_NON_ZERO)
        middle = bar.length / 2
        place = (bar.x - 0.8, bar.y + middle) if bar.upright else (bar.x + middle, bar.y - 0.8)
        self.text(*place, f"{bar.length:g} mm", size_mm, middle=True, upright=bar.upright)

    def lettering(self, design: CardDesign, date: str | None) -> None:
        left, top = board_corner_mm(design)
        long_mm, short_mm = bar_lengths_mm(design)
        size = 1.9 if design.family == "small" else 2.6
        name = f"{design.name}, {date}" if date else design.name
        self.text(left, 0.62 * top, name, 1.5 * size, bold=True)
        right = left + 5.2 * size + 0.8 * size * len(name)
        lines = (
            "Print at 100 %, not “fit to page”. After printing, measure both scale bars with a ruler.",
            f"Type in what the ruler says: --bar-long (meant to be {long_mm:g} mm), --bar-short ({short_mm:g} mm).",
        )
        for line, words in enumerate(lines):
            self.text(right, 0.62 * top + 1.5 * size * (line - 0.5), words, size)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size_mm: float,
        middle: bool = False,
        upright: bool = False,
        bold: bool = False,
    ) -> None:
        """``size_mm`` is the type size; (x, y) the start, or the middle, of the baseline."""
        self.canvas.saveState()
        self.canvas.translate(*self.at(x, y))
        self.canvas.rotate(90 if upright else 0)
        self.canvas.setFont("Helvetica-Bold" if bold else "Helvetica", size_mm * mm)
        (self.canvas.drawCentredString if middle else self.canvas.drawString)(0, 0, words)
        self.canvas.restoreState()

    def cut_outline(self, design: CardDesign) -> None:
        width, height = design.paper_mm
        self.canvas.setStrokeGray(0.6)
        self.canvas.setLineWidth(0.1 * mm)
        self.canvas.rect(*self.at(0, height), width * mm, height * mm, stroke=1, fill=0)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """PDF points, y up."""
        return (self.left_mm + x) * mm, (self.page_height_mm - self.top_mm - y) * mm
