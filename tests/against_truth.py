"""Compares a report with a scene's exact truth: panels, centre lines, scale.

Truth files are those of the scene photos (kept beside the checkout) and of our own generator; both have one format.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from shapely import MultiPoint, Polygon

FAMILY_ORDER = ("CARD-A4", "CARD-LETTER", "CARD-SMALL")
LEAST_PANEL_MM2 = 2000.0
FOUND, SAME = 0.97, 0.9
STEP_MM = 0.2
FINE_MM = 0.02
"""What was read is laid onto truth as dense as this: at STEP_MM the nearest points hold it back by up to 0.02 mm."""

TICK_MM = 3.0
ASKED_MM = 3.0
"""So near an answer settles a place."""

Points = Sequence[Sequence[float]] | np.ndarray


@dataclass(frozen=True)
class Outcome:
    """What a report got right; errors in mm after the best rigid motion, scale error in %."""

    panels_true: int
    panels_listed: int
    panels_found: int
    panels_invented: int
    panels_unasked: int
    iou_min: float
    rms_mm: float
    p95_mm: float
    cut_rms_mm: float
    scale_percent: float
    recall: float
    precision: float
    ticks_true: int
    ticks_found: int


def read_truth(path: Path) -> dict[str, Any]:
    return json.loads(path.read_text())


def outcome(truth: dict[str, Any], report: dict[str, Any], asked: Sequence[Points] = ()) -> Outcome:
    """Scores a report; a panel counts as found at an overlap (IoU) of 0.97, as invented under 0.9; whether it is large
    enough to count is said by the true one it overlaps so far. Of those invented or not found, those are unasked on
    whose outline none of the stretches (N, 2) lies that the maker is ``asked`` about, in the report's frame. A tick is
    found when the middle of a tick listed lies within 3 mm of its own. Handwriting is drawn, too, but need not be
    found: it counts for ``precision`` and not for ``recall``."""
    place = report_from_truth(truth)
    drawn_true = [(place(line["points"]), line["closed"]) for line in truth["lines"]]
    drawn_true += [(place(tick["points"]), False) for tick in truth["ticks"]]
    cut_true = [(place(piece["silhouette"]["points"]), True) for piece in truth.get("pieces", [truth])]
    notes_true = [(place(note["points"]), False) for note in truth.get("notes", ())]
    meant, noted, edge = (
        np.vstack([np.empty((0, 2)), *(_dense(*one) for one in each)]) for each in (drawn_true, notes_true, cut_true)
    )
    drawn = [s for s in report["strokes"] if s["kind"] != "cut-edge"]
    strokes = np.vstack([_dense(s["points"], s["closed"]) for s in drawn])
    rings = np.vstack([_dense(s["points"], True) for s in report["strokes"] if s["kind"] == "cut-edge"])
    fine = np.vstack([_dense(*one, FINE_MM) for one in (*drawn_true, *notes_true, *cut_true)])
    fit = _aligned(np.vstack([strokes, rings]), fine)
    apart = cKDTree(np.vstack([meant, noted])).query(fit.moved(strokes))[0]
    edge_apart = cKDTree(edge).query(fit.moved(rings))[0]
    near = apart[apart < 2]
    panels_true, found = _panels(truth, place), [_polygon(fit.moved(p["outline"])) for p in report["panels"]]
    overlap = _overlaps(panels_true, found)
    strange = overlap.max(axis=0, initial=0.0) < SAME
    large, seen = (np.array([p.area >= LEAST_PANEL_MM2 for p in each], bool) for each in (panels_true, found))
    counted = np.where(strange, seen, large[overlap.argmax(axis=0)])
    ticks = [np.mean(place(tick["points"]), axis=0) for tick in truth["ticks"]]
    listed = [np.mean(fit.moved(s["points"]), axis=0) for s in drawn if s["kind"] == "tick"]
    best = overlap[large].max(axis=1, initial=0.0)
    wrong = [panels_true[i] for i in np.flatnonzero(large)[best < FOUND]]
    wrong += [found[j] for j in np.flatnonzero(strange & seen)]
    questions = MultiPoint(np.vstack([np.empty((0, 2)), *map(fit.moved, asked)]))
    return Outcome(
        panels_true=int(large.sum()),
        panels_listed=int(counted.sum()),
        panels_found=int((best >= FOUND).sum()),
        panels_invented=int((strange & seen).sum()),
        panels_unasked=sum(not panel.exterior.dwithin(questions, ASKED_MM) for panel in wrong),
        iou_min=float(best.min(initial=1.0)),
        rms_mm=float(np.sqrt((near**2).mean())),
        p95_mm=float(np.percentile(near, 95)),
        cut_rms_mm=float(np.sqrt((edge_apart[edge_apart < 5] ** 2).mean())),
        scale_percent=100 * (1 / fit.scale - 1),
        recall=float((cKDTree(fit.moved(strokes)).query(meant)[0] < 1).mean()),
        precision=float((apart < 1).mean()),
        ticks_true=len(ticks),
        ticks_found=int((cKDTree(listed).query(ticks)[0] < TICK_MM).sum()) if ticks and listed else 0,
    )


@dataclass(frozen=True)
class _Fit:
    """truth_from_report as a turn and a shift; ``scale`` of the best similarity."""

    turn: np.ndarray
    shift: np.ndarray
    scale: float

    def moved(self, points) -> np.ndarray:
        return np.asarray(points, float) @ self.turn.T + self.shift


def report_from_truth(truth):
    """The report's frame: origin at the board corner of the lowest card, x right and y down as printed."""
    card = min(truth["cards"], key=lambda c: (FAMILY_ORDER.index(c["name"]), c["index"]))
    top_left, top_right, _, bottom_left = np.asarray(card["outline_mm"], float)[:, :2]
    right, down = (_unit(corner - top_left) for corner in (top_right, bottom_left))
    spec = card["spec"]
    margin = (np.array(spec["size"], float) - np.array(spec["squares"]) * float(spec["square"])) / 2
    return lambda points: (np.asarray(points, float)[:, :2] - top_left) @ np.array([right, down]).T - margin


