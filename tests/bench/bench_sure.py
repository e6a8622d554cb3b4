"""How near the plane comes to what physics allows, and whether the stated ± is true: the tables of "How sure".

    python tests/bench/bench_sure.py [--scenes N] [--plot FILE.png] [--tangential SD]

N tables are drawn for every layout of cards and every band of tilt (tests/invented_tables.py: lens, paper, printer,
height and noise from the stated priors, pixels by OpenCV's projectPoints), solved, and compared with the truth.

- error / bound: RMS error of the shell's shape over all scenes of a row against the Cramér–Rao bound of the same
  scenes' own geometry; height and common print scale, which no corner shows, are made known to both.
- four corners: RMS error of ``cv2.findHomography`` on the four outer corners of the lowest card, same scenes.
- within 95 %: how often the stated ± × 1.96 (places: the ellipse of χ² with two degrees) holds the truth; half of the
  scenes have their bars measured.
- solve: seconds of processor time, the median; so too the time to find cards.

Below the table stands what must be reached. ``--tangential`` gives the lenses what the solve knows nothing of:
decentring p1 and p2 of that spread.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import chi2, norm

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from invented_tables import LAYOUTS, TILTS_DEG, Drawn, draw_table, rigid_residual_mm, truth_camera

import extract
from extract.camera.bound import shape_bound_mm
from extract.camera.printer import known_prints
from extract.camera.project import mm_from_px
from extract.camera.solve import solve
from extract.camera.uncertainty import area_sd_mm2, length_sd_mm, place_covariance_mm2
from extract.cards.find import find_cards
from extract.doors import Array, CardSighting, PlaneCamera
from extract.photo import read_photo

KINDS = ("lengths", "areas", "places")


@dataclass(frozen=True, eq=False)
class Seen:
    """One scene's outcome: RMS errors and bound in mm, and the truth's rank within the stated spread of every length,
    area and place (0 in the middle, 1 at the far end)."""

    layout: str
    tilt: tuple[float, float]
    error_mm: float
    bound_mm: float
    plain_mm: float
    solve_s: float
    ranks: dict[str, Array]


def area_mm2(ring: Array) -> float:
    x, y = ring.T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def ranks(camera: PlaneCamera, drawn: Drawn) -> dict[str, Array]:
    """Where the truth lies in the stated spreads, as the probability of being nearer."""
    outline, points = mm_from_px(camera, drawn.outline_px), mm_from_px(camera, drawn.points_px)
    miss: dict[str, list[float]] = defaultdict(list)
    for a in range(0, len(points), 2):
        ends, truth = points[a : a + 2], drawn.points_mm[a : a + 2]
        error = np.linalg.norm(ends[1] - ends[0]) - np.linalg.norm(truth[1] - truth[0])
        miss["lengths"].append(abs(error) / length_sd_mm(camera, ends))
    for pick in (slice(None), slice(0, 13), slice(24, 37)):
        error = area_mm2(outline[pick]) - area_mm2(drawn.outline_mm[pick])
        miss["areas"].append(abs(error) / area_sd_mm2(camera, outline[pick]))
    covariance = place_covariance_mm2(camera, points)
    off = points - drawn.points_mm
    far2 = np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariance), off)
    near = {kind: 1 - 2 * norm.sf(np.array(values)) for kind, values in miss.items()}
    return {**near, "places": chi2.cdf(far2, 2)}


def plain(card: CardSighting, pixels: Array) -> Array:
    """Places by the homography of the card's four outer corners."""
    low, high = card.corners_mm.min(axis=0), card.corners_mm.max(axis=0)
    outer = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
    pick = [int(np.linalg.norm(card.corners_mm - corner, axis=1).argmin()) for corner in outer]
    mm_from_photo, _ = cv2.findHomography(card.corners_px[pick], card.corners_mm[pick])
    return np.asarray(cv2.perspectiveTransform(pixels[None], mm_from_photo)[0], float)


def print_scale(drawn: Drawn) -> float:
    """By how much the print as a whole is larger than expected: the mean over families and directions, each weighted
    by what is known of it."""
    prints = known_prints([card.design for card in drawn.cards], drawn.settings)
    weights = np.linalg.inv(prints.covariance).sum(axis=0)
    stretches = {card.design.family: np.array(card.stretch) for card in drawn.cards}
    ratios = np.concatenate([stretches[family] / expected for family, expected in prints.expected.items()])
    return float(weights @ ratios / weights.sum())


def rms(values: Array) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def run(
    layout: str, tilt: tuple[float, float], rng: np.random.Generator, measured: bool, tangential_sd: float = 0.0
) -> Seen:
    drawn = draw_table(layout, tilt, rng, measured=measured, tangential_sd=tangential_sd)
    begun = time.process_time()
    (camera,), _ = solve([drawn.sightings], [drawn.photo], drawn.settings)
    seconds = time.process_time() - begun
    truth = truth_camera(drawn, drawn.corner_sd_px)
    # what no corner shows is given to both, so that what is left is the solve's own doing
    found = mm_from_px(replace(camera, height_mm=drawn.height_mm), drawn.outline_px) * print_scale(drawn)
    error = rms(rigid_residual_mm(found, drawn.outline_mm))
    bound = shape_bound_mm(truth, drawn.outline_mm, drawn.photo.focal_hint_px, drawn.settings)
    simple = rms(rigid_residual_mm(plain(drawn.sightings[0], drawn.outline_px), drawn.outline_mm))
    return Seen(layout, tilt, error, bound, simple, seconds, ranks(camera, drawn))


