"""A shell in several pieces: each has its own exact truth, and shapely says that they lie apart."""

from __future__ import annotations

from functools import cache
from itertools import combinations

import numpy as np
import pytest
from shapely import LineString, Point, Polygon

from extract.scene import Scene, make_scene
from extract.scene.make import with_options

SIZE_PX = (504, 378)


@cache
def scene(pieces: int) -> Scene:
    return make_scene("typical", 17, SIZE_PX, with_options("typical", 17, pieces=pieces))


def outlines(made: Scene) -> list[Polygon]:
    return [Polygon(piece["silhouette"]["exact_points"]) for piece in made.truth["pieces"]]


@pytest.mark.parametrize("pieces", [2, 3])
def test_pieces_lie_apart_and_clear_of_cards(pieces: int) -> None:
    shells = outlines(scene(pieces))
    cards = [Polygon(card["outline_mm"]) for card in scene(pieces).truth["cards"]]
    assert len(shells) == pieces
    assert all(one.is_valid and one.area > 10_000 for one in shells)
    assert min(one.distance(other) for one, other in combinations(shells, 2)) >= 15
    assert min(shell.distance(card) for shell in shells for card in cards) > 5


@pytest.mark.parametrize("pieces", [2, 3])
def test_what_is_drawn_lies_on_its_piece(pieces: int) -> None:
    truth, shells = scene(pieces).truth, outlines(scene(pieces))
    drawn = [LineString(line["points"]) for line in truth["lines"]]
    owner = [max(range(pieces), key=lambda k, line=line: shells[k].intersection(line).length) for line in drawn]
    assert set(owner) == set(range(pieces))
    assert all(shells[k].buffer(0.5).covers(line) for k, line in zip(owner, drawn, strict=True))
    assert [line["id"] for line in truth["lines"]] == list(range(len(drawn)))
    assert truth["ticks"]
    for tick in truth["ticks"]:
        crossed = drawn[tick["crosses"]]
        assert crossed.distance(Point(tick["cross_point"])) < 0.5
        assert crossed.crosses(LineString(tick["points"]))


@pytest.mark.parametrize("pieces", [2, 3])
def test_panels_fill_all_pieces(pieces: int) -> None:
    faces = [Polygon(panel["polygon"], panel["holes"]) for panel in scene(pieces).truth["panels_black"]]
    shells = outlines(scene(pieces))
    # Faces under 1 mm², slivers between a stroke's end and the edge, are not listed.
    assert sum(face.area for face in faces) == pytest.approx(sum(shell.area for shell in shells), abs=5)
    assert all(any(shell.buffer(0.01).covers(face) for shell in shells) for face in faces)
    areas = [face.area for face in faces]
    assert areas == sorted(areas, reverse=True)


def test_every_piece_is_in_the_picture() -> None:
    """Projected by the truth's own camera, each piece's middle is tape, grey whatever the table's colour."""
    made = scene(3)
    camera = made.truth["camera"]
    for shell in outlines(made):
        spots = np.array([[point.x, point.y, 0.55] for point in [shell.representative_point()]])
        seen = spots @ np.array(camera["R_world_to_cam"]).T + camera["t_world_to_cam_mm"]
        x = seen[:, :2] / seen[:, 2:]
        column, row = np.rint(x @ np.array(camera["K"])[:2, :2].T + np.array(camera["K"])[:2, 2]).astype(int)[0]
        assert 5 < column < made.image.shape[1] - 5
        assert 5 < row < made.image.shape[0] - 5


def test_a_shell_in_one_piece_says_nothing_of_pieces() -> None:
    assert "pieces" not in scene(1).truth
