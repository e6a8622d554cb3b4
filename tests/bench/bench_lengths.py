"""Whether the ± of areas is true: every panel found in scene photos of known truth, traced without options.

    python tests/bench/bench_lengths.py [FOLDER …]

FOLDER holds NAME.jpg with NAME.truth.json; the default is shared/photos beside the checkout. A panel counts when it
overlaps its true one by 97 %. Perimeters are told for comparison only: a true one follows every wobble of hand and
scissors, ours is smoothed.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from shapely import Polygon

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from against_truth import read_truth, report_from_truth

import extract
from extract.report import report


def rows(truth_file: Path) -> list[tuple[float, float, float, float]]:
    """Area (mm²), its error, its stated 1 σ and the perimeter's error (mm) of every panel found."""
    truth = read_truth(truth_file)
    photo = truth_file.with_name(truth_file.name.replace(".truth.json", ".jpg"))
    found = report(extract.trace([photo], extract.TraceSettings()))["panels"]
    place, told = report_from_truth(truth), []
    for panel in truth["panels_black"]:
        true = Polygon(place(panel["polygon"])).buffer(0)
        for one in found:
            ours = Polygon(one["outline"]).buffer(0)
            if true.area > 2000 and ours.intersection(true).area > 0.97 * ours.union(true).area:
                error = one["area_mm2"] - panel["area_mm2"]
                told.append((true.area, error, one["area_sigma_mm2"], one["perimeter"] - true.exterior.length))
    return told


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    default = Path(__file__).resolve().parents[3] / "shared" / "photos"
    parser.add_argument("folders", nargs="*", type=Path, default=[default])
    print(
        "| photo | panels | area error RMS (%) | stated 1 σ (%) | error / σ, RMS | within 1.96 σ | perimeter RMS (mm) |"
    )
    print("|" + " --- |" * 7)
    every = []
    for truth_file in sorted(f for folder in parser.parse_args().folders for f in folder.glob("*.truth.json")):
        try:
            told = rows(truth_file)
        except extract.CannotContinue as refusal:
            print(f"| {truth_file.name} | refused: {refusal.reason} |")
            continue
        every += told
        if told:
            print(_line(truth_file.name.removesuffix(".truth.json"), told), flush=True)
    print(_line("all", every))
    return 0


def _line(name: str, told: list[tuple[float, float, float, float]]) -> str:
    area, error, sigma, perimeter = np.array(told).T
    off = error / sigma
    cells = (
        f"{100 * np.sqrt(np.mean((error / area) ** 2)):.2f}",
        f"{100 * np.sqrt(np.mean((sigma / area) ** 2)):.2f}",
        f"{np.sqrt(np.mean(off**2)):.2f}",
        f"{100 * np.mean(np.abs(off) < 1.96):.0f} %",
        f"{np.sqrt(np.mean(perimeter**2)):.2f}",
    )
    return f"| {name} | {len(told)} | " + " | ".join(cells) + " |"


if __name__ == "__main__":
    sys.exit(main())
