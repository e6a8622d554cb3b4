"""Line types, and where each is used and why. Numbers and proportions follow ISO 128-2:2020.

01.2 continuous wide           outlines and holes: the lines that get cut
01.1 continuous narrow         detail: ticks, rings, notes, leaders, check lines, trim lines
02.1 dashed narrow             reference strokes: lines copied from the shell that are not cut and not seen on the part
04.1 long-dashed dotted narrow centre lines: lines of symmetry; the cross through a ring or a round hole, for the punch
03.1 dashed spaced narrow      lines to score: cut half through, or pressed in
08.1 long-dashed short-dashed narrow   lines to burn or draw in on the finished part
05.1 long-dashed double-dotted narrow   reference strokes in a second colour (ISO: outlines of adjacent parts)

A third and fourth reference colour take types 10 (dashed dotted) and 07 (dotted) of the same standard's basic list, so
that two colours never look alike on a black-and-white print. Widths are 0.5 and 0.25 mm, the ratio 2:1 the standard
asks for. Element lengths, with d the line width: dot ≤ 0.5 d, gap 3 d, short dash 6 d, dash 12 d, wide gap 18 d, long
dash 24 d (from memory, not re-read).
"""

from __future__ import annotations

from dataclasses import dataclass

WIDE_MM = 0.5
NARROW_MM = 0.25
_DOT, _GAP, _SHORT, _DASH, _WIDE_GAP, _LONG = 0.5, 3.0, 6.0, 12.0, 18.0, 24.0

Ink = tuple[float, float, float]
BLACK: Ink = (0.0, 0.0, 0.0)
GREY: Ink = (0.42, 0.42, 0.42)

# Dark enough to read as lines when printed grey; a maker's marker seldom has another colour than these.
_INKS: dict[str, Ink] = {
    "red": (0.76, 0.10, 0.10),
    "blue": (0.10, 0.25, 0.68),
    "green": (0.05, 0.45, 0.20),
    "purple": (0.45, 0.15, 0.55),
    "violet": (0.45, 0.15, 0.55),
    "orange": (0.80, 0.38, 0.00),
    "brown": (0.45, 0.27, 0.10),
}


@dataclass(frozen=True)
class LineStyle:
    """One way to draw a line; ``dashes_mm`` alternates ink and gap, empty for a continuous line."""

    code: str
    name: str
    width_mm: float
    dashes_mm: tuple[float, ...] = ()
    ink: Ink = BLACK


def _narrow(code: str, name: str, pattern: tuple[float, ...] = ()) -> LineStyle:
    return LineStyle(code, name, NARROW_MM, tuple(NARROW_MM * length for length in pattern))


CUT = LineStyle("01.2", "continuous wide", WIDE_MM)
DETAIL = _narrow("01.1", "continuous narrow")
SCORE = _narrow("03.1", "dashed spaced narrow", (_DASH, _WIDE_GAP))
BURN = _narrow("08.1", "long-dashed short-dashed narrow", (_LONG, _GAP, _SHORT, _GAP))
CENTRE = _narrow("04.1", "long-dashed dotted narrow", (_LONG, _GAP, _DOT, _GAP))
_REFERENCES = (
    _narrow("02.1", "dashed narrow", (_DASH, _GAP)),
    _narrow("05.1", "long-dashed double-dotted narrow", (_LONG, _GAP, _DOT, _GAP, _DOT, _GAP)),
    _narrow("10", "dashed dotted narrow", (_DASH, _GAP, _DOT, _GAP)),
    _narrow("07", "dotted narrow", (_DOT, _GAP)),
)


def inked(style: LineStyle, colour: str) -> LineStyle:
    """``style`` in the printing ink for a marker colour; black for a colour without an ink of its own."""
    ink = _INKS.get(colour.strip().lower(), BLACK)
    return LineStyle(style.code, style.name, style.width_mm, style.dashes_mm, ink)


def reference_styles(colours: tuple[str, ...]) -> dict[str, LineStyle]:
    """A style of its own for each reference colour, in the order given."""
    return {colour: inked(_REFERENCES[index % len(_REFERENCES)], colour) for index, colour in enumerate(colours)}
