"""How much of every pixel a polygon covers, exactly.

A pixel is the unit square round its integer centre. The area is summed edge by edge along Green's theorem, so a shape
drawn here lies where its corners say, to rounding error, whatever its angle.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely import Polygon
from shapely.geometry.polygon import orient

from extract.doors import Array

Plate = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Patch:
    """The part of a picture a shape touches: ``cover`` (rows, columns) holds the covered share, 0 to 1."""

    rows: slice
    columns: slice
    cover: Plate

    @property
    def box(self) -> tuple[slice, slice]:
        return self.rows, self.columns


def rings_of(shapes: Iterable[Polygon]) -> list[Array]:
    """Outer rings turning one way and holes the other, first point not repeated."""
    rings = []
    for shape in shapes:
        turned = orient(shape)
        rings += [np.asarray(ring.coords)[:-1, :2] for ring in (turned.exterior, *turned.interiors)]
    return rings


def patch(rings_px: list[Array], size_px: tuple[int, int], margin_px: int = 0) -> Patch | None:
    """Cover of the shape whose outer rings turn one way and holes the other; None if it lies outside the picture."""
    points = np.vstack(rings_px)
    low = np.floor(points.min(axis=0) + 0.5).astype(int) - margin_px
    high = np.ceil(points.max(axis=0) + 0.5).astype(int) + margin_px
    low, high = np.maximum(low, 0), np.minimum(high, size_px)
    if np.any(low >= high):
        return None
    shape = (int(high[1] - low[1]), int(high[0] - low[0]))
    cover = _cover([ring + 0.5 - low for ring in rings_px], shape)
    return Patch(slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0])), cover)


def _cover(rings: list[Array], shape: tuple[int, int]) -> Plate:
    height, width = shape
    start = np.vstack(rings)
    end = np.vstack([np.roll(ring, -1, axis=0) for ring in rings])
    a, b = _split_at_pixel_borders(start, end)
    row = np.floor((a[:, 1] + b[:, 1]) / 2).astype(int)
    inside = (row >= 0) & (row < height)
    a, b, row = a[inside], b[inside], row[inside]
    middle = np.clip((a[:, 0] + b[:, 0]) / 2, 0, width)
    column = np.floor(middle).astype(int)
    rise, beyond = b[:, 1] - a[:, 1], middle - column
    stride = width + 2
    cell = row * stride + column
    sums = np.bincount(
        np.concatenate([cell, cell + 1]),
        np.concatenate([rise * (1 - beyond), rise * beyond]),
        minlength=height * stride,
    )
    area = np.abs(np.cumsum(sums.reshape(height, stride), axis=1)[:, :width])
    return np.minimum(area, 1).astype(np.float32)


def _split_at_pixel_borders(start: Array, end: Array) -> tuple[Array, Array]:
    """Cut segments wherever they cross a pixel border, so that each piece lies in one pixel."""
    count = len(start)
    step = end - start
    owners, shares = [np.arange(count)], [np.zeros(count)]
    for axis in (0, 1):
        low = np.minimum(start[:, axis], end[:, axis])
        high = np.maximum(start[:, axis], end[:, axis])
        first = np.ceil(low)
        crossings = np.maximum(np.ceil(high) - first, 0).astype(int)
        owner = np.repeat(np.arange(count), crossings)
        border = first[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(crossings) - crossings, crossings)
        owners.append(owner)
        shares.append((border - start[owner, axis]) / step[owner, axis])
    owner, share = np.concatenate(owners), np.concatenate(shares)
    order = np.lexsort((share, owner))
    owner, share = owner[order], share[order]
    until = np.append(np.where(owner[1:] == owner[:-1], share[1:], 1.0), 1.0)
    return start[owner] + share[:, None] * step[owner], start[owner] + until[:, None] * step[owner]
