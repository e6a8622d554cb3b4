"""Trains the reader of the beginnings of narrow cuts and writes it as ONNX.

    pip install ".[training]"
    PYTHONPATH=. python training/mouths_net.py scenes --batch 32 --minutes 13 --fastest 2e-3 --out NET.onnx

The scenes are those of training/words_net.py from seed 22000 on. The last three runs went on (`--from`) with

    make() { python -m extract.scene --out scenes "$@"; }
    make --preset hard --seed 26000 --count 60; make --preset hard --seed 26100 --count 40
    make --preset hard --table melamine --seed 26400 --count 20; make --preset hard --table grey --seed 26450 --count 20
    make --preset hard --table tiles --seed 26500 --count 20; make --preset typical --seed 26200 --count 20
    make --preset typical --table melamine --seed 26550 --count 12
    make --preset two-colour --table gingham --seed 26300 --count 16
    make --preset two-colour --table mat --seed 26340 --count 16; make --preset two-colour --seed 26360 --count 16

Of the plainest lines that run inwards from the outline the network is shown the picture laid out along each, from
outside the outline on, and says (a logit) how surely a cut begins there. Over three in ten of those that are none a
line is drawn, mostly in the table's own colour; four in ten of the cuts are painted where a line is none.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import mouths_samples
import numpy as np
from edge_net import Narrowing, asked, run
from mouths_samples import CUT_IN, HALF_CUTS, Line
from torch import Tensor, nn
from torch.utils.data import IterableDataset

TOLD = 8
WIDTHS = (12, 16, 24, 32, 40, 48, 48)
POOLS = ((2, 2), (2, 2), (2, 2), (2, 3), (2, 2), (5, 1))


class Strips(IterableDataset):
    """Endless strips, so many of them along cuts."""

    def __init__(self, lines: list[Line], seed: int) -> None:
        self.kinds = [[line for line in lines if line.cut == cut] for cut in (False, True)]
        self.seed = seed

    def __iter__(self) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        cv2.setNumThreads(1)
        rng = np.random.default_rng(self.seed)
        while True:
            cut, cut_in = rng.random() < HALF_CUTS, rng.random() < CUT_IN
            lines = self.kinds[int(cut and not cut_in)]
            seen = mouths_samples.strip(lines[rng.integers(len(lines))], rng, cut and cut_in)
            yield seen, np.full((1, 1, 1), cut, np.float32)


def losses(said: Tensor, right: Tensor) -> tuple[Tensor, Tensor]:
    entropy = nn.functional.binary_cross_entropy_with_logits(said, right)
    return entropy, entropy


def main() -> None:
    told = asked(__doc__)
    lines = [line for photo in sorted(told.scenes.glob("*.jpg")) for line in mouths_samples.read_lines(photo)]
    run(told, lambda: Narrowing(TOLD, WIDTHS, POOLS, begun=1), Strips(lines, told.seed), losses)


if __name__ == "__main__":
    main()
