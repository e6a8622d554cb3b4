"""How true the shell's outline is, and whether it is honest where it is not: flat view to rings, nothing else.

    python tests/bench/bench_edge.py [FOLDER ...] [--views DIR]

FOLDER holds NAME.jpg with NAME.truth.json; the default is shared/photos beside the checkout. Flat views are kept in
``--views`` and read from there the next time. The true edge is laid into the flat view by way of the photo (true
camera to pixels, solved camera to mm), so that what the plane got wrong is left out. Told are: overlap (IoU); RMS of
the ring's points within 1 mm of the true edge (mm), and the same over the stated 1 σ; share of the true edge missed and
of the ring gone astray by more than 1 mm (%), how much of the latter was not marked unsure; relief cuts followed to
within 2 mm of their tip, of all; share marked unsure (%); seconds.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.spatial import cKDTree
from shapely import Polygon
from shapely.ops import unary_union

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from against_truth import read_truth

from extract.camera.flatten import flatten
from extract.camera.project import mm_from_px
from extract.camera.solve import solve
from extract.cards.find import find_cards
from extract.doors import Array, CannotContinue, FlatView, PlaneCamera, Silhouette
from extract.ink.silhouette import find_silhouette
from extract.ink.silhouette_ring import resample
from extract.photo import read_photo

STEP_MM = 0.2
ASTRAY_MM = 1.0
TIP_MM = 2.0


@dataclass(frozen=True)
class Score:
    """Figures of one scene; ``cuts`` is (followed, all)."""

    iou: float
    rms_mm: float
    rms_in_sigmas: float
    missed_percent: float
    astray_percent: float
    astray_sure_percent: float
    cuts: tuple[int, int]
    unsure_percent: float


def score(truth: dict[str, Any], found: Silhouette, camera: PlaneCamera) -> Score:
    place = seen_place(truth, camera)
    edge = resample(place(truth["silhouette"]["exact_points"]), STEP_MM)
    rings, points, unsure = found.rings_mm, np.vstack(found.rings_mm), np.hstack(found.unsure)
    apart = cKDTree(edge).query(points)[0]
    back = cKDTree(np.vstack([resample(ring, STEP_MM) for ring in rings])).query(edge)[0]
    shape, exact = unary_union([Polygon(ring).buffer(0) for ring in rings]), Polygon(edge).buffer(0)
    near, astray = apart < ASTRAY_MM, apart >= ASTRAY_MM
    tips = [tip_error(points, dart, place) for dart in truth["silhouette"]["darts"]]
    return Score(
        iou=shape.intersection(exact).area / shape.union(exact).area,
        rms_mm=float(np.sqrt((apart[near] ** 2).mean())),
        rms_in_sigmas=float(np.sqrt(((apart / found.sigma_mm)[near & ~unsure] ** 2).mean())),
        missed_percent=100 * float((back >= ASTRAY_MM).mean()),
        astray_percent=100 * float(astray.mean()),
        astray_sure_percent=100 * float((astray & ~unsure).mean()),
        cuts=(sum(abs(error) < TIP_MM for error in tips), len(tips)),
        unsure_percent=100 * float(unsure.mean()),
    )


def tip_error(points: Array, dart: dict[str, Any], place: Any) -> float:
    """How much deeper (mm) the ring runs into a relief cut than the cut itself does."""
    mouth, apex = place([dart["mouth_mid"]])[0], place([dart["apex"]])[0]
    depth = float(np.hypot(*(apex - mouth)))
    way = (apex - mouth) / depth
    along, across = (points - mouth) @ way, (points - mouth) @ np.array([-way[1], way[0]])
    beside = (np.abs(across) < 2.5 + np.maximum(0, dart["half_width_mm"] * (1 - along / depth))) & (along < depth + 15)
    return float(along[beside].max(initial=0.0)) - depth


def seen_place(truth: dict[str, Any], camera: PlaneCamera) -> Any:
    """Where points of the shell, given by their plan view, are seen in the flat view."""
    told, heights = truth["camera"], np.array(truth["silhouette"]["z"])
    tree = cKDTree(np.array(truth["silhouette"]["points"]))

    def place(points: Any) -> Array:
        flat = np.asarray(points, float)[:, :2]
        solid = np.column_stack([flat, heights[tree.query(flat)[1]]])
        turn, shift = cv2.Rodrigues(np.array(told["R_world_to_cam"]))[0], np.array(told["t_world_to_cam_mm"])
        lens = np.array(told["dist_k1_k2_p1_p2_k3"], float)
        pixels, _ = cv2.projectPoints(solid, turn, shift, np.array(told["K"]), lens)
        return mm_from_px(camera, np.asarray(pixels, float).reshape(-1, 2))

    return place


def flat_view(photo_file: Path, views: Path | None) -> tuple[FlatView, PlaneCamera]:
    kept = views / f"{photo_file.stem}.pkl" if views else None
    if kept and kept.exists():
        return pickle.loads(kept.read_bytes())
    photo = read_photo(photo_file)
    (camera,), _ = solve([find_cards(photo)[0]], [photo])
    seen = flatten(photo, camera), camera
    if kept:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(seen))
    return seen


HEAD = (
    "| photo | table | IoU | RMS (mm) | RMS / σ | missed % | astray % | astray, not told % | cuts followed "
    "| unsure % | seconds |"
)


def row(name: str, truth: dict[str, Any], result: Score, seconds: float) -> str:
    cells = (
        f"{result.iou:.4f}",
        f"{result.rms_mm:.3f}",
        f"{result.rms_in_sigmas:.2f}",
        f"{result.missed_percent:.1f}",
        f"{result.astray_percent:.1f}",
        f"{result.astray_sure_percent:.1f}",
        f"{result.cuts[0]} / {result.cuts[1]}",
        f"{result.unsure_percent:.1f}",
        f"{seconds:.2f}",
    )
    return f"| {name} | {truth['scene']['table']} | " + " | ".join(cells) + " |"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    default = Path(__file__).resolve().parents[3] / "shared" / "photos"
    parser.add_argument("folders", nargs="*", type=Path, default=[default])
    parser.add_argument("--views", type=Path)
    parser.add_argument("--only", default="", help="scenes whose name holds this")
    told = parser.parse_args()
    cv2.setNumThreads(1)
    print(HEAD + "\n|" + " --- |" * HEAD.count(" | ") + " --- |")
    scores, times = [], []
    for truth_file in sorted(f for folder in told.folders for f in folder.glob("*.truth.json") if told.only in f.name):
        name, truth = truth_file.name.removesuffix(".truth.json"), read_truth(truth_file)
        flat, camera = flat_view(truth_file.with_name(f"{name}.jpg"), told.views)
        begun = time.perf_counter()
        try:
            found = find_silhouette(flat)
        except CannotContinue as refusal:
            print(f"| {name} | {truth['scene']['table']} | refused: {refusal} |", flush=True)
            continue
        times.append(time.perf_counter() - begun)
        scores.append(score(truth, found, camera))
        print(row(name, truth, scores[-1], times[-1]), flush=True)
    if scores:
        followed, cuts = np.sum([s.cuts for s in scores], axis=0)
        print(
            f"\n{len(scores)} outlines: median IoU {np.median([s.iou for s in scores]):.4f}, RMS "
            f"{np.median([s.rms_mm for s in scores]):.3f} mm, {sum(s.astray_sure_percent < 0.5 for s in scores)} with "
            f"under 0.5 % astray and not told, {followed} of {cuts} cuts followed, {np.median(times):.2f} s."
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
