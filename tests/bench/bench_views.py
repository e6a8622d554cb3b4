"""What a second photo from another side is worth: curled shells traced from one photo, from the other, and from both.

    python tests/bench/bench_views.py [--preset curled] [--seed 910] [--count 4] [--keep DIR]

The tables are invented (extract.scene), their heights known. Centre lines and cut edges are compared after the best
rigid motion, as in accuracy.py. Height: RMS error over the shell, the error's median, and how often the truth lies
within two of the stated σ.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from scipy.ndimage import map_coordinates

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from against_truth import outcome, read_truth, report_from_truth

import extract
from extract.doors import Relief, Tracing
from extract.geometry.relief import height_at, sd_at
from extract.report import report
from extract.scene import make_views, write_scene

HEAD = (
    "| photos | panels found / true | invented | centre line RMS, 95 % (mm) | cut edge RMS (mm) | height RMS, median "
    "error (mm) | within 2 σ | seconds |"
)


def true_heights(truth: dict[str, Any], places_mm: np.ndarray) -> np.ndarray:
    """Height above the cards' print at places in the plane frame."""
    place, told = report_from_truth(truth), truth["sheet"]["height_grid"]
    origin, right, up = place(np.array([[0, 0], [1, 0], [0, 1]], float))
    world = (places_mm - origin) @ np.linalg.inv(np.array([right - origin, up - origin]))
    column, row = ((world - (told["x0"], told["y0"])) / told["step"]).T
    rise = map_coordinates(np.array(told["values_row_y_col_x"]), [row, column], order=1, mode="nearest")
    return truth["sheet"]["rest_z_mm"] - truth["cards"][0]["z_mm"] + rise


def height_cells(truth: dict[str, Any], tracing: Tracing) -> tuple[str, str]:
    relief = tracing.relief
    shell = shapely.union_all([shapely.Polygon(ring).buffer(0) for ring in tracing.silhouette.rings_mm])
    low, high = np.array(shell.bounds).reshape(2, 2)
    x, y = np.meshgrid(np.arange(low[0], high[0], 4), np.arange(low[1], high[1], 4))
    inside = shapely.contains_xy(shell, x, y)
    places = np.column_stack([x[inside], y[inside]])
    heights = true_heights(truth, places)
    if not isinstance(relief, Relief):
        off = tracing.cameras[tracing.read_from].height_mm - heights
        return f"{np.sqrt((off**2).mean()):.2f}, {np.median(off):+.2f}", "–"
    off = height_at(relief, places) - heights
    doubt = np.hypot(sd_at(relief, places), relief.common_sd_mm)
    return f"{np.sqrt((off**2).mean()):.2f}, {np.median(off):+.2f}", f"{100 * np.mean(np.abs(off) < 2 * doubt):.0f} %"


def row(photos: list[Path], truth: dict[str, Any]) -> str:
    names = " + ".join(photo.stem for photo in photos)
    try:
        tracing = extract.trace(photos, extract.TraceSettings())
    except extract.CannotContinue as refusal:
        return f"| {names} | refused: {refusal.reason} |"
    found = outcome(truth, report(tracing))
    height, within = height_cells(truth, tracing)
    cells = (
        f"{found.panels_found} / {found.panels_true}",
        str(found.panels_invented),
        f"{found.rms_mm:.2f}, {found.p95_mm:.2f}",
        f"{found.cut_rms_mm:.2f}",
        height,
        within,
        f"{tracing.timing_s['total']:.1f}",
    )
    return f"| {names} | " + " | ".join(cells) + " |"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--preset", default="curled")
    parser.add_argument("--seed", type=int, default=910)
    parser.add_argument("--count", type=int, default=4)
    parser.add_argument("--keep", type=Path, help="folder for the photos")
    told = parser.parse_args()
    print(HEAD + "\n|" + " --- |" * (HEAD.count("|") - 1))
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(told.seed, told.seed + told.count):
            photos = [write_scene(scene, told.keep or scratch) for scene in make_views(told.preset, seed, 2)]
            truth = read_truth(photos[0].with_suffix(".truth.json"))
            for chosen in ([photos[0]], [photos[1]], photos):
                print(row(chosen, truth), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
