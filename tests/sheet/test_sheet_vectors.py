"""The SVG and DXF files, read back with general libraries."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
from ezdxf import recover
from ezdxf.entities import LWPolyline
from shapely import Polygon
from svgpathtools import parse_path

from extract.doors import CannotContinue, Mark, Part, Pattern
from extract.geometry.curve import circle_curve, polyline_curve
from extract.sheet import pattern_dxf, pattern_svg
from extract.sheet.drawing import draw_pattern
from extract.sheet.styles import CENTRE, CUT, DETAIL, reference_styles

SVG = "{http://www.w3.org/2000/svg}"
MakePart = Callable[..., Part]
MakePattern = Callable[..., Pattern]
SQUARE = polyline_curve(np.array([(-150.0, -20), (-50, -20), (-50, 80), (-150, 80)]), closed=True)


@pytest.fixture(scope="module")
def known(part_of: MakePart, pattern_of: MakePattern) -> Pattern:
    """A 100 mm square left of the origin with a 10 mm hole, and a circle of radius 60 mm."""
    return pattern_of(
        part_of("1", SQUARE, (-100, 50), 20, holes=[circle_curve((-100, 0), 5)]),
        part_of("2", circle_curve((80, 30), 60), (80, 30), 40, side="R"),
    )


def groups(svg: str) -> dict[str, ET.Element]:
    return {item.attrib["id"]: item for item in ET.fromstring(svg.encode()).iter() if "id" in item.attrib}


def test_svg_lengths_are_true_millimetres(known: Pattern) -> None:
    """Perimeters by svgpathtools against 4a and 2πr; 2e-4 is the circle's own cubic approximation and more."""
    found = groups(pattern_svg(known))
    square, hole = parse_path(found["part-1-outline"].attrib["d"]).continuous_subpaths()
    (circle,) = parse_path(found["part-2-R-outline"].attrib["d"]).continuous_subpaths()
    assert square.length() == pytest.approx(400, abs=1e-3)
    assert hole.length() == pytest.approx(2 * np.pi * 5, rel=2e-4)
    assert circle.length() == pytest.approx(2 * np.pi * 60, rel=2e-4)
    assert square.start == pytest.approx(-150 - 20j)
    assert "C" in found["part-2-R-outline"].attrib["d"]


def test_svg_unit_is_the_millimetre(known: Pattern) -> None:
    root = ET.fromstring(pattern_svg(known).encode())
    left, top, width, height = map(float, root.attrib["viewBox"].split())
    assert root.attrib["width"] == f"{width:g}mm"
    assert root.attrib["height"] == f"{height:g}mm"
    assert left < -150 and top < -30 and left + width > 140 and top + height > 90


def test_svg_names_its_groups_and_holds_no_script(lantern: Pattern) -> None:
    svg = pattern_svg(lantern)
    found = groups(svg)
    assert len(found) == len(re.findall(r' id="', svg))
    for part in lantern.parts:
        group = found[f"part-{part.number}-{part.side}"]
        title = group.find(f"{SVG}title")
        assert title is not None and title.text and title.text.startswith(f"{part.number} {part.side},")
        assert len(group.findall(f"{SVG}path")) == 1
    assert {"part-2-L-references", "part-2-L-ticks", "part-5-R-rings", "part-6-L-notes"} <= set(found)
    assert not any("script" in item.tag.lower() or "href" in "".join(item.attrib) for item in found.values())


def test_svg_takes_any_photo_name(known: Pattern) -> None:
    name = '<b>&"ü\x07提灯.jpg'
    svg = pattern_svg(replace(known, photo_name=name))
    title = ET.fromstring(svg.encode()).find(f"{SVG}title")
    assert title is not None and title.text and '<b>&"ü 提灯.jpg' in title.text


def read(data: bytes) -> ezdxf.document.Drawing:
    document, audit = recover.read(io.BytesIO(data))
    assert not audit.has_errors and not audit.has_fixes
    return document


def areas_read(pattern: Pattern) -> list[float]:
    """Each part's area by shapely from the closed polylines ezdxf reads, holes taken off."""
    space = read(pattern_dxf(pattern)).modelspace()
    found = []
    for part in draw_pattern(pattern):
        lines = list(space.query(f'LWPOLYLINE[layer=="{part.id} cut"]'))
        assert lines and all(line.closed for line in lines)
        areas = sorted(Polygon(line.get_points("xy")).area for line in lines)
        found.append(areas[-1] - sum(areas[:-1]))
    return found


def test_dxf_areas_come_back(known: Pattern, lantern: Pattern) -> None:
    """Within 0.01 % of closed formulas for the known shapes, of the curves' own area (Green's theorem) for the rest."""
    assert areas_read(known) == pytest.approx([100 * 100 - np.pi * 25, np.pi * 3600], rel=1e-4)
    assert areas_read(lantern) == pytest.approx([part.area_mm2 for part in lantern.parts], rel=1e-4)


