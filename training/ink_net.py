"""Trains the reader of ink and writes it as ONNX.

    pip install ".[training]"
    make() { python -m extract.scene --out scenes "$@"; }
    make --preset hard --seed 20000 --count 15; make --preset hard --seed 21000 --count 116
    make --preset curled --seed 20600 --count 6; make --preset easy --seed 20800 --count 8
    for level in easy typical hard; do make --preset $level --seed 9300 --count 40; done
    PYTHONPATH=. python training/ink_net.py scenes --batch 32 --minutes 14 --fastest 3e-3 --out extract/ink/ink_net.onnx

Of every dark line in the scenes, ink or not, the network is shown the picture laid out along it, and says how surely
each 1.6 mm of it are ink. On their bare shell lines are painted that the generator does not know.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import ink_samples
import numpy as np
import torch
from edge_net import Narrowing, asked, run
from ink_samples import Strip
from torch import Tensor, nn
from torch.utils.data import IterableDataset

TOLD = 3
WIDTHS = (16, 24, 32, 40, 48)
POOLS = ((2, 2), (2, 2), (1, 2), (1, 3))

SHARES = (0.35, 0.35, 0.15, 0.15)
"""Of what is no ink, of what is ink but pale, of any line and of bare shell."""

PALE = 0.35
"""Pale is ink of less than this in the mean, ln(tape / ink)."""


class Examples(IterableDataset):
    """Endless examples, among which what is hard to tell comes often."""

    def __init__(self, strips: list[Strip], seed: int) -> None:
        self.strips, self.seed = strips, seed

    def __iter__(self) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        cv2.setNumThreads(1)
        rng = np.random.default_rng(self.seed)
        seen = [one for one in self.strips if not one.bare]
        ink = [one for one in seen if (one.ink == 1).mean() > 0.3]
        kinds = [
            [one for one in seen if (one.ink == 0).mean() > 0.3],
            [one for one in ink if depth(one) < PALE],
            seen,
            [one for one in self.strips if one.bare],
        ]
        while True:
            yield ink_samples.example(kinds, SHARES, rng)


def depth(strip: Strip) -> float:
    """ln(tape / ink) in the middle of a strip."""
    middle = strip.shown[:, ink_samples.COLUMNS // 2 - 1 : ink_samples.COLUMNS // 2 + 1].mean((1, 2))
    return float(np.median(middle.reshape(len(strip.ink), -1)[strip.ink == 1]))


def losses(said: Tensor, ink: Tensor, asked_for: Tensor) -> tuple[Tensor, Tensor]:
    """Cross entropy over the cells that are asked for."""
    each = nn.functional.binary_cross_entropy_with_logits(said, ink, reduction="none")
    entropy = (each * asked_for).sum() / asked_for.sum()
    return entropy, entropy


def read_all(folder: Path, seed: int) -> list[Strip]:
    rng = np.random.default_rng(seed)
    return [strip for photo in sorted(folder.glob("*.jpg")) for strip in ink_samples.read_strips(photo, rng)]


def main() -> None:
    told = asked(__doc__)
    torch.manual_seed(told.seed)
    run(told, lambda: Narrowing(TOLD, WIDTHS, POOLS), Examples(read_all(told.scenes, told.seed), told.seed), losses)


if __name__ == "__main__":
    main()
