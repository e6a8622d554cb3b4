"""How well the words on shell and table are added where the network is unsure, and how they would best be.

    python tests/bench/bench_words.py FOLDER ... [--views DIR]

FOLDER holds NAME.jpg with NAME.truth.json. Only pixels within 12 mm of the shell count on which the network's log odds
are within NET_UNSURE of even, and not those the true edge runs through. Told are, scene by scene: the
share of the shell over which the colours contradict the network (1/1000), and the shares of those pixels that are taken
for the wrong side by the network alone, by all words added pixel by pixel, and by the reading; at the end the weights
of a logistic regression over all scenes whose colours are not believed pixel by pixel, each counting the same.
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
from extract.ink.shell_view import disc
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_pieces import largest
from extract.ink.silhouette_read import BELIEVED, SOFT_MM, colours_word, contradiction, pixel_by_pixel, read_shell

AROUND_MM = 12.0
NET_UNSURE = 3.0
PER_SCENE = 6000
PENALTY = 1e-3


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--views", type=Path)
    told = parser.parse_args()
    print("| scene | table | contradicted (1/1000) | wrong: network alone (%) | pixel by pixel (%) | read (%) |")
    print("|" + " --- |" * 6)
    samples = []
    for truth_file in sorted(f for folder in told.folders for f in folder.glob("*.truth.json")):
        name, truth = truth_file.name.removesuffix(".truth.json"), read_truth(truth_file)
        flat, camera = flat_view(truth_file.with_name(f"{name}.jpg"), told.views)
        try:
            reading = read_shell(flat)
        except CannotContinue as refusal:
            print(f"| {name} | {truth['scene']['table']} | refused: {refusal} |")
            continue
        said = colours_word(reading.models, reading.net.flat)
        added = pixel_by_pixel(reading.net.odds, said, reading.tint.odds)
        against = contradiction(reading.net, added, largest(reading.net.odds > 0))
        shell, use = unsure(truth, camera, reading.net)
        maps = reading.net.odds, added, reading.map.odds
        shares = [100 * float(((odds[use] > 0) != shell).mean()) for odds in maps]
        cells = (name, truth["scene"]["table"], f"{1000 * against:.2f}", *(f"{share:.1f}" for share in shares))
        print("| " + " | ".join(cells) + " |")
        if against > BELIEVED:
            soft = cv2.GaussianBlur(said, (0, 0), SOFT_MM / reading.net.flat.mm_per_px)
            layers = (np.ones_like(said), reading.net.odds, soft, reading.tint.odds)
            words = np.stack([layer[use] for layer in layers], axis=1).astype(float)
            some = np.random.default_rng(0).permutation(len(shell))[:PER_SCENE]
            samples.append((words[some], shell[some]))
    if samples:
        weights = fitted(samples)
        print("\nEven at {:.2f}; network {:.2f}, colours averaged {:.2f}, tint {:.2f}.".format(*weights))
    return 0


def unsure(truth: dict[str, Any], camera: PlaneCamera, net: ShellMap) -> tuple[Mask, Mask]:
    """Whether each unsure pixel (N,) is shell, and where these pixels are (H, W)."""
    flat = net.flat
    edge = seen_place(truth, camera)(truth["silhouette"]["exact_points"])
    cover = np.zeros(flat.valid.shape, np.uint8)
    cv2.fillPoly(cover, [np.round(flat.px_from_mm(edge) * 16).astype(np.int32)], 1, shift=4)
    near = cv2.dilate(cover, disc(AROUND_MM / flat.mm_per_px)) > 0
    small = np.ones((3, 3), np.uint8)
    use = near & flat.valid & (cv2.dilate(cover, small) == cv2.erode(cover, small)) & (np.abs(net.odds) < NET_UNSURE)
    return cover[use] > 0, use


def fitted(samples: list[tuple[Array, Array]]) -> Array:
    """Weights of the logistic regression, each scene counting the same."""

    def loss(weights: Array) -> float:
        parts = []
        for words, shell in samples:
            odds = words @ weights
            parts.append(float(np.mean(np.logaddexp(0, odds) - shell * odds)))
        return float(np.mean(parts) + PENALTY * weights @ weights)

    return np.asarray(minimize(loss, np.zeros(samples[0][0].shape[1])).x, float)


if __name__ == "__main__":
    sys.exit(main())
