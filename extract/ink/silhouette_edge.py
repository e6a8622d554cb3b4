"""The shell's edge to a fraction of a pixel: a bank of blurred steps fitted to profiles across the outline.

The profile over the edge is, in linear light, a step between two levels blurred by the lens; on the side away from the
lamp a thin dark line lies between them, the shadow of the shell's own thickness. Each model of the bank is (edge
position, width of the dark line); levels follow by least squares, so that the whole bank costs one matrix product. A
shortest path along the outline then picks the positions, since scissors move on smoothly and noise does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import convolve1d, gaussian_filter1d
from scipy.special import erf

from extract.doors import Array, Bytes, FlatView

Floats = npt.NDArray[np.float32]

STEP_MM = 0.1
"""Profiles are sampled at half a flat pixel or finer; finer steps add no knowledge."""

DARK_LINES_MM = (0.0, 0.3, 0.5, 0.8, 1.2)
"""Widths of the shadow line the bank tries: a shell half a millimetre thick throws about that much at 45°."""


@dataclass(frozen=True, eq=False)
class Bank:
    """Models of the step, seen through one window: ``edges_mm`` (E,) and ``lines_mm`` (L,) of the grid, ``basis``
    (J, E * L * 3) orthonormal per model, ``solve`` (E * L, 3, 3) from basis coordinates to the levels (inside, line,
    outside), ``window`` (J,) the weight of each sample."""

    edges_mm: Array
    lines_mm: Array
    basis: Floats
    solve: Floats
    window: Floats


def sample_across(flat: FlatView, ring_mm: Array, normals: Array, offsets_mm: Array) -> tuple[Bytes, Array]:
    """BGR (N, J, 3) along the normals of a ring, and where it was seen (N, J, 2) in mm."""
    points_mm = ring_mm[:, None] + offsets_mm[:, None] * normals[:, None]
    points = flat.px_from_mm(points_mm).astype(np.float32)
    seen = cv2.remap(flat.pixels, points, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, np.uint8), points_mm


def rise(offsets_mm: Array, at_mm: float, blur_mm: float) -> Array:
    """A unit step at ``at_mm`` blurred by a Gaussian."""
    return np.asarray(0.5 * (1 + erf((offsets_mm - at_mm) / (blur_mm * np.sqrt(2)))), float)


def make_bank(offsets_mm: Array, edges_mm: Array, blur_mm: float) -> Bank:
    """All models see the same samples, so that what they leave over can be compared."""
    margin = np.minimum(offsets_mm - offsets_mm[0], offsets_mm[-1] - offsets_mm)
    window = np.clip((margin + 0.1) / 0.5, 0, 1)
    basis, solve = [], []
    for edge in edges_mm:
        for line in DARK_LINES_MM:
            start, end = (rise(offsets_mm, at, blur_mm) for at in (edge, edge + line))
            columns = np.stack([1 - start, start - end, end], axis=1) * window[:, None]
            u, s, vt = np.linalg.svd(columns, full_matrices=False)
            keep = s > 1e-6 * s[0]
            basis.append(u * keep)
            solve.append(vt.T @ np.diag(np.where(keep, 1 / np.where(keep, s, 1), 0)))
    return Bank(
        edges_mm,
        np.array(DARK_LINES_MM),
        np.concatenate(basis, axis=1).astype(np.float32),
        np.array(solve, np.float32),
        window.astype(np.float32),
    )


def left_over(profiles: Floats, bank: Bank, line_price: float = 0.02) -> Floats:
    """Squared residual (N, E) of each profile (N, J, 3) for each edge position, at its best width of the dark line.

    A dark line must be a shadow: darker than both sides, and worth ``line_price`` of the profile's variance."""
    rows, _, channels = profiles.shape
    shape = rows, len(bank.edges_mm), len(bank.lines_mm)
    rest = np.zeros(shape, np.float32)
    spread = np.zeros(rows, np.float32)
    light = np.zeros((*shape, 3), np.float32)
    for channel in range(channels):
        values = profiles[:, :, channel] * bank.window
        coordinates = (values @ bank.basis).reshape(rows, -1, 3)
        rest += (values**2).sum(1)[:, None, None] - (coordinates**2).sum(-1).reshape(shape)
        spread += profiles[:, :, channel].var(axis=1) * bank.window.sum()
        light += np.matmul(coordinates[:, :, None, :], bank.solve.transpose(0, 2, 1))[:, :, 0].reshape(*shape, 3)
    shadow = (light[..., 1] < 0.85 * light[..., 0]) & (light[..., 1] < 0.7 * light[..., 2])
    shadow[..., 0] = True
    rest += line_price * spread[:, None, None] * (bank.lines_mm > 0)
    return np.asarray(np.where(shadow, rest, np.inf).min(-1), np.float32)


def step_strength(profiles: Floats, width: int) -> Floats:
    """Share of variance (N, J) that a plain step at each sample explains within ``width`` samples to either side,
    times the step's size: an edge finder without a model of what lies further out."""
    sums = np.cumsum(np.pad(profiles, ((0, 0), (width + 1, width), (0, 0)), mode="edge"), axis=1)
    count = profiles.shape[1]
    before = sums[:, width : width + count] - sums[:, :count]
    after = sums[:, 2 * width + 1 : 2 * width + 1 + count] - sums[:, width + 1 : width + 1 + count]
    return np.asarray(np.linalg.norm((after - before) / width, axis=-1), np.float32)


def arc_mean(profiles: Floats, half: int) -> Floats:
    """Mean of neighbouring profiles of a closed ring: the edge is smooth along ``half`` steps, noise is not."""
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    return np.asarray(convolve1d(profiles, kernel, axis=0, mode="wrap"), np.float32)


def best_path(score: Array, bend: float) -> npt.NDArray[np.int64]:
    """Index per row of the closed path that gains most; a move of one index between rows costs ``bend``.

    The ring is opened where the score is clearest, and run one and a half times round to close it.
    """
    rows, columns = score.shape
    start = int(np.argmax(np.sort(score, axis=1)[:, -1] - np.median(score, axis=1)))
    order = (start + np.arange(rows + rows // 2)) % rows
    moves = np.arange(-2, 3)
    price = bend * np.abs(moves)[:, None].astype(np.float32) ** 2
    padded = np.full(columns + 4, -np.inf, np.float32)
    best = score[order[0]].astype(np.float32)
    came = np.zeros((len(order), columns), np.int8)
    lanes = np.arange(columns)[None] + moves[:, None] + 2
    for turn, row in enumerate(order[1:], start=1):
        padded[2:-2] = best
        options = padded[lanes] - price
        choice = options.argmax(0)
        came[turn] = moves[choice]
        best = options[choice, np.arange(columns)] + score[row]
    path = np.zeros(rows, np.int64)
    at = int(best.argmax())
    for turn in range(len(order) - 1, -1, -1):
        path[order[turn]] = at
        at += int(came[turn, at])
    return path


def peak(score: Array, index: npt.NDArray[np.int64]) -> Array:
    """Sub-step position of a maximum by the parabola through it and its neighbours."""
    rows = np.arange(len(index))
    inner = np.clip(index, 1, score.shape[1] - 2)
    left, middle, right = (score[rows, inner + d].astype(float) for d in (-1, 0, 1))
    bend = left - 2 * middle + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.where(bend < -1e-12, bend, 1), 0.0)
    return inner + np.clip(shift, -1, 1)


def smooth_closed(values: Array, sd: float) -> Array:
    return np.asarray(gaussian_filter1d(values, sd, axis=0, mode="wrap"), float)
