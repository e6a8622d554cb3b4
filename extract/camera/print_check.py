"""What a printer does to a card, from its measured bars or from a ruler in the photo, and what to set."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from extract.camera.bundle import moved
from extract.camera.printer import RULER_SD_MM, stretch_from_bars
from extract.camera.project import mm_from_px, px_from_mm
from extract.camera.ruler import RulerReading
from extract.doors import Array, CannotContinue, CardDesign, PlacedCard, PlaneCamera
from extract.geometry.scalecard import bar_lengths_mm, board_size_mm

A4_MM, LETTER_MM = (210.0, 297.0), (215.9, 279.4)
RIM_MM, WIDE_RIM_MM = 4.2, 6.35
"""Rims that office printers cannot print on: a sixth and a quarter of an inch (common practice, no source)."""

LEAST_RIM_MM, MOST_RIM_MM = 2.0, 13.0
"""Rims that “fit to page” may leave (common practice, no source); a printer that is merely off shrinks less."""

DRAWS = 400
"""Draws from the solve's covariance: they give 1 σ to within 4 per cent."""

RULER_THICK_SD_MM = 0.4
"""Steel rules are half a millimetre thick, plastic ones up to two (common practice, no source)."""

SIGNIFICANT = 2.0
"""Departures of fewer σ than this are not told of as such: of true sizes, one in twenty."""

POOR = 0.0025
"""A ± that a ruler in the hand would halve: it reads a bar of 190 mm to 0.1 per cent."""

CAUSE_REACH = 0.002
"""How near a known page scale a print must come to be taken for it, beside its own ±: half the gap between two of
them, and what a home printer adds of its own."""


@dataclass(frozen=True)
class Side:
    """Printed over true size in one direction, its 1 σ, and how it was found."""

    ratio: float
    sd: float
    how: str


@dataclass(frozen=True)
class PrinterCheck:
    """``x`` and ``y``: what the printer does along the card's long and short side; ``apart_sd``: 1 σ of their
    difference; ``skew_deg``: by how much its right angle is too wide, with 1 σ, where that was measured."""

    design: CardDesign
    x: Side
    y: Side
    apart_sd: float
    skew_deg: tuple[float, float] | None = None


def check_bars(
    design: CardDesign,
    long_mm: float | None,
    short_mm: float | None,
    diagonals_mm: tuple[float, float] | None = None,
) -> PrinterCheck:
    """From the bars as a ruler says, and the chess area's diagonals (falling to the right, rising to the right) where
    they were measured. Raises ``CannotContinue`` for lengths no printed card can have."""
    if long_mm is None and short_mm is None:
        raise CannotContinue(
            "printer",
            "There is nothing to check the printer by.",
            "Name a photo of a freshly printed card beside a ruler, or say what the ruler says of both bars "
            "(--bar-long, --bar-short).",
        )
    (x, y), (sd_x, sd_y) = stretch_from_bars(design, long_mm, short_mm)
    sides = [
        Side(float(ratio), float(sd), _read(word, measured, nominal))
        for ratio, sd, word, measured, nominal in zip(
            (x, y), (sd_x, sd_y), ("long", "short"), (long_mm, short_mm), bar_lengths_mm(design), strict=True
        )
    ]
    skew = _skew_from_diagonals(design, diagonals_mm, (float(x), float(y))) if diagonals_mm else None
    return PrinterCheck(design, sides[0], sides[1], math.hypot(sd_x, sd_y), skew)


def _read(word: str, measured: float | None, nominal: float) -> str:
    if measured is None:
        return f"the {word} bar was not measured, so like the other"
    return f"the {word} bar measures {measured:g} mm and should be {nominal:g} mm"


