"""Prints the accuracy table of DEVELOPERS.md: every scene photo with exact truth, traced without options.

    python tests/bench/accuracy.py [FOLDER …]

FOLDER holds NAME.jpg with NAME.truth.json; the default is shared/photos beside the checkout. With --keep DIR the output
files of each photo are written there. Scenes of our own: python -m extract.scene --preset typical --count 20 --out DIR.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from against_truth import Outcome, outcome, read_truth

import extract
from extract.report import report

HEAD = (
    "| photo | cards | panels found / true | invented | least IoU | centre line RMS, 95 % (mm) | cut edge RMS (mm) "
    "| scale error (%) | stated 1 σ (mm) | seconds |"
)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    default = Path(__file__).resolve().parents[3] / "shared" / "photos"
    parser.add_argument("folders", nargs="*", type=Path, default=[default])
    parser.add_argument("--keep", type=Path)
    told = parser.parse_args()
    print(HEAD)
    print("|" + " --- |" * HEAD.count(" | "), end="")
    print(" --- |")
    right = total = 0
    for truth_file in sorted(f for folder in told.folders for f in folder.glob("*.truth.json")):
        name = truth_file.name.removesuffix(".truth.json")
        total += 1
        try:
            tracing = extract.trace([truth_file.with_name(f"{name}.jpg")], extract.TraceSettings())
        except extract.CannotContinue as refusal:
            print(f"| {name} | refused: {refusal} |", flush=True)
            continue
        found = outcome(read_truth(truth_file), report(tracing))
        right += found.panels_found == found.panels_true and found.panels_invented == 0
        print(_row(name, tracing, found), flush=True)
        if told.keep:
            extract.write_outputs(tracing, told.keep / name)
    print(f"\n{right} of {total} photos with every panel right.")
    return 0


def _row(name: str, tracing: extract.Tracing, found: Outcome) -> str:
    cells = (
        name,
        str(len(tracing.cameras[0].cards)),
        f"{found.panels_found} / {found.panels_true}",
        str(found.panels_invented),
        f"{found.iou_min:.4f}",
        f"{found.rms_mm:.2f}, {found.p95_mm:.2f}",
        f"{found.cut_rms_mm:.2f}",
        f"{found.scale_percent:+.3f}",
        f"{tracing.sigma_mm[0]:.2f}",
        f"{tracing.timing_s['total']:.1f}",
    )
    return "| " + " | ".join(cells) + " |"


if __name__ == "__main__":
    sys.exit(main())
