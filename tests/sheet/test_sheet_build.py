"""What a build adds to the print: seams, ticks, leaning edges, lines to score and burn, the arrow to the front.

Read back with pypdf, ezdxf and Python's own XML reader.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
from pypdf import PdfReader

from extract.doors import Curve, Mark, Part, Pattern
from extract.geometry.curve import mirrored, polyline_curve
from extract.sheet import pattern_dxf, pattern_pdf, pattern_svg
from extract.sheet.halves_map import halves_svg
from extract.sheet.styles import BURN, CENTRE, NARROW_MM, SCORE

MakePart = Callable[..., Part]
MakePattern = Callable[..., Pattern]
SVG = "{http://www.w3.org/2000/svg}"


def line(*points: tuple[float, float]) -> Curve:
    return polyline_curve(np.array(points, float))


@pytest.fixture
def build_pattern(part_of: MakePart, pattern_of: MakePattern) -> Pattern:
    """A left wing, 90 × 60 mm, and its mirror image."""
    outline = polyline_curve(np.array([(0, 0), (90, 0), (90, 60), (0, 60)], float), closed=True)
    marks = [
        Mark("note", "black", line((90, 0), (90, 60)), "seam 4", "seam"),
        Mark("tick", "black", line((90, 15), (84, 15)), "7", "tick"),
        Mark("tick", "black", line((90, 42), (84, 42)), "8", "tick"),
        Mark("note", "black", line((0, 0), (90, 0)), "45° top longer", "lean"),
        Mark("marker", "black", line((10, 50), (80, 50)), "fold", "score"),
        Mark("marker", "black", line((10, 54), (80, 54)), "", "burn"),
        Mark("marker", "black", line((20, 5), (20, 45)), "", "centre"),
        Mark("marker", "red", line((30, 5), (30, 45)), "", "reference"),
    ]
    left = part_of("3", outline, (55.0, 25.0), 22.0, "L", marks=marks)
    left = replace(
        left, name="wing", stock="foam", thickness_mm=6.0, copies=2, pair=True, forward_deg=270.0, piece="p3"
    )
    flipped = [replace(mark, curve=mirrored(mark.curve, 100.0)) for mark in marks]
    right = replace(left, side="R", outline=mirrored(outline, 100.0), marks=tuple(flipped), label_mm=(145.0, 25.0))
    pattern = pattern_of(left, right)
    return replace(pattern, remarks=("The shell stands for the middle of the foam's thickness.", "Gores by chord."))


def texts(pdf: bytes) -> list[tuple[str, list[float], list[float]]]:
    found: list[tuple[str, list[float], list[float]]] = []

    def visit(text: str, cm: list[float], tm: list[float], font: object, size: float) -> None:
        if text.strip():
            found.append((text.strip(), cm, tm))

    for page in PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=visit)
    return found


def test_the_pages_tell_all_that_is_said_of_a_part(build_pattern: Pattern) -> None:
    words = [text for text, _, _ in texts(pattern_pdf(build_pattern, "A3"))]
    pages = words[words.index("A1") :]
    for said in ("3 L", "3 R", "wing", "cut 2 left of foam, 6 mm", "cut 2 right of foam, 6 mm"):
        assert said in pages, said
    for said in ("seam 4", "7", "8", "45° top longer", "fold", "front"):
        assert pages.count(said) == 2, said


def test_the_guide_tells_the_build_and_its_lines(build_pattern: Pattern) -> None:
    guide = PdfReader(io.BytesIO(pattern_pdf(build_pattern, "A4"))).pages[0].extract_text()
    flat = re.sub(r"\s+", " ", guide)
    assert "middle of the foam's thickness" in flat and "Gores by chord" in flat
    assert "wing · cut 2 left and 2 right · foam, 6 mm" in flat
    for legend in (
        "score: half through",
        "burn or draw in",
        "line of symmetry",
        "3 meets 3",
        "the underside lies back",
    ):
        assert legend in flat


def test_no_lettering_is_ever_mirrored(build_pattern: Pattern) -> None:
    """A text matrix of negative determinant would write from right to left (ISO 32000-1, 9.4.4)."""
    for text, cm, tm in texts(pattern_pdf(build_pattern, "A3")):
        for a, b, c, d, *_ in (cm, tm):
            assert a * d - b * c > 0, text
    for group in ET.fromstring(pattern_svg(build_pattern)).iter():
        assert "scale" not in group.get("transform", "")


def test_lines_to_score_and_burn_have_kinds_and_layers_of_their_own(build_pattern: Pattern) -> None:
    """ISO 128-2:2020 line types 03, 08 and 04.1."""
    document = ezdxf.read(io.StringIO(pattern_dxf(build_pattern).decode()))
    kinds = {e.dxf.layer: e.dxf.linetype for e in document.modelspace() if "part-3-L" in e.dxf.layer}
    assert kinds["part-3-L score"] == "ISO 128 03.1" and kinds["part-3-L burn"] == "ISO 128 08.1"
    assert {"part-3-L cut", "part-3-L mark", "part-3-L text"} < kinds.keys()
    assert len({SCORE.dashes_mm, BURN.dashes_mm, CENTRE.dashes_mm}) == 3
    assert max(SCORE.dashes_mm) == 18 * NARROW_MM and min(BURN.dashes_mm[::2]) == 6 * NARROW_MM


def test_words_stand_in_the_drawing_files_where_they_stand_on_paper(build_pattern: Pattern) -> None:
    document = ezdxf.read(io.StringIO(pattern_dxf(build_pattern).decode()))
    dxf = {e.dxf.text: e for e in document.modelspace().query("TEXT") if "3-L text" in e.dxf.layer}
    group = ET.fromstring(pattern_svg(build_pattern)).find(f".//{SVG}g[@id='part-3-L-words']")
    assert group is not None
    svg = {word.text: word for word in group}
    assert dxf.keys() >= svg.keys() == {"seam 4", "7", "8", "45° top longer", "fold", "front"}
    for text, word in svg.items():
        x, y = float(word.get("x", "nan")), float(word.get("y", "nan"))
        place = dxf[str(text)].dxf.align_point
        assert (x, -y) == pytest.approx((place.x, place.y), abs=1.0)  # baseline here, middle there
    assert dxf["seam 4"].dxf.rotation == pytest.approx(-90) and dxf["45° top longer"].dxf.rotation == 0
    assert float(svg["seam 4"].get("x", "nan")) < 90 and 17 < float(svg["seam 4"].get("y", "nan")) < 40


def test_the_arrow_points_to_the_front(build_pattern: Pattern) -> None:
    """270° from x towards y, where y points down, is up the page."""
    group = ET.fromstring(pattern_svg(build_pattern)).find(f".//{SVG}g[@id='part-3-L-arrows']")
    assert group is not None
    shaft = [float(n) for n in re.findall(r"-?[\d.]+", group[0].get("d", ""))]
    assert shaft[0] == shaft[2] and shaft[1] - shaft[3] > 5


def test_an_outline_that_touches_itself_prints(part_of: MakePart, pattern_of: MakePattern) -> None:
    """A spike of no width, as a slit whose lips meet: an area and a loose line for whoever mends the polygon."""
    corners = [(0, 0), (60, 0), (60, 20), (90, 20), (60, 20), (60, 40), (0, 40)]
    outline = polyline_curve(np.array(corners, float), closed=True)
    pattern = pattern_of(replace(part_of("1", outline, (30.0, 20.0), 18.0), piece="p1", forward_deg=0.0))
    assert len(PdfReader(io.BytesIO(pattern_pdf(pattern))).pages) == 2
    assert "M 0 0 L 60 0 L 60 20 L 90 20 L 60 20 L 60 40 L 0 40" in pattern_svg(pattern)


def test_a_part_without_a_build_prints_as_before(part_of: MakePart, pattern_of: MakePattern) -> None:
    outline = polyline_curve(np.array([(0, 0), (90, 0), (90, 60), (0, 60)], float), closed=True)
    svg = pattern_svg(pattern_of(part_of("1", outline, (45.0, 30.0))))
    assert "words" not in svg and "cut 1" not in svg and "front" not in svg


def test_the_picture_of_unlike_halves_shows_which_sticks_out() -> None:
    """A 60 × 40 mm box whose right half is 1 mm taller: one area above its right, one below the left's upper edge."""
    x = np.linspace(-30, 30, 61)
    ring = [*((v, -20.0) for v in x), *((v, 20.0) for v in x[::-1])]
    by = [1.0 if (px > 1 and py < 0) else -1.0 if (px < -1 and py < 0) else 0.0 for px, py in ring]
    root = ET.fromstring(halves_svg("Piece <3>", ring, by, np.array([[0.0, -25.0], [0.0, 25.0]]), 1.0))
    areas = {p.get("fill"): np.array(re.findall(r"-?[\d.]+", p.get("points", "")), float).reshape(-1, 2)
             for p in root.iter(f"{SVG}polygon")}  # fmt: skip
    assert len(areas) == 2
    (out,) = [points for points in areas.values() if points[:, 1].min() < -25]
    assert out[:, 0].min() >= 1 and out[:, 1].min() == pytest.approx(-30)  # ten times as large
    words = " ".join(root.itertext())
    assert "Piece <3>: the halves differ by up to 1.0 mm" in words and "drawn 10 times as large" in words
