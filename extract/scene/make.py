"""From a preset and a seed to a photo and its truth."""

from __future__ import annotations

import copy
import json
import zlib
from dataclasses import dataclass, replace
from pathlib import Path
from string import ascii_lowercase
from typing import Any

import numpy as np
from shapely import MultiPolygon

from extract.doors import Array, Bytes
from extract.geometry.scalecard import paper_outline_mm
from extract.scene.layout import LaidCard, lay_cards, place_camera
from extract.scene.light import make_light
from extract.scene.options import SceneOptions, options_for
from extract.scene.pieces import make_pieces, outlines_of
from extract.scene.render import Setting, photograph, raster_mm
from extract.scene.sensor import jpeg
from extract.scene.truth import truth_of

PHONE_PX = (4032, 3024)
"""12 megapixels, the commonest size a phone writes."""


@dataclass(frozen=True, eq=False)
class Scene:
    """``image`` is upright, (H, W, 3) uint8 BGR; ``truth`` the data of NAME.truth.json."""

    name: str
    image: Bytes
    truth: dict[str, Any]
    options: SceneOptions


def make_scene(
    preset: str, seed: int, size_px: tuple[int, int] = PHONE_PX, options: SceneOptions | None = None
) -> Scene:
    """Invent a shell, draw on it, lay cards beside it and photograph it.

    ``size_px`` is the sensor's (width, height), wide side first; the design does not depend on it. ``options``
    replaces what the preset would draw. Raises ValueError for an unknown preset.
    """
    return make_views(preset, seed, 1, size_px, options)[0]


def make_views(
    preset: str,
    seed: int,
    count: int,
    size_px: tuple[int, int] = PHONE_PX,
    options: SceneOptions | None = None,
) -> list[Scene]:
    """The same table photographed from ``count`` sides, evenly round it: the scene of ``make_scene`` first. Things
    that lie about, the table's grain and the noise are each photo's own. Photos after the first are named NAME_b,
    NAME_c, …"""
    rng = np.random.default_rng([seed, zlib.crc32(preset.encode())])
    of_options, of_shell, of_lines, of_layout, of_picture = rng.spawn(5)
    options = options or options_for(preset, of_options)
    pieces = make_pieces(options, of_shell, of_lines)
    outlines = outlines_of(pieces)
    up = float(of_layout.choice([0.5, 1.5]) * np.pi + of_layout.normal(0, 0.2))
    cards = lay_cards(outlines, options, of_layout, up)
    points, size = key_points(outlines, cards), upright_size(size_px, options.orientation)
    camera = place_camera(points, options, size, of_layout, up)
    light = make_light(options, camera, of_layout)
    first = Setting(options, pieces, cards, camera, light)
    settings = [first]
    for index in range(1, count):
        side = 2 * np.pi * index / count
        seen_from = place_camera(points, options, size, of_layout, up, side)
        settings.append(replace(first, camera=seen_from, raster_mm=raster_mm(first)))
    names = [f"{preset}_{seed:04d}" + ("" if n == 0 else f"_{ascii_lowercase[n]}") for n in range(count)]
    # the same draws again, so that tape and ink are the same in every photo
    return [
        taken(setting, name, seed, copy.deepcopy(of_picture)) for setting, name in zip(settings, names, strict=True)
    ]


def taken(setting: Setting, name: str, seed: int, rng: np.random.Generator) -> Scene:
    """Photograph a setting and write down what is true of it."""
    return Scene(name, photograph(setting, rng), truth_of(setting, name, seed), setting.options)


def write_scene(scene: Scene, folder: Path | str) -> Path:
    """Write NAME.jpg (turned as EXIF says) and NAME.truth.json; returns the photo's path."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    options = scene.options
    photo = folder / f"{scene.name}.jpg"
    photo.write_bytes(jpeg(scene.image, options.focal_35mm, options.orientation, options.quality))
    text = json.dumps(scene.truth, separators=(",", ":"))
    (folder / f"{scene.name}.truth.json").write_text(text, encoding="utf-8")
    return photo


def upright_size(size_px: tuple[int, int], orientation: int) -> tuple[int, int]:
    """(width, height) of the upright picture of a sensor held as ``orientation`` says (EXIF)."""
    return size_px if orientation in (1, 3) else (size_px[1], size_px[0])


def key_points(outlines: MultiPolygon, cards: tuple[LaidCard, ...]) -> Array:
    """World points (N, 3) that must be in the picture."""
    rim = np.vstack([np.asarray(outline.exterior.coords)[::20] for outline in outlines.geoms])
    papers = [card.world(paper_outline_mm(card.design)) for card in cards]
    return np.vstack([np.c_[rim, np.zeros(len(rim))], *papers])


def with_options(preset: str, seed: int, **changes: Any) -> SceneOptions:
    """A preset's options with some replaced by hand."""
    rng = np.random.default_rng([seed, zlib.crc32(preset.encode())])
    return replace(options_for(preset, rng.spawn(5)[0]), **changes)
