"""How high the shell stands above the cards, place by place, from two or more photos taken from different sides.

What lies above the plane on which a photo was looked at shifts away from the camera, and differently for two cameras:
by height times the difference of their viewing slants. So for every place of the view the shell was found in, another
photo is drawn as it would look at each of a row of heights, and the height at which both are most alike is taken
(plane sweep; Collins, "A space-sweep approach to true multi-image matching", CVPR 1996), to a part of a step by a
parabola. Likeness is the correlation over a window, which light of their own leaves alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt

from extract.camera.flatten import spread_map
from extract.camera.heights import Heights, smoothed
from extract.camera.project import px_from_table
from extract.camera.uncertainty import place_covariance_mm2
from extract.doors import Array, Photo, PlaneCamera, Relief
from extract.geometry.relief import height_at, sd_at

Image = npt.NDArray[np.float32]


@dataclass(frozen=True)
class ReliefSettings:
    """``lowest_mm``, ``highest_mm``: heights tried; a shell that stands up further is not ready to be traced.
    ``shift_mm``: by so much two photos move against each other from one height tried to the next: a third of a thin
    marker line. ``pixel_mm``: of the views compared. ``window_mm``: wide enough to hold a piece of line or a tape's
    edge nearly everywhere. ``grid_mm``: between heights kept; a curl is some centimetres wide, and ``smooth_mm`` is
    what it is smoothed by; where little is seen, what lies within ``wide_mm`` decides. ``least_slant``: photos whose
    viewing slants differ by less tell no heights. ``least_likeness``: below it the photos show nothing in common.
    ``gloss``: light mirrored by the tape, as a share of the shell's usual light; it has no place, but looks as if it
    had. ``sample_mm2``: how much of a window tells something of its own (both measured on scenes of known height)."""

    lowest_mm: float = -1.5
    highest_mm: float = 9.0
    shift_mm: float = 0.45
    pixel_mm: float = 0.6
    window_mm: float = 13.0
    grid_mm: float = 4.0
    smooth_mm: float = 6.0
    wide_mm: float = 18.0
    least_slant: float = 0.12
    least_likeness: float = 0.3
    gloss: float = 0.06
    sample_mm2: float = 8.0
    node_px: int = 8


LYING_PERCENT = 30.0
"""Most of a flattened shell lies on the table; what stands up is its rim."""

ROUNDS = 8
"""Each makes what is left of a displacement ten times smaller: heights change by less than one in four."""

LEAST_SD_MM = 0.02
"""No window tells a height better than a twentieth of a pixel."""


@dataclass(frozen=True, eq=False)
class _View:
    """The raster of the shell as the reference photo saw it on its stroke plane: pixel (column, row) lies at
    ``low_mm`` + ``step_mm`` · (column, row); ``shell`` (H, W) is 1 on it."""

    low_mm: Array
    step_mm: float
    shell: Image

    @property
    def size(self) -> tuple[int, int]:
        return self.shell.shape[1], self.shell.shape[0]


def find_relief(
    photos: Sequence[Photo],
    cameras: Sequence[PlaneCamera],
    reference: int,
    rings_mm: Sequence[Array],
    settings: ReliefSettings | None = None,
) -> Relief | None:
    """Heights of the shell whose outline, in the view of photo ``reference``, are ``rings_mm``; None where no other
    photo was taken from a side different enough."""
    settings = settings or ReliefSettings()
    camera = cameras[reference]
    view = _view(rings_mm, settings)
    middle = np.vstack(rings_mm).mean(axis=0)
    slants = [_slant(camera, other, middle) for other in cameras]
    others = [i for i, slant in enumerate(slants) if i != reference and slant >= settings.least_slant]
    if not others:
        return None
    grid = _grid(view, settings)
    bases = [_swept(photos, cameras, reference, other, view, grid, settings) for other in others]
    found = Heights(
        *(np.stack(each) for each in zip(*((b.places_mm, b.heights_mm, b.sd_mm) for b in bases), strict=True))
    )
    if np.isfinite(found.sd_mm).sum() < 20:
        return None
    heights, sd = smoothed(found, grid.places_mm, settings.smooth_mm, settings.wide_mm)
    own_common = _common_sd(camera, [cameras[i] for i in others], np.vstack(rings_mm))
    on_shell = grid.of(view.shell) > 0
    lying = float(np.percentile(heights[on_shell], LYING_PERCENT))
    lift, common = _agreed(camera, lying, own_common)
    near = distance_transform_edt(~on_shell, return_distances=False, return_indices=True)
    step, low = grid.every * view.step_mm, (float(view.low_mm[0]), float(view.low_mm[1]))
    seen = Relief(low, step, (heights + lift)[tuple(near)], sd[tuple(near)], lying + lift, common, lying, own_common)
    return _plan(camera, grid, seen)


def _view(rings_mm: Sequence[Array], settings: ReliefSettings) -> _View:
    outline = np.vstack(rings_mm)
    margin = settings.grid_mm
    low, high = outline.min(axis=0) - margin, outline.max(axis=0) + margin
    # a shell of a square metre must not take longer than one of a quarter
    step = max(settings.pixel_mm, math.sqrt(float(np.prod(high - low)) / 1e6))
    width, height = np.ceil((high - low) / step).astype(int) + 1
    shell = np.zeros((height, width), np.uint8)
    cv2.fillPoly(shell, [np.round((ring - low) / step * 16).astype(np.int32) for ring in rings_mm], 1, shift=4)
    return _View(low, step, cv2.erode(shell, np.ones((3, 3), np.uint8)).astype(np.float32))


def _slopes(camera: PlaneCamera, points_mm: Array) -> Array:
    """(N, 2) by how much a point's image on the table moves for each mm the point stands higher."""
    eye = -camera.rotation.T @ camera.shift_mm
    return np.asarray((points_mm - eye[:2]) / -eye[2], float)


