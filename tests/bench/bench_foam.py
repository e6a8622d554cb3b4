"""How long sixty parts take to lay on foam, and how full the sheets get.

    python tests/bench/bench_foam.py

The parts are gores, skirts and strips of one invented build, pairs and copies included. The limit is 10 s; the bound is
how many sheets their area alone would need.
"""

from __future__ import annotations

import sys
import time
from math import ceil

from extract.build import Build, Stock
from extract.foam import plan_foam, sheet_from
from extract.pattern.printed import parts_of
from extract.steps import apply

MOST_S = 10.0
DOMES = ((210, 165, 130, 6), (190, 150, 120, 8), (150, 120, 100, 5), (230, 175, 140, 6), (250, 185, 150, 6))
SHEETS = (("1000x500x6",), ("600x600x6",), ("1000x500x6:1", "600x600x6"), ("2000x1000x6",))


def lantern() -> Build:
    build = Build("moth-lantern", stocks=(Stock("foam 6", 6.0),))
    for length, breadth, height, gores in DOMES:
        answers = {"length": length, "breadth": breadth, "height": height, "gores": gores, "stock": "foam 6"}
        build = apply(build, "dome", answers).build
    for k in range(9):
        build = apply(build, "strip", {"width": 12 + 2 * k, "length": 75 + 12 * k, "count": 3}).build
    build = apply(build, "centre-strip", {"widths": "38 52 61.5 60 47 30", "length": 350}).build
    return apply(build, "skirt", {"run": "p1:c", "height": 60, "flare": 20}).build


def main() -> int:
    pattern = parts_of(lantern())
    count = sum(part.copies for part in pattern.parts)
    area = sum(part.area_mm2 * part.copies for part in pattern.parts)
    print(f"{count} parts, {area / 1e6:.2f} m²")
    late = False
    for texts in SHEETS:
        sheets = [sheet_from(text) for text in texts]
        begun, started = time.process_time(), time.perf_counter()
        plan = plan_foam(pattern, sheets)
        took, waited = time.process_time() - begun, time.perf_counter() - started
        bound = ceil(area / max(sheet.width_mm * sheet.height_mm for sheet in sheets))
        full = ", ".join(f"{sheet.used_share:.0%}" for sheet in plan.sheets)
        print(
            f"{' + '.join(texts):<26} {took:5.1f} s of one core ({waited:.1f} s waited): {len(plan.sheets)} sheets, "
            f"{bound} by area alone; used {full}; waste {plan.waste_share:.0%}"
        )
        late |= took > MOST_S
    return 1 if late else 0


if __name__ == "__main__":
    sys.exit(main())
