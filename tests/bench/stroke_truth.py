"""Scenes with exact truth, brought into the flat view: what was drawn where, and how well a reading of it does.

The truth's points go through the scene's true camera into the photo and from there through the solved camera onto the
plane, so the plane's own error moves truth and reading alike and falls out of every figure.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import LineString, Polygon

from extract.camera.flatten import flatten
from extract.camera.project import mm_from_px
from extract.camera.solve import solve
from extract.cards.find import find_cards
from extract.doors import Array, CannotContinue, FlatView, Silhouette, Stroke, TraceSettings
from extract.geometry.planar import closed_up, densified
from extract.photo import read_photo

LEAST_PANEL_MM2 = 2000.0
SAME_IOU, STRANGER_IOU = 0.97, 0.9
NEAR_MM = 1.0
STEP_MM = 0.2
TICK_NEAR_MM = 3.0


@dataclass(frozen=True, eq=False)
class Drawn:
    """One true line in the flat view's frame; ``kind`` is the truth's word for it."""

    kind: str
    colour: str
    closed: bool
    points_mm: Array
    cross_mm: Array | None = None
    crosses: int | None = None

    @property
    def line(self) -> LineString:
        return LineString(closed_up(self.points_mm) if self.closed else self.points_mm)


@dataclass(frozen=True, eq=False)
class Scene:
    """A photo's flat view with the true outline and the true ink; ``panels`` are those of the cut colour, holes
    filled."""

    name: str
    flat: FlatView
    silhouette: Silhouette
    lines: tuple[Drawn, ...]
    ticks: tuple[Drawn, ...]
    notes: tuple[Drawn, ...]
    panels: tuple[Polygon, ...]

    @property
    def preset(self) -> str:
        return self.name.rsplit("_", 1)[0]


def truth_files(folders: Sequence[Path]) -> list[Path]:
    return sorted(f for folder in folders for f in Path(folder).glob("*.truth.json"))


def load_scene(truth_file: Path) -> Scene:
    """Solves the photo's plane and brings the truth there. Raises CannotContinue where the cards do not serve."""
    name = truth_file.name.removesuffix(".truth.json")
    truth = json.loads(truth_file.read_text())
    path = truth_file.with_name(f"{name}.jpg")
    photo = read_photo(path.read_bytes(), path.name)
    cameras, _ = solve([find_cards(photo)[0]], (photo,), TraceSettings())
    seen = _Seen(truth, cameras[0])
    ring = seen.nearby(truth["silhouette"]["exact_points"])
    outline = _outline(ring)
    return Scene(
        name,
        flatten(photo, cameras[0]),
        Silhouette((outline,), 0.02, (np.zeros(len(outline), bool),)),
        tuple(seen.drawn(line) for line in truth["lines"]),
        tuple(seen.drawn(tick) for tick in truth["ticks"]),
        tuple(seen.drawn(note) for note in truth.get("notes", ())),
        tuple(biggest(seen.nearby(told["polygon"])) for told in truth["panels_black"]),
    )


class _Seen:
    """The truth's points as the solved plane shows them."""

    def __init__(self, truth: dict[str, Any], camera: Any) -> None:
        told = truth["camera"]
        self._turn = cv2.Rodrigues(np.array(told["R_world_to_cam"], float))[0]
        self._shift, self._matrix = np.array(told["t_world_to_cam_mm"], float), np.array(told["K"], float)
        self._bend = np.array(told["dist_k1_k2_p1_p2_k3"], float)
        self._camera = camera
        known = [truth["silhouette"], *truth["lines"], *truth["ticks"]]
        self._tree = cKDTree(np.vstack([k["points"] for k in known]))
        self._heights = np.concatenate([np.ravel(k["z"]) for k in known])

    def at(self, points: Any, z: Any) -> Array:
        world = np.column_stack([np.asarray(points, float)[:, :2], z])
        px, _ = cv2.projectPoints(world, self._turn, self._shift, self._matrix, self._bend)
        return mm_from_px(self._camera, np.asarray(px, float).reshape(-1, 2))

    def nearby(self, points: Any) -> Array:
        """Points of unknown height: that of the nearest known one serves, the shell being all but flat."""
        return self.at(points, self._heights[self._tree.query(np.asarray(points, float)[:, :2])[1]])

    def drawn(self, told: dict[str, Any]) -> Drawn:
        cross = self.nearby([told["cross_point"]])[0] if "cross_point" in told else None
        points = self.at(told["points"], np.ravel(told["z"]))
        return Drawn(told["type"], told["color"], bool(told["closed"]), points, cross, told.get("crosses"))


def _outline(ring: Array) -> Array:
    shape = Polygon(ring)
    return np.asarray((shape if shape.is_valid else biggest(ring)).exterior.coords)[:-1]


def biggest(points: Array) -> Polygon:
    """The largest valid piece of a ring, holes filled."""
    repaired = Polygon(points).buffer(0)
    piece = max(shapely.get_parts(repaired), key=shapely.area, default=Polygon())
    return Polygon(piece.exterior)


def dense(points: Array, closed: bool = False) -> Array:
    return densified(closed_up(points) if closed else points, STEP_MM)


