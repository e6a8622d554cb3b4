"""``python -m extract.scene --preset typical --seed 3 --count 5 --out FOLDER``

The demonstration's photo is made by ``python -m extract.scene --preset moth-lantern --out extract/scene``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from extract.scene.make import PHONE_PX, make_views, with_options, write_scene
from extract.scene.moth import NAME, moth_lantern
from extract.scene.options import PRESETS, TABLES


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m extract.scene", description="Make photos with exact truth.")
    parser.add_argument("--preset", choices=(*PRESETS, NAME), default="typical")
    parser.add_argument("--seed", type=int, default=0, help="of the first photo; the next one has the next seed")
    parser.add_argument("--count", type=int, default=1)
    parser.add_argument("--table", choices=TABLES, help="instead of one drawn at random")
    parser.add_argument("--size", default=f"{PHONE_PX[0]}x{PHONE_PX[1]}", help="sensor pixels, wide side first")
    parser.add_argument("--views", type=int, default=1, help="photos of each table, from sides evenly round it")
    parser.add_argument("--tilt", type=float, help="degrees off the vertical, instead of one drawn at random")
    parser.add_argument("--pieces", type=int, help="pieces the shell lies in, apart on the table")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    width, height = (int(part) for part in given.size.split("x"))
    if given.preset == NAME:
        print(write_scene(moth_lantern((width, height)), given.out))
        return
    for seed in range(given.seed, given.seed + given.count):
        changes = {"table": given.table, "tilt_deg": given.tilt, "pieces": given.pieces}
        said = {key: value for key, value in changes.items() if value is not None}
        options = with_options(given.preset, seed, **said) if said else None
        for scene in make_views(given.preset, seed, given.views, (width, height), options):
            print(write_scene(scene, given.out))


if __name__ == "__main__":
    main()