def _unit(way):
    return way / np.hypot(*way)


def _dense(points, closed, step_mm=STEP_MM):
    points = np.asarray(points, float)[:, :2]
    if closed:
        points = np.vstack([points, points[:1]])
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
    at = np.linspace(0, along[-1], max(2, int(along[-1] / step_mm) + 1))
    return np.c_[np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])]


def _aligned(points, truth):
    """Iterated closest points: the best rigid motion, and the scale of the best similarity (its own iteration)."""
    tree = cKDTree(truth)

    def pairs(turn, shift, scale, reach):
        apart, nearest = tree.query(scale * points @ turn.T + shift)
        near = apart < reach
        return points[near], truth[nearest[near]]

    turn, shift = np.eye(2), np.zeros(2)
    for reach in [8.0] * 8 + [3.0] * 8 + [1.5] * 12:
        turn, shift, _ = rigid_motion(*pairs(turn, shift, 1.0, reach))
    scale, grown_turn, grown_shift = 1.0, turn, shift
    for _ in range(12):
        grown_turn, grown_shift, scale = rigid_motion(*pairs(grown_turn, grown_shift, scale, 1.5), grow=True)
    return _Fit(turn, shift, scale)


def rigid_motion(points, truth, grow=False):
    """Least-squares turn, shift and scale (1 unless ``grow``) taking points to truth; the rotation is scipy's."""
    a, b = points - points.mean(axis=0), truth - truth.mean(axis=0)
    pad = np.zeros((len(points), 1))
    rotation, _ = Rotation.align_vectors(np.hstack([b, pad]), np.hstack([a, pad]))
    turn = rotation.as_matrix()[:2, :2]
    scale = float(((a @ turn.T) * b).sum() / (a**2).sum()) if grow else 1.0
    return turn, truth.mean(axis=0) - scale * turn @ points.mean(axis=0), scale


def _polygon(points):
    repaired = Polygon(points).buffer(0)
    parts = getattr(repaired, "geoms", [repaired])
    return Polygon(max(parts, key=lambda p: p.area).exterior)


def _panels(truth, place):
    return [_polygon(place(p["polygon"])) for p in truth["panels_black"]]


def _overlaps(truth, found):
    return np.array([[a.intersection(b).area / a.union(b).area for b in found] for a in truth]).reshape(len(truth), -1)
