"""The build sheet, read back."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pypdf
import pypdfium2
import pytest

from extract.doors import Doubt, Part, Pattern
from extract.geometry.curve import polyline_curve
from extract.sheet.buildsheet import SeamRow, build_sheet_pdf

REMARKS = ("The shell stands for the inside of the foam.", "foam 6: 6 mm thick.")


def plate(number: str, side: str = "", **more: object) -> Part:
    """100 by 40 mm."""
    outline = polyline_curve(np.array([[0.0, 0], [100, 0], [100, 40], [0, 40]]), closed=True)
    part = Part(number, side, outline, (), (), 4000.0, 280.0, 0.2, (50.0, 20.0), 18.0)  # type: ignore[arg-type]
    return replace(part, **more)  # type: ignore[arg-type]


def lantern(count: int = 1) -> Pattern:
    pair = [plate("1", side, name="wing", stock="foam 6", thickness_mm=6.0, copies=2, pair=True) for side in "LR"]
    others = [plate(str(k), name=f"scale {k}", stock="foam 2", thickness_mm=2.0) for k in range(2, 2 + count)]
    return Pattern((*pair, *others), "moth-lantern", "2026-01-01", (Doubt("x", "The rim is a guess."),), REMARKS)


def rows(count: int) -> list[SeamRow]:
    return [SeamRow(k, f"p{k}:a", f"p{k + 1}:c", 120.04, 121.5, 1.46, "look again") for k in range(1, count + 1)]


def text_of(content: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(content)).pages]


def test_pieces_seams_and_cautions_are_all_there() -> None:
    (text,) = text_of(build_sheet_pdf(lantern(), rows(2), "moth-lantern"))
    for words in ("5 parts, 2 seams", "wing", "2 L + 2 R", "foam 6, 6 mm", "100 × 40", "p1:a – p2:c"):
        assert words in text
    for words in ("120.0", "121.5", "+1.5", "look again", "inside of the foam", "rim is a guess"):
        assert words in text
    for words in ("Knives", "Contact cement", "safety data sheet", "not protective equipment"):
        assert words in text


@pytest.mark.parametrize("pieces", [1, 30, 60])
def test_sixty_pieces_stay_on_one_page(pieces: int) -> None:
    (text,) = text_of(build_sheet_pdf(lantern(pieces), rows(30)))
    assert f"scale {1 + pieces}" in text


def test_what_finds_no_room_runs_on() -> None:
    pages = text_of(build_sheet_pdf(lantern(150), rows(150)))
    assert len(pages) == 2
    assert sum(text.count("look again") for text in pages) == 150
    assert "Take care" in pages[-1]


def test_a_seam_that_fits_is_off_by_nothing() -> None:
    (text,) = text_of(build_sheet_pdf(lantern(), [SeamRow(1, "p1:a", "p2:c", 99.0, 99.0, -0.003, "fine")]))
    assert "-0.0" not in text


@pytest.mark.parametrize("paper", ["A4", "Letter", "A3"])
def test_ink_stays_inside_the_margins(paper: str) -> None:
    for page in pypdfium2.PdfDocument(build_sheet_pdf(lantern(60), rows(60), paper=paper)):
        shown = np.asarray(page.render(scale=1.0).to_pil().convert("L"))
        inner = np.zeros_like(shown, bool)
        inner[27:-27, 27:-27] = True
        assert shown[~inner].min() > 250
        assert shown[inner].min() < 100
