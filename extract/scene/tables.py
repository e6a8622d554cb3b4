"""What lies under everything: tileable pieces of table, linear light BGR reflectance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from extract.scene.noise import tile

Plate = npt.NDArray[np.float32]
Grid = tuple[Plate, Plate]


@dataclass(frozen=True, eq=False)
class Table:
    """``colour`` (rows, columns, 3) repeats every ``colour.shape × mm_per_px``; ``gloss`` is how much it mirrors,
    ``waves_mm`` how far a cloth's weave wanders."""

    colour: Plate
    mm_per_px: float
    gloss: float
    waves_mm: float = 0.0


def make_table(kind: str, mm_per_px: float, rng: np.random.Generator) -> Table:
    """One table top of a kind in ``options.TABLES``."""
    make, size_mm, gloss, waves = _KINDS[kind]
    count = max(8, round(size_mm / mm_per_px))
    step = size_mm / count
    axis = (np.arange(count, dtype=np.float32) + 0.5) * np.float32(step)
    colour = make(np.meshgrid(axis, axis), np.float32(step), rng)  # type: ignore[arg-type]
    return Table(np.clip(colour, 0.004, 0.95).astype(np.float32), step, gloss, waves)


def _bgr(red: float, green: float, blue: float) -> Plate:
    return np.array([blue, green, red], np.float32)


def _speckled(grid: Grid, step: float, rng: np.random.Generator, colour: Plate, amount: float) -> Plate:
    shape = grid[0].shape
    grain = 1 + np.float32(amount) * (0.5 * tile(rng, shape, 0.6 / step) + 0.4 * tile(rng, shape, 40 / step))
    speckled: Plate = colour * grain[..., None].astype(np.float32)
    return speckled