def _slant(one: PlaneCamera, other: PlaneCamera, middle_mm: Array) -> float:
    return float(np.linalg.norm(_slopes(one, middle_mm) - _slopes(other, middle_mm)))


@dataclass(frozen=True, eq=False)
class _Grid:
    """Every ``every``-th pixel of the view: ``places_mm`` (rows, columns, 2)."""

    every: int
    places_mm: Array

    def of(self, image: npt.NDArray[Any]) -> Array:
        return np.asarray(image[:: self.every, :: self.every], float)


def _grid(view: _View, settings: ReliefSettings) -> _Grid:
    every = max(1, round(settings.grid_mm / view.step_mm))
    rows, columns = (np.arange(0, count, every) * view.step_mm for count in view.shell.shape)
    return _Grid(every, np.stack(np.meshgrid(columns, rows), axis=-1) + view.low_mm)


def _swept(
    photos: Sequence[Photo],
    cameras: Sequence[PlaneCamera],
    reference: int,
    other: int,
    view: _View,
    grid: _Grid,
    settings: ReliefSettings,
) -> Heights:
    """Best height and its 1 σ at every grid place, from one other photo."""
    camera = cameras[reference]
    step = settings.shift_mm / _slant(camera, cameras[other], view.low_mm + np.array(view.size) / 2 * view.step_mm)
    tried = np.arange(settings.lowest_mm, settings.highest_mm + step, step)
    window = _window(_drawn(photos[reference], camera, camera, (camera.height_mm,), view, settings)[0], view, settings)
    pictures = _drawn(photos[other], cameras[other], camera, tuple(tried), view, settings)
    likeness = np.array([grid.of(window.likeness(picture)) for picture in pictures], np.float32)
    best, peak, curve = _peaks(likeness, tried, step)
    counted = np.maximum(grid.of(window.share) * settings.window_mm**2 / settings.sample_mm2, 1.0)
    sound = (peak >= settings.least_likeness) & (curve > 0) & (grid.of(window.share) > 0.12)
    with np.errstate(divide="ignore", invalid="ignore"):
        # Likeness falls off as ρ (1 - d² / 2 L²); over n samples noise of relative size (1 - ρ) / ρ in both pictures
        # shifts its peak by L √(2 (1 - ρ) / ρ n). Gloss that moves with the camera is noise that looks alike.
        gloss = settings.gloss * float(np.median(window.picture[view.shell > 0]))
        noise = 2 * (1 - peak) + gloss**2 / grid.of(window.variance)
        sd = np.where(sound, np.sqrt(noise / (curve * counted)), np.inf)
    return Heights(grid.of(window.centres), best, np.maximum(sd, LEAST_SD_MM))


