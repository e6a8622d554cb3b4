"""Our grid against spyrrow, a free library for irregular shapes, on one long strip: all that library knows.

    pip install spyrrow==0.9.0        not needed by anything else here
    python tests/bench/bench_foam_strip.py [--builds 3] [--seconds 30]

Both lay the parts of ``bench_foam``'s build, so many times, with the same gap, edge and turns. The library's result is
run twice with one seed, to see whether it gives the same again, and its least gap is measured with shapely.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import replace

import shapely
import spyrrow
from bench_foam import lantern
from shapely.affinity import rotate, translate

from extract.doors import Pattern
from extract.foam import plan_foam, sheet_from
from extract.foam.plan import EDGE_MM, GAP_MM
from extract.geometry.curve import curve_points
from extract.pattern.printed import parts_of

STRIP = sheet_from("4000x500x6")
HEIGHT_MM = STRIP.height_mm - 2 * EDGE_MM
TURNS = (0.0, 90.0, 180.0, 270.0)
SEEDS = (1, 1, 2)


def timed(work: Callable[[], object]) -> tuple[object, str]:
    begun, started = time.process_time(), time.perf_counter()
    done = work()
    return done, f"{time.process_time() - begun:5.1f} s of one core ({time.perf_counter() - started:.0f} s waited)"


def least_gap(shapes: list[shapely.Polygon]) -> float:
    near = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=2 * GAP_MM)
    return min(shapes[a].distance(shapes[b]) for a, b in near.T if a < b)


def by_grid(pattern: Pattern) -> None:
    plan, took = timed(lambda: plan_foam(pattern, [STRIP]))
    reach = [max(one.corner_mm[0] + one.size_mm[0] for one in sheet.placed) - EDGE_MM for sheet in plan.sheets]
    print(f"{'grid':<18} {', '.join(f'{mm:.0f}' for mm in reach)} mm  {took}")


def by_library(pattern: Pattern, seed: int, seconds: int) -> None:
    regions = {str(k): shapely.Polygon(curve_points(part.outline, 0.1)) for k, part in enumerate(pattern.parts)}
    items = [
        spyrrow.Item(name, list(region.exterior.coords)[:-1], part.copies, TURNS)
        for (name, region), part in zip(regions.items(), pattern.parts, strict=True)
    ]
    effort = {"total_computation_time": None, "exploration_time": seconds, "compression_time": max(seconds // 2, 1)}
    config = spyrrow.StripPackingConfig(min_items_separation=GAP_MM, num_workers=1, seed=seed, **effort)
    # it keeps the gap from the strip's sides too, where only the edge's own is asked for
    strip = spyrrow.StripPackingInstance("strip", HEIGHT_MM + 2 * GAP_MM, items)
    found, took = timed(lambda: strip.solve(config))
    laid = [
        translate(rotate(regions[one.id], one.rotation, origin=(0, 0)), *one.translation) for one in found.placed_items
    ]
    width = max(shape.bounds[2] for shape in laid) - min(shape.bounds[0] for shape in laid)
    print(f"{f'library, seed {seed}':<18} {width:.0f} mm  {took}, least gap {least_gap(laid):.2f} mm")


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--builds", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=20)
    given = parser.parse_args()
    pattern = parts_of(lantern())
    parts = tuple(replace(part, copies=max(1, part.copies) * given.builds) for part in pattern.parts)
    pattern = replace(pattern, parts=parts)
    area = sum(part.area_mm2 * part.copies for part in parts)
    print(f"{sum(part.copies for part in parts)} parts; {area / HEIGHT_MM:.0f} mm by area alone")
    by_grid(pattern)
    for seed in SEEDS:
        by_library(pattern, seed, given.seconds)
    return 0


if __name__ == "__main__":
    sys.exit(main())
