"""Trains the reader of the ends of relief cuts and writes it as ONNX.

    pip install ".[training]"
    make() { python -m extract.scene --out scenes "$@"; }
    make --preset hard --table newspaper --seed 20900 --count 24; make --preset hard --seed 20930 --count 40
    make --preset typical --seed 20980 --count 12
    make --preset hard --seed 21000 --count 120; make --preset typical --seed 21200 --count 72
    make --preset hard --seed 22000 --count 120
    make --preset typical --seed 22200 --count 21; make --preset typical --seed 22250 --count 23
    PYTHONPATH=. python training/ends_net.py scenes --batch 32 --minutes 90 --out extract/ink/ends_net.onnx

These scenes are added to those of training/words_net.py; the last three runs went on (`--from`) with the last 240 of
training/mouths_net.py. The network is a small U-shaped one over six scales of a strip along the cut; a third of the
cuts are painted on bare shell, with tables, shade and scissors that the generator does not know, across half a pen's
line is painted, and three strips of ten lie along what is no cut. For each place of the strip it says (a logit) how far
a cut looks like ending there.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import ends_samples
import numpy as np
import torch
from edge_net import Step, asked, run
from ends_samples import Cut
from torch import Tensor, nn
from torch.utils.data import IterableDataset

TOLD = 5
WIDTHS = (12, 16, 24, 32, 40, 40)
POOLS = ((2, 2), (2, 2), (2, 2), (2, 2), (2, 1))
DECOYS = 0.3
"""Share of strips along what is no cut."""


class EndsNet(nn.Module):
    """(N, TOLD, ROWS, COLUMNS) strips to (N, 1, ROWS / 2, COLUMNS / 2) logits."""

    def __init__(self) -> None:
        super().__init__()
        self.channels, self.parts, self.pools = (TOLD, 1), 1, POOLS
        a, b, c, d, e, f = WIDTHS
        pairs = zip((TOLD, *WIDTHS[:-1]), WIDTHS, strict=True)
        self.down = nn.ModuleList(nn.Sequential(Step(one, two), Step(two, two)) for one, two in pairs)
        self.down[0] = nn.Sequential(Step(TOLD, a))
        self.up = nn.ModuleList(nn.Sequential(Step(one + two, two)) for one, two in ((f, e), (e, d), (d, c), (c, b)))
        self.last = nn.Conv2d(b, 1, 3, padding=1)

    def forward(self, x: Tensor) -> Tensor:
        kept = []
        for level, steps in enumerate(self.down):
            x = steps(nn.functional.max_pool2d(x, POOLS[level - 1]) if level else x)
            kept.append(x)
        for level, steps in enumerate(self.up):
            x = nn.functional.interpolate(x, scale_factor=tuple(map(float, POOLS[-1 - level])), mode="nearest")
            x = steps(torch.cat([x, kept[-2 - level]], dim=1))
        return self.last(x)


class Strips(IterableDataset):
    """Endless strips along the cuts, and so many along decoys."""

    def __init__(self, cuts: list[Cut], seed: int) -> None:
        self.kinds = [[cut for cut in cuts if cut.decoy == decoy] for decoy in (False, True)]
        self.seed = seed

    def __iter__(self) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        cv2.setNumThreads(1)
        rng = np.random.default_rng(self.seed)
        while True:
            kind = self.kinds[int(rng.random() < DECOYS)]
            yield ends_samples.strip(kind[rng.integers(len(kind))], rng)


def losses(said: Tensor, right: Tensor) -> tuple[Tensor, Tensor]:
    """Cross entropy of where a cut ends: in which cell of a strip, or, with a logit of 0, that none does."""
    right = right.flatten(1)
    right = torch.cat([right, 1 - right.sum(1, keepdim=True)], dim=1)
    said = torch.cat([said.flatten(1), torch.zeros(len(said), 1)], dim=1)
    entropy = -(right * torch.log_softmax(said, dim=1)).sum(1).mean()
    return entropy, entropy


def main() -> None:
    told = asked(__doc__)
    cuts = [cut for photo in sorted(told.scenes.glob("*.jpg")) for cut in ends_samples.read_cuts(photo)]
    run(told, EndsNet, Strips(cuts, told.seed), losses)


if __name__ == "__main__":
    main()