@dataclass(frozen=True)
class InkScore:
    """Shares of length within 1 mm, RMS of the centre line (mm) over what is within 2 mm, and what falls aside:
    ``missed_mm`` of drawn line, ``strange_mm`` of found line."""

    recall: float
    precision: float
    rms_mm: float
    missed_mm: float
    strange_mm: float


def ink_score(scene: Scene, found: Sequence[Array]) -> InkScore:
    """``found`` are dense polylines of everything read as ink."""
    drawn = np.vstack([dense(d.points_mm, d.closed) for d in scene.lines])
    ink = np.vstack([drawn, *(dense(d.points_mm) for d in (*scene.ticks, *scene.notes))])
    if not found:
        return InkScore(0.0, 1.0, float("nan"), STEP_MM * len(drawn), 0.0)
    points = np.vstack(list(found))
    apart, back = cKDTree(ink).query(points)[0], cKDTree(points).query(drawn)[0]
    near = apart[apart < 2]
    return InkScore(
        recall=float((back < NEAR_MM).mean()),
        precision=float((apart < NEAR_MM).mean()),
        rms_mm=float(np.sqrt((near**2).mean())) if len(near) else float("nan"),
        missed_mm=float((back >= NEAR_MM).sum()) * STEP_MM,
        strange_mm=float((apart >= NEAR_MM).sum()) * STEP_MM,
    )


@dataclass(frozen=True)
class PanelScore:
    """``found`` of ``true`` panels of 20 cm² and more (overlap 0.97), ``invented`` of that size (no true one overlaps
    by 0.9); ``partner`` gives for each of the true ones the index of its finding or −1."""

    true: int
    found: int
    invented: int
    partner: tuple[int, ...]

    @property
    def right(self) -> bool:
        return self.found == self.true and self.invented == 0


def panel_score(scene: Scene, outlines: Sequence[Array]) -> PanelScore:
    shapes = [biggest(outline) for outline in outlines]
    overlap = np.array([[_iou(a, b) for b in shapes] for a in scene.panels]).reshape(len(scene.panels), len(shapes))
    large = [j for j, shape in enumerate(shapes) if shape.area >= LEAST_PANEL_MM2]
    counted = [row for row, panel in zip(overlap, scene.panels, strict=True) if panel.area >= LEAST_PANEL_MM2]
    best = [int(row.argmax()) if row.max(initial=0.0) >= SAME_IOU else -1 for row in counted]
    strange = sum(overlap[:, j].max(initial=0.0) < STRANGER_IOU for j in large)
    return PanelScore(len(counted), sum(b >= 0 for b in best), int(strange), tuple(best))


def _iou(a: Polygon, b: Polygon) -> float:
    return a.intersection(b).area / a.union(b).area if a.intersects(b) else 0.0


def colour_right(scene: Scene, strokes: Sequence[Stroke]) -> float:
    """Share of the drawn length with ink found within 1 mm whose nearest stroke is of the drawn colour."""
    drawn = [dense(d.points_mm, d.closed) for d in scene.lines]
    points = np.vstack(drawn)
    meant = np.repeat([d.colour for d in scene.lines], [len(d) for d in drawn])
    found = [dense(s.points_mm, s.closed) for s in strokes]
    named = np.repeat([s.colour for s in strokes], [len(f) for f in found])
    apart, nearest = cKDTree(np.vstack(found)).query(points)
    near = apart < NEAR_MM
    return float((named[nearest[near]] == meant[near]).mean()) if near.any() else float("nan")


@dataclass(frozen=True)
class TickScore:
    """``found`` of ``true`` ticks, ``listed`` by the reading, ``right_place`` within half a millimetre along the line
    they cross; ``off_mm`` each found tick's place against the true one."""

    true: int
    found: int
    listed: int
    off_mm: tuple[float, ...]

    @property
    def right_place(self) -> int:
        return sum(off <= 0.5 for off in self.off_mm)


def tick_score(scene: Scene, strokes: Sequence[Stroke]) -> TickScore:
    """Where each read tick crosses a read line, against the true crossing, along the true line."""
    ticks = [s for s in strokes if s.kind == "tick"]
    others = [LineString(closed_up(s.points_mm) if s.closed else s.points_mm) for s in strokes if s.kind == "marker"]
    everything = shapely.MultiLineString(others) if others else LineString()
    off, found = [], 0
    middles = np.array([s.points_mm.mean(axis=0) for s in ticks]).reshape(-1, 2)
    for true in scene.ticks:
        away = np.hypot(*(middles - true.points_mm.mean(axis=0)).T)
        if len(away) == 0 or away.min() > TICK_NEAR_MM:
            continue
        found += 1
        tick = LineString(ticks[int(away.argmin())].points_mm)
        places = shapely.get_coordinates(tick.intersection(everything))
        if len(places) and true.cross_mm is not None and true.crosses is not None:
            line = scene.lines[true.crosses].line
            meant = line.project(shapely.Point(true.cross_mm))
            off.append(min(abs(line.project(shapely.Point(p)) - meant) for p in places))
    return TickScore(len(scene.ticks), found, len(ticks), tuple(off))


def try_scene(truth_file: Path) -> Scene | None:
    """The scene, or None where its cards do not serve."""
    try:
        return load_scene(truth_file)
    except CannotContinue:
        return None
