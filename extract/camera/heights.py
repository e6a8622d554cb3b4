"""A smooth map through heights found one by one: local straight fits, strays losing their weight (Cleveland, "Robust
locally weighted regression and smoothing scatterplots", 1979)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.ndimage import map_coordinates

from extract.doors import Array

STRAY_ROUNDS, STRAY_MM = 4, 0.1
"""Rounds of taking weight from strays; wrinkles smaller than a window scatter heights by about so much."""

GUESS_MM, GUESS_SLOPE = 2.0, 0.1
"""1 σ of a height and a slope of which nothing is seen, about the usual height."""

WIDE_MM, WIDE_STEP = 1.0, 3
"""1 σ of a height about a wide fit: what a curl bends away from it at the rim. Every which node it is made at."""


@dataclass(frozen=True, eq=False)
class Heights:
    """Heights above the cards' plane found at ``places_mm`` (bases, rows, columns, 2), one base for each other photo
    (or without that axis), with 1 σ: infinite where nothing was found."""

    places_mm: Array
    heights_mm: Array
    sd_mm: Array

    def every(self, step: int) -> Heights:
        few = (slice(None), slice(None, None, step), slice(None, None, step))
        return Heights(self.places_mm[few], self.heights_mm[few], self.sd_mm[few])


def smoothed(found: Heights, nodes_mm: Array, smooth_mm: float, wide_mm: float) -> tuple[Array, Array]:
    """Heights and 1 σ (rows, columns) at ``nodes_mm`` (rows, columns, 2) by straight fits to what was found nearby:
    within ``smooth_mm``, and where little was, within ``wide_mm``."""
    usual = np.array([_weighted_median(found.heights_mm, 1 / found.sd_mm**2), 0.0, 0.0])
    # windows this far apart hardly overlap, so nothing is lost by looking at every third
    coarse, few = found.every(WIDE_STEP), nodes_mm[::WIDE_STEP, ::WIDE_STEP]
    wide, _ = _fitted(coarse, few, wide_mm, np.tile(usual, (*few.shape[:2], 1)), (GUESS_MM, GUESS_SLOPE))
    start = _between(wide, nodes_mm.shape[:2])
    fit, variance = _fitted(found, nodes_mm, smooth_mm, start, (WIDE_MM, GUESS_SLOPE))
    return np.asarray(fit[..., 0], float), np.asarray(np.sqrt(variance), float)


def _between(wide: Array, shape: tuple[int, int]) -> Array:
    """Heights and slopes of every ``WIDE_STEP``-th node (rows, columns, 3) at every node."""
    rows, columns = np.meshgrid(*(np.arange(count) / WIDE_STEP for count in shape), indexing="ij")
    layers = [map_coordinates(wide[..., i], [rows, columns], order=1, mode="nearest") for i in range(3)]
    return np.stack(layers, axis=-1)


def _fitted(
    found: Heights, nodes_mm: Array, smooth_mm: float, start: Array, guess: tuple[float, float]
) -> tuple[Array, Array]:
    """(rows, columns, 3) height and slopes at every node, drawn towards those of ``start`` as its 1 σ ``guess`` of
    height and slope says, and the variance of the height; strays lose their weight."""
    weight, fit = 1 / found.sd_mm**2, start
    for _ in range(STRAY_ROUNDS):
        expected = fit[..., 0] + ((found.places_mm - nodes_mm) * fit[..., 1:]).sum(axis=-1)
        size = np.abs(found.heights_mm - expected) / np.sqrt(1 / np.maximum(weight, 1e-12) + STRAY_MM**2)
        fit, variance = _local_fits(found, weight / (1 + (size / 2) ** 2), nodes_mm, smooth_mm, start, guess)
    return fit, variance


def _local_fits(
    found: Heights, weight: Array, nodes_mm: Array, smooth_mm: float, start: Array, guess: tuple[float, float]
) -> tuple[Array, Array]:
    """One round of ``_fitted``: least squares at every node at once, its neighbours taken shift by shift."""
    rows, columns = nodes_mm.shape[:2]
    step = float(nodes_mm[0, 1, 0] - nodes_mm[0, 0, 0])
    reach = math.ceil(2.5 * smooth_mm / step)
    sums = np.zeros((9, rows, columns))
    pad = ((0, 0), (reach, reach), (reach, reach))
    padded = [np.pad(values, pad) for values in (*np.moveaxis(found.places_mm, -1, 0), found.heights_mm, weight)]
    for down, right in product(range(2 * reach + 1), repeat=2):
        here = slice(None), slice(down, down + rows), slice(right, right + columns)
        x, y, height, near = (values[here] for values in padded)
        x, y = x - nodes_mm[..., 0], y - nodes_mm[..., 1]
        near = near * np.exp(-0.5 * (x * x + y * y) / smooth_mm**2)
        at_x, at_y = near * x, near * y
        parts = (near, at_x, at_y, at_x * x, at_x * y, at_y * y, near * height, at_x * height, at_y * height)
        sums += np.sum(parts, axis=1)
    known = np.array([guess[0], guess[1], guess[1]]) ** -2.0
    normal = np.moveaxis(sums[[0, 1, 2, 1, 3, 4, 2, 4, 5]], 0, -1).reshape(rows, columns, 3, 3) + np.diag(known)
    covariance = np.linalg.inv(normal)
    fit = np.einsum("rcij,rcj->rci", covariance, np.moveaxis(sums[6:], 0, -1) + known * start)
    return np.asarray(fit, float), np.asarray(covariance[..., 0, 0], float)


def _weighted_median(values: Array, weights: Array) -> float:
    values, weights = values.ravel(), weights.ravel()
    order = np.argsort(values)
    below = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(below, below[-1] / 2)])
