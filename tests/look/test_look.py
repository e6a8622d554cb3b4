"""The first look at photos, on the demo's scene with exact truth."""

from __future__ import annotations

import json
from typing import Any

import cv2
import numpy as np
import pytest
import shapely

import extract
from extract import TraceSettings
from extract.camera.flatten import flatten
from extract.camera.solve import solve
from extract.cards.find import find_cards
from extract.ink.silhouette_where import rough_outline
from extract.look import Look, look_over
from extract.overlay import CARD_COLOUR
from extract.photo import read_photo
from extract.seeing import see_table


@pytest.fixture(scope="module")
def content() -> bytes:
    return extract.demo_photo().read_bytes()


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return dict(json.loads(extract.demo_photo().with_name("moth-lantern.truth.json").read_text("utf-8")))


@pytest.fixture(scope="module")
def look(content: bytes) -> Look:
    return look_over(see_table([("moth.jpg", content), ("letter.jpg", b"Dear puppeteer")], TraceSettings()))


def test_every_card_of_the_scene_is_named(look: Look, truth: dict[str, Any]) -> None:
    moth, letter = look.found["photos"]
    assert len(moth["cards"]) == len(truth["cards"]) == 3
    assert moth["placed"] and moth["refusal"] is None
    assert not letter["placed"] and "not a picture" in letter["refusal"]["reason"]
    assert look.found["shell"]
    assert 0.01 < look.found["sigma_mm"] < 1.0
    assert json.loads(json.dumps(look.found)) == look.found


def test_the_cards_are_outlined_where_they_lie(look: Look, truth: dict[str, Any]) -> None:
    """The truth's pinhole camera says where the paper's corners are; the drawn line passes there."""
    first, second = look.pictures
    assert second is None
    picture = cv2.imdecode(np.frombuffer(first or b"", np.uint8), cv2.IMREAD_COLOR).astype(int)
    scale = picture.shape[1] / truth["image"]["width"]
    drawn = np.argwhere(np.abs(picture - np.array(CARD_COLOUR)).max(axis=2) < 30)[:, ::-1]
    tree = shapely.MultiPoint(drawn)
    for card in truth["cards"]:
        for corner in projected(truth["camera"], np.array(card["outline_mm"]), card["z_mm"]) * scale:
            assert tree.distance(shapely.Point(corner)) < 6, card["name"]


def projected(camera: dict[str, Any], points_mm: np.ndarray, height_mm: float) -> np.ndarray:
    world = np.column_stack([points_mm, np.full(len(points_mm), height_mm)])
    turn, shift = np.array(camera["R_world_to_cam"]), np.array(camera["t_world_to_cam_mm"])
    distortion = np.array(camera["dist_k1_k2_p1_p2_k3"], float)
    seen, _ = cv2.projectPoints(world, cv2.Rodrigues(turn)[0], shift, np.array(camera["K"]), distortion)
    return np.asarray(seen.reshape(-1, 2), float)


def test_the_rough_outline_covers_the_shell(content: bytes, truth: dict[str, Any]) -> None:
    photo = read_photo(content, "moth.jpg")
    cameras, _ = solve([find_cards(photo)[0]], [photo], TraceSettings())
    rough = shapely.Polygon(rough_outline(flatten(photo, cameras[0], mm_per_px=1.0)))
    exact = shapely.Polygon(truth["silhouette"]["points"])
    assert rough.area == pytest.approx(exact.area, rel=0.05)


def test_a_photo_without_cards_is_told_so() -> None:
    plain = cv2.imencode(".png", np.full((600, 800, 3), 140, np.uint8))[1].tobytes()
    look = look_over(see_table([("table.png", plain)], TraceSettings()))
    (photo,) = look.found["photos"]
    assert "No scale card" in photo["refusal"]["reason"]
    assert look.found["sigma_mm"] is None
    assert look.pictures[0], "the photo is still shown"
