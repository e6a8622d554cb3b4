"""The shell's edge to a fraction of a pixel: a bank of blurred steps fitted to profiles across the outline.

A profile over the edge steps from the shell's level to the table's, blurred by the lens. On the side away from the lamp
the shell's own thickness throws a shadow: a dark line, or a dark start that fades outwards. Each model of the bank is
(edge position, shape of that shadow); levels follow by least squares, so that the whole bank costs one matrix product.
A shortest path along the outline then picks the positions, since scissors move on smoothly and noise does not.

The bank works on the camera's sRGB values, in which a shadow beside a dark shell still counts. The lens blurs light and
not those values, which pulls the middle of a step towards its dark side; ``tone_shift`` says by how much.
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

SHADOWS_MM: tuple[tuple[str, float], ...] = (
    ("none", 0.0), ("line", 0.25), ("line", 0.5), ("line", 0.8), ("line", 1.2), ("fade", 0.4), ("fade", 1.0),
)  # fmt: skip
"""Shadows the bank tries: a shell half a millimetre thick throws a line about that wide at 45°, and a window's light
makes it fade over about as much again."""

BLURS_MM = (0.12, 0.17, 0.23, 0.31, 0.42)
"""From a sharp picture at 6 px/mm to a soft one at 2.5 px/mm."""

HALOS = (0.0, 0.3, 0.6)
"""Share of the sharpening that phones add: the blur less this much of one 2.2 times as wide."""


@dataclass(frozen=True, eq=False)
class Bank:
    """Models of the step, seen through one window: ``edges_mm`` (E,), ``blur`` (sd in mm, halo), ``basis``
    (J, 3 * E * S) orthonormal per model, ``solve`` (3, 3, E * S) from basis coordinates to the levels (inside, shadow,
    outside), ``window`` (J,) the weight of each sample."""

    edges_mm: Array
    blur: tuple[float, float]
    basis: Floats
    solve: Floats
    window: Floats


def sample_across(flat: FlatView, ring_mm: Array, normals: Array, offsets_mm: Array) -> tuple[Bytes, Array]:
    """BGR (N, J, 3) at offsets (J,), or at each point's own (N, J), along the normals of a ring, and where it was seen
    (N, J, 2) in mm."""
    points_mm = ring_mm[:, None] + offsets_mm[..., None] * normals[:, None]
    points = flat.px_from_mm(points_mm).astype(np.float32)
    seen = cv2.remap(flat.pixels, points, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, np.uint8), points_mm


def as_floats(pixels: Bytes) -> Floats:
    """sRGB bytes as values 0 to 1."""
    return pixels.astype(np.float32) / np.float32(255)


def make_bank(offsets_mm: Array, edges_mm: Array, blur: tuple[float, float]) -> Bank:
    """All models see the same samples, so that what they leave over can be compared."""
    margin = np.minimum(offsets_mm - offsets_mm[0], offsets_mm[-1] - offsets_mm)
    window = np.clip((margin + 0.1) / 0.5, 0, 1)
    span = offsets_mm[-1] - offsets_mm[0] + 1
    fine = np.arange(-span, span, 0.02)
    beyond = offsets_mm[None] - edges_mm[:, None]
    models = np.zeros((len(edges_mm), len(SHADOWS_MM), len(offsets_mm), 3))
    for slot, (kind, size) in enumerate(SHADOWS_MM):
        shadow = _shadow(kind, size, fine)
        outside = (fine >= 0) - (shadow if kind == "line" else 0)
        shapes = _blurred(np.stack([(fine < 0) * 1.0, shadow, outside]), blur[0] / 0.02, blur[1])
        models[:, slot] = np.stack([np.interp(beyond, fine, shape) for shape in shapes], axis=-1)
    stack = models.reshape(-1, len(offsets_mm), 3) * window[:, None]
    u, s, vt = np.linalg.svd(stack, full_matrices=False)
    keep = s > 1e-6 * s[:, :1]
    solve = (vt * (np.where(keep, 1 / np.where(keep, s, 1), 0))[:, :, None]).transpose(2, 1, 0)
    basis = (u * keep[:, None, :]).transpose(1, 2, 0).reshape(len(offsets_mm), -1)
    return Bank(edges_mm, blur, basis.astype(np.float32), solve.astype(np.float32), window.astype(np.float32))


def _blurred(shapes: Array, sd: float, halo: float) -> Array:
    soft = gaussian_filter1d(shapes, sd, axis=1, mode="nearest")
    return soft if halo == 0 else (1 + halo) * soft - halo * gaussian_filter1d(shapes, 2.2 * sd, axis=1, mode="nearest")


def _shadow(kind: str, size: float, beyond: Array) -> Array:
    outside = (beyond >= 0) * 1.0
    if kind == "line":
        return np.asarray(outside * (beyond < size), float)
    if kind == "fade":
        return np.asarray(outside * np.exp(-np.maximum(beyond, 0) / size), float)
    return np.zeros_like(beyond)


@dataclass(frozen=True, eq=False)
class Reading:
    """Per profile and edge position: ``rest`` (N, E) the squared residual at the best shadow, ``inside`` and
    ``beyond`` (N, E) the mean levels to either side of the edge itself (shell, and shadow or table)."""

    rest: Floats
    inside: Floats
    beyond: Floats


def read(profiles: Floats, bank: Bank, price: float = 0.012) -> Reading:
    """Fit all models to profiles (N, J, 3) of values 0 to 1.

    A shadow must be darker than the table and not lighter than the shell, and worth ``price`` of the variance."""
    rows, _, channels = profiles.shape
    shape = rows, len(bank.edges_mm), len(SHADOWS_MM)
    rest = np.zeros(shape, np.float32)
    spread = np.zeros(rows, np.float32)
    light = np.zeros((3, *shape), np.float32)
    darker = np.ones(shape, bool)
    fades = np.array([kind == "fade" for kind, _ in SHADOWS_MM])
    plain = np.array([kind == "none" for kind, _ in SHADOWS_MM])
    for channel in range(channels):
        values = profiles[:, :, channel] * bank.window
        coordinates = (values @ bank.basis).reshape(rows, 3, -1)
        rest += (values**2).sum(1)[:, None, None] - (coordinates**2).sum(1).reshape(shape)
        spread += profiles[:, :, channel].var(axis=1) * bank.window.sum()
        levels = [(coordinates * level).sum(1).reshape(shape) for level in bank.solve]
        darker &= levels[1] + fades * levels[2] < 0.85 * levels[2]
        light += np.stack(levels) / channels
    inside, fallen, outside = light
    start = fallen + fades * outside
    shadow = darker & (start < 0.65 * outside) & (start < 0.85 * inside) & (start > -0.05)
    rest += price * spread[:, None, None] * ~plain
    rest = np.where(shadow | plain, rest, np.inf)
    choice = rest.argmin(-1)[..., None]
    beyond = np.where(plain, outside, start)
    return Reading(*(np.take_along_axis(x, choice, -1)[..., 0].astype(np.float32) for x in (rest, inside, beyond)))


def sharpness(profiles: Floats, offsets_mm: Array, edges_mm: Array) -> tuple[float, float]:
    """Blur (sd in mm, halo) that fits a sample of the profiles best: the picture's own sharpness across the edge."""
    some = profiles[:: max(1, len(profiles) // 200)]
    options = [(sd, halo) for sd in BLURS_MM for halo in HALOS]
    rests = [read(some, make_bank(offsets_mm, edges_mm[::2], option)).rest.min(1) for option in options]
    return options[int(np.argmin([np.median(rest) for rest in rests]))]


def tone_shift(inside: Floats, beyond: Floats, blur_mm: float) -> Array:
    """How far outwards (mm) the bank reads an edge between two sRGB levels (0 to 1) that was blurred as light.

    The area between the blurred step as light and as value, over the step: what moves the middle of a fitted step."""
    z = np.linspace(-4, 4, 161)
    rise = 0.5 * (1 + erf(z / np.sqrt(2)))
    ratios = np.geomspace(1 / 400, 400, 60)
    mixed = (1 + (ratios[:, None] - 1) * rise) ** (1 / 2.2)
    height = (ratios ** (1 / 2.2) - 1)[:, None]
    shifts = ((z > 0) - (mixed - 1) / height).sum(1) * (z[1] - z[0])
    dark, light = (np.maximum(level, 0.03) ** 2.2 for level in (inside, beyond))
    return np.asarray(blur_mm * np.interp(np.log(light / dark), np.log(ratios), shifts), float)


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


def best_path(
    score: Array, bend: float, stretch: int = 200, lead: int = 60, jump: float = np.inf
) -> npt.NDArray[np.int64]:
    """Index per row of the closed path that gains most; a move of one index between rows costs ``bend``, a move of two
    four times as much, a move to anywhere ``jump``.

    The ring is opened about every ``stretch`` rows, where the score is clearest, and all stretches are followed at
    once, each with a ``lead`` on either side over which it comes to agree with its neighbours.
    """
    rows, columns = score.shape
    clear = np.max(score, axis=1) - np.median(score, axis=1)
    first = int(clear.argmax())
    some = (first + np.arange(max(1, rows // stretch)) * rows // max(1, rows // stretch)) % rows
    near = np.arange(-lead // 2, lead // 2 + 1)
    starts = np.array([first, *(int(at + near[clear[(at + near) % rows].argmax()]) for at in some[1:])]) % rows
    lengths = (np.roll(starts, -1) - starts - 1) % rows + 1
    order = (starts[:, None] + np.arange(-lead, int(lengths.max()) + lead)) % rows
    moves = np.arange(5)
    price = (bend * (moves - 2) ** 2).astype(np.float32)
    gains = score.astype(np.float32)[order].transpose(1, 0, 2)
    best = np.full((len(gains), len(starts), columns + 4), -np.inf, np.float32)
    best[0, :, 2:-2] = gains[0]
    lanes = np.lib.stride_tricks.sliding_window_view(best, 5, axis=2).transpose(0, 3, 1, 2)
    for turn in range(1, len(gains)):
        reached = (lanes[turn - 1] - price[:, None, None]).max(0)
        if jump < np.inf:
            reached = np.maximum(reached, best[turn - 1].max(1, keepdims=True) - jump)
        np.add(reached, gains[turn], out=best[turn, :, 2:-2])
    path = np.zeros(rows, np.int64)
    every, at = np.arange(len(starts))[:, None], best[-1, :, 2:-2].argmax(1)
    for turn in range(len(gains) - 1, lead - 1, -1):
        own = turn - lead < lengths
        path[order[own, turn]] = at[own]
        gain = best[turn - 1, every, at[:, None] + moves] - price
        leapt = best[turn - 1].max(1) - jump > gain.max(1)
        at = np.where(leapt, best[turn - 1, :, 2:-2].argmax(1), at - 2 + gain.argmax(1))
    return path


def peak(score: Array, index: npt.NDArray[np.int64]) -> Array:
    """Sub-step position of a maximum by the parabola through it and its neighbours."""
    rows = np.arange(len(index))
    inner = np.clip(index, 1, score.shape[1] - 2)
    left, middle, right = (score[rows, inner + d].astype(float) for d in (-1, 0, 1))
    bend = left - 2 * middle + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.where(bend < -1e-12, bend, 1), 0.0)
    return inner + np.clip(shift, -1, 1)