def test_dxf_says_millimetres_and_points_up(known: Pattern) -> None:
    document = read(pattern_dxf(known))
    assert (document.header["$INSUNITS"], document.header["$MEASUREMENT"]) == (4, 1)
    (circle,) = document.modelspace().query('LWPOLYLINE[layer=="part-2-R cut"]')
    assert isinstance(circle, LWPolyline)
    points = np.array(circle.get_points("xy"))
    assert points.mean(axis=0) == pytest.approx((80, -30), abs=0.01)
    assert np.hypot(*(points - (80, -30)).T) == pytest.approx(60, abs=0.01)
    low, high = document.header["$EXTMIN"], document.header["$EXTMAX"]
    assert low[0] < -150 and low[1] < -90 and high[0] > 140 and high[1] > 30


def test_dxf_layers_and_lettering(lantern: Pattern) -> None:
    document = read(pattern_dxf(lantern))
    for part in lantern.parts:
        name = f"part-{part.number}-{part.side}"
        words = [text.dxf.text for text in document.modelspace().query(f'TEXT[layer=="{name} text"]')]
        assert words[0] == f"{part.number} {part.side}" and "2025-03-01" in words and "lantern shell.jpg" in words
        group = document.groups.get(name)
        assert group is not None and len(list(group)) > len(words)


def test_files_depend_on_the_pattern_only(lantern: Pattern) -> None:
    assert pattern_dxf(lantern) == pattern_dxf(lantern)
    assert pattern_svg(lantern) == pattern_svg(lantern)


def test_two_parts_of_one_name_keep_apart(part_of: MakePart, pattern_of: MakePattern) -> None:
    twice = pattern_of(part_of("1", circle_curve((0, 0), 40), (0, 0)), part_of("1", circle_curve((99, 0), 40), (99, 0)))
    assert [part.id for part in draw_pattern(twice)] == ["part-1", "part-1-2"]


def test_a_pattern_without_parts_is_refused(pattern_of: MakePattern) -> None:
    for write in (pattern_svg, pattern_dxf):
        with pytest.raises(CannotContinue, match="no parts"):
            write(pattern_of())


def test_lines_follow_the_standard() -> None:
    """ISO 128-2:2020: wide to narrow 2 : 1; dash 12 d, long dash 24 d, gap 3 d, dot at most 0.5 d (from memory)."""
    assert CUT.width_mm == 2 * DETAIL.width_mm and not CUT.dashes_mm and not DETAIL.dashes_mm
    red, blue = reference_styles(("red", "blue")).values()
    d = DETAIL.width_mm
    assert (CENTRE.code, red.code, blue.code) == ("04.1", "02.1", "05.1")
    assert np.allclose(np.array(CENTRE.dashes_mm) / d, [24, 3, 0.5, 3])
    assert np.allclose(np.array(red.dashes_mm) / d, [12, 3])
    assert np.allclose(np.array(blue.dashes_mm) / d, [24, 3, 0.5, 3, 0.5, 3])
    four = reference_styles(("red", "blue", "green", "orange"))
    assert len({style.dashes_mm for style in four.values()}) == 4


def test_lettering_goes_inside_or_beside_with_a_leader(part_of: MakePart, pattern_of: MakePattern) -> None:
    large = part_of("1", circle_curve((0, 0), 60), (0, 0), 55)
    snug = part_of("2", circle_curve((100, 0), 12), (100, 0), 11.5)
    small = part_of("3", circle_curve((140, 0), 5), (140, 0), 4.5, side="L")
    drawn = draw_pattern(pattern_of(large, snug, small))
    sizes = [part.lettering.lines[0].size_mm for part in drawn]
    assert sizes[0] > sizes[1] >= sizes[2]
    for part in drawn[:2]:
        box = part.lettering.box
        corners = np.array([(box.left, box.top), (box.right, box.bottom)])
        assert part.lettering.leader is None
        assert np.hypot(*(corners - part.part.label_mm).T).max() <= part.part.room_mm
    box, leader = drawn[2].lettering.box, drawn[2].lettering.leader
    frame = Polygon([(box.left, box.top), (box.right, box.top), (box.right, box.bottom), (box.left, box.bottom)])
    assert not any(frame.intersects(part.region) for part in drawn)
    assert leader is not None and leader[1] == (140, 0)


def test_centre_lines_cross_rings_and_round_holes_in_a_dash(part_of: MakePart, pattern_of: MakePattern) -> None:
    ring = Mark("ring", "black", circle_curve((30, 0), 6))
    (part,) = draw_pattern(
        pattern_of(part_of("1", SQUARE, (-100, 50), holes=[circle_curve((-100, 0), 8)], marks=[ring]))
    )
    lines = [line for line in part.lines if line.role == "centre"]
    assert len(lines) == 4
    for line in lines:
        length = np.linalg.norm(line.curve.controls[0, 3] - line.curve.controls[0, 0])
        at_middle = (line.phase_mm + length / 2) % sum(CENTRE.dashes_mm)
        assert at_middle == pytest.approx(CENTRE.dashes_mm[0] / 2)
