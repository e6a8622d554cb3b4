"""How well the ends of relief cuts are found: by the small network, and by a plain pipeline in the same run.

    python tests/bench/bench_ends.py FOLDER ... [--views DIR]

FOLDER holds NAME.jpg with NAME.truth.json. Either is told, from the truth, where a cut is open some way before its
end, and which way it points there. The plain pipeline is scikit-image's: the ridges of the same strip (Sato et al.
1998), Otsu's threshold, and of the connected part of it that the open cut belongs to the far end.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from skimage.filters import sato, threshold_otsu
from skimage.measure import label

sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_edge import flat_view, read_truth, seen_place

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image, card_white
from extract.ink.silhouette_ends import ACROSS_MM, OPEN_ROW, cut_end, places

SHORT_MM = (2.0, 8.0, 25.0)
BACK_MM = 8.0
"""Which way a cut points is told by so much of it before the place it is open down to."""

RIDGES_MM = (0.2, 0.4, 0.8)
WITHIN_MM = (1.0, 2.0, 5.0)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--views", type=Path)
    told = parser.parse_args()
    off: dict[tuple[str, float, str], list[float]] = defaultdict(list)
    seconds: dict[str, list[float]] = defaultdict(list)
    for truth_file in sorted(f for folder in told.folders for f in folder.glob("*.truth.json")):
        name, truth = truth_file.name.removesuffix(".truth.json"), read_truth(truth_file)
        flat, camera = flat_view(truth_file.with_name(f"{name}.jpg"), told.views)
        white = card_white(flat)
        place = seen_place(truth, camera)
        for middle in middles(truth, place):
            for short_mm in SHORT_MM:
                at, axis = open_at(middle, short_mm)
                for way, end in (("network", network_end), ("plain", plain_end)):
                    begun = time.process_time()
                    found = end(flat, white, at, axis)
                    seconds[way].append(time.process_time() - begun)
                    off[name.split("_")[0], short_mm, way].append(float(np.hypot(*(found - middle[0]))))
    print("| level | open to (mm before the end) | cuts | way | " + " | ".join(
        f"within {most:.0f} mm (%)" for most in WITHIN_MM) + " | median (mm) |")  # fmt: skip
    print("|" + " --- |" * (5 + len(WITHIN_MM)))
    for (level, short_mm, way), apart in sorted(off.items()):
        shares = " | ".join(f"{100 * np.mean(np.array(apart) < most):.1f}" for most in WITHIN_MM)
        print(f"| {level} | {short_mm:.0f} | {len(apart)} | {way} | {shares} | {np.median(apart):.2f} |")
    for way, each in seconds.items():
        print(f"\n{way}: {1000 * np.mean(each):.0f} ms of processor time a cut")
    return 0


def middles(truth: dict[str, Any], place: Any) -> list[Array]:
    """Of each cut its middle line (N, 2) in mm, from the tip outwards."""
    exact = np.array(truth["silhouette"]["exact_points"])
    ring = place(exact)
    found = []
    for dart in truth["silhouette"]["darts"]:
        apex = int(np.hypot(*(exact - dart["apex"]).T).argmin())
        away = np.arange(len(ring) // 2)
        middle = (ring[(apex - away) % len(ring)] + ring[(apex + away) % len(ring)]) / 2
        # at the mouth the sides part, and past it what lies halfway between them comes back
        ended = np.diff(np.hypot(*(middle - middle[0]).T), append=0) <= 0
        found.append(middle[: int(ended.argmax()) + 1])
    return found


def open_at(middle: Array, short_mm: float) -> tuple[Array, Array]:
    """Where a cut is so far before its end, and the way it points there."""
    depth = np.hypot(*(middle - middle[0]).T)
    at, back = (np.array([np.interp(mm, depth, middle[:, i]) for i in (0, 1)]) for mm in (short_mm, short_mm + BACK_MM))
    return at, (at - back) / np.hypot(*(at - back))


def network_end(flat: FlatView, white: Image, open_at: Array, axis: Array) -> Array:
    """The end as read, or, where that looks like no cut's, the place it was open down to."""
    end = cut_end(flat, white, open_at - BACK_MM * axis, BACK_MM, axis)
    return open_at if end is None else end


def plain_end(flat: FlatView, white: Image, open_at: Array, axis: Array) -> Array:
    """The far end (2,) of the ridge that goes on from the open cut."""
    side = np.array([-axis[1], axis[0]])
    along, across = places()
    points = open_at + along[:, None, None] * axis + across[:, None] * side
    seen = cv2.remap(flat.pixels, flat.px_from_mm(points).astype(np.float32), None, cv2.INTER_LINEAR)
    grey = (seen / white).mean(-1)
    sigmas = [mm / ACROSS_MM for mm in RIDGES_MM]
    height = np.maximum(sato(grey, sigmas, black_ridges=True), sato(grey, sigmas, black_ridges=False))
    part = label(height > threshold_otsu(height))
    middle = part.shape[1] // 2
    begun = np.unique(part[OPEN_ROW - 4 : OPEN_ROW + 1, middle - 3 : middle + 3])
    rows, columns = np.nonzero(np.isin(part, begun[begun > 0]))
    if not len(rows):
        return open_at
    far = int(rows.argmax())
    return np.asarray(open_at + along[rows[far]] * axis + across[columns[far]] * side, float)


if __name__ == "__main__":
    sys.exit(main())
