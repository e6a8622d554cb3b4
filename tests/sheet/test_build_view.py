"""The build's picture for the screen, read back by a general XML reader and svgpathtools."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest
import shapely
import svgpathtools

from extract.build import Build, Edge, Piece, Run, Seam
from extract.geometry.curve import polyline_curve
from extract.sheet.build_view import GRID, SEAM_COLOURS, build_view

SVG = "{http://www.w3.org/2000/svg}"


def square(piece_id: str, left: float) -> Piece:
    corners = np.array([[0, 0], [100, 0], [100, 100], [0, 100], [0, 0]]) + np.array([left, 0.0])
    edges = tuple(Edge("abcd"[k], polyline_curve(corners[k : k + 2])) for k in range(4))
    return Piece(piece_id, piece_id, edges)


def tenfold(edge: Edge) -> Edge:
    return replace(edge, curve=replace(edge.curve, controls=10 * edge.curve.controls))


@pytest.fixture
def build() -> Build:
    seam = Seam(7, Run("p1", ("b",)), Run("p2", ("d",)))
    return Build("moth", (square("p1", 0), square("p2", 100)), (seam,))


def drawn(build: Build, *lit: str) -> ElementTree.Element:
    return ElementTree.fromstring(build_view(build, build.pieces, lit))


def test_both_sides_of_a_seam_share_colour_and_number(build: Build) -> None:
    picture = drawn(build)
    sides = [path for path in picture.iter(f"{SVG}path") if path.get("stroke") == SEAM_COLOURS[0]]
    assert [svgpathtools.parse_path(side.get("d") or "").length() for side in sides] == pytest.approx([100, 100])
    assert [text.text for text in picture.iter(f"{SVG}text")].count("7") == 2
    assert len([disc for disc in picture.iter(f"{SVG}circle") if disc.get("fill") == SEAM_COLOURS[0]]) == 2


def test_letters_stand_inside_their_own_piece(build: Build) -> None:
    places = [float(text.get("x") or "nan") for text in drawn(build).iter(f"{SVG}text") if text.text in set("abcd")]
    assert len(places) == 8
    assert all(0 < x < 100 for x in places[:4])
    assert all(100 < x < 200 for x in places[4:])


def test_a_seams_disc_covers_no_name_where_there_is_room_beside_it(build: Build) -> None:
    """A strip so narrow that the disc beside the middle of its edge would lie on its name (common practice, no
    source: writing on a plan does not overlap)."""
    corners = np.array([[100, 0], [108, 0], [108, 100], [100, 100], [100, 0]], float)
    strip = Piece("p2", "p2", tuple(Edge("abcd"[k], polyline_curve(corners[k : k + 2])) for k in range(4)))
    picture = drawn(replace(build, pieces=(build.pieces[0], strip)))
    discs = [[float(disc.get(at) or "nan") for at in ("cx", "cy", "r")] for disc in picture.iter(f"{SVG}circle")]
    names = [text for text in picture.iter(f"{SVG}text") if text.text in ("p1", "p2")]
    assert len(discs) == 2 and len(names) == 4, "each piece carries its number and its name"
    for x, y, radius in discs:
        for name in names:
            gap = np.hypot(x - float(name.get("x") or "nan"), y - float(name.get("y") or "nan"))
            assert gap > radius + float(name.get("font-size") or "nan") / 2


def test_on_a_small_piece_its_letters_keep_clear_of_its_name(build: Build) -> None:
    """A triangle of 160 mm beside a piece of a metre (common practice, no source: writing stays apart)."""
    corners = np.array([[1010, 0], [1170, 0], [1090, 139], [1010, 0]], float)
    small = Piece("p12", "12", tuple(Edge("xyz"[k], polyline_curve(corners[k : k + 2])) for k in range(3)))
    large = replace(square("p1", 0), edges=tuple(tenfold(edge) for edge in square("p1", 0).edges))
    boxes = {}
    for text in drawn(replace(build, pieces=(large, small), seams=())).iter(f"{SVG}text"):
        x, y, height = (float(text.get(each) or "nan") for each in ("x", "y", "font-size"))
        wide = 0.3 * height * len(text.text or "")
        boxes[text.text] = shapely.box(x - wide, y - height / 2, x + wide, y + height / 2)
    assert all(boxes["p12"].disjoint(boxes[letter]) for letter in "xyz")


def test_a_grid_says_the_pieces_own_millimetres(build: Build) -> None:
    """The second piece runs from 100 to 200 mm; shown 40 mm further right, its grid still says so."""
    beside = replace(build.pieces[1], edges=square("p2", 140).edges)
    picture = ElementTree.fromstring(build_view(build, (build.pieces[0], beside), measured="p2"))
    places = [
        (text.text, float(text.get("x") or "nan"), float(text.get("y") or "nan"))
        for text in picture.iter(f"{SVG}text")
        if text.get("fill") == GRID
    ]
    above = {name: x for name, x, y in places if y < 0}
    assert above == {str(value): value + 40 for value in range(100, 201, 20)}
    assert not [text for text in drawn(build).iter(f"{SVG}text") if text.get("fill") == GRID]


def test_chosen_pieces_stand_out(build: Build) -> None:
    fills = [path.get("fill") for path in drawn(build, "p2").iter(f"{SVG}path") if path.find(f"{SVG}title") is not None]
    assert len(set(fills)) == 2
    assert fills[0] != fills[1]


def test_names_are_shown_letter_for_letter(build: Build) -> None:
    named = replace(build, pieces=(replace(build.pieces[0], name="<script>left</script> & \x07wing"), build.pieces[1]))
    assert any("<script>left</script> &  wing" in (text.text or "") for text in drawn(named).iter(f"{SVG}text"))
