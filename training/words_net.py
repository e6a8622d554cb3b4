"""Trains the second reader of the shell's edge, which is told what the first one and the words it teaches say, and
writes it as ONNX.

    pip install ".[training]"
    make() { python -m extract.scene --out scenes "$@"; }
    make --preset hard --seed 20000 --count 70; make --preset typical --seed 20400 --count 30
    make --preset hard --table melamine --seed 20100 --count 20
    make --preset hard --table grey --seed 20200 --count 20; make --preset hard --table tiles --seed 20300 --count 16
    make --preset hard --table newspaper --seed 20350 --count 8
    make --preset typical --table melamine --seed 20450 --count 12
    make --preset typical --table grey --seed 20480 --count 8; make --preset two-colour --seed 20500 --count 14
    make --preset two-colour --table mat --seed 20520 --count 18; make --preset curled --seed 20600 --count 6
    make --preset multi-card --seed 20700 --count 4; make --preset easy --seed 20800 --count 8
    for level in easy typical hard; do make --preset $level --seed 9300 --count 40; done
    make --preset hard --table tiles --seed 23000 --count 40; make --preset hard --table grey --seed 23100 --count 40
    make --preset hard --table melamine --seed 23300 --count 24
    make --preset hard --table gingham --seed 23400 --count 24
    make --preset typical --table tiles --seed 23200 --count 24
    make --preset typical --table melamine --seed 23450 --count 24
    make --preset typical --table planks --seed 23500 --count 12
    make --preset typical --table kraft --seed 23550 --count 12
    make --preset two-colour --table gingham --seed 25000 --count 24
    make --preset two-colour --table mat --seed 25100 --count 24; make --preset two-colour --seed 25200 --count 48
    PYTHONPATH=. python training/words_net.py scenes --minutes 40 --from extract/ink/edge_net.onnx \\
        --out extract/ink/words_net.onnx

It is of the first one's build and starts from its weights. Its scenes are none of those the first one was trained with,
so that it learns how far a word is to be believed. The last run took the scenes from 23000 on, and those from 22000 on
of training/ends_net.py, and went on from the weights before (`--keep 0.1`).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import words_samples
from edge_net import PATCHES, SIDE, WAITING, EdgeNet, asked, blocks, importance, run
from edge_samples import narrow_gaps
from torch.utils.data import IterableDataset

TOLD, FIRST = 15, 32
"""Channels of a pixel, and what the first layer makes of four pixels'."""

MOSTLY, WRONG = 0.6, 3
"""So much of a pixel is the other side where the first network has it wrong; such pixels count for so much more."""

Patch = tuple[np.ndarray, np.ndarray, np.ndarray]


class Patches(IterableDataset):
    """Endless patches of told scenes (H, W, 16): a third about a cut, a third about what the first network has wrong,
    the rest about the edge and anywhere."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.seed = folder, seed

    def __iter__(self) -> Iterator[Patch]:
        cv2.setNumThreads(1)
        rng = np.random.default_rng(self.seed)
        scenes = [np.load(file, mmap_mode="r") for file in sorted(self.folder.glob("*.npy"))]
        places = [centres(scene) for scene in scenes]
        waiting: list[Patch] = []
        while True:
            one = int(rng.integers(len(scenes)))
            kinds = [kind for kind in places[one] if len(kind)]
            for _ in range(PATCHES):
                kind = kinds[rng.integers(len(kinds))]
                seen, shell = words_samples.patch(scenes[one], kind[rng.integers(len(kind))], SIDE, rng)
                weight = importance(shell) + WRONG * astray(seen[..., words_samples.WORDS][..., 0], shell)
                waiting.append((blocks(seen), blocks(shell[..., None]), blocks(weight[..., None])))
            while len(waiting) > WAITING:
                yield waiting.pop(rng.integers(len(waiting)))


def centres(scene: np.ndarray) -> list[np.ndarray]:
    """Where (N, 2) to look: narrow cuts, what the first network has wrong, the edge, anywhere."""
    share = scene[..., words_samples.SHARE].astype(np.float32) / 255
    hard = (share > 0.5).astype(np.uint8)
    wrong = astray(scene[..., words_samples.WORDS][..., 0].astype(np.float32) - 128, share)
    edge = cv2.morphologyEx(hard, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    anywhere = np.ones_like(hard)
    return [np.argwhere(mask)[::3, ::-1].astype(float) for mask in (narrow_gaps(hard), wrong, edge, anywhere)]


def astray(odds: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Where log odds take for one side what is mostly the other."""
    return np.abs((odds > 0) - share) > MOSTLY


def main() -> None:
    told = asked(__doc__)
    kept = told.scenes / "told"
    words_samples.keep(told.scenes, kept)
    run(told, lambda: EdgeNet(TOLD, FIRST), Patches(kept, told.seed))


if __name__ == "__main__":
    main()
