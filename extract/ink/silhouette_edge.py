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

from extract.doors import Array, FlatView

Floats = npt.NDArray[np.float32]

STEP_MM = 0.1
"""Profiles are sampled at half a flat pixel or finer; finer steps add no knowledge."""

DARK_LINES_MM = (0.0, 0.3, 0.5, 0.8, 1.2)
"""Widths of the shadow line the bank tries: a shell half a millimetre thick throws about that much at 45°."""


@dataclass(frozen=True, eq=False)
class Bank:
    """Models of the step: ``edges_mm`` (E,) and ``lines_mm`` (L,) of the grid, ``basis`` (J, E * L * 3) orthonormal
    per model, ``solve`` (E * L, 3, 3) from basis coordinates to the levels (inside, line, outside), ``flat_basis``
    (J, E * L) the constant over each model's window."""

    edges_mm: Array
    lines_mm: Array
    basis: Array
    solve: Array
    flat_basis: Array


@dataclass(frozen=True, eq=False)
class Reading:
    """What the bank made of each profile: ``gain`` (N, E) explained variance per edge position at the best line
    width, ``noise`` (N,) variance left by the best model."""

    gain: Floats
    noise: Floats


def sample_across(flat: FlatView, ring_mm: Array, normals: Array, offsets_mm: Array) -> Floats:
    """Linear light (N, J, 3) along the normals of a ring."""
    points = flat.px_from_mm(ring_mm[:, None] + offsets_mm[:, None] * normals[:, None]).astype(np.float32)
    seen = cv2.remap(flat.pixels, points, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return linear_light(seen)


def linear_light(pixels: npt.NDArray[np.uint8]) -> Floats:
    """sRGB bytes to linear light, 0 to 1 (IEC 61966-2-1)."""
    value = np.arange(256) / 255
    curve = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return curve[pixels]


def make_bank(offsets_mm: Array, edges_mm: Array, blur_mm: float, window_mm: float) -> Bank:
    """Models of a step blurred by a Gaussian of ``blur_mm``, each looked at within ``window_mm`` of its edge."""

    def rise(at: float) -> Array:
        return 0.5 * (1 + erf((offsets_mm - at) / (blur_mm * np.sqrt(2))))

    basis, solve, constant = [], [], []
    for edge in edges_mm:
        for line in DARK_LINES_MM:
            window = (offsets_mm > edge - window_mm) & (offsets_mm < edge + line + window_mm)
            start, end = rise(edge), rise(edge + line)
            columns = np.stack([1 - start, start - end, end], axis=1) * window[:, None]
            if line == 0:
                columns[:, 1] = 0
            u, s, vt = np.linalg.svd(columns, full_matrices=False)
            keep = s > 1e-6 * s[0]
            basis.append(u * keep)
            solve.append(vt.T @ np.diag(np.where(keep, 1 / np.where(keep, s, 1), 0)))
            constant.append(window / np.sqrt(max(window.sum(), 1)))
    return Bank(
        edges_mm,
        np.array(DARK_LINES_MM),
        np.concatenate(basis, axis=1),
        np.array(solve),
        np.stack(constant, axis=1),
    )


def read(profiles: Floats, bank: Bank, line_price: float = 0.03) -> Reading:
    """Fit every model to every profile (N, J, 3).

    A model with a dark line must have it darker than both sides and explain ``line_price`` more of the variance."""
    rows, _, channels = profiles.shape
    shape = len(bank.edges_mm), len(bank.lines_mm)
    explained = np.zeros((rows, *shape), np.float32)
    darker = np.ones((rows, *shape), bool)
    for channel in range(channels):
        values = profiles[:, :, channel]
        coordinates = (values @ bank.basis.astype(np.float32)).reshape(rows, -1, 3)
        explained += ((coordinates**2).sum(-1) - (values @ bank.flat_basis.astype(np.float32)) ** 2).reshape(
            rows, *shape
        )
        levels = np.einsum("mij,nmj->nmi", bank.solve.astype(np.float32), coordinates)
        darker &= (levels[..., 1] < 0.9 * np.minimum(levels[..., 0], levels[..., 2])).reshape(rows, *shape)
    total = profiles.var(axis=1).sum(-1) * profiles.shape[1]
    darker[..., 0] = True
    price = line_price * total[:, None, None] * (np.array(bank.lines_mm) > 0)
    gain = np.where(darker, explained - price, -np.inf).max(-1)
    return Reading(gain, np.maximum(total - gain.max(-1), 1e-7).astype(np.float32))


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
