"""How truly strokes, ticks and panels are read when the cut edge is known, beside plain chains of general libraries.

    python tests/bench/bench_strokes.py [FOLDER …] [--plain] [--sizes]

FOLDER holds NAME.jpg with NAME.truth.json (default: shared/photos beside the checkout). Each photo's plane is solved;
its true outline and true ink are then taken into the flat view, so the plane's own error falls out. ``--plain`` adds
two chains on the very same flat view: adaptive threshold and scikit-image's skeleton, and adaptive threshold and the
bitmap tracer potracer (``pip install potracer``; left out where missing). ``--sizes`` times one scene at 12, 24 and 48
megapixels instead.
"""

from __future__ import annotations

import argparse
import importlib.util
import resource
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial import cKDTree
from skimage.measure import find_contours, label, regionprops
from skimage.morphology import remove_small_objects, skeletonize

sys.path.insert(0, str(Path(__file__).resolve().parent))

from stroke_truth import (
    LEAST_PANEL_MM2,
    InkScore,
    PanelScore,
    Scene,
    TickScore,
    colour_right,
    dense,
    ink_score,
    panel_score,
    tick_score,
    truth_files,
    try_scene,
)

from extract.doors import Array, Mask, Panel, Stroke
from extract.geometry.curve import curve_points
from extract.graph.build import build_graph
from extract.ink.darkness import shell_mask
from extract.ink.lines import cut_colour_of, find_strokes
from extract.outline.panels import fit_panels

TOLERANCE_MM = 0.2
BLOCK_MM, DARKER = 12.0, 12
"""What serves a plain chain best on these photos: a window of twice a stroke's surroundings, a step above the noise."""
SPECK_MM2 = 6.0


@dataclass(frozen=True)
class Row:
    """One chain on one scene; ``segments`` one per panel found right, ``stray_mm`` how far their outlines lie from what
    was drawn, every 0.2 mm; where nothing was drawn (a line that stops short of what it was meant to meet), from the
    true panel."""

    ink: InkScore
    panels: PanelScore
    segments: tuple[int, ...]
    stray_mm: Array
    seconds: float
    colour: float = float("nan")
    ticks: TickScore | None = None


def ours(scene: Scene) -> Row:
    begun = time.process_time()
    strokes, panels = _read(scene)
    seconds = time.process_time() - begun
    score = panel_score(scene, [curve_points(p.outline) for p in panels])
    right = [panels[k] for k in score.partner if k >= 0]
    return Row(
        ink=ink_score(scene, [dense(s.points_mm, s.closed) for s in strokes]),
        panels=score,
        segments=tuple(len(p.outline.controls) for p in right),
        stray_mm=_strays(scene, [curve_points(p.outline) for p in right]),
        seconds=seconds,
        colour=colour_right(scene, strokes),
        ticks=tick_score(scene, strokes),
    )


def _read(scene: Scene) -> tuple[tuple[Stroke, ...], tuple[Panel, ...]]:
    strokes = find_strokes(scene.flat, scene.silhouette)
    cut = cut_colour_of(strokes)
    splitting = [s for s in strokes if s.kind == "ring" or (s.kind == "marker" and s.colour == cut)]
    graph = build_graph(scene.silhouette, splitting)
    return strokes, fit_panels(graph, TOLERANCE_MM, lambda points: 0.0)


def _strays(scene: Scene, outlines: Sequence[Array]) -> Array:
    rings = [dense(ring, True) for ring in scene.silhouette.rings_mm]
    lines = [dense(line.points_mm, line.closed) for line in scene.lines]
    panels = [dense(np.asarray(panel.exterior.coords)) for panel in scene.panels]
    tree = cKDTree(np.vstack([*lines, *rings, *panels]))
    return np.concatenate([np.zeros(0), *(tree.query(dense(outline, True))[0] for outline in outlines)])


