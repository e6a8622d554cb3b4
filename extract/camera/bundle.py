"""The least-squares core of the solve: every chess corner of every photo at once.

Unknowns are, photo by photo, the eleven numbers of ``extract.camera.project`` and, for every card, its place on the
table (x, y, angle; fixed for the card that fixes the frame) and how its paper bulges (three heights). Observations are
chess corners and, weakly, what is known of phone cameras and of paper beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from extract.camera.project import PARAMETERS, parameter_jacobian, px_from_table
from extract.doors import Array, Lens, PlaneCamera

Key = tuple[int, int]
"""A card: (number, family order), so that keys sort the way the frame is chosen."""

HUBER = 2.5
"""Residuals beyond this many σ count linearly (Huber 1964); at 2.5 good corners lose one per cent of efficiency."""


@dataclass(frozen=True, eq=False)
class Sight:
    """One card in one photo: corners as printed (stretch included) and as seen. ``bulges`` (N, 3) are the heights of
    the corners when each of the card's three ways to bulge reaches one millimetre."""

    photo: int
    card: Key
    corners_mm: Array
    corners_px: Array
    bulges: Array
    sd_px: float


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known of a photo's lens beforehand: expected (focal, k1, k2, centre x, centre y) and 1 σ of each."""

    expected: Array
    sd: Array


@dataclass(frozen=True, eq=False)
class Table:
    """A state of the solve: ``places`` gives (x_mm, y_mm, angle_rad, three bulges in mm) of every card."""

    cameras: tuple[PlaneCamera, ...]
    places: dict[Key, Array]


@dataclass(frozen=True, eq=False)
class Solved:
    table: Table
    covariance: Array
    residuals_px: tuple[Array, ...]
    cost: float
    freedom: float
    """Share of the observations that the unknowns did not use up."""


_LENS_COLUMNS = [0, 1, 2, 9, 10]
_LENS = len(_LENS_COLUMNS)
_CARD = 6


def adjust(
    sights: tuple[Sight, ...], priors: tuple[Prior, ...], start: Table, frame: Key, bulge_sd_mm: float
) -> Solved:
    """The most likely table. ``covariance`` is of the whole unknown vector, cameras first."""
    keys = sorted(start.places)
    cameras_end = PARAMETERS * len(start.cameras)
    size = cameras_end + _CARD * len(keys)
    fixed = cameras_end + _CARD * keys.index(frame) + np.arange(3)
    free = np.setdiff1d(np.arange(size), fixed)

    def unpack(step: Array) -> tuple[Table, Array]:
        whole = np.zeros(size)
        whole[free] = step
        cameras = tuple(moved(c, whole[PARAMETERS * i : PARAMETERS * (i + 1)]) for i, c in enumerate(start.cameras))
        shifts = whole[cameras_end:].reshape(-1, _CARD)
        return Table(cameras, {key: start.places[key] + d for key, d in zip(keys, shifts, strict=True)}), whole

    def residuals(step: Array) -> Array:
        table, _ = unpack(step)
        seen = [(missed_px(table, sight) / sight.sd_px).ravel() for sight in sights]
        bulges = np.concatenate([table.places[key][3:] for key in keys]) / bulge_sd_mm
        return np.concatenate([*seen, _lens_residuals(table, priors), bulges])

    def jacobian(step: Array) -> Array:
        table, whole = unpack(step)
        rows = [_sight_rows(table, sight, cameras_end + _CARD * keys.index(sight.card), whole) for sight in sights]
        return np.vstack([*rows, _lens_rows(priors, size), _bulge_rows(len(keys), size, bulge_sd_mm)])[:, free]

    fit: Any = least_squares(
        residuals,
        np.zeros(len(free)),
        jacobian,
        x_scale="jac",
        loss="huber",
        f_scale=HUBER,
        ftol=1e-9,
        max_nfev=100,
    )
    table, _ = unpack(fit.x)
    misses = tuple(missed_px(table, sight) for sight in sights)
    weak = _LENS * len(priors) + 3 * len(keys)
    return Solved(table, _covariance(fit), misses, float(fit.cost), _freedom(sights, len(free) - weak))


def _freedom(sights: tuple[Sight, ...], unknowns: int) -> float:
    return max(0.1, 1 - unknowns / sum(sight.corners_px.size for sight in sights))


def _covariance(fit: Any) -> Array:
    """Inverse of JᵀJ (``fit.jac`` carries the robust weights), widened where residuals exceed the stated noise."""
    redundancy = max(1, len(fit.fun) - len(fit.x))
    weights = np.minimum(1.0, HUBER / np.maximum(np.abs(fit.fun), 1e-12))
    excess = max(1.0, float((weights * fit.fun**2).sum()) / redundancy)
    scale = 1 / np.linalg.norm(fit.jac, axis=0)
    normal = (fit.jac * scale).T @ (fit.jac * scale)
    return np.asarray(excess * np.linalg.inv(normal) * np.outer(scale, scale), float)


