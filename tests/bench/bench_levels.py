"""How many scenes come out whole: photo to panels with no questions asked, a hundred scenes at each level.

    python tests/bench/bench_levels.py FOLDER [--levels easy typical hard] [--count 100] [--seed 9000] [--present]

Scenes that FOLDER lacks are made by our own generator (``--present``: only those already there are read). What each
gave is kept in FOLDER/NAME.row.json and not read anew; take those away to judge another reading. Told per level: scenes
with the number of panels exactly right, with every panel right (IoU 0.97) and none invented, with none invented, with
no panel wrong but such as the page asks about a place of; recall and precision of strokes within 1 mm over all scenes;
centre lines' RMS (mm, the plane's error included; median of scenes); ticks found. Then the same scenes by their table
and by their narrowest cut.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from against_truth import outcome, read_truth

import extract
from extract.guesses import guesses
from extract.report import report

NARROW_MM = (2.0, 4.0, 6.0, 12.0)
"""Bounds of the widths at the mouth by which scenes are told apart."""

HEAD = (
    *("scenes", "count right", "all right", "none invented", "none wrong unasked"),
    *("recall", "precision", "RMS (mm)", "ticks", "refused"),
)

Row = dict[str, Any]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--levels", nargs="+", default=["easy", "typical", "hard"])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--present", action="store_true")
    told = parser.parse_args()
    rows = []
    for level in told.levels:
        for seed in range(told.seed, told.seed + told.count):
            truth_file = told.folder / f"{level}_{seed:04d}.truth.json"
            if not truth_file.exists() and not told.present:
                make(level, seed, told.folder)
            if truth_file.exists():
                rows.append(kept_row(truth_file, level))
    print(table("level", rows, lambda row: row["level"]))
    print(table("table", rows, lambda row: row["table"]))
    print(table("narrowest cut (mm)", rows, lambda row: width_class(row["narrowest_mm"])))
    return 0


def make(level: str, seed: int, folder: Path) -> None:
    command = [sys.executable, "-m", "extract.scene", "--preset", level, "--seed", str(seed), "--out", str(folder)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def kept_row(truth_file: Path, level: str) -> Row:
    kept = truth_file.with_name(truth_file.name.replace(".truth.json", ".row.json"))
    if not kept.exists():
        kept.write_text(json.dumps(row_of(truth_file, level)))
    row: Row = json.loads(kept.read_text())
    return row


def row_of(truth_file: Path, level: str) -> Row:
    truth = read_truth(truth_file)
    widths = [2 * dart["half_width_mm"] for dart in truth["silhouette"]["darts"]]
    row: Row = {"level": level, "table": truth["scene"]["table"], "narrowest_mm": min(widths, default=np.inf)}
    try:
        tracing = extract.trace(
            [truth_file.with_name(truth_file.name.replace(".truth.json", ".jpg"))], extract.TraceSettings()
        )
    except extract.CannotContinue as refusal:
        return row | {"refused": str(refusal)}
    asked = [guess["points"] for guess in guesses(tracing.silhouette)]
    return row | vars(outcome(truth, report(tracing), asked))


def width_class(width_mm: float) -> str:
    above = [bound for bound in NARROW_MM if width_mm >= bound]
    below = [bound for bound in NARROW_MM if width_mm < bound]
    return f"{max(above, default=0):02.0f} to {min(below):.0f}" if below else f"{above[-1]:.0f} and more"


def table(first: str, rows: list[Row], key: Callable[[Row], str]) -> str:
    lines = [f"| {first} | " + " | ".join(HEAD) + " |", "|" + " --- |" * (len(HEAD) + 1)]
    for name in sorted({key(row) for row in rows}):
        lines.append(f"| {name} | " + " | ".join(_cells([row for row in rows if key(row) == name])) + " |")
    return "\n".join(lines) + "\n"


def _cells(rows: list[Row]) -> Iterable[str]:
    read = [row for row in rows if "refused" not in row]

    def share(right: Callable[[Row], bool]) -> str:
        count = sum(map(right, read))
        return f"{count} ({100 * count / len(rows):.1f} %)"

    def mean(key: str) -> str:
        return f"{np.mean([row[key] for row in read]):.4f}" if read else "–"

    yield str(len(rows))
    yield share(lambda row: row["panels_listed"] == row["panels_true"])
    yield share(lambda row: row["panels_found"] == row["panels_true"] and not row["panels_invented"])
    yield share(lambda row: not row["panels_invented"])
    yield share(lambda row: not row["panels_unasked"])
    yield mean("recall")
    yield mean("precision")
    yield f"{np.median([row['rms_mm'] for row in read]):.3f}" if read else "–"
    yield f"{sum(row['ticks_found'] for row in read)} / {sum(row['ticks_true'] for row in read)}"
    yield str(len(rows) - len(read))


if __name__ == "__main__":
    sys.exit(main())