def _dark(scene: Scene) -> tuple[Mask, Mask]:
    """Ink by adaptive threshold, specks taken out, and the inside of the true outline."""
    inside = shell_mask(scene.flat, scene.silhouette)
    grey = cv2.cvtColor(scene.flat.pixels, cv2.COLOR_BGR2GRAY)
    block = round(BLOCK_MM / scene.flat.mm_per_px) | 1
    dark = cv2.adaptiveThreshold(grey, 1, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, block, DARKER) > 0
    specks = round(SPECK_MM2 / scene.flat.mm_per_px**2)
    return remove_small_objects(dark & inside, max_size=specks), inside


def _regions(walls: Mask, inside: Mask, scene: Scene) -> list[Mask]:
    areas = label(inside & ~walls, connectivity=1)
    least = 0.9 * LEAST_PANEL_MM2 / scene.flat.mm_per_px**2
    return [areas == region.label for region in regionprops(areas) if region.area > least]


def _outline(region: Mask, scene: Scene) -> Array:
    longest = max(find_contours(np.pad(region, 1).astype(float), 0.5), key=len)
    return scene.flat.mm_from_px(longest[:, ::-1] - 1)


def skeleton_chain(scene: Scene) -> Row:
    """Adaptive threshold, scikit-image's skeleton; panels are what the skeleton parts."""
    begun = time.process_time()
    dark, inside = _dark(scene)
    thin = skeletonize(dark)
    outlines = [_outline(region, scene) for region in _regions(thin, inside, scene)]
    points = scene.flat.mm_from_px(np.argwhere(thin)[:, ::-1].astype(float))
    seconds = time.process_time() - begun
    score = panel_score(scene, outlines)
    right = [outlines[k] for k in score.partner if k >= 0]
    return Row(ink_score(scene, [points]), score, tuple(len(o) for o in right), _strays(scene, right), seconds)


def tracer_chain(scene: Scene) -> Row:
    """Adaptive threshold, potracer; its outlines run along both sides of the ink, and panels lie between them."""
    import potrace

    begun = time.process_time()
    dark, inside = _dark(scene)
    lines = [points for points, _ in _traced(potrace, dark, scene)]
    panels = [max(_traced(potrace, r, scene), key=lambda t: len(t[0])) for r in _regions(dark, inside, scene)]
    seconds = time.process_time() - begun
    score = panel_score(scene, [points for points, _ in panels])
    right = [panels[k] for k in score.partner if k >= 0]
    stray = _strays(scene, [points for points, _ in right])
    return Row(ink_score(scene, [dense(p, True) for p in lines]), score, tuple(n for _, n in right), stray, seconds)


def _traced(potrace: object, mask: Mask, scene: Scene) -> list[tuple[Array, int]]:
    """Points of each curve and its number of segments."""
    curves = potrace.Bitmap(mask).trace(turdsize=50)  # type: ignore[attr-defined]
    found = []
    for curve in curves:
        points = [curve.start_point]
        for segment in curve.segments:
            points += [segment.c] if segment.is_corner else _along(points[-1], segment)
            points.append(segment.end_point)
        at = np.array([(p.x, p.y) if hasattr(p, "x") else p for p in points], float)
        found.append((scene.flat.mm_from_px(at - 0.5), len(curve.segments)))
    return found


def _along(start: object, segment: object) -> list[tuple[float, float]]:
    knots = np.array(
        [(p.x, p.y) if hasattr(p, "x") else p for p in (start, segment.c1, segment.c2, segment.end_point)]  # type: ignore[attr-defined]
    )
    t = np.linspace(0, 1, 9)[1:-1, None]
    weights = np.hstack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3])
    return [tuple(p) for p in weights @ knots]


HEAD = (
    "| scene | recall | precision | centre line RMS (mm) | colour right (%) | ticks found / true (listed) "
    "| in place ± 0.5 mm | panels found / true | invented | segments per panel | astray 99 %, most (mm) "
    "| processor seconds |"
)