def _drawn(
    photo: Photo,
    camera: PlaneCamera,
    reference: PlaneCamera,
    tried: tuple[float, ...],
    view: _View,
    settings: ReliefSettings,
) -> list[Image]:
    """The photo as the reference camera would see it if the whole shell lay at each of these heights."""
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY), np.uint8)
    middle = np.array(view.size)[None] / 2 * view.step_mm + view.low_mm
    near = px_from_table(camera, np.column_stack([np.vstack([middle, middle + np.array([1.0, 0.0])]), np.zeros(2)]))
    shrink = max(1, int(view.step_mm * float(np.linalg.norm(near[1] - near[0])) + 0.3))
    grey = cv2.resize(grey, (grey.shape[1] // shrink, grey.shape[0] // shrink), interpolation=cv2.INTER_AREA)
    every = settings.node_px
    columns, rows = (math.ceil((count - 1) / every) + 1 for count in view.size)
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    flat = np.column_stack([x.ravel(), y.ravel()]) * (every * view.step_mm) + view.low_mm
    drawn = []
    for height in tried:
        at = flat - (height - reference.height_mm) * _slopes(reference, flat)
        px = px_from_table(camera, np.column_stack([at, np.full(len(at), -height)])).reshape(rows, columns, 2)
        x_px, y_px = spread_map((px + 0.5) / shrink - 0.5, view.size, every)
        drawn.append(np.asarray(cv2.remap(grey, x_px, y_px, cv2.INTER_LINEAR), np.float32))
    return drawn


@dataclass(frozen=True, eq=False)
class _Window:
    """The reference picture with its mean and spread over a sliding window of ``box`` pixels, only the shell counted:
    ``share`` of the window on the shell, ``centres`` (H, W, 2) mm where its edges lie on average."""

    picture: Image
    shell: Image
    box: int
    share: Image
    mean: Image
    variance: Image
    centres: Array

    def over(self, image: Image) -> Image:
        mean = cv2.blur(image * self.shell, (self.box, self.box), borderType=cv2.BORDER_CONSTANT)
        return np.asarray(mean / np.maximum(self.share, 1e-6), np.float32)

    def likeness(self, other: Image) -> Image:
        """Correlation of the two pictures in every window."""
        other = _dimmed(other, self.shell)
        mean = self.over(other)
        variance = np.maximum(self.over(other * other) - mean * mean, 1.0)
        shared = self.over(self.picture * other) - self.mean * mean
        return np.asarray(shared / np.sqrt(self.variance * variance), np.float32)


def _window(picture: Image, view: _View, settings: ReliefSettings) -> _Window:
    box = 2 * round(settings.window_mm / view.step_mm / 2) + 1
    picture = _dimmed(picture, view.shell)
    share = cv2.blur(view.shell, (box, box), borderType=cv2.BORDER_CONSTANT)
    empty = np.zeros_like(picture)
    bare = _Window(picture, view.shell, box, np.asarray(share, np.float32), empty, empty, np.zeros(0))
    mean = bare.over(picture)
    variance = np.maximum(bare.over(picture * picture) - mean * mean, 1.0)
    return replace(bare, mean=mean, variance=np.asarray(variance, np.float32), centres=_centres(bare, view))


def _centres(window: _Window, view: _View) -> Array:
    """Where the edges in each window lie on average: a height found by them is the height there."""
    across, down = (cv2.Sobel(window.picture, cv2.CV_32F, *order, scale=0.125) for order in ((1, 0), (0, 1)))
    edges = across * across + down * down + 1e-3
    usual = window.over(np.asarray(edges, np.float32))
    places = np.meshgrid(*(np.arange(count, dtype=np.float32) for count in view.size))
    means = [window.over(np.asarray(edges * place, np.float32)) / np.maximum(usual, 1e-6) for place in places]
    return np.stack(means, axis=-1).astype(float) * view.step_mm + view.low_mm


def _dimmed(picture: Image, shell: Image) -> Image:
    """Glints cut down: they belong to the light, and move with the camera."""
    return np.minimum(picture, np.percentile(picture[::3, ::3][shell[::3, ::3] > 0], 90).astype(np.float32))


def _peaks(likeness: npt.NDArray[np.float32], tried: Array, step: float) -> tuple[Array, Array, Array]:
    """Height of the largest likeness, that likeness, and how fast it falls off (per mm²), by a parabola through three;
    a fall-off of zero where the largest is the first or last of all."""
    at = np.clip(likeness.argmax(axis=0), 1, len(tried) - 2)
    before, peak, after = (np.take_along_axis(likeness, at[None] + i, axis=0)[0].astype(float) for i in (-1, 0, 1))
    bend = 2 * peak - before - after
    inside = (peak >= before) & (peak >= after) & (bend > 1e-6)
    offset = np.where(inside, (after - before) / (2 * np.where(inside, bend, 1.0)), 0.0)
    return tried[at] + offset * step, peak, np.where(inside, bend / step**2, 0.0)


def _common_sd(camera: PlaneCamera, others: Sequence[PlaneCamera], outline_mm: Array) -> float:
    """1 σ of what all heights have in common: how well the solve knows where the two cameras stand."""
    points = outline_mm[:: max(1, len(outline_mm) // 50)]
    variances = []
    for other in others:
        apart = _slopes(other, points) - _slopes(camera, points)
        places = sum(place_covariance_mm2(replace(c, bias=(0.0, 0.0)), points) for c in (camera, other))
        variances.append(np.einsum("ni,nij,nj->n", apart, places, apart) / (apart**2).sum(axis=1) ** 2)
    return math.sqrt(float(np.median(np.mean(variances, axis=0))) / len(others))


def _agreed(camera: PlaneCamera, lying_mm: float, common_sd: float) -> tuple[float, float]:
    """By how much all heights are shifted so that the lying part agrees with what was known of it beforehand, each by
    its 1 σ, and the 1 σ that is left."""
    known = camera.bias[1]
    total = known**2 + common_sd**2
    return (camera.height_mm - lying_mm) * common_sd**2 / total, common_sd * known / math.sqrt(total)


def _plan(camera: PlaneCamera, grid: _Grid, seen: Relief) -> Relief:
    """The heights where they truly are, as seen from straight above, instead of where the camera saw them."""
    places = seen_at = grid.places_mm.reshape(-1, 2)
    for _ in range(ROUNDS):
        seen_at = _read_at(camera, height_at(seen, seen_at), places)
    shape = seen.heights_mm.shape
    return replace(seen, heights_mm=height_at(seen, seen_at).reshape(shape), sd_mm=sd_at(seen, seen_at).reshape(shape))


def _read_at(camera: PlaneCamera, heights_mm: Array, places_mm: Array) -> Array:
    """Where on the camera's stroke plane points at ``heights_mm`` over ``places_mm`` are seen."""
    eye = -camera.rotation.T @ camera.shift_mm
    # by similar triangles: what stands up looks further from the camera's foot than it is
    share = (heights_mm - camera.height_mm) / (-eye[2] - camera.height_mm)
    return np.asarray(eye[:2] + (places_mm - eye[:2]) / (1 - share)[:, None], float)


def view_points(camera: PlaneCamera, relief: Relief, places_mm: Array) -> Array:
    """Where on the camera's stroke plane points (N, 2) of the shell, as seen from straight above, are seen."""
    return _read_at(camera, height_at(relief, places_mm), np.asarray(places_mm, float))


def plan_points(camera: PlaneCamera, relief: Relief, points_mm: Array) -> Array:
    """Points (N, 2) of the shell as read in a view on the camera's stroke plane, moved to where they are as seen from
    straight above."""
    points = np.asarray(points_mm, float)
    places = points
    for _ in range(ROUNDS):
        places = places + points - view_points(camera, relief, places)
    return places
