"""What packing closer brings: the grid's plan against the closer one, on sheets as they are sold.

    python tests/bench/bench_foam_closer.py [--builds 1 2 3] [--seconds 10 30] [--sheets 1000x500x6 600x400x6]
    python tests/bench/bench_foam_closer.py --draws 12      how often a sheet is saved, over drawn selections of parts

The parts are those of ``bench_foam``'s build, so many times over. Of each plan it tells the number of sheets, how far
parts reach on the emptiest one, the waste and the least gap, which shapely measures. The seconds are the clock's,
so the figures are those of one run on one machine; how busy that was is told at the end.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import replace
from math import ceil

import numpy as np
import shapely
from bench_foam import lantern
from shapely.affinity import rotate, translate

from extract.build import CutSheet, FoamPlan
from extract.doors import Pattern
from extract.foam import pack_closer, plan_foam, sheet_from
from extract.geometry.curve import curve_points
from extract.pattern.printed import parts_of


def least_gap(sheet: CutSheet) -> float:
    shapes = [
        translate(
            rotate(shapely.Polygon(curve_points(item.part.outline)), item.turn_deg, origin=(0, 0)), *item.shift_mm
        )
        for item in sheet.placed
    ]
    near = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=20.0)
    return min((shapes[a].distance(shapes[b]) for a, b in near.T if a < b), default=float("inf"))


def told(plan: FoamPlan) -> str:
    reach = min(sheet.reach_mm for sheet in plan.sheets)
    gap = min(least_gap(sheet) for sheet in plan.sheets)
    return f"{len(plan.sheets)}, {reach:.0f} mm, {plan.waste_share:.0%}, {gap:.2f} mm"


def drawn(one: Pattern, seed: int) -> Pattern:
    """Some of the parts, each one to three times."""
    rng = np.random.default_rng(seed)
    some = [part for part in one.parts if rng.random() < 0.7]
    return replace(one, parts=tuple(replace(part, copies=int(rng.integers(1, 4))) for part in some))


def compare_draws(one: Pattern, count: int, texts: list[str], seconds: float) -> None:
    """How many of so many selections take a sheet less, and how much more of the last one stays whole of the others."""
    for text in texts:
        sheet, saved, more = sheet_from(text), 0, []
        for seed in range(count):
            before = plan_foam(drawn(one, seed), [sheet])
            after = pack_closer(before, [sheet], seconds)
            if len(after.sheets) < len(before.sheets):
                saved += 1
            else:
                more.append(min(s.reach_mm for s in before.sheets) - min(s.reach_mm for s in after.sheets))
        middle = f"{np.median(more):.0f} mm more of the last one whole (median)" if more else "none"
        print(f"{text}, {seconds:g} s: {saved} of {count} take a sheet less; of the others {middle}", flush=True)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--draws", type=int, default=0)
    parser.add_argument("--builds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--seconds", type=float, nargs="+", default=[10.0, 30.0])
    parser.add_argument("--sheets", nargs="+", default=["1000x500x6", "600x400x6"])
    given = parser.parse_args()
    one = parts_of(lantern())
    if given.draws:
        compare_draws(one, given.draws, given.sheets, given.seconds[-1])
        print_load()
        return 0
    print("Sheets, reach of the emptiest, waste, least gap:\n")
    print(f"| parts | sheets of | by area | grid | {' | '.join(f'{s:g} s closer' for s in given.seconds)} |")
    print("| --- " * (4 + len(given.seconds)) + "|")
    for builds in given.builds:
        pattern = replace(one, parts=tuple(replace(p, copies=max(1, p.copies) * builds) for p in one.parts))
        area = sum(part.area_mm2 * part.copies for part in pattern.parts)
        for text in given.sheets:
            sheet = sheet_from(text)
            plan = plan_foam(pattern, [sheet])
            bound = ceil(area / (sheet.width_mm * sheet.height_mm))
            plans = [plan, *(pack_closer(plan, [sheet], seconds) for seconds in given.seconds)]
            count = sum(part.copies for part in pattern.parts)
            print(f"| {count} | {text} | {bound} | {' | '.join(told(each) for each in plans)} |", flush=True)
    print_load()
    return 0


def print_load() -> None:
    if hasattr(os, "getloadavg"):
        print(f"\nWork for {os.getloadavg()[1]:.1f} cores was under way on {os.cpu_count()}.")


if __name__ == "__main__":
    sys.exit(main())
