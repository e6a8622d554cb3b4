"""What a tracing found, in a maker's words: the command line and the page say the same things the same way.

Everything is read from report.json ("truepeel-report/1"), so a saved result reads exactly like a fresh one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

Report = Mapping[str, Any]

FILES: dict[str, tuple[str, str]] = {
    "pattern.pdf": ("Pattern to print (PDF)", "application/pdf"),
    "build-sheet.pdf": ("Build sheet, parts and seams (PDF)", "application/pdf"),
    "pattern.svg": ("Drawing (SVG)", "image/svg+xml"),
    "pattern.dxf": ("Drawing for cutters (DXF)", "image/vnd.dxf"),
    "report.json": ("All figures (report.json)", "application/json"),
    "overlay.jpg": ("Photo with the lines found (JPEG)", "image/jpeg"),
    "sure.jpg": ("Photo with the ± of every place (JPEG)", "image/jpeg"),
    "height.jpg": ("Photo with the shell's height (JPEG)", "image/jpeg"),
    "pattern.truepeel": ("Project file", "application/octet-stream"),
}
"""Every output with its name for people and its media type; what a maker wants first comes first."""

CAUTIONS = {
    "blades": "Blades: change them often, cut in several passes and away from your hand, wear eye protection.",
    "saw": "Band saw: guard just above the foam, fingers two inches (50 mm) off, never back out while it runs.",
    "heat": "Heat gun, soldering iron, hot cutting: outdoors or with extraction; stop at the first smoke; keep birds "
    "away.",
    "cement": "Contact cement: its vapour is flammable and creeps to distant flames; no pilot light, heater or heat "
    "gun near it.",
    "dust": "Sanding: goggles and a particulate filter; a dust filter does nothing against solvent vapour.",
    "wearing": "Wearing: try sight, breath, hearing and getting out with one hand before anyone performs in it.",
    "defer": "A costume is not protective equipment. The material's safety data sheet, your local rules and trained "
    "people come before anything said here.",
}
"""In the order of the work; each is shown where it matters, and all of them before foam is cut."""

SIGMA_NOTE = "± is one standard deviation (1 σ)."


def count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def millimetres(value: float, digits: int = 1) -> str:
    return f"{value:.{digits}f} mm"


def plus_minus(sigma_mm: float) -> str:
    return f"± {sigma_mm:.2f} mm"


def square_centimetres(area_mm2: float) -> str:
    return f"{area_mm2 / 100:.1f} cm²"


def file_size(count_bytes: int) -> str:
    return f"{count_bytes / 1e6:.1f} MB" if count_bytes >= 100_000 else f"{max(count_bytes / 1e3, 0.1):.1f} kB"


def card_name(card: Mapping[str, Any]) -> str:
    return "rectangle set by hand" if card["family"] == "hand" else f"{card['family']} card {card['number']}"


def card_lines(report: Report) -> list[str]:
    """One line for each card in each photo."""
    photos = [photo["file"] for photo in report.get("photos", ())]
    return [
        card_name(card)
        + (f" in {photos[card['photo']]}" if len(photos) > 1 else "")
        + f": {count(card['corners_found'], 'corner')}, fit to {card['rms_px']:.2f} px"
        for card in report.get("cards", ())
    ]


def plane_line(report: Report) -> str:
    """How truly the cards give the table's scale."""
    sigma = report["plane"]["sigma_mm"]
    return f"True to {plus_minus(sigma['median'])} over the whole shell, {plus_minus(sigma['worst'])} at worst"


def panel_rows(report: Report) -> list[dict[str, str]]:
    """One row for each panel, numbered as on overlay and paper, every figure with its unit."""
    return [
        {
            "Panel": str(number),
            "Area": square_centimetres(panel["area_mm2"]),
            "Perimeter": millimetres(panel["perimeter"]),
            "Outline": plus_minus(panel["sigma"]),
        }
        for number, panel in enumerate(report.get("panels", ()), start=1)
    ]


def panel_table(tracing: Any) -> list[dict[str, str]]:
    """The same rows of a tracing at hand, with the maker's names."""
    return [
        {
            "Panel": part.number,
            "Name": panel.name,
            "Area": square_centimetres(panel.area_mm2),
            "Perimeter": millimetres(panel.perimeter_mm),
            "Outline": plus_minus(panel.sigma_mm),
        }
        for panel, part in zip(tracing.panels, tracing.pattern.parts, strict=False)
    ]


def warning_lines(report: Report, instead: Mapping[str, str] | None = None) -> list[str]:
    """Every doubt as a sentence; ``instead`` has other words for some codes."""
    instead = instead or {}
    return [instead.get(warning["code"], str(warning["message"])) for warning in report.get("warnings", ())]


def cards_in(photo: Mapping[str, Any]) -> str:
    """The cards seen in one photo: "shell.jpg: A4 card 0, small card 2"."""
    cards = ", ".join(card_name(card) for card in photo["cards"])
    return f"{photo['file']}: {cards or 'no card that can be used'}"


def look_line(look: Mapping[str, Any]) -> str:
    """A first look in one sentence: what was seen, and how true it makes the shape."""
    cards = {(card["family"], card["number"]) for photo in look["photos"] for card in photo["cards"]}
    seen = f"{count(len(cards), 'card')} {'and a shell ' if look['shell'] else ''}seen"
    return seen + (f": true to {plus_minus(look['sigma_mm'])}." if look["sigma_mm"] is not None else ".")


def headline(report: Report) -> str:
    """The result in one line: "7 panels from 2 cards"."""
    cards = {(card["family"], card["number"]) for card in report.get("cards", ())}
    return f"{count(len(report.get('panels', ())), 'panel')} from {count(len(cards), 'card')}"


def summary_lines(report: Report, files: Sequence[str]) -> list[str]:
    """What the command line prints when a tracing is done."""
    rows = panel_rows(report)
    widths = {key: max(len(row[key]) for row in rows) for key in rows[0]} if rows else {}
    panels = ["panel " + "  ".join(row[key].rjust(width) for key, width in widths.items()) for row in rows]
    return [
        headline(report) + ".",
        *(f"  {line}" for line in card_lines(report)),
        *(f"  {line}" for line in panels),
        f"  {plane_line(report)}. {SIGMA_NOTE}",
        "Written:",
        *(f"  {name}" for name in files),
    ]


def plain(text: str) -> str:
    """``text`` so that Markdown shows it letter for letter (a file's name must not become a link or a picture)."""
    return re.sub(r"([\\`*_{}\[\]()<>#+\-.!|~$:&])", r"\\\1", text)
