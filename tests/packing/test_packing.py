"""Parts packed on pages, judged by shapely and by the printed pages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from extract.build import Build, Stock
from extract.doors import CannotContinue, Part, Pattern
from extract.geometry.curve import curve_area, curve_points, polyline_curve
from extract.packing import CORNER_MM, packed
from extract.pattern.printed import parts_of
from extract.sheet import PAPERS
from extract.sheet.drawing import draw_pattern
from extract.sheet.layout import lay_out
from extract.steps import apply


@pytest.fixture(scope="module")
def lantern() -> Pattern:
    """A dome of six gores, a strip longer than A4, a skirt, and small strips."""
    build = Build("moth-lantern", stocks=(Stock("foam 6", 6.0),))
    for step, answers in (
        ("dome", {"length": 210, "breadth": 165, "height": 130, "cap": 40, "stock": "foam 6"}),
        ("centre-strip", {"widths": "40 60 60 40", "length": 390}),
        ("strip", {"width": 12, "length": 75, "count": 8}),
        ("skirt", {"run": "p1:d", "height": 40, "flare": 15}),
    ):
        build = apply(build, step, answers).build
    return parts_of(build)


def shape(part: Part) -> shapely.Polygon:
    return shapely.Polygon(curve_points(part.outline))


@pytest.mark.parametrize("paper", ["A4", "Letter", "A3"])
def test_no_part_that_fits_on_a_page_is_cut_apart(lantern: Pattern, paper: str) -> None:
    pattern = packed(lantern, paper)
    things = [thing for part in draw_pattern(pattern) for thing in part.things]
    cores = [
        shapely.box(tile.core.left, tile.core.top, tile.core.right, tile.core.bottom)
        for tile in lay_out(things, PAPERS[paper], CORNER_MM).printed
    ]
    sheet = PAPERS[paper]
    for part in pattern.parts:
        low, high = np.sort(np.ptp(curve_points(part.outline), axis=0))
        if low < min(sheet.width_mm, sheet.height_mm) - 35 and high < max(sheet.width_mm, sheet.height_mm) - 35:
            assert sum(core.contains(shape(part)) for core in cores) == 1


def test_parts_keep_their_form_and_apart(lantern: Pattern) -> None:
    pattern = packed(lantern, "A4")
    assert [part.number + part.side for part in pattern.parts] == [part.number + part.side for part in lantern.parts]
    for old, new in zip(lantern.parts, pattern.parts, strict=True):
        assert curve_area(new.outline) == pytest.approx(curve_area(old.outline))
        assert shape(new).contains(shapely.Point(new.label_mm))
        assert (new.copies, new.stock, len(new.marks)) == (old.copies, old.stock, len(old.marks))
        for before, after in zip(old.marks, new.marks, strict=True):
            away = [shape(p).distance(shapely.Point(m.curve.controls[0, 0])) for p, m in ((old, before), (new, after))]
            assert away[0] == pytest.approx(away[1], abs=0.05)
    shapes = [shape(part) for part in pattern.parts]
    # 6 mm on one page; across a trim line, where scissors have passed already, 1 mm on either side.
    assert min(a.distance(b) for k, a in enumerate(shapes) for b in shapes[:k]) >= 1.99


def test_a_turned_part_points_forward_still(lantern: Pattern) -> None:
    """The direction that pointed from the label to a corner of the outline turns with the part."""
    faced = Pattern(
        tuple(_facing_first_corner(part) for part in lantern.parts), lantern.photo_name, lantern.date, lantern.doubts
    )
    for part in packed(faced, "A4").parts:
        way = part.outline.controls[0, 0] - np.asarray(part.label_mm)
        assert part.forward_deg is not None
        off = np.degrees(np.arctan2(way[1], way[0])) - part.forward_deg
        assert (off + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)


def _facing_first_corner(part: Part) -> Part:
    way = part.outline.controls[0, 0] - np.asarray(part.label_mm)
    return replace(part, forward_deg=float(np.degrees(np.arctan2(way[1], way[0]))))


def test_only_large_parts_are_laid_out_too(lantern: Pattern) -> None:
    large = Pattern(tuple(part for part in lantern.parts if part.name == "centre strip"), "moth-lantern", "")
    assert len(packed(large, "A4").parts) == 1


def test_a_part_that_fits_only_aslant_is_turned(lantern: Pattern) -> None:
    """262 by 20 mm drawn at 45°: 199 by 199 mm upright, too wide for A4's 178 by 265 mm of room; along, it fits."""
    c, s = np.cos(np.pi / 4), np.sin(np.pi / 4)
    box = np.array([[0.0, 0.0], [262.0, 0.0], [262.0, 20.0], [0.0, 20.0]]) @ np.array([[c, s], [-s, c]])
    slant = replace(lantern.parts[0], outline=polyline_curve(box, closed=True), marks=(), holes=(), room_mm=20.0)
    (part,) = packed(replace(lantern, parts=(slant,)), "A4").parts
    assert np.sort(np.ptp(curve_points(part.outline), axis=0)) == pytest.approx([20, 262], abs=0.01)


def test_an_unknown_paper_is_refused(lantern: Pattern) -> None:
    with pytest.raises(CannotContinue, match="no paper"):
        packed(lantern, "B7")
