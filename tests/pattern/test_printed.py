"""What a build gives to the print, measured with shapely."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from extract.build import Build, Detail, Edge, Finish, Hole, Piece, Run, Seam, Stock
from extract.doors import Curve, Mark, Part
from extract.geometry.curve import curve_points, polyline_curve, reversed_curve
from extract.pattern.printed import parts_of, tick_numbers


def piece_of(id_: str, corners: list[tuple[float, float]], **said: object) -> Piece:
    points = np.array([*corners, corners[0]], float)
    edges = tuple(Edge("abcdef"[k], polyline_curve(points[k : k + 2])) for k in range(len(corners)))
    return replace(Piece(id_, id_[1:], edges), **said)  # type: ignore[arg-type]


LEFT = [(0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 40.0)]
RIGHT = [(60.0, 0.0), (100.0, 5.0), (90.0, 45.0), (60.0, 40.0)]
SEAM = Seam(4, Run("p1", ("b",)), Run("p2", ("d",)), ticks=(0.25, 0.6))


def two(**said: object) -> Build:
    return Build("wing", (piece_of("p1", LEFT, **said), piece_of("p2", RIGHT, **said)), (SEAM,))


def shape(curve: Curve) -> shapely.Polygon:
    return shapely.Polygon(curve_points(curve, 1e-3))


def ticks(part: Part) -> dict[str, Mark]:
    return {mark.text: mark for mark in part.marks if mark.use == "tick"}


def test_pieces_lie_as_they_were_traced_and_carry_what_is_said_of_them() -> None:
    build = two(stock="foam", count=2, forward_deg=270.0, notes="felt out", copies="centre")
    build = replace(build, stocks=(Stock("foam", 6.0),), face="middle")
    build = replace(build, pieces=(replace(build.pieces[0], name="brow"), build.pieces[1]))
    pattern = parts_of(build, "shell.jpg", "2025-03-01")
    first, second = pattern.parts
    assert (first.number, first.name, first.side, first.stock, first.thickness_mm) == ("1", "brow", "", "foam", 6.0)
    assert (first.copies, first.on_centre, first.pair, first.forward_deg, first.piece) == (2, True, False, 270.0, "p1")
    assert second.name == "" and (first.area_mm2, first.perimeter_mm) == (2400.0, 200.0)
    np.testing.assert_array_equal(curve_points(first.outline), LEFT)
    told = " ".join(pattern.remarks)
    assert "middle of the foam" in told and "6 mm thick" in told and "0.5 of that" in told and "felt out" in told


def test_tick_three_meets_tick_three() -> None:
    """The neighbours lie as they will be glued, so ticks of one number start at one point and go opposite ways."""
    first, second = (ticks(part) for part in parts_of(two()).parts)
    assert first.keys() == second.keys() == {"1", "2"}
    for number, y in (("1", 10.0), ("2", 24.0)):
        mine, theirs = (curve_points(marks[number].curve) for marks in (first, second))
        np.testing.assert_allclose(mine, [[60, y], [54, y]], atol=1e-9)
        np.testing.assert_allclose(theirs, [[60, y], [66, y]], atol=1e-9)


def test_no_tick_number_comes_twice() -> None:
    seams = (SEAM, Seam(7, Run("p1", ("d",)), Run("p2", ("b",)), ticks=(0.2, 0.5, 0.7)))
    assert list(tick_numbers(replace(two(), seams=seams)).values()) == [1, 2, 3, 4, 5]


def test_a_pair_is_printed_as_mirror_images_with_the_same_numbers() -> None:
    pattern = parts_of(two(copies="pair"))
    assert [(p.number, p.side, p.pair) for p in pattern.parts] == [
        ("1", "L", True),
        ("2", "L", True),
        ("1", "R", True),
        ("2", "R", True),
    ]
    left, right = pattern.parts[0], pattern.parts[2]
    folded = shapely.affinity.scale(shape(left.outline), xfact=-1, origin=(110, 0))
    assert folded.symmetric_difference(shape(right.outline)).area == pytest.approx(0, abs=1e-6)
    for number, mark in ticks(left).items():
        expected = curve_points(mark.curve) * [-1, 1] + [220, 0]
        np.testing.assert_allclose(curve_points(ticks(right)[number].curve), expected, atol=1e-9)
    assert right.area_mm2 == pytest.approx(left.area_mm2, rel=1e-12)


def test_a_piece_whose_back_lies_up_is_drawn_from_the_back() -> None:
    plain, turned = (parts_of(two(up=side)).parts[1] for side in ("face", "back"))
    assert turned.mirrored and not plain.mirrored
    middle = (shape(plain.outline).bounds[0] + shape(plain.outline).bounds[2]) / 2
    folded = shapely.affinity.scale(shape(plain.outline), xfact=-1, origin=(middle, 0))
    both = shape(turned.outline)
    aligned = shapely.affinity.translate(both, *(np.array(folded.bounds[:2]) - both.bounds[:2]))
    assert folded.symmetric_difference(aligned).area == pytest.approx(0, abs=1e-6)


def test_ticks_stay_at_their_places_when_seen_from_the_back() -> None:
    plain, turned = (parts_of(two(up=side)).parts[0] for side in ("face", "back"))
    for number, mark in ticks(plain).items():
        expected = curve_points(mark.curve) * [-1, 1] + [60, 0]  # mirrored about the piece's own middle, x = 30
        offset = np.array(shape(turned.outline).bounds[:2])
        np.testing.assert_allclose(curve_points(ticks(turned)[number].curve) - offset, expected, atol=1e-9)


def test_both_of_a_pair_seen_from_the_back_are_still_left_and_right() -> None:
    left, _, right, _ = parts_of(two(copies="pair", up="back")).parts
    assert left.mirrored and right.mirrored
    around = shapely.affinity.scale(shape(left.outline), xfact=-1, origin=(0, 0))
    aligned = shapely.affinity.translate(around, *(np.array(shape(right.outline).bounds[:2]) - around.bounds[:2]))
    assert aligned.symmetric_difference(shape(right.outline)).area == pytest.approx(0, abs=1e-6)


def test_pieces_that_would_lie_on_others_are_moved_apart() -> None:
    again = piece_of("p3", [(10.0, 5.0), (70.0, 5.0), (40.0, 50.0)])
    far = piece_of("p4", [(0.0, 0.0), (30.0, 0.0), (30.0, 20.0)])
    pattern = parts_of(replace(two(), pieces=(*two().pieces, again, far)))
    shapes = [shape(part.outline) for part in pattern.parts]
    assert shapely.union_all(shapes).area == pytest.approx(sum(s.area for s in shapes))
    assert [s.bounds[1] for s in shapes[2:]] == pytest.approx([65, 130])  # too wide together for one row


def test_lean_is_told_as_it_lies_on_the_table() -> None:
    build = two(up="back")
    edges = build.pieces[0].edges
    leaning = (
        replace(edges[0], finish=Finish(45.0, "back")),
        replace(edges[1], finish=Finish(30.0, "face")),
        *edges[2:],
    )
    first = parts_of(replace(build, pieces=(replace(build.pieces[0], edges=leaning), build.pieces[1]))).parts[0]
    assert sorted(m.text for m in first.marks if m.use == "lean") == ["30° underside longer", "45° top longer"]


def test_details_keep_their_use_and_words() -> None:
    line = polyline_curve(np.array([[10.0, 10.0], [50.0, 30.0]]))
    marked = two(details=(Detail("d1", "score", line, "fold"), Detail("d2", "note", line)))
    kinds = [(m.kind, m.use, m.text) for m in parts_of(marked).parts[0].marks[:2]]
    assert kinds == [("marker", "score", "fold"), ("note", "note", "")]


def test_an_inlay_stays_in_its_hole() -> None:
    inlay = piece_of("p3", [(20.0, 10.0), (40.0, 10.0), (40.0, 30.0), (20.0, 30.0)])
    hole = Hole("h1", reversed_curve(polyline_curve(np.array([(20.0, 10), (40, 10), (40, 30), (20, 30)]), closed=True)))
    build = two()
    holed = replace(build.pieces[0], holes=(hole,))
    parts = parts_of(replace(build, pieces=(holed, build.pieces[1], inlay))).parts
    assert shape(parts[2].outline).bounds == (20, 10, 40, 30)


def test_lettering_keeps_clear_of_lines() -> None:
    """A line down the middle of a 60 × 40 mm piece: the largest circle beside it, less room along the edges."""
    line = polyline_curve(np.array([[30.0, 0.0], [30.0, 40.0]]))
    part = parts_of(two(details=(Detail("d1", "score", line),))).parts[0]
    assert abs(part.label_mm[0] - 30) > 13 and 10 < part.room_mm < 14.3
    tick = parts_of(two(details=(Detail("d1", "tick", line),))).parts[0]
    assert tick.room_mm == pytest.approx(16.0, abs=0.6)
