"""Tables of any texture: noise of any grain and direction, stripes, checks, grids, print, in any colour, often in the
shell's own grey."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from extract.scene.noise import field


def invented_table(rng: np.random.Generator, shape: tuple[int, int], shell: np.ndarray) -> np.ndarray:
    """A table (H, W, 3) of any texture; ``shell`` (3,) is the mean colour of the shell, which it is often close to."""
    if rng.random() < 0.35:
        base = shell * rng.uniform(0.7, 1.4) + rng.normal(0, 0.012, 3)
    else:
        base = rng.uniform(0.03, 0.85) * (1 + rng.uniform(0, 0.8) * rng.uniform(-1, 1, 3))
    if rng.random() < 0.5:
        other = base * rng.uniform(0.7, 1.3)
    else:
        other = rng.uniform(0.03, 0.9) * (1 + rng.uniform(0, 0.9) * rng.uniform(-1, 1, 3))
    mix = np.zeros(shape, np.float32)
    for _ in range(rng.integers(0, 3)):
        mix = np.maximum(mix, _PATTERNS[rng.integers(len(_PATTERNS))](rng, shape) * rng.uniform(0.2, 1.0))
    table = base + mix[..., None] * (other - base)
    for wave in (rng.uniform(0.8, 3), rng.uniform(3, 15), rng.uniform(100, 500)):
        wide = wave * np.exp(rng.uniform(0, 3.5)) if rng.random() < 0.3 else wave
        amount = rng.choice([0, 0.01, 0.03, 0.1]) * rng.uniform(0.3, 1)
        table = table * (1 + amount * _turned(rng, shape, wave, wide))[..., None]
    return np.clip(table, 0.01, 1.0).astype(np.float32)


def _turned(rng: np.random.Generator, shape: tuple[int, int], down: float, across: float) -> np.ndarray:
    """Noise with a direction."""
    if down == across:
        return field(rng, shape, down)
    side = int(np.hypot(*shape)) + 2
    whole = field(rng, (side, side), (down, across))
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), rng.uniform(0, 180), 1.0)
    turn[:, 2] -= (side - np.array(shape[::-1])) / 2
    return cv2.warpAffine(whole, turn, shape[::-1], borderMode=cv2.BORDER_REFLECT)


def _axes(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    turn = rng.uniform(0, np.pi)
    wobble = [rng.uniform(0, 3) * field(rng, shape, 150) for _ in range(2)]
    return x * np.cos(turn) + y * np.sin(turn) + wobble[0], -x * np.sin(turn) + y * np.cos(turn) + wobble[1]


def _bars(axis: np.ndarray, pitch: float, width: float) -> np.ndarray:
    off = np.abs((axis + pitch / 2) % pitch - pitch / 2)
    return np.clip(width / 2 - off + 0.5, 0, 1).astype(np.float32)


def _stripes(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    pitch = np.exp(rng.uniform(1.6, 5.3))
    return _bars(_axes(rng, shape)[0], pitch, rng.uniform(0.08, 0.6) * pitch)


def _checks(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    pitch = np.exp(rng.uniform(1.8, 4.6))
    width = rng.uniform(0.3, 0.6) * pitch
    return 0.5 * np.sum([_bars(axis, pitch, width) for axis in _axes(rng, shape)], axis=0)


def _grid(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    pitch, width = np.exp(rng.uniform(2.7, 5.8)), rng.uniform(0.8, 7)
    return np.maximum(*(_bars(axis, pitch, width) for axis in _axes(rng, shape)))


def _print(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Lines of marks as of letters, with blank margins."""
    x, y = _axes(rng, shape)
    pitch = rng.uniform(5, 18)
    letters = field(rng, (int(np.ptp(y) / pitch) + 3, int(np.ptp(x) / rng.uniform(1.2, 3)) + 3), (1, 1.5))
    row = ((y - y.min()) / pitch).astype(int)
    column = ((x - x.min()) / np.ptp(x) * (letters.shape[1] - 2)).astype(int)
    inked = (letters[row, column] > rng.uniform(-0.5, 0.5)) * _bars(y - y.min() - pitch / 2, pitch, 0.55 * pitch)
    return gaussian_filter(inked.astype(np.float32), 0.5)


def _flakes(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    long = np.exp(rng.uniform(0, 2.5))
    return (_turned(rng, shape, rng.uniform(1.5, 4), 4 * long) > rng.uniform(0.8, 2)).astype(np.float32)


def _patches(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    return np.clip(field(rng, shape, rng.uniform(15, 120)) * rng.uniform(0.5, 4), 0, 1)


_PATTERNS = (_stripes, _checks, _grid, _print, _flakes, _patches)