def _melamine(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    base = _speckled(grid, step, rng, _bgr(0.5, 0.49, 0.47) * np.float32(rng.uniform(0.6, 1.3)), 0.02)
    specks = tile(rng, grid[0].shape, 0.9 / step) > 3.0
    return base * np.where(specks, 0.75, 1)[..., None].astype(np.float32)


def _grey(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    """A grey close to the tape's own."""
    return _speckled(grid, step, rng, _bgr(0.24, 0.24, 0.245) * np.float32(rng.uniform(0.75, 1.2)), 0.05)


def _gingham(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    x, y = grid
    pitch = 20.0
    red = rng.uniform(0.28, 0.42)
    cover = _bars(x, pitch, 8.0, step) + _bars(y, pitch, 8.0, step)
    thin = 0.25 * (_bars(x + 10, pitch, 0.8, step) + _bars(y + 10, pitch, 0.8, step))
    ink = np.clip(0.62 * cover + thin, 0, 1)[..., None]
    weave = 1 + 0.05 * np.sin(x * 2 * np.pi / 0.8) * np.sin(y * 2 * np.pi / 0.8) + 0.03 * tile(rng, x.shape, 1.2 / step)
    cloth = _bgr(0.66, 0.65, 0.62) * (1 - ink) + _bgr(red, 0.035, 0.04) * ink
    return cloth * weave[..., None].astype(np.float32)


def _dark_cloth(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    x, y = grid
    base = _bgr(*rng.choice([(0.03, 0.035, 0.06), (0.05, 0.02, 0.025), (0.025, 0.045, 0.035)]))
    twill = 1 + 0.35 * np.sin((x + y) * 2 * np.pi / 1.5) + 0.18 * tile(rng, x.shape, 1.0 / step)
    return base * (twill + 0.15 * tile(rng, x.shape, 50 / step))[..., None].astype(np.float32)


def _planks(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    x, y = grid
    width = 90.0
    plank = np.floor(y / width).astype(int)
    tone = 1 + 0.12 * rng.standard_normal(plank.max() + 1).astype(np.float32)[plank]
    grain = 0.13 * tile(rng, x.shape, (1.6 / step, 90 / step)) + 0.12 * tile(rng, x.shape, (7 / step, 160 / step))
    fine = 0.05 * tile(rng, x.shape, (0.5 / step, 14 / step))
    rings = 0.06 * np.sin(2 * np.pi * (y / 9 + 0.8 * tile(rng, x.shape, (40 / step, 200 / step))))
    gap = 1 - 0.85 * _bars(y, width, 0.9, step)
    wood = _bgr(0.42, 0.25, 0.115) * np.float32(rng.uniform(0.7, 1.3))
    shade = np.clip(tone + grain + fine + rings, 0.3, 1.8) * gap
    return wood * shade[..., None].astype(np.float32) ** np.array([1.25, 1.05, 0.9], np.float32)


def _kraft(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    shape = grid[0].shape
    flakes = 0.12 * tile(rng, shape, (1.2 / step, 5 / step)) + 0.1 * tile(rng, shape, (4 / step, 2 / step))
    return _bgr(0.47, 0.29, 0.145) * (1 + flakes + 0.05 * tile(rng, shape, 30 / step))[..., None]


def _mat(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    x, y = grid
    base = _speckled(grid, step, rng, _bgr(0.03, 0.075, 0.24), 0.06)
    lines = 0.55 * np.maximum(_bars(x, 50.0, 0.7, step), _bars(y, 50.0, 0.7, step))
    lines = np.maximum(lines, 0.22 * np.maximum(_bars(x, 10.0, 0.45, step), _bars(y, 10.0, 0.45, step)))
    return base + lines[..., None].astype(np.float32) * (_bgr(0.5, 0.58, 0.66) - base)


def _tiles(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    x, y = grid
    number = (np.floor(x / 150).astype(int) * 4 + np.floor(y / 150).astype(int)) % 16
    glaze = (1 + 0.03 * rng.standard_normal(16).astype(np.float32))[number] + 0.01 * tile(rng, x.shape, 30 / step)
    grout = np.maximum(_bars(x, 150.0, 3.0, step), _bars(y, 150.0, 3.0, step))[..., None]
    rough = 1 + 0.1 * tile(rng, x.shape, 0.8 / step)
    white = _bgr(0.66, 0.67, 0.66) * glaze[..., None]
    return white * (1 - grout) + _bgr(0.3, 0.29, 0.27) * rough[..., None] * grout


def _newspaper(grid: Grid, step: float, rng: np.random.Generator) -> Plate:
    """Columns of made-up words, a headline here and there, a grey picture."""
    size = grid[0].shape[0]
    page = np.full((size, size), 255, np.uint8)
    column, line = 60.0, 3.4
    for left in np.arange(4, size * step - column, column + 4):
        y = 6.0
        while y < size * step - 6:
            if rng.random() < 0.02:
                y = _headline(page, left, y, column, step, rng)
            elif rng.random() < 0.012:
                y = _picture(page, left, y, column, step, rng)
            else:
                _words(page, left, y, column, step, rng)
                y += line
    ink = 1 - cv2.GaussianBlur(page, (0, 0), 0.7).astype(np.float32) / 255
    paper = _speckled(grid, step, rng, _bgr(0.52, 0.5, 0.45), 0.04)
    return paper * (1 - 0.85 * ink[..., None])


def _words(
    page: npt.NDArray[np.uint8], left: float, y: float, column: float, step: float, rng: np.random.Generator
) -> None:
    """One line of made-up words: narrow and wide letters, some with ascenders, a space now and then."""
    start, stop = round(left / step), round((left + column) / step)
    place = (np.arange(stop - start) + 0.5) * step
    letter, within = np.divmod(place, 1.25)
    letter = letter.astype(int)
    count = int(letter[-1]) + 1
    width = np.where(rng.random(count) < 0.17, 0.0, rng.choice([0.3, 0.9, 0.9], count))
    dark = rng.integers(20, 140, count).astype(np.uint8)
    inked = within < width[letter]
    tall = inked & (rng.random(count) < 0.3)[letter]
    for top, bottom, where in ((y, y + 1.5, inked), (y - 0.8, y, tall)):
        page[round(top / step) : round(bottom / step) + 1, start:stop][:, where] = dark[letter][where]


def _headline(
    page: npt.NDArray[np.uint8], left: float, y: float, column: float, step: float, rng: np.random.Generator
) -> float:
    word = "".join(rng.choice(list("AEINORSTLMD"), 7))
    scale = 9.0 / step / 22
    at = (round(left / step), round((y + 10) / step))
    cv2.putText(page, word, at, cv2.FONT_HERSHEY_DUPLEX, scale, 30, max(1, round(1.4 / step)), cv2.LINE_AA)
    return y + 15


def _picture(
    page: npt.NDArray[np.uint8], left: float, y: float, column: float, step: float, rng: np.random.Generator
) -> float:
    rows, columns = round(42 / step), round(column / step)
    top, start = round(y / step), round(left / step)
    part = page[top : top + rows, start : start + columns]
    if part.size:
        part[:] = np.clip(130 + 50 * tile(rng, part.shape, 12 / step), 20, 240).astype(np.uint8)
    return y + 46


def _bars(axis: Plate, pitch: float, width: float, step: float) -> Plate:
    """1 on bars of ``width`` centred on multiples of ``pitch``, with soft edges one step wide."""
    off = np.abs((axis + pitch / 2) % pitch - pitch / 2)
    return np.clip((width / 2 - off) / step + 0.5, 0, 1).astype(np.float32)


_KINDS: dict[str, tuple[Callable[[Grid, float, np.random.Generator], Plate], float, float, float]] = {
    "melamine": (_melamine, 300.0, 0.5, 0.0),
    "gingham": (_gingham, 400.0, 0.0, 1.2),
    "planks": (_planks, 540.0, 0.25, 0.0),
    "kraft": (_kraft, 400.0, 0.05, 0.0),
    "mat": (_mat, 400.0, 0.15, 0.0),
    "newspaper": (_newspaper, 512.0, 0.0, 0.8),
    "tiles": (_tiles, 600.0, 0.8, 0.0),
    "dark-cloth": (_dark_cloth, 300.0, 0.0, 1.5),
    "grey": (_grey, 300.0, 0.2, 0.0),
}
