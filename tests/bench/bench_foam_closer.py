"""What packing closer brings: the grid's plan against the closer one, on sheets as they are sold.

    python tests/bench/bench_foam_closer.py [--builds 1 2 3] [--seconds 10 30] [--sheets 1000x500x6 600x400x6]

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

import shapely
from bench_foam import lantern
from shapely.affinity import rotate, translate

from extract.build import CutSheet, FoamPlan
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


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--builds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--seconds", type=float, nargs="+", default=[10.0, 30.0])
    parser.add_argument("--sheets", nargs="+", default=["1000x500x6", "600x400x6"])
    given = parser.parse_args()
    one = parts_of(lantern())
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
    if hasattr(os, "getloadavg"):
        print(f"\nWork for {os.getloadavg()[1]:.1f} cores was under way on {os.cpu_count()}.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