def _skew_from_diagonals(
    design: CardDesign, diagonals_mm: tuple[float, float], stretch: tuple[float, float]
) -> tuple[float, float]:
    """Law of cosines: the squares of a parallelogram's diagonals differ by 4 a b cos(angle)."""
    width, height = np.array(board_size_mm(design)) * stretch
    falling, rising = diagonals_mm
    expected = math.hypot(width, height)
    if max(abs(falling / expected - 1), abs(rising / expected - 1)) > 0.03:
        raise CannotContinue(
            "printer",
            f"The chess area's diagonals cannot measure {falling:g} and {rising:g} mm: after its bars they are about "
            f"{expected:.1f} mm.",
            "Measure from outer corner to outer corner of the black and white area, both ways.",
        )
    lean = (rising**2 - falling**2) / (4 * width * height)
    sd = RULER_SD_MM * math.sqrt(2) * expected / (2 * width * height)
    return math.degrees(math.asin(lean)), math.degrees(sd)


def check_ruler(camera: PlaneCamera, reading: RulerReading) -> PrinterCheck:
    """From a ruler read in the view from above: ``camera`` solved with the printer's stretch all but free, its height
    that of the ruler's marks. Draws cameras from the solve's covariance, so that all that hangs together does."""
    card = max(camera.cards, key=lambda placed: len(placed.sighting.corners_mm))
    flat = replace(camera, height_mm=0.0)
    way = reading.ends_mm[1] - reading.ends_mm[0]
    ends_px = px_from_mm(camera, reading.ends_mm)
    best = _sizes(flat, camera, card, ends_px, reading)
    rng = np.random.default_rng(0)
    known = camera.covariance.shape[0]
    steps = rng.multivariate_normal(np.zeros(known), camera.covariance, DRAWS, method="eigh")
    drawn = np.array([_sizes(moved(flat, s), moved(camera, s), card, ends_px, reading) for s in steps])
    spread = np.cov(drawn.T)
    distance = float(abs((camera.rotation.T @ camera.shift_mm)[2]))
    shared = math.hypot(reading.sd, RULER_THICK_SD_MM / distance)
    along = abs(math.remainder(math.atan2(way[1], way[0]) - card.angle_rad, math.pi))
    words = ("read off the ruler", "compared with it in the photo")
    near, far = words if along < math.pi / 4 else words[::-1]
    sides = [
        Side(float(best[i]), math.hypot(math.sqrt(spread[i, i]), shared * float(best[i])), how)
        for i, how in enumerate((near, far))
    ]
    apart = math.sqrt(max(0.0, float(spread[0, 0] + spread[1, 1] - 2 * spread[0, 1])))
    return PrinterCheck(card.sighting.design, sides[0], sides[1], apart)


def _sizes(
    flat: PlaneCamera, raised: PlaneCamera, card: PlacedCard, ends_px: Array, reading: RulerReading
) -> tuple[float, float]:
    """Printed over true size along the card's x and y, as this camera sees card and ruler."""
    corners, seen = card.sighting.corners_mm, mm_from_px(flat, card.sighting.corners_px)
    turned = np.linalg.lstsq(np.column_stack([corners, np.ones(len(corners))]), seen, rcond=None)[0][:2]
    start, stop = mm_from_px(raised, ends_px)
    # plane millimetres of this camera to millimetres of the ruler
    length_mm = float(np.linalg.norm(reading.ends_mm[1] - reading.ends_mm[0]))
    scale = reading.per_mm * length_mm / float(np.linalg.norm(stop - start))
    return float(np.linalg.norm(turned[0])) * scale, float(np.linalg.norm(turned[1])) * scale


def check_lines(check: PrinterCheck) -> list[str]:
    """The check in a maker's words: what the printer does, why, what to set, and how sure that is (1 σ)."""
    x, y = check.x, check.y
    long_mm, short_mm = bar_lengths_mm(check.design)
    lines = [
        f"Along the {check.design.family} card's long side the printer prints {_percent(x)} ({x.how}).",
        f"Along its short side {_percent(y)} ({y.how}).",
    ]
    if "not measured" not in x.how + y.how:
        lines.append(_difference(check))
    if check.skew_deg:
        lines.append(_skew(check.skew_deg))
    lines += _settings(check)
    if max(x.sd, y.sd) > POOR:
        lines.append(
            "Not sure enough? Take the photo from more nearly straight above, with the ruler along the less sure side, "
            "or lay the ruler along both bars and type in what it says."
        )
    lines.append(
        f"For tracing with this card: --bar-long {x.ratio * long_mm:.1f} --bar-short {y.ratio * short_mm:.1f}. What is "
        f"left of the printer then is ±{100 * max(x.sd, y.sd):.2f} %, {500 * max(x.sd, y.sd):.2f} mm on a shell of "
        "500 mm."
    )
    return lines