def line_of(name: str, rows: Sequence[Row]) -> str:
    """A table row for one scene, or the sums and means of several."""

    def mean(values: Iterable[float]) -> float:
        known = [v for v in values if not np.isnan(v)]
        return float(np.mean(known)) if known else float("nan")

    ticks = [row.ticks for row in rows if row.ticks]
    segments, stray = [n for row in rows for n in row.segments], np.concatenate([row.stray_mm for row in rows])
    cells = (
        name,
        f"{mean(r.ink.recall for r in rows):.4f}",
        f"{mean(r.ink.precision for r in rows):.4f}",
        f"{mean(r.ink.rms_mm for r in rows):.3f}",
        f"{100 * mean(r.colour for r in rows):.2f}" if ticks else "–",
        f"{sum(t.found for t in ticks)} / {sum(t.true for t in ticks)} ({sum(t.listed for t in ticks)})"
        if ticks
        else "–",
        f"{sum(t.right_place for t in ticks)} / {sum(len(t.off_mm) for t in ticks)}" if ticks else "–",
        f"{sum(r.panels.found for r in rows)} / {sum(r.panels.true for r in rows)}",
        f"{sum(r.panels.invented for r in rows)}",
        f"{np.median(segments):.0f}" if segments else "–",
        f"{np.percentile(stray, 99):.2f}, {stray.max():.2f}" if len(stray) else "–",
        f"{mean(r.seconds for r in rows):.2f}",
    )
    return "| " + " | ".join(cells) + " |"


def summary_of(name: str, rows: Sequence[Row]) -> str:
    return line_of(f"**{name}**, {sum(r.panels.right for r in rows)} of {len(rows)} right", rows)


def sizes(scene: Scene) -> None:
    """Processor seconds and peak memory of reading one scene, its flat view resampled to more and more megapixels."""
    print("| flat view, megapixels | shell, megapixels | processor seconds | per shell megapixel | peak memory, MB |")
    print("|" + " --- |" * 5)
    _read(scene)
    for target in (12.0, 24.0, 48.0):
        scaled = _scaled(scene, np.sqrt(target * 1e6 / (scene.flat.valid.size)))
        begun = time.process_time()
        _read(scaled)
        seconds = time.process_time() - begun
        inside = shell_mask(scaled.flat, scaled.silhouette).sum() / 1e6
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        cells = (f"{scaled.flat.valid.size / 1e6:.0f}", f"{inside:.1f}", f"{seconds:.2f}", f"{seconds / inside:.2f}")
        print("| " + " | ".join((*cells, f"{peak:.0f}")) + " |")


def _scaled(scene: Scene, factor: float) -> Scene:
    flat = scene.flat
    pixels = cv2.resize(flat.pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    step = flat.mm_per_px / factor
    shift = (step - flat.mm_per_px) / 2
    origin = (flat.origin_mm[0] + shift, flat.origin_mm[1] + shift)
    valid = np.ones(pixels.shape[:2], bool)
    return replace(scene, flat=replace(flat, pixels=np.asarray(pixels), mm_per_px=step, origin_mm=origin, valid=valid))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    default = Path(__file__).resolve().parents[3] / "shared" / "photos"
    parser.add_argument("folders", nargs="*", type=Path, default=[default])
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--sizes", action="store_true")
    told = parser.parse_args()
    files = truth_files(told.folders)
    if told.sizes:
        scene = next(s for s in map(try_scene, files) if s)
        sizes(scene)
        return 0
    chains: dict[str, Callable[[Scene], Row]] = {"truepeel": ours}
    if told.plain:
        chains["threshold + skeleton"] = skeleton_chain
        if importlib.util.find_spec("potrace"):
            chains["threshold + potracer"] = tracer_chain
    print(HEAD + "\n|" + " --- |" * (HEAD.count("|") - 1))
    rows: dict[tuple[str, str], list[Row]] = {}
    for scene in filter(None, map(try_scene, files)):
        for chain, run in chains.items():
            row = run(scene)
            rows.setdefault((scene.preset, chain), []).append(row)
            print(line_of(scene.name if chain == "truepeel" else f"{scene.name}, {chain}", [row]), flush=True)
    for (preset, chain), found in sorted(rows.items()):
        print(summary_of(f"{preset}, {chain}", found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
