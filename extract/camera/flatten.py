"""The table seen square from above: the photo resampled at true scale on the plane of the strokes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from extract.camera.project import mm_from_px, px_from_mm, px_from_table, stroke_jacobian
from extract.doors import Array, Bytes, FlatView, Photo, PlaneCamera, Relief
from extract.geometry.relief import height_at
from extract.geometry.scalecard import paper_outline_mm

Map = npt.NDArray[np.float32]
Region = tuple[float, float, float, float]
"""left, top, right, bottom in mm of the plane frame."""


@dataclass(frozen=True)
class FlattenSettings:
    """``finest_mm``: a pixel below a tenth of the thinnest marker line adds work and no truth. ``max_pixels`` bounds
    memory. ``worst_sampling``: ground the photo saw with less than this share of its sampling at the cards is left
    out; nobody lays a shell so far behind the cards that every line blurs. ``map_step_px``: the exact map is computed
    on this grid and interpolated between (its error is far below a hundredth of a pixel, see the tests)."""

    finest_mm: float = 0.15
    coarsest_mm: float = 0.5
    max_pixels: float = 16e6
    worst_sampling: float = 0.4
    map_step_px: int = 8


def flatten(
    photo: Photo,
    camera: PlaneCamera,
    mm_per_px: float | None = None,
    margin_mm: float = 0.0,
    region_mm: Region | None = None,
    settings: FlattenSettings | None = None,
    relief: Relief | None = None,
) -> FlatView:
    """The stroke plane as a raster. ``mm_per_px`` defaults to the photo's own sampling at the cards; ``region_mm``
    (left, top, right, bottom) to all the table the photo saw well, grown by ``margin_mm``. The raster is coarsened
    where it would pass 16 megapixels. With ``relief`` every place is drawn from its own height."""
    settings = settings or FlattenSettings()
    left, top, right, bottom = region_mm or seen_region_mm(photo, camera, settings)
    left, top, right, bottom = left - margin_mm, top - margin_mm, right + margin_mm, bottom + margin_mm
    step = mm_per_px or min(settings.coarsest_mm, max(settings.finest_mm, 1 / sampling_px_per_mm(camera)))
    step = max(step, math.sqrt((right - left) * (bottom - top) / settings.max_pixels))
    size = max(2, math.ceil((right - left) / step) + 1), max(2, math.ceil((bottom - top) / step) + 1)
    x_px, y_px = _photo_map(camera, (left, top), step, size, settings.map_step_px, relief)
    width, height = photo.size_px
    valid = (x_px >= 0) & (y_px >= 0) & (x_px <= width - 1) & (y_px <= height - 1)
    return FlatView(
        pixels=_resampled(photo, x_px, y_px, step * sampling_px_per_mm(camera)),
        mm_per_px=step,
        origin_mm=(left, top),
        valid=valid,
        card_outlines_mm=tuple(card_outlines_mm(camera)),
    )


def card_outlines_mm(camera: PlaneCamera) -> list[Array]:
    """(4, 2) paper outlines of the cards as they lie, clockwise as printed from the top left."""
    outlines = []
    for card in camera.cards:
        cos, sin = math.cos(card.angle_rad), math.sin(card.angle_rad)
        plain = paper_outline_mm(card.sighting.design)
        outlines.append(plain @ np.array([[cos, sin], [-sin, cos]]) + (card.x_mm, card.y_mm))
    return outlines


def sampling_px_per_mm(camera: PlaneCamera, points_mm: Array | None = None) -> float:
    """Photo pixels per mm (geometric mean of the two directions), median over the points or else the cards."""
    points = np.vstack(card_outlines_mm(camera)) if points_mm is None else points_mm
    return float(np.median(_sampling(camera, points)))


def _sampling(camera: PlaneCamera, points_mm: Array) -> Array:
    return np.sqrt(np.abs(np.linalg.det(stroke_jacobian(camera, points_mm)[1][:, :, :2])))


def seen_region_mm(photo: Photo, camera: PlaneCamera, settings: FlattenSettings | None = None) -> Region:
    """Bounding box of the table the photo saw well enough to read strokes from."""
    settings = settings or FlattenSettings()
    width, height = photo.size_px
    x, y = np.meshgrid(np.linspace(0, width - 1, 81), np.linspace(0, height - 1, 61))
    table = mm_from_px(camera, np.column_stack([x.ravel(), y.ravel()]))
    table = table[np.isfinite(table).all(axis=1)]
    fine = _sampling(camera, table) >= settings.worst_sampling * sampling_px_per_mm(camera)
    low, high = table[fine].min(axis=0), table[fine].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _photo_map(
    camera: PlaneCamera,
    origin_mm: tuple[float, float],
    step: float,
    size: tuple[int, int],
    every: int,
    relief: Relief | None = None,
) -> tuple[Map, Map]:
    """Photo x and y of every raster pixel. The map is smooth, so straight lines between coarse nodes serve
    (OpenCV's cubic would not even reproduce a straight line)."""
    columns, rows = (math.ceil((count - 1) / every) + 1 for count in size)
    x, y = np.meshgrid(np.arange(columns) * every * step, np.arange(rows) * every * step)
    coarse = px_on_shell(camera, relief, np.column_stack([x.ravel(), y.ravel()]) + origin_mm).reshape(rows, columns, 2)
    coarse = np.where(np.isfinite(coarse), coarse, -1e4).astype(np.float32)
    return spread_map(coarse, size, every)


def px_on_shell(camera: PlaneCamera, relief: Relief | None, points_mm: Array) -> Array:
    """(N, 2) pixels of points (N, 2) of the shell, at its own height where that is known, else on the stroke plane."""
    if relief is None:
        return px_from_mm(camera, points_mm)
    return px_from_table(camera, np.column_stack([points_mm, -height_at(relief, points_mm)]))


def spread_map(coarse_px: npt.NDArray[np.floating], size: tuple[int, int], every: int) -> tuple[Map, Map]:
    """Photo x and y of every pixel of a raster of ``size`` (width, height) from those (rows, columns, 2) of every
    ``every``-th."""
    back = np.array([[1 / every, 0, 0], [0, 1 / every, 0]], float)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    fine = [
        cv2.warpAffine(
            np.ascontiguousarray(coarse_px[..., i], np.float32),
            back,
            size,
            flags=flags,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for i in (0, 1)
    ]
    return np.asarray(fine[0], np.float32), np.asarray(fine[1], np.float32)


def _resampled(photo: Photo, x_px: Map, y_px: Map, shrink: float) -> Bytes:
    """Bilinear where the raster is as fine as the photo; where it is much coarser the photo is averaged first."""
    pixels, reduce = photo.pixels, int(shrink)
    if reduce >= 2:
        width, height = photo.size_px
        size = (width // reduce, height // reduce)
        whole = pixels[: size[1] * reduce, : size[0] * reduce]
        pixels = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
        shift = np.float32(0.5 / reduce - 0.5)
        x_px, y_px = x_px / np.float32(reduce) + shift, y_px / np.float32(reduce) + shift
    return np.asarray(cv2.remap(pixels, x_px, y_px, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8)
