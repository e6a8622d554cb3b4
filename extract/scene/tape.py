"""The shell's surface as a raster in mm: foil dimples, overlapping tape, wrinkles; what light makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array
from extract.scene.noise import field, wander
from extract.scene.options import SceneOptions
from extract.scene.shell import Shell

Plate = npt.NDArray[np.float32]

STRIP_MM = 48.0
"""Width of household duct tape (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Surface:
    """Raster (rows along y, columns along x) of ``mm_per_px`` from ``origin``: heights in mm, albedo and ``warmth``
    (−1 cold to 1 warm grey)."""

    origin: tuple[float, float]
    mm_per_px: float
    height: Plate
    albedo: Plate
    warmth: Plate

    def px(self, points: Array) -> Array:
        return (np.asarray(points, float) - self.origin) / self.mm_per_px

    def slopes(self) -> tuple[Plate, Plate]:
        """dz/dx and dz/dy."""
        kernel = np.array([[-0.5, 0, 0.5]], np.float32) / np.float32(self.mm_per_px)
        return cv2.filter2D(self.height, -1, kernel), cv2.filter2D(self.height, -1, kernel.T)


def make_surface(shell: Shell, options: SceneOptions, mm_per_px: float, rng: np.random.Generator) -> Surface:
    """Tape laid over foil in rows, patched with shorter strips, then wrinkled in peeling and flattening."""
    x0, y0, x1, y1 = shell.outline.buffer(3).bounds
    shape = (int((y1 - y0) / mm_per_px) + 2, int((x1 - x0) / mm_per_px) + 2)
    layers = _Layers((x0, y0), mm_per_px, shape, options)
    layers.lay_rows(rng)
    for _ in range(options.strips):
        layers.lay_strip(rng)
    layers.dimple(rng)
    layers.crease(rng)
    shade = 1 + 0.03 * field(rng, shape, 70 / mm_per_px)
    return Surface(layers.origin, mm_per_px, layers.height, layers.albedo * shade, layers.warmth)


def stood_up(surface: Surface, shell: Shell) -> Surface:
    """The surface with the shell's own relief added, which tilts it towards the light and away."""
    relief = shell.relief
    rows, columns = surface.height.shape
    x = (surface.origin[0] + np.arange(columns) * surface.mm_per_px - relief.origin[0]) / relief.step_mm
    y = (surface.origin[1] + np.arange(rows) * surface.mm_per_px - relief.origin[1]) / relief.step_mm
    grid = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    whole = cv2.remap(cv2.GaussianBlur(relief.values.astype(np.float32), (0, 0), 1.0), *grid, cv2.INTER_CUBIC)
    whole = cv2.GaussianBlur(whole, (0, 0), relief.step_mm / surface.mm_per_px / 2)
    return Surface(surface.origin, surface.mm_per_px, surface.height + whole, surface.albedo, surface.warmth)


class _Layers:
    """Tape being laid: each strip hides the albedo below it and adds its thickness."""

    def __init__(self, origin: tuple[float, float], mm: float, shape: tuple[int, int], options: SceneOptions) -> None:
        self.origin, self.mm, self.shape, self.options = origin, mm, shape, options
        self.height = np.zeros(shape, np.float32)
        self.albedo = np.full(shape, options.tape_albedo, np.float32)
        self.warmth = np.zeros(shape, np.float32)

    def lay_rows(self, rng: np.random.Generator) -> None:
        """Rows of long strips, each overlapping the one before by a finger's breadth."""
        angle, pitch = rng.uniform(0, np.pi), rng.uniform(34, 42)
        x, y = self._grid(slice(0, self.shape[0]), slice(0, self.shape[1]))
        across = -x * np.float32(np.sin(angle)) + y * np.float32(np.cos(angle))
        across += np.float32(1.6) * field(rng, self.shape, 200 / self.mm)
        row = np.floor(across / pitch)
        inside = across - row * np.float32(pitch)
        number = (row - row.min()).astype(np.int32)
        greys = self.options.tape_albedo * (1 + self.options.tape_contrast * rng.uniform(-0.4, 0.4, number.max() + 1))
        depth = rng.uniform(0.06, 0.16, number.max() + 1).astype(np.float32)[number]
        self.albedo = greys.astype(np.float32)[number]
        self.height += depth * _ease(inside / np.float32(self._edge_mm(rng)))
        self.height -= depth * inside / np.float32(pitch)
        self._line_beside(slice(0, self.shape[0]), slice(0, self.shape[1]), np.float32(pitch) - inside, rng)
        along = x * np.float32(np.cos(angle)) + y * np.float32(np.sin(angle))
        self._weave(slice(0, self.shape[0]), slice(0, self.shape[1]), along, across, rng, 1.0)

    def lay_strip(self, rng: np.random.Generator) -> None:
        """One shorter strip, torn or cut at its ends."""
        half = np.array([rng.uniform(22, 75), rng.choice([STRIP_MM / 2, STRIP_MM / 2, STRIP_MM / 4])])
        angle = rng.uniform(0, np.pi)
        size = np.array(self.shape[::-1]) * self.mm
        middle = np.array(self.origin) + rng.uniform(0, 1, 2) * size
        reach = half[0] * abs(np.cos(angle)) + half[1] * abs(np.sin(angle)) + 2
        rise = half[0] * abs(np.sin(angle)) + half[1] * abs(np.cos(angle)) + 2
        rows, columns = self._span(middle[1], rise, 0), self._span(middle[0], reach, 1)
        if rows.start >= rows.stop or columns.start >= columns.stop:
            return
        x, y = self._grid(rows, columns)
        u = (x - middle[0]) * np.float32(np.cos(angle)) + (y - middle[1]) * np.float32(np.sin(angle))
        v = -(x - middle[0]) * np.float32(np.sin(angle)) + (y - middle[1]) * np.float32(np.cos(angle))
        torn = _torn_edge(v, half[1], rng) if rng.random() < 0.5 else np.float32(0)
        inside = np.minimum(half[0] - np.abs(u) - torn * (u > 0), half[1] - np.abs(v)).astype(np.float32)
        cover = np.clip(inside / np.float32(self.mm) + 0.5, 0, 1)
        other = self.options.tape_contrast * rng.choice([-1.0, 0.2, 1.0]) * rng.uniform(0.5, 1)
        box = rows, columns
        self.albedo[box] += cover * (np.float32(self.options.tape_albedo * (1 + other)) - self.albedo[box])
        self.warmth[box] += cover * (np.float32(np.sign(other) * 0.5) - self.warmth[box])
        self.height[box] += np.float32(rng.uniform(0.06, 0.18)) * _ease(inside / np.float32(self._edge_mm(rng)))
        self._line_beside(rows, columns, -inside, rng)
        self._weave(rows, columns, u, v, rng, cover)

    def dimple(self, rng: np.random.Generator) -> None:
        """Crinkled foil under the tape shows through as fine bumps."""
        mm, amount = self.mm, self.options.dimple_mm
        self.height += np.float32(amount) * field(rng, self.shape, 5 / mm)
        self.height += np.float32(amount * 3) * field(rng, self.shape, 14 / mm)
        patches = np.clip(field(rng, self.shape, 60 / mm), 0, 2)
        self.height += np.float32(amount * 0.4) * patches * field(rng, self.shape, (2.5 / mm, 1.6 / mm))

    def crease(self, rng: np.random.Generator) -> None:
        """Wrinkles: short ridges and folds, straight, bent or crooked, with a bright and a dark flank."""
        ridge = np.zeros(self.shape, np.float32)
        fold = np.zeros(self.shape, np.float32)
        size = np.array(self.shape[::-1]) * self.mm
        for _ in range(self.options.creases):
            sharp = rng.random() < 0.4
            line = self._crease_line(rng, size, sharp)
            strength = float(rng.uniform(0.3, 1.0) * rng.choice([-1, 1]))
            _draw_fading(fold if sharp else ridge, line / self.mm, strength, max(1, round(0.3 / self.mm)))
        soft, hard = 0.8 / self.mm, 0.28 / self.mm
        self.height += _blurred(ridge, soft, self.options.crease_mm * 3.5)
        self.height += _blurred(fold, hard, self.options.crease_mm)

    def _crease_line(self, rng: np.random.Generator, size: Array, sharp: bool) -> Array:
        length = rng.uniform(12, 70)
        count = int(length / 1.0) + 4
        heading = rng.uniform(0, 2 * np.pi) + rng.normal(0, 0.015) * np.arange(count)
        crooked = 0.7 * rng.standard_normal(count) if sharp and rng.random() < 0.5 else 0.0
        steps = np.c_[np.cos(heading + crooked), np.sin(heading + crooked)]
        return rng.uniform(0, 1, 2) * size + np.cumsum(steps, axis=0)

    def _line_beside(self, rows: slice, columns: slice, outside: Plate, rng: np.random.Generator) -> None:
        """Dirt and shade in the corner a tape edge makes: the thin dark line that is not ink."""
        strength = np.clip(0.12 + 0.16 * field(rng, outside.shape, 60 / self.mm), 0, 0.45)
        shade = (
            strength
            * np.exp(-((np.maximum(outside, 0) / np.float32(0.28)) ** 2))
            * np.clip(1 + outside / self.mm, 0, 1)
        )
        self.albedo[rows, columns] *= 1 - shade

    def _edge_mm(self, rng: np.random.Generator) -> float:
        """Width of the slope at a tape's edge, never so narrow that the raster shows steps."""
        return max(float(rng.uniform(0.2, 0.4)), 2.5 * self.mm)

    def _weave(
        self, rows: slice, columns: slice, along: Plate, across: Plate, rng: np.random.Generator, cover: Plate | float
    ) -> None:
        """The tape's scrim pressing through: threads along and across, strong here, gone there."""
        amount = self.options.scrim_mm * np.clip(0.5 + 0.5 * field(rng, along.shape, 45 / self.mm), 0, 2)
        threads = np.sin(across * np.float32(2 * np.pi / 1.35)) + 0.6 * np.sin(along * np.float32(2 * np.pi / 1.9))
        self.height[rows, columns] += cover * amount * threads

    def _span(self, middle: float, reach: float, axis: int) -> slice:
        start = int((middle - reach - self.origin[1 - axis]) / self.mm)
        stop = int((middle + reach - self.origin[1 - axis]) / self.mm) + 1
        return slice(max(start, 0), min(max(stop, 0), self.shape[axis]))

    def _grid(self, rows: slice, columns: slice) -> tuple[Plate, Plate]:
        x = self.origin[0] + np.arange(columns.start, columns.stop, dtype=np.float32) * np.float32(self.mm)
        y = self.origin[1] + np.arange(rows.start, rows.stop, dtype=np.float32) * np.float32(self.mm)
        across, down = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
        return across, down


def _torn_edge(v: Plate, half: float, rng: np.random.Generator) -> Plate:
    profile = (0.5 * wander(rng, 400, 50) + 0.35 * wander(rng, 400, 14)).astype(np.float32)
    return np.interp(v, np.linspace(-half, half, 400), profile).astype(np.float32)


def _ease(share: Plate) -> Plate:
    t = np.clip(share, 0, 1)
    return t * t * (3 - 2 * t)


def _blurred(drawn: Plate, sigma_px: float, amount: float) -> Plate:
    soft = cv2.GaussianBlur(drawn, (0, 0), max(sigma_px, 0.6))
    return soft * np.float32(amount / 0.4)


def _draw_fading(layer: Plate, line_px: Array, strength: float, width_px: int) -> None:
    """Draw a line that swells from nothing and dies away."""
    swell = strength * np.sin(np.linspace(0.1, np.pi - 0.1, len(line_px) - 1)) ** 0.7
    corners = np.round(line_px * 16).astype(np.int32)
    for a, b, value in zip(corners[:-1], corners[1:], swell, strict=True):
        cv2.line(layer, a.tolist(), b.tolist(), float(value), width_px, cv2.LINE_8, 4)
