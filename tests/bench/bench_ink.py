"""How well ink is told from other dark lines: by the small network, and by a plain threshold in the same run.

    python tests/bench/bench_ink.py FOLDER ...

FOLDER holds NAME.jpg with NAME.truth.json of our own generator. Every dark line of a scene is asked about, in stretches
of 1.6 mm. The plain way is scikit-image's: Otsu's threshold over how dark the middles of all stretches of a scene are.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from skimage.filters import threshold_otsu

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "training"))

import ink_samples

from extract.ink.ink_net import CELL, COLUMNS, strips_odds

MIDDLE = slice(COLUMNS // 2 - 1, COLUMNS // 2 + 1)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    told = parser.parse_args()
    counts: dict[tuple[str, str], np.ndarray] = defaultdict(lambda: np.zeros(4, int))
    seconds: dict[str, float] = defaultdict(float)
    for photo in sorted(f for folder in told.folders for f in folder.glob("*.jpg")):
        strips = [one for one in ink_samples.read_strips(photo, np.random.default_rng(0)) if not one.bare]
        true = np.concatenate([one.ink for one in strips])
        for way, tell in (("network", by_network), ("plain", by_threshold)):
            begun = time.process_time()
            said = tell([one.shown for one in strips])
            seconds[way] += time.process_time() - begun
            ink, other = said[true == 1], said[true == 0]
            counts[photo.name.split("_")[0], way] += (len(ink), (~ink).sum(), len(other), other.sum())
    print("| level | way | ink (m) | lost (%) | other dark lines (m) | taken for ink (%) |")
    print("| --- | --- | --- | --- | --- | --- |")
    for (level, way), (ink, lost, other, false) in sorted(counts.items()):
        metres = ink_samples.STEP_MM * CELL / 1000
        shares = f"{100 * lost / max(ink, 1):.2f}", f"{100 * false / max(other, 1):.2f}"
        print(f"| {level} | {way} | {ink * metres:.1f} | {shares[0]} | {other * metres:.1f} | {shares[1]} |")
    print("\n" + ", ".join(f"{way}: {spent:.2f} s of processor time in all" for way, spent in seconds.items()))
    return 0


def by_network(shown: list[np.ndarray]) -> np.ndarray:
    return strips_odds(shown) > 0


def by_threshold(shown: list[np.ndarray]) -> np.ndarray:
    dark = np.concatenate([one[:, MIDDLE].mean((1, 2)) for one in shown]).reshape(-1, CELL).mean(1)
    return np.asarray(dark > threshold_otsu(dark))


if __name__ == "__main__":
    sys.exit(main())
