"""Several photos of one table: the shell's heights from parallax, and strokes averaged over the photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from extract.camera.flatten import flatten
from extract.camera.project import px_from_mm
from extract.camera.relief import find_relief, plan_points, view_points
from extract.camera.uncertainty import shape_sd_mm_at
from extract.doors import Array, CannotContinue, Doubt, FlatView, Photo, PlaneCamera, Relief, Silhouette, Stroke
from extract.geometry.relief import height_at, sd_at
from extract.ink.lines import find_strokes
from extract.ink.several import Reading, averaged, has_moved, joined_again, moved_mm, only_there

STANDS_MM = 1.0
"""From this height on a shell is said to stand up: 0.4 mm off in a photo taken 20° aslant."""

LEAST_SHARE = 0.02
"""Of the edge: less of it is a stray height."""

SURPRISE = 3.5
"""The shell's lying part may differ from what was known of its height by so many σ before the photos are doubted."""

ROOM_MM = 8.0


@dataclass(frozen=True, eq=False)
class Together:
    """What several photos give: outline and strokes as seen from straight above, the view drawn likewise, the cameras
    with the height found, and the map of heights."""

    flat: FlatView
    silhouette: Silhouette
    strokes: tuple[Stroke, ...]
    cameras: tuple[PlaneCamera, ...]
    relief: Relief | None
    doubts: tuple[Doubt, ...]


def read_together(
    photos: Sequence[Photo],
    cameras: Sequence[PlaneCamera],
    best: int,
    flat: FlatView,
    silhouette: Silhouette,
    strokes: tuple[Stroke, ...],
) -> Together:
    """What photo ``best`` showed, made better by the other ones. If the shell was moved between the photos, what it
    showed alone is handed back with a doubt."""
    alone = Together(flat, silhouette, strokes, tuple(cameras), None, ())
    relief = find_relief(photos, cameras, best, silhouette.rings_mm)
    if relief is not None and _surprising(relief, cameras[best]):
        return replace(alone, doubts=(_moved_doubt(photos, relief.found_mm - cameras[best].height_mm),))
    lifted = _lifted(alone, photos, best, relief) if relief is not None else alone
    first = _reading(lifted.strokes, lifted.cameras[best], relief)
    others = {}
    for i in range(len(photos)):
        if i != best:
            found = _strokes_of(photos[i], cameras[i], lifted.silhouette, relief)
            others[i] = _reading(found, lifted.cameras[i], relief)
    offs = {i: moved_mm(first, other) for i, other in others.items()}
    if any(has_moved(*off) for off in offs.values()):
        return replace(alone, doubts=(_moved_doubt(photos, max(off for off, _ in offs.values())),))
    doubts = [d for i, other in others.items() for d in _missing_doubts(photos, best, i, first, other, cameras[best])]
    if relief is not None:
        doubts += _standing_doubts(relief, lifted.silhouette, photos[best], lifted.cameras[best])
    better = averaged(first, list(others.values()))
    joined = joined_again(strokes, better, silhouette.rings_mm, lifted.silhouette.rings_mm)
    return replace(lifted, strokes=joined, doubts=tuple(doubts))


def _surprising(relief: Relief, camera: PlaneCamera) -> bool:
    known = np.hypot(camera.bias[1], relief.own_common_sd_mm)
    return bool(abs(relief.found_mm - camera.height_mm) > SURPRISE * known)


def _lifted(alone: Together, photos: Sequence[Photo], best: int, relief: Relief) -> Together:
    """Outline, strokes and view moved to where they are as seen from straight above."""
    camera = alone.cameras[best]
    cameras = tuple(replace(c, height_mm=relief.lying_mm, bias=(c.bias[0], relief.common_sd_mm)) for c in alone.cameras)
    rings = tuple(plan_points(camera, relief, ring) for ring in alone.silhouette.rings_mm)
    strokes = tuple(replace(s, points_mm=plan_points(camera, relief, s.points_mm)) for s in alone.strokes)
    flat = flatten(photos[best], cameras[best], alone.flat.mm_per_px, region_mm=_region(alone.flat), relief=relief)
    return replace(
        alone,
        flat=flat,
        silhouette=replace(alone.silhouette, rings_mm=rings),
        strokes=strokes,
        cameras=cameras,
        relief=relief,
    )


