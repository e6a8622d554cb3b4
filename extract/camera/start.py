"""Where the solve starts: every photo by itself from its best-seen card, then all in one frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from extract.camera.bundle import Key, Paper, Prior, Sight, Table, adjust
from extract.camera.project import PARAMETERS, mm_from_px
from extract.doors import Array, CannotContinue, Lens, Photo, PlaneCamera

LOOSE = 7.0
"""A bend of a millimetre costs nothing at first: held flat from the start, a bent card may drive the focal length to a
false bottom."""


STRAY, LEAST_CORNERS = 6.0, 6
"""How many times the typical miss is far, lens and bends being part of the typical; and how many corners a check
needs."""


def alone(
    index: int, sights: tuple[Sight, ...], prior: Prior, photo: Photo, paper: Paper, without: Key | None = None
) -> Table:
    """One photo (``index`` among the sights) solved by itself, in the frame of its best-seen card. The card ``without``
    has no say if there is another: it is laid where the others' camera sees it. A flat card has two poses that look
    alike from afar (Oberkampf, DeMenthon & Davis 1996); the better one after adjustment is kept."""
    mine = tuple(replace(sight, photo=0) for sight in sights if sight.photo == index)
    heard = tuple(sight for sight in mine if sight.card != without) or mine
    best = max(heard, key=lambda sight: float(np.ptp(sight.corners_px, axis=0).prod()))
    starts = [_spread_out(heard, best, camera) for camera in _poses(best, prior, photo)]
    tries = [adjust(heard, (prior,), start, best.card, paper.loosened(LOOSE)) for start in starts if start is not None]
    table = min(tries, key=lambda solved: solved.cost).table if tries else None
    rest = _spread_out(mine, best, table.cameras[0]) if table else None
    if table is None or rest is None:
        raise CannotContinue(
            "camera",
            f"The cards in {photo.name} cannot lie on one table.",
            "Lay all cards flat on the table the shell lies on.",
        )
    return replace(table, places=rest.places | table.places)


def without_strays(sight: Sight) -> Sight:
    """The sighting without corners that lie far from where a flat card and a straight lens would have them, by the
    homography of the least median of squares (Rousseeuw 1984). Half a bent card may go with them."""
    if len(sight.corners_px) < LEAST_CORNERS:
        return sight
    plain, _ = cv2.findHomography(sight.corners_mm, sight.corners_px, cv2.LMEDS)
    if plain is None:
        return sight
    misses = np.linalg.norm(cv2.perspectiveTransform(sight.corners_mm[None], plain)[0] - sight.corners_px, axis=1)
    near = misses <= max(STRAY * float(np.median(misses)), STRAY * sight.sd_px)
    return sight.only(near) if near.sum() >= LEAST_CORNERS else sight


def _poses(sight: Sight, prior: Prior, photo: Photo) -> list[PlaneCamera]:
    focal, k1, k2, x, y = prior.expected
    matrix = np.array([[focal, 0, x], [0, focal, y], [0, 0, 1]])
    points = np.column_stack([sight.corners_mm, np.zeros(len(sight.corners_mm))])
    _, turns, shifts, errors = cv2.solvePnPGeneric(points, sight.corners_px, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    lens = Lens(float(focal), (float(x), float(y)), float(k1), float(k2))
    errors = np.ravel(errors)
    return [
        PlaneCamera(
            lens,
            photo.size_px,
            Rotation.from_rotvec(np.ravel(turn)).as_matrix(),
            np.ravel(shift),
            0.0,
            (),
            np.zeros((PARAMETERS,) * 2),
        )
        for turn, shift, error in zip(turns, shifts, errors, strict=True)
        if error <= 3 * errors.min() + 1.0
    ]


def _spread_out(sights: tuple[Sight, ...], best: Sight, camera: PlaneCamera) -> Table | None:
    """Every card of one photo laid where the camera sees it; None if by this pose one would lie above the horizon."""
    seen = {sight.card: mm_from_px(camera, sight.corners_px) for sight in sights}
    if not all(np.isfinite(points).all() for points in seen.values()):
        return None
    places = {sight.card: _laid(sight.corners_mm, seen[sight.card]) for sight in sights}
    return Table((camera,), places | {best.card: np.zeros(7)})


def _laid(card_mm: Array, table_mm: Array) -> Array:
    """Place, without bulge, of the turn and shift that best takes card points to table points."""
    a, b = card_mm - card_mm.mean(axis=0), table_mm - table_mm.mean(axis=0)
    angle = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    shift = table_mm.mean(axis=0) - _turn3(angle)[:2, :2] @ card_mm.mean(axis=0)
    return np.array([shift[0], shift[1], angle, 0, 0, 0, 0])


def joined(tables: list[Table], frame: Key, photos: Sequence[Photo]) -> Table:
    """Tables of single photos brought into the frame card's frame through the cards they share."""
    cameras: list[PlaneCamera | None] = [None] * len(tables)
    # the frame card's place is fixed, how it lies is not
    lies = next((table.places[frame][3:] for table in tables if frame in table.places), np.zeros(4))
    places: dict[Key, Array] = {frame: np.concatenate([np.zeros(3), lies])}
    waiting = set(range(len(tables)))
    while waiting:
        linked = [i for i in sorted(waiting) if set(tables[i].places) & set(places)]
        if not linked:
            raise CannotContinue(
                "camera",
                f"{photos[min(waiting)].name} shares no scale card with the other photos.",
                "Leave the cards where they are between photos and keep at least one in both pictures.",
            )
        for i in linked:
            shared = min(set(tables[i].places) & set(places))
            cameras[i] = _reframed(tables[i].cameras[0], tables[i].places[shared], places[shared])
            for key, place in tables[i].places.items():
                places.setdefault(key, _moved_place(place, tables[i].places[shared], places[shared]))
            waiting.remove(i)
    stretches = {family: stretch for table in reversed(tables) for family, stretch in table.stretches.items()}
    return Table(tuple(camera for camera in cameras if camera is not None), places, stretches)


def _reframed(camera: PlaneCamera, old: Array, new: Array) -> PlaneCamera:
    """The same camera after the frame moved so that a card at ``old`` comes to lie at ``new``."""
    old_from_new_turn = _turn3(old[2] - new[2])
    old_from_new_shift = np.array([old[0], old[1], 0]) - old_from_new_turn @ np.array([new[0], new[1], 0])
    return replace(
        camera,
        rotation=camera.rotation @ old_from_new_turn,
        shift_mm=camera.rotation @ old_from_new_shift + camera.shift_mm,
    )


def _moved_place(place: Array, old: Array, new: Array) -> Array:
    turn = _turn3(new[2] - old[2])[:2, :2]
    shift = turn @ (place[:2] - old[:2]) + new[:2]
    return np.array([shift[0], shift[1], place[2] + new[2] - old[2], *place[3:]])


def _turn3(angle: float) -> Array:
    cos, sin = math.cos(angle), math.sin(angle)
    return np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]])
