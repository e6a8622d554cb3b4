"""How well beginnings of narrow cuts are told from other lines at the edge of a shell: by the small network, and by a
plain pipeline in the same run.

    python tests/bench/bench_mouths.py FOLDER ...

FOLDER holds NAME.jpg with NAME.truth.json. Both are asked about the very same lines: those that are plainest on the
picture unrolled along the outline, of which the truth tells what they are, and each narrow cut once more as the truth
lays it. The plain pipeline goes by scikit-image's ridges alone (Sato et al. 1998), the mean height of the ridge along
the first two centimetres; surely told by it is a cut that is plainer than every other line, which it has to be told.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from skimage.filters import sato

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "training"))

from mouths_samples import Line, read_lines, strip_at

from extract.ink.silhouette_mouths import ACROSS_MM, as_told, likely, places_mm
from extract.ink.silhouette_slits import SURE_MOUTH

RIDGES_MM = (0.2, 0.4, 0.8)
MIDDLE_MM, DEEP_MM = 0.6, (2.0, 20.0)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    told = parser.parse_args()
    lines: dict[str, list[Line]] = defaultdict(list)
    for photo in sorted(photo for folder in told.folders for photo in folder.glob("*.jpg")):
        lines[photo.stem.split("_")[0]] += read_lines(photo)
    print("| level | lines | cuts among them | way | ranked right of a cut and another line (%) | cuts told surely | "
          "others told to be cuts | ms a line |")  # fmt: skip
    print("|" + " --- |" * 8)
    for level, of in sorted(lines.items()):
        cut = np.array([line.cut for line in of])
        strips = [strip_at(line) for line in of]
        for way, asked in (("network", network_says), ("plain", plain_says)):
            begun = time.process_time()
            said = np.array([asked(strip) for strip in strips])
            each_ms = 1000 * (time.process_time() - begun) / len(of)
            ranked = 100 * np.mean(said[cut][:, None] > said[~cut])
            sure = said > (SURE_MOUTH if way == "network" else np.max(said[~cut]))
            print(f"| {level} | {len(of)} | {cut.sum()} | {way} | {ranked:.2f} | {sure[cut].sum()} | "
                  f"{sure[~cut].sum()} | {each_ms:.1f} |")  # fmt: skip
    return 0


def network_says(strip: np.ndarray) -> float:
    return float(likely([as_told(strip)])[0])


def plain_says(strip: np.ndarray) -> float:
    along, across = places_mm()
    sigmas = [mm / ACROSS_MM for mm in RIDGES_MM]
    height = np.maximum(*(sato(strip.mean(-1), sigmas, black_ridges=dark) for dark in (True, False)))
    inner = (along > DEEP_MM[0]) & (along < DEEP_MM[1])
    return float(height[inner][:, np.abs(across) < MIDDLE_MM].max(axis=1).mean())


if __name__ == "__main__":
    sys.exit(main())