def moved(camera: PlaneCamera, step: Array) -> PlaneCamera:
    """The camera after a step of its eleven numbers."""
    lens = camera.lens
    focal, k1, k2 = lens.focal_px + step[0], lens.k1 + step[1], lens.k2 + step[2]
    centre = (lens.centre_px[0] + step[9], lens.centre_px[1] + step[10])
    turned = Rotation.from_rotvec(step[3:6]).as_matrix() @ camera.rotation
    return replace(
        camera,
        lens=Lens(float(focal), (float(centre[0]), float(centre[1])), float(k1), float(k2)),
        rotation=turned,
        shift_mm=camera.shift_mm + step[6:9],
    )


def placed(corners_mm: Array, bulges: Array, place: Array) -> Array:
    """(N, 3) card corners on the table."""
    cos, sin = np.cos(place[2]), np.sin(place[2])
    turned = corners_mm @ np.array([[cos, sin], [-sin, cos]]) + place[:2]
    return np.column_stack([turned, -bulges @ place[3:]])


def missed_px(table: Table, sight: Sight) -> Array:
    """(N, 2) where the table would have the corners, less where they were seen."""
    points = placed(sight.corners_mm, sight.bulges, table.places[sight.card])
    return px_from_table(table.cameras[sight.photo], points) - sight.corners_px


def card_jacobian(camera: PlaneCamera, corners_mm: Array, bulges: Array, place: Array) -> tuple[Array, Array]:
    """How a card's pixels move, x and y in turn: (2N, 11) with the camera, (2N, 6) with the card's place."""
    by_camera, by_point = parameter_jacobian(camera, placed(corners_mm, bulges, place))
    cos, sin = np.cos(place[2]), np.sin(place[2])
    swing = corners_mm @ np.array([[-sin, cos], [-cos, -sin]])
    by_card = np.empty((len(corners_mm), 2, _CARD))
    by_card[:, :, :2] = by_point[:, :, :2]
    by_card[:, :, 2] = np.einsum("nij,nj->ni", by_point[:, :, :2], swing)
    by_card[:, :, 3:] = -by_point[:, :, 2:] * bulges[:, None, :]
    return by_camera.reshape(-1, PARAMETERS), by_card.reshape(-1, _CARD)


def _sight_rows(table: Table, sight: Sight, card_column: int, step: Array) -> Array:
    camera, place = table.cameras[sight.photo], table.places[sight.card]
    by_camera, by_card = card_jacobian(camera, sight.corners_mm, sight.bulges, place)
    first = PARAMETERS * sight.photo
    by_camera[:, 3:6] = by_camera[:, 3:6] @ _left_jacobian(step[first + 3 : first + 6])
    rows = np.zeros((len(by_camera), len(step)))
    rows[:, first : first + PARAMETERS] = by_camera
    rows[:, card_column : card_column + _CARD] = by_card
    return rows / sight.sd_px


def _left_jacobian(turn: Array) -> Array:
    """exp(turn + d) = exp(J d) exp(turn) to first order in d (Barfoot, State Estimation for Robotics, eq. 7.77b)."""
    angle = float(np.linalg.norm(turn))
    x, y, z = turn
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    if angle < 1e-6:
        return np.eye(3) + cross / 2
    first, second = (1 - np.cos(angle)) / angle**2, (angle - np.sin(angle)) / angle**3
    return np.asarray(np.eye(3) + first * cross + second * cross @ cross, float)


def _lens_residuals(table: Table, priors: tuple[Prior, ...]) -> Array:
    lenses = [
        np.array([camera.lens.focal_px, camera.lens.k1, camera.lens.k2, *camera.lens.centre_px])
        for camera in table.cameras
    ]
    return np.concatenate([(lens - prior.expected) / prior.sd for lens, prior in zip(lenses, priors, strict=True)])


def _lens_rows(priors: tuple[Prior, ...], size: int) -> Array:
    rows = np.zeros((_LENS * len(priors), size))
    for i, prior in enumerate(priors):
        for j, column in enumerate(_LENS_COLUMNS):
            rows[_LENS * i + j, PARAMETERS * i + column] = 1 / prior.sd[j]
    return rows


def _bulge_rows(cards: int, size: int, bulge_sd_mm: float) -> Array:
    rows = np.zeros((3 * cards, size))
    for i in range(cards):
        first = size - _CARD * (cards - i) + 3
        rows[3 * i : 3 * i + 3, first : first + 3] = np.eye(3) / bulge_sd_mm
    return rows
