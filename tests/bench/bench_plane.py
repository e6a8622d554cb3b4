"""How true the plane is on photos with exact truth, beside what a bare homography gives on the same corners.

    python tests/bench/bench_plane.py FOLDER_OF_SCENES

Each scene is NAME.jpg with NAME.truth.json. Errors are RMS distances over the points of the drawn lines after the
best rigid motion, in mm; scale is the best similarity's. Baselines: ``cv2.findHomography`` on the four outer corners of
the lowest-numbered card, and on all its corners.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from extract.camera.flatten import flatten
from extract.camera.project import mm_from_px
from extract.camera.solve import solve
from extract.camera.uncertainty import shape_sd_mm
from extract.cards.find import find_cards
from extract.doors import Array, CardSighting
from extract.photo import read_photo


def line_points(truth: dict) -> tuple[Array, Array]:
    """Plan view (N, 2) mm, y down, and pixels (N, 2) of all drawn lines."""
    rows = [
        np.column_stack([line["points"], np.broadcast_to(line["z"], len(line["points"]))]) for line in truth["lines"]
    ]
    points, camera = np.vstack(rows), truth["camera"]
    pixels, _ = cv2.projectPoints(
        points,
        cv2.Rodrigues(np.array(camera["R_world_to_cam"]))[0],
        np.array(camera["t_world_to_cam_mm"]),
        np.array(camera["K"]),
        np.array(camera["dist_k1_k2_p1_p2_k3"], float),
    )
    return points[:, :2] * (1, -1), np.asarray(pixels, float).reshape(-1, 2)


def errors(found: Array, truth: Array) -> tuple[float, float]:
    """RMS mm after the best rigid motion, and the scale error in per cent."""
    a, b = found - found.mean(axis=0), truth - truth.mean(axis=0)
    u, strength, vt = np.linalg.svd(a.T @ b)
    sign = np.array([1, np.sign(np.linalg.det(u @ vt))])
    left = a @ (u * sign) @ vt - b
    scale = (a**2).sum() / (strength * sign).sum() - 1
    return float(np.sqrt((left**2).sum(axis=1).mean())), float(100 * scale)


def homography(card: CardSighting, pixels: Array, corners: str) -> Array:
    pick = np.arange(len(card.corners_mm))
    if corners == "outer":
        low, high = card.corners_mm.min(axis=0), card.corners_mm.max(axis=0)
        outer = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
        pick = np.array([np.linalg.norm(card.corners_mm - corner, axis=1).argmin() for corner in outer])
    mm_from_photo, _ = cv2.findHomography(card.corners_px[pick], card.corners_mm[pick])
    return np.asarray(cv2.perspectiveTransform(pixels[None], mm_from_photo)[0])


def run(photo_path: Path) -> tuple[float, ...]:
    truth = json.loads(photo_path.with_suffix("").with_suffix(".truth.json").read_text())
    clock = [time.perf_counter()]
    photo = read_photo(photo_path)
    clock.append(time.perf_counter())
    sightings, _ = find_cards(photo)
    clock.append(time.perf_counter())
    (camera,), _ = solve([sightings], [photo])
    clock.append(time.perf_counter())
    flatten(photo, camera)
    clock.append(time.perf_counter())
    plan, pixels = line_points(truth)
    found = mm_from_px(camera, pixels)
    ours = errors(found, plan)
    plain = [errors(homography(sightings[0], pixels, which), plan)[0] for which in ("outer", "all")]
    foretold = shape_sd_mm(replace(camera, bias=(0.0, 0.0)), found)
    return (len(sightings), *ours, foretold, shape_sd_mm(camera, found), *plain, *np.diff(clock))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    columns = (
        "cards",
        "rms",
        "scale %",
        "± lens",
        "± all",
        "H outer",
        "H all",
        "read s",
        "find s",
        "solve s",
        "flat s",
    )
    print(f"{'scene':20}" + "".join(f"{name:>9}" for name in columns))
    for path in sorted(parser.parse_args().folder.glob("*.jpg")):
        if path.with_suffix(".truth.json").exists():
            print(f"{path.stem:20}" + "".join(f"{value:9.3f}" for value in run(path)))


if __name__ == "__main__":
    main()