def _percent(side: Side) -> str:
    return f"at {100 * side.ratio:.2f} % ± {100 * side.sd:.2f} %"


def _difference(check: PrinterCheck) -> str:
    apart = check.x.ratio - check.y.ratio
    if abs(apart) <= SIGNIFICANT * check.apart_sd:
        return f"Both ways alike, as far as ±{100 * check.apart_sd:.2f} % can tell."
    return (
        f"The long side comes out {100 * abs(apart):.2f} % ± {100 * check.apart_sd:.2f} % "
        f"{'larger' if apart > 0 else 'smaller'} than the short one: print the pattern on the same printer, its pages "
        "fed the same way round, and type in both bars."
    )


def _skew(skew_deg: tuple[float, float]) -> str:
    angle, sd = skew_deg
    if abs(angle) <= SIGNIFICANT * sd:
        return f"Its right angle is true, as far as ±{sd:.2f}° can tell."
    return (
        f"Its right angle is off by {abs(angle):.2f}° ± {sd:.2f}°: {abs(math.radians(angle)) * 500:.1f} mm on 500 mm. "
        "Straighten the paper guides and print again; no setting and no bar takes a skew out."
    )


def _settings(check: PrinterCheck) -> list[str]:
    mean, sd = (check.x.ratio + check.y.ratio) / 2, math.hypot(check.x.sd, check.y.sd) / 2
    sd = max(sd, min(check.x.sd, check.y.sd))
    causes = [words for words, scale in _page_scales(check.design.family) if _near(mean, scale, sd)]
    rim = (1 - mean) * A4_MM[0] / 2
    if not causes and LEAST_RIM_MM <= rim <= MOST_RIM_MM and abs(check.x.ratio - check.y.ratio) < 0.01:
        causes = [f"a page is shrunk to fit between blank rims of {rim:.0f} mm"]
    if causes:
        return [
            f"{100 * mean:.1f} % is what comes out when {' or '.join(causes)}. Print again at 100 % (“actual size”, no "
            "“fit to page”), with the paper named in the print dialog that lies in the printer."
        ]
    if abs(mean - 1) <= SIGNIFICANT * sd:
        return ["The print is true to size, as far as that can be told: leave the print dialog at 100 %."]
    return [
        f"For prints of true size set the print dialog to {100 / mean:.1f} %. If it takes whole per cents only, set "
        f"{round(100 / mean)} %, which leaves {100 * (mean * round(100 / mean) / 100 - 1):+.1f} %."
    ]


def _near(mean: float, scale: float, sd: float) -> bool:
    return abs(mean - scale) <= SIGNIFICANT * sd + CAUSE_REACH


def _page_scales(family: str) -> list[tuple[str, float]]:
    """What “fit to page” makes of a page, by the papers' own sizes (ISO 216; ANSI/ASME Y14.1)."""
    a4, letter = A4_MM, LETTER_MM
    scales = [
        ("A4", "an A4 page is fitted between the blank rims of A4 paper", _fit(a4, a4, RIM_MM)),
        ("A4", "an A4 page is fitted on Letter paper", _fit(a4, letter, 0.0)),
        ("A4", "an A4 page is fitted between the blank rims of Letter paper", _fit(a4, letter, WIDE_RIM_MM)),
        ("Letter", "a Letter page is fitted between the blank rims of Letter paper", _fit(letter, letter, WIDE_RIM_MM)),
        ("Letter", "a Letter page is fitted on A4 paper", _fit(letter, a4, 0.0)),
    ]
    return [(words, scale) for page, words, scale in scales if family in (page, "small")]


def _fit(page_mm: tuple[float, float], paper_mm: tuple[float, float], rim_mm: float) -> float:
    return min((paper - 2 * rim_mm) / page for page, paper in zip(page_mm, paper_mm, strict=True))
