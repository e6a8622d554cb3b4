"""Checking a printer by a freshly printed card: typed bars, or a photo of the card beside a ruler."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from extract.camera.flatten import flatten, sampling_px_per_mm
from extract.camera.print_check import PrinterCheck, check_bars, check_lines, check_ruler
from extract.camera.ruler import read_ruler
from extract.camera.solve import SolveSettings, solve
from extract.cards.design import card_design
from extract.cards.find import find_cards
from extract.doors import CannotContinue
from extract.photo import read_photo

RULER_MM = 0.5
"""Thickness of a steel rule (common practice, no source)."""

FREE_STRETCH = 0.05
"""1 σ of a printer that may well have fitted its page."""

LEAST_PX_PER_MM = 3.0
"""Below it two marks a millimetre apart run together."""

STEP_MM = 0.2


def check_by_bars(
    family: str, long_mm: float | None, short_mm: float | None, diagonals_mm: tuple[float, float] | None = None
) -> list[str]:
    """The check in sentences. Raises ``CannotContinue`` where the lengths cannot be."""
    return check_lines(check_bars(card_design(family, 0), long_mm, short_mm, diagonals_mm))


def check_by_photo(source: Path | bytes, name: str | None = None, ruler_mm: float = RULER_MM) -> list[str]:
    """The check in sentences; ``ruler_mm`` is the ruler's thickness. Raises ``CannotContinue`` where the photo shows no
    card, or no ruler with millimetre marks."""
    return check_lines(photo_check(source, name, ruler_mm))


def photo_check(source: Path | bytes, name: str | None = None, ruler_mm: float = RULER_MM) -> PrinterCheck:
    """The check itself."""
    photo = read_photo(source, name)
    sightings, _ = find_cards(photo)
    (camera,), _ = solve([sightings], [photo], known=SolveSettings(printer_sd=FREE_STRETCH))
    camera = replace(camera, height_mm=ruler_mm - SolveSettings().paper_mm)
    sampling = sampling_px_per_mm(camera)
    if sampling < LEAST_PX_PER_MM:
        raise CannotContinue(
            "ruler",
            f"The photo shows a millimetre as {sampling:.1f} pixels; {LEAST_PX_PER_MM:g} are needed to see a ruler's "
            "marks apart.",
            "Go nearer, until card and ruler fill the picture.",
        )
    reading = read_ruler(flatten(photo, camera, STEP_MM))
    return check_ruler(camera, reading)
