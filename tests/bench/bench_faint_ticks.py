"""How well faint ticks are told from creases by strength and shape together, and how the two would best be weighed.

    python tests/bench/bench_faint_ticks.py FOLDER ... [--views DIR]

FOLDER holds NAME.jpg with NAME.truth.json. Every bar that stroke reading weighs as a tick counts once, the strongest
where several stand at one place of a line: as a true one when a drawn tick runs within 1.2 mm of its foot and within 20
degrees of its direction; not at all when a drawn line does. Told are how many bars become ticks, true and false, and
the weights of a logistic regression over those narrow and even enough for a tick, beside the weights shipped.
These come from 230 hard scenes of `extract.scene` (seeds 9000 to 9039, 9100 to 9139, 9200 to 9249, 9300 to 9399); in a
few dozen hardly a tick looks like a crease, which leaves the weights open.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import shapely
from scipy.optimize import minimize
from shapely import LineString

sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_edge import flat_view, read_truth, seen_place

from extract.doors import Array, CannotContinue, FlatView, Silhouette
from extract.ink import lines, ticks
from extract.ink.silhouette import find_silhouette

NEAR_MM = {"ticks": 1.2, "lines": 1.0}
ALONG_DEG = 20.0
LEAST_STRENGTH = 0.04
PENALTY = 1e-6
TAKEN_FOR = ("tick by one alone", "tick by strength and shape together", "no tick")


@dataclass(frozen=True)
class Sample:
    """A bar across a line: how it looks, whether it is a tick by either alone, and whether it truly is one."""

    look: ticks.Look
    alone: bool
    true: bool


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--views", type=Path)
    told = parser.parse_args()
    samples: list[Sample] = []
    for truth_file in sorted(f for folder in told.folders for f in folder.glob("*.truth.json")):
        name, truth = truth_file.name.removesuffix(".truth.json"), read_truth(truth_file)
        flat, camera = flat_view(truth_file.with_name(f"{name}.jpg"), told.views)
        try:
            found = weighed(truth, seen_place(truth, camera), flat, find_silhouette(flat))
        except CannotContinue as refusal:
            print(f"{name}: refused: {refusal}", flush=True)
            continue
        samples += found
        print(f"{name}: {len(found)} bars, {sum(s.true for s in found)} on ticks", flush=True)
    shaped = [s for s in samples if ticks.is_worth_words(s.look) and s.look.strength >= LEAST_STRENGTH]
    if not any(s.true for s in shaped) or all(s.true for s in shaped):
        print("No regression: that takes both ticks and what is none.")
        return 1
    print("\n| taken for | true ticks | no ticks |\n|" + " --- |" * 3)
    for title in TAKEN_FOR:
        group = [s.true for s in samples if taken_for(s) == title]
        print(f"| {title} | {sum(group)} | {len(group) - sum(group)} |")
    print("\n| weight | fitted | shipped |\n|" + " --- |" * 3)
    for (weight, shipped), fresh in zip(ticks.WEIGHTS.items(), fitted(shaped), strict=True):
        print(f"| {weight} | {fresh:.1f} | {shipped:.1f} |")
    return 0


def taken_for(bar: Sample) -> str:
    return TAKEN_FOR[0 if bar.alone else 1 if ticks.is_likely(bar.look) else 2]


def weighed(truth: dict[str, Any], place: Any, flat: FlatView, shell: Silhouette) -> list[Sample]:
    """The bars of a scene; where it has several inks, those of each ink."""
    asked: list[Any] = []

    def listening(*of_ink: Any) -> Any:
        asked.append(of_ink)
        return ticks.with_ticks(*of_ink)

    with patch.object(lines, "with_ticks", listening):
        lines.find_strokes(flat, shell)
    drawn = {kind: [LineString(place(stroke["points"])) for stroke in truth[kind]] for kind in NEAR_MM}
    found = []
    for ink, seen, field, view in asked[1:] or asked:  # the first of several only tells which inks there are
        _, stubs, bars = ticks.candidates(ink, seen, field, view)
        if bars is None:
            continue
        strongest = {stubs[k].node: k for k in np.argsort(bars.strength).tolist()}
        for k in (k for k in strongest.values() if bars.strength[k] >= LEAST_STRENGTH):
            on = {kind: runs_along(drawn[kind], bars.foot_mm[k], bars.ahead[k], NEAR_MM[kind]) for kind in NEAR_MM}
            if on["ticks"] or not on["lines"]:
                halves = ticks.halves_of(stubs[k], seen)
                shown = ticks.look(k, bars, stubs, len(halves))
                found.append(Sample(shown, ticks.is_tick(k, bars, halves), on["ticks"]))
    return found


def runs_along(strokes: Sequence[LineString], foot: Array, ahead: Array, near_mm: float) -> bool:
    """Whether one of the strokes passes the foot in the direction ``ahead``."""
    for stroke in strokes:
        at = stroke.project(shapely.Point(foot))
        ends = [stroke.interpolate(max(0.0, at + step)) for step in (-1.0, 1.0)]
        way = np.array([ends[1].x - ends[0].x, ends[1].y - ends[0].y])
        along = abs(float(way @ ahead)) > np.cos(np.radians(ALONG_DEG)) * np.hypot(*way)
        if along and stroke.distance(shapely.Point(foot)) < near_mm:
            return True
    return False


def fitted(samples: Sequence[Sample]) -> Array:
    """Weights of the logistic regression."""
    said = np.array([ticks.words(s.look) for s in samples])
    true = np.array([s.true for s in samples], float)

    def loss(weights: Array) -> float:
        odds = said @ weights
        return float(np.mean(np.logaddexp(0, odds) - true * odds) + PENALTY * weights @ weights)

    return np.asarray(minimize(loss, np.zeros(said.shape[1])).x, float)


if __name__ == "__main__":
    sys.exit(main())