def _region(flat: FlatView) -> tuple[float, float, float, float]:
    height, width = flat.valid.shape
    (left, top), (right, bottom) = flat.mm_from_px(np.array([[0, 0], [width - 1, height - 1]]))
    return float(left), float(top), float(right), float(bottom)


def _strokes_of(photo: Photo, camera: PlaneCamera, silhouette: Silhouette, relief: Relief | None) -> tuple[Stroke, ...]:
    """Strokes another photo shows within the outline, as seen from straight above; none where it shows none."""
    there = silhouette.rings_mm
    if relief is not None:
        there = tuple(view_points(camera, relief, ring) for ring in there)
    low, high = np.vstack(there).min(axis=0) - ROOM_MM, np.vstack(there).max(axis=0) + ROOM_MM
    flat = flatten(photo, camera, region_mm=(float(low[0]), float(low[1]), float(high[0]), float(high[1])))
    try:
        found = find_strokes(flat, replace(silhouette, rings_mm=there))
    except CannotContinue:
        return ()
    if relief is None:
        return found
    return tuple(replace(s, points_mm=plan_points(camera, relief, s.points_mm)) for s in found)


def _reading(strokes: tuple[Stroke, ...], camera: PlaneCamera, relief: Relief | None) -> Reading:
    """Strokes with their camera's doubt of one coordinate, the printer's scale left out, which all photos share."""
    bare = replace(camera, bias=(0.0, 0.0 if relief is not None else camera.bias[1]))
    eye = -camera.rotation.T @ camera.shift_mm

    def variance(points: Array) -> Array:
        plane = shape_sd_mm_at(bare, points) ** 2 / 2
        if relief is None:
            return plane
        slant = np.linalg.norm(points - eye[:2], axis=1) / -eye[2]
        return np.asarray(plane + (sd_at(relief, points) * slant) ** 2 / 2, float)

    return Reading(strokes, variance)


def _moved_doubt(photos: Sequence[Photo], off_mm: float) -> Doubt:
    names = " and ".join(photo.name for photo in photos)
    return Doubt(
        "shell-moved",
        f"The shell lies {abs(off_mm):.1f} mm off between {names}, more than their ± allows, so it was read from one "
        "of them alone. Touch neither shell nor cards between the photos.",
    )


def _missing_doubts(
    photos: Sequence[Photo], best: int, i: int, first: Reading, other: Reading, camera: PlaneCamera
) -> list[Doubt]:
    found = only_there(first, other)
    if not found:
        return []
    where, length = found[0]
    return [
        Doubt(
            "line-in-one-photo",
            f"{photos[i].name} shows a line of {length:.0f} mm {_place_words(where, camera, photos[best])} that "
            f"{photos[best].name} does not show, so it was left out. Look whether glare hides it.",
        )
    ]


def _standing_doubts(relief: Relief, silhouette: Silhouette, photo: Photo, camera: PlaneCamera) -> list[Doubt]:
    outline = np.vstack(silhouette.rings_mm)
    heights, sd = height_at(relief, outline), np.hypot(sd_at(relief, outline), relief.common_sd_mm)
    up = heights - relief.lying_mm
    stands = (up >= STANDS_MM) & (up >= 3 * sd)
    if not stands.mean() >= LEAST_SHARE:
        return []
    top = int(np.where(stands, up, 0.0).argmax())
    where = _place_words(outline[top], camera, photo)
    return [
        Doubt(
            "shell-stands-up",
            f"The shell stands up along {100 * stands.mean():.0f} % of its edge, most {where}: {heights[top]:.1f} ± "
            f"{sd[top]:.1f} mm above the cards. Its lines were measured at that height; better still, weigh it down or "
            "tape it flat.",
        )
    ]


def _place_words(point_mm: Array, camera: PlaneCamera, photo: Photo) -> str:
    """Where a point of the table is in the photo."""
    x, y = px_from_mm(camera, point_mm[None])[0] / photo.size_px
    rows = ("at the top", "half way down", "at the bottom")
    columns = ("on the left", "in the middle", "on the right")
    row, column = (min(2, max(0, int(3 * share))) for share in (y, x))
    return "in the middle of the picture" if row == column == 1 else f"{rows[row]} {columns[column]} of the picture"