def runs(scenes: int, seed: int = 7, tangential_sd: float = 0.0) -> Iterator[Seen]:
    for i, layout in enumerate(LAYOUTS):
        for j, tilt in enumerate(TILTS_DEG):
            rng = np.random.default_rng([seed, i, j])
            yield from (run(layout, tilt, rng, n % 2 == 1, tangential_sd) for n in range(scenes))


def share(seen: list[Seen], kind: str, at: float = 0.95) -> float:
    return float(np.mean(np.concatenate([s.ranks[kind] for s in seen]) <= at))


def share_sd(seen: list[Seen], kind: str) -> float:
    """1 σ of ``share`` by chance, table by table: what lies on one table errs together."""
    return float(np.std([np.mean(s.ranks[kind] <= 0.95) for s in seen]) / np.sqrt(len(seen)))


def ratios(seen: list[Seen]) -> tuple[float, float, float]:
    """RMS error in mm, in units of the bound's RMS, and the four corners' error in units of ours."""
    ours, bound, simple = (
        rms(np.array([getattr(s, key) for s in seen])) for key in ("error_mm", "bound_mm", "plain_mm")
    )
    return ours, ours / bound, simple / ours


def row(name: str, seen: list[Seen]) -> str:
    ours, of_bound, simple = ratios(seen)
    cells = [f"{ours:.3f}", f"{ours / of_bound:.3f}", f"{of_bound:.2f}", f"{simple * ours:.2f}", f"{simple:.0f}"]
    cells += [f"{100 * share(seen, kind):.1f}" for kind in KINDS]
    seconds = np.median([s.solve_s for s in seen])
    return f"| {name} | {len(seen)} | " + " | ".join([*cells, f"{seconds:.2f}"]) + " |"


def find_seconds() -> float:
    """Seconds of processor time, on one core, to find the cards of the demo's photo enlarged to 50 megapixels."""
    photo = read_photo(extract.demo_photo())
    large = replace(photo, pixels=cv2.resize(photo.pixels, (8160, 6120), interpolation=cv2.INTER_CUBIC))
    cv2.setNumThreads(1)
    begun = time.process_time()
    find_cards(large)
    return time.process_time() - begun


def must_reach(groups: dict[str, list[Seen]]) -> str:
    layouts = {name: ratios(groups[name]) for name in LAYOUTS}
    shares = [100 * share(seen, kind) for seen in groups.values() for kind in KINDS]
    chance = 100 * np.mean([share_sd(groups[name], kind) for name in LAYOUTS for kind in KINDS])
    solve_s = np.median([s.solve_s for s in groups["four A4 round"]])
    worst, least = max(layouts, key=lambda n: layouts[n][1]), min(layouts, key=lambda n: layouts[n][2])
    rest = min(found[2] for name, found in layouts.items() if name != least)
    return "\n".join(
        [
            f"error at most 1.3 × bound: {layouts[worst][1]:.2f} at worst ({worst})",
            f"four corners at least 5 × worse: {layouts[least][2]:.1f} × at least ({least}), {rest:.1f} × elsewhere",
            f"95 % interval holds 92–98 %: {min(shares):.1f} to {max(shares):.1f} % over all rows "
            f"(by chance ± {chance:.1f} in one layout)",
            f"solve of four A4 cards within 0.3 s: {solve_s:.2f} s",
            f"cards found in 50 megapixels within 2 s: {find_seconds():.1f} s",
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=int, default=40, help="of every layout and tilt")
    parser.add_argument("--plot", type=Path, help="write the reliability plot there")
    parser.add_argument("--tangential", type=float, default=0.0, help="spread of p1 and p2")
    told = parser.parse_args()
    seen = list(runs(told.scenes, tangential_sd=told.tangential))
    groups = {layout: [s for s in seen if s.layout == layout] for layout in LAYOUTS}
    groups |= {f"{low:.0f}–{high:.0f}°": [s for s in seen if s.tilt == (low, high)] for low, high in TILTS_DEG}
    print("| cards, tilt | tables | error (mm) | bound (mm) | error / bound | four corners (mm) | times ours ", end="")
    print("| lengths within 95 % | areas | places | solve (s) |")
    print("|" + " --- |" * 11)
    for name, group in (groups | {"all": seen}).items():
        print(row(name, group))
    print(f"\n{must_reach(groups)}")
    if told.plot:
        from reliability import reliability_png

        shares = np.linspace(0.05, 0.99, 48)
        lines = {kind: [share(seen, kind, at) for at in shares] for kind in KINDS}
        told.plot.write_bytes(reliability_png(shares, lines))


if __name__ == "__main__":
    main()
