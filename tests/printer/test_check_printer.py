"""What a printer does, from typed lengths and from a photo of a card beside a ruler whose truth is known."""

from __future__ import annotations

import io
import math
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

sys.path.insert(0, str(Path(__file__).resolve().parent))
from rulers import photograph, ruler, table

import extract
from extract.camera.print_check import check_bars, check_lines
from extract.cards.design import card_design
from extract.check_printer import photo_check
from extract.doors import CannotContinue, Photo
from ui import command

A4 = card_design("A4", 0)


def file_of(photo: Photo) -> bytes:
    """As a phone stores it, focal length and all."""
    exif, out = Image.Exif(), io.BytesIO()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    Image.fromarray(photo.pixels[..., ::-1]).save(out, "JPEG", quality=92, exif=exif)
    return out.getvalue()


@pytest.mark.parametrize(
    ("stretch", "turn_deg", "at", "tilt_deg"),
    [((0.973, 0.973), 1.5, (30, 240), 6), ((1.004, 0.997), 91.0, (360, 20), 8), ((1.0, 1.0), -2.0, (40, 250), 20)],
)
def test_a_ruler_in_the_photo_tells_both_sides(
    stretch: tuple[float, float], turn_deg: float, at: tuple[int, int], tilt_deg: float
) -> None:
    drawn = table(A4, stretch, ruler(), turn_deg, np.array(at, float))
    # the drawn ruler lies as flat as the card's print
    check = photo_check(file_of(photograph(drawn, tilt_deg)), "card.jpg", ruler_mm=0.1)
    assert check.design == A4
    for side, truth in zip((check.x, check.y), stretch, strict=True):
        assert abs(side.ratio - truth) < 2.5 * side.sd
        assert abs(side.ratio - truth) < 0.0015
    assert abs(check.x.ratio - check.y.ratio - stretch[0] + stretch[1]) < 2.5 * check.apart_sd
    along = check.y if turn_deg > 45 else check.x
    assert along.how == "read off the ruler" and along.sd < 0.002


@pytest.mark.parametrize(
    ("scale", "reason"),
    [
        (None, "No ruler"),
        (ruler(longer=False), "may not be millimetres"),
        (ruler(pitch_mm=25.4 / 16, longer=False), "No ruler"),
        (ruler(pitch_mm=25.4 / 32, longer=False), "No ruler"),
    ],
    ids=["no ruler", "all marks alike", "sixteenths of an inch", "thirty-seconds"],
)
def test_what_is_no_millimetre_scale_is_refused(scale: np.ndarray | None, reason: str) -> None:
    photo = file_of(photograph(table(A4, (1.0, 1.0), scale, 0.0, np.array([30.0, 245.0]))))
    with pytest.raises(CannotContinue, match=reason) as caught:
        photo_check(photo)
    assert "ruler" in caught.value.advice


def test_a_photo_from_too_far_is_refused() -> None:
    drawn = table(A4, (1.0, 1.0), ruler(), 0.0, np.array([30.0, 245.0]))
    with pytest.raises(CannotContinue, match=r"a millimetre as 2\.\d pixels"):
        photo_check(file_of(photograph(drawn, size_px=(1000, 800))))


@pytest.mark.parametrize(
    ("family", "scale", "words"),
    [
        # 279.4 / 297, ISO 216 on ANSI/ASME Y14.1 size A
        ("A4", 0.9407, "an A4 page is fitted on Letter paper"),
        # (210 - 2 · 4.2) / 210
        ("A4", 0.96, "between the blank rims of A4 paper"),
        # (279.4 - 2 · 6.35) / 297
        ("A4", 0.898, "between the blank rims of Letter paper"),
        # 210 / 215.9
        ("Letter", 0.9727, "a Letter page is fitted on A4 paper"),
        # (215.9 - 2 · 6.35) / 215.9
        ("Letter", 0.9412, "between the blank rims of Letter paper"),
        # (1 - 0.973) · 210 / 2 = 2.8
        ("A4", 0.973, "blank rims of 3 mm"),
    ],
)
def test_fit_to_page_is_known_by_its_scale(family: str, scale: float, words: str) -> None:
    bars = {"A4": (280.0, 190.0), "Letter": (260.0, 190.0)}[family]
    said = " ".join(extract.check_printer_by_bars(family, scale * bars[0], scale * bars[1]))
    assert words in said and "Print again at 100 %" in said


def test_a_true_print_and_a_small_error_are_told_apart() -> None:
    true = " ".join(extract.check_printer_by_bars("A4", 280.1, 190.1))
    assert "true to size" in true and "Both ways alike" in true
    off = " ".join(extract.check_printer_by_bars("A4", 278.6, 189.05))
    assert "set the print dialog to 100.5 %" in off
    uneven = " ".join(extract.check_printer_by_bars("A4", 281.2, 190.0))
    # 1.2 / 280 = 0.43 %; a ruler good to 0.2 mm on both bars: √(0.071² + 0.105²) = 0.13 %
    assert "0.43 % ± 0.13 % larger" in uneven


def test_diagonals_show_a_skew() -> None:
    """A parallelogram of 270 × 180 mm whose angle is half a degree too wide (law of cosines)."""
    angle = math.radians(90.5)
    falling = math.sqrt(270**2 + 180**2 + 2 * 270 * 180 * math.cos(angle))
    rising = math.sqrt(270**2 + 180**2 - 2 * 270 * 180 * math.cos(angle))
    check = check_bars(A4, 280.0, 190.0, (falling, rising))
    assert check.skew_deg is not None
    assert check.skew_deg[0] == pytest.approx(0.5, abs=1e-3)
    assert "off by 0.50°" in " ".join(check_lines(check))
    assert "right angle is true" in " ".join(extract.check_printer_by_bars("A4", 280, 190, (324.5, 324.6)))
    with pytest.raises(CannotContinue, match="diagonals cannot measure"):
        check_bars(A4, 280.0, 190.0, (324.5, 350.0))


def test_the_command_says_it_and_refuses_nothing_at_all(capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["check-printer", "--bar-long", "263,4", "--bar-short", "178.7"]) == 0
    said = capsys.readouterr().out
    assert "94.1 %" in said and "--bar-long 263.4 --bar-short 178.7" in said and "1 σ" in said
    assert command.main(["check-printer"]) == 2
    assert "nothing to check" in capsys.readouterr().err
    assert command.main(["check-printer", "--bar-long", "100"]) == 2
    assert "cannot measure 100 mm" in capsys.readouterr().err
