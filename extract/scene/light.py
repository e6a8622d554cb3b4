"""One window, a room, the lens's falling-off: how bright everything is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from extract.doors import Array
from extract.scene.optics import Optics
from extract.scene.options import SceneOptions

Plate = npt.NDArray[np.float32]

AMBIENT = 0.45
"""Share of light that comes from all over the room."""


@dataclass(frozen=True, eq=False)
class Light:
    """A window's middle at ``place`` (3,) mm; ``tint`` (3,) colour of the light, BGR; ``shadows`` blobs of a hand or
    shoulder: x, y, radius in mm, depth."""

    place: Array
    tint: Array
    shadows: tuple[tuple[float, float, float, float], ...] = ()

    def strength(self, xy: Array) -> Array:
        """Irradiance (N,) of a flat spot at x, y, 1 below the window's usual distance."""
        away = np.c_[self.place[0] - xy[:, 0], self.place[1] - xy[:, 1], np.full(len(xy), self.place[2])]
        d2 = np.sum(away**2, axis=1)
        usual = float(np.sum(self.place**2))
        direct = (usual / d2) ** 1.25
        total = AMBIENT + (1 - AMBIENT) * direct
        for x, y, radius, depth in self.shadows:
            r2 = ((xy[:, 0] - x) ** 2 + (xy[:, 1] - y) ** 2) / radius**2
            total *= 1 - depth * np.exp(-(r2**2) / 2)
        return total

    def toward(self, xy: Array) -> Array:
        """Unit vectors (N, 3) from spots on the table to the window."""
        away = np.c_[self.place[0] - xy[:, 0], self.place[1] - xy[:, 1], np.full(len(xy), self.place[2])]
        return away / np.linalg.norm(away, axis=1, keepdims=True)

    def mirror_slope(self, xy: Array, camera: Optics) -> Array:
        """Surface slopes (dz/dx, dz/dy) (N, 2) that would mirror the window into the lens."""
        flat = np.c_[xy, np.zeros(len(xy))]
        to_lens = camera.place_mm - flat
        half = self.toward(xy) + to_lens / np.linalg.norm(to_lens, axis=1, keepdims=True)
        return -half[:, :2] / half[:, 2:]


def make_light(options: SceneOptions, camera: Optics, rng: np.random.Generator) -> Light:
    """A window to one side; with glare, one that mirrors in the middle of the shell."""
    azimuth, elevation, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.6, 1.05), rng.uniform(800, 1500)
    place = far * np.array(
        [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
    )
    if options.glare > 0:
        spot = np.array([*rng.uniform(-0.25, 0.25, 2) * options.length_mm, 0.0])
        to_lens = spot - camera.place_mm
        mirrored = spot + to_lens * np.array([1, 1, -1]) / np.linalg.norm(to_lens) * 1000
        place = mirrored + rng.normal(0, 120 * (1.2 - options.glare), 3)
    warm = rng.uniform(-0.06, 0.06)
    shadows = []
    if options.hand_shadow:
        angle = rng.uniform(0, 2 * np.pi)
        middle = np.array([np.cos(angle), np.sin(angle)]) * options.length_mm * rng.uniform(0.35, 0.7)
        shadows.append((*middle, rng.uniform(90, 190), rng.uniform(0.25, 0.5)))
    return Light(place, np.array([1 - warm, 1.0, 1 + warm]), tuple(shadows))


def falling_off(camera: Optics, pixels: Array) -> Array:
    """The lens's darkening towards the corners, (N,), half of it mended by the phone."""
    r2 = np.sum((pixels - np.asarray(camera.centre_px)) ** 2, axis=1) / camera.focal_px**2
    return 1 / (1 + 0.55 * r2)
