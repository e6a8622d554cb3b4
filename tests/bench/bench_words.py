"""How well shell and table are told apart where the first network is unsure: by it alone, by its word and those of the
colours and the tint it teaches added up pixel by pixel, and by the second network, which is told all of them.

    python tests/bench/bench_words.py FOLDER ... [--views DIR]

FOLDER holds NAME.jpg with NAME.truth.json. Only pixels within 12 mm of the shell count on which the first network's log
odds are within NET_UNSURE of even, and not those the true edge runs through. Told are, scene by scene, the shares of
them that are taken for the wrong side; at the end, over all pixels near the shells, what the second network's log odds
are worth by logistic regression, each scene counting the same.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_edge import flat_view, read_truth, seen_place

from extract.doors import Array, CannotContinue, Mask, PlaneCamera
from extract.ink.shell_view import Image, disc
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_read import colours_word, read_shell

AROUND_MM = 12.0
NET_UNSURE = 3.0
PER_SCENE = 6000


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--views", type=Path)
    told = parser.parse_args()
    print("| scene | table | wrong: first network alone (%) | words added (%) | second network (%) |")
    print("|" + " --- |" * 5)
    samples = []
    for truth_file in sorted(f for folder in told.folders for f in folder.glob("*.truth.json")):
        name, truth = truth_file.name.removesuffix(".truth.json"), read_truth(truth_file)
        flat, camera = flat_view(truth_file.with_name(f"{name}.jpg"), told.views)
        try:
            reading = read_shell(flat)
        except CannotContinue as refusal:
            print(f"| {name} | {truth['scene']['table']} | refused: {refusal} |")
            continue
        added = reading.net.odds + colours_word(reading.models, reading.net.flat) + reading.tint.odds
        shell, near = sides(truth, camera, reading.net)
        use = near & (np.abs(reading.net.odds) < NET_UNSURE)
        shares = [
            100 * float(((odds[use] > 0) != shell[use]).mean()) for odds in (reading.net.odds, added, reading.map.odds)
        ]
        print(f"| {name} | {truth['scene']['table']} | " + " | ".join(f"{share:.1f}" for share in shares) + " |")
        some = np.random.default_rng(0).permutation(np.flatnonzero(near))[:PER_SCENE]
        samples.append((reading.map.odds.ravel()[some], shell.ravel()[some]))
    if samples:
        print("\nLog odds read are worth {:.2f} times what they say, even at {:.2f}.".format(*worth(samples)))
    return 0


def sides(truth: dict[str, Any], camera: PlaneCamera, net: ShellMap) -> tuple[Mask, Mask]:
    """Where shell is (H, W), and which pixels near it the true edge does not run through."""
    flat = net.flat
    edge = seen_place(truth, camera)(truth["silhouette"]["exact_points"])
    cover = np.zeros(flat.valid.shape, np.uint8)
    cv2.fillPoly(cover, [np.round(flat.px_from_mm(edge) * 16).astype(np.int32)], 1, shift=4)
    near = cv2.dilate(cover, disc(AROUND_MM / flat.mm_per_px)) > 0
    small = np.ones((3, 3), np.uint8)
    return cover > 0, near & flat.valid & (cv2.dilate(cover, small) == cv2.erode(cover, small))


def worth(samples: list[tuple[Image, Mask]]) -> tuple[float, float]:
    """The factor that log odds are to be taken by, and where they are even."""

    def loss(line: Array) -> float:
        parts = (line[0] * odds + line[1] for odds, _ in samples)
        return float(np.mean([np.mean(np.logaddexp(0, p) - s * p) for p, (_, s) in zip(parts, samples, strict=True)]))

    slope, start = minimize(loss, np.array([1.0, 0.0])).x
    return float(slope), float(-start / slope)


if __name__ == "__main__":
    sys.exit(main())
