"""Strips along the dark lines of generated scenes, with what of them is ink by the exact truth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
from edge_samples import Above, from_above, seen_on
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from extract.doors import FlatView, Silhouette
from extract.ink import lines
from extract.ink.branches import STEP_MM, Run
from extract.ink.colours import inks_of
from extract.ink.darkness import InkField, unmixed
from extract.ink.ink_net import ACROSS_MM, BEYOND, CELL, COLUMNS, LIGHTEST, as_shown, cells, laid_along

FINE_MM = 0.2
"""Pixel of a scene as it is read, about that of a photo."""

ROWS = 128
"""Of one example: several strips one after the other, as the program shows them."""

LONGEST = 96
"""Rows of one strip that are shown at once."""

INK_MM, BESIDE_MM, ALONG = 0.8, 1.6, np.cos(np.radians(25))
"""A point is ink so near the middle of a drawn line that runs its way; within the second nothing is asked."""

INK_STEP_MM = 0.3
BARE, BARE_MM, BARE_CLEAR_MM = 12, 36.0, 4.0
"""So many straight lines of a scene, so long, that keep so clear of ink."""

PAINTED = 0.8
"""Share of strips of bare shell on which a line is painted, drawn or not, that the generator does not know."""

PENS_MM, TIPS = (0.9, 2.6), (0.28, 1.8)
"""Widths and depths, ln(tape / ink), of lines that are ink."""

THIN_MM, FAINT = (0.12, 0.65), (0.1, 0.9)
"""Those of edges of tape and scratches: nothing drawn is narrower than a marker's tip (common practice, no source)."""

BLUR_MM = (0.15, 0.35)
KEPT = 100.0
"""Strips are kept as bytes in so many steps of one."""


@dataclass(frozen=True, eq=False)
class Strip:
    """A strip as bytes (rows, COLUMNS, 3), and of each of its cells whether it is ``ink``: 1, 0, or -1 where nothing
    is asked; ``bare`` where no line is."""

    bytes: np.ndarray
    ink: np.ndarray
    bare: bool = False

    @property
    def shown(self) -> np.ndarray:
        return self.bytes.astype(np.float32) / KEPT + LIGHTEST


@dataclass(frozen=True, eq=False)
class Drawn:
    """Points (N, 2) in mm along all that is drawn in a scene, which way it runs there and its colour."""

    points: np.ndarray
    ways: np.ndarray
    colours: np.ndarray

    @cached_property
    def tree(self) -> cKDTree:
        return cKDTree(self.points)


def read_strips(photo_file: Path, rng: np.random.Generator) -> list[Strip]:
    """All dark lines of a generated scene, those of each ink alone where it has several, and some bare shell."""
    above, ring = from_above(photo_file, lines.ROOM_MM, FINE_MM)
    flat = FlatView(above.seen, FINE_MM, (0.0, 0.0), above.inside, ())
    outline = above.place(ring)[::2] * FINE_MM
    shell = Silhouette((outline,), 0.1, (np.zeros(len(outline), bool),))
    flat, field, seen, ink = lines.ink_evidence(flat, shell)
    drawn = all_drawn(above)
    strips = [strip_of(run, field, flat, drawn) for run in seen]
    inks = inks_of(ink)
    if len(inks) > 1:
        for index, colour in enumerate(inks):
            single = unmixed(field, list(inks.values()), index)
            of_it = Drawn(drawn.points, drawn.ways * (drawn.colours == colour)[:, None], drawn.colours)
            strips += [strip_of(run, single, flat, of_it) for run in lines.dark_runs(single, flat)]
    return strips + bare_strips(field, flat, drawn, rng)


def all_drawn(above: Above) -> Drawn:
    rest = above.truth["sheet"]["rest_z_mm"]
    points, ways, colours = [], [], []
    for ink in (ink for kind in ("lines", "ticks", "notes") for ink in above.truth[kind]):
        own, z = np.array(ink["points"]), np.array(ink["z"])
        seen = above.place(seen_on(above.truth, rest, own, z)) * FINE_MM
        if ink["closed"]:
            own, seen = (np.vstack([line, line[:1]]) for line in (own, seen))
        far = np.r_[0, np.cumsum(np.hypot(*np.diff(own, axis=0).T))]
        at = np.arange(0, far[-1], INK_STEP_MM)
        if len(at) < 2:
            continue
        even = np.stack([np.interp(at, far, seen[:, i]) for i in (0, 1)], axis=1)
        way = np.gradient(even, axis=0)
        inked = ~np.any([(at > start) & (at < stop) for start, stop in ink["gaps_arclength_mm"]] or [at < 0], axis=0)
        points.append(even[inked])
        ways.append((way / np.hypot(*way.T)[:, None])[inked])
        colours += [ink["color"]] * int(inked.sum())
    return Drawn(np.vstack(points), np.vstack(ways), np.array(colours))


def strip_of(run: Run, field: InkField, flat: FlatView, drawn: Drawn) -> Strip:
    """The run as the network is shown it. Only what is drawn with a way of its own counts as ink."""
    way = np.gradient(run.points_mm, axis=0)
    way = way / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    far, near = drawn.tree.query(run.points_mm, k=12)
    along = np.abs((drawn.ways[near] * way[:, None]).sum(-1)) > ALONG
    ink = np.where(((far < INK_MM) & along).any(1), 1, np.where(far[:, 0] < BESIDE_MM, -1, 0))
    even = np.concatenate([ink, np.repeat(ink[-1:], cells(len(ink)) * CELL - len(ink))]).reshape(-1, CELL)
    asked = np.where((even == even[:, :1]).all(1), even[:, 0], -1)
    beyond = np.full(BEYOND // CELL, -1)
    return Strip(in_bytes(laid_along(run.points_mm, run.closed, field, flat)), np.r_[beyond, asked, beyond])


def bare_strips(field: InkField, flat: FlatView, drawn: Drawn, rng: np.random.Generator) -> list[Strip]:
    """Straight lines anywhere on the shell, clear of ink."""
    rows, columns = np.nonzero(field.inside)
    found: list[Strip] = []
    for _ in range(20 * BARE):
        k, turn = rng.integers(len(rows)), rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(turn), np.sin(turn)])
        points = flat.mm_from_px(np.array([columns[k], rows[k]])) + np.arange(0, BARE_MM, STEP_MM)[:, None] * way
        column, row = np.round(flat.px_from_mm(points)).astype(int).T
        within = (column >= 0) & (row >= 0) & (column < field.inside.shape[1]) & (row < field.inside.shape[0])
        if within.all() and field.inside[row, column].all() and drawn.tree.query(points)[0].min() > BARE_CLEAR_MM:
            strip = in_bytes(laid_along(points, False, field, flat))
            found.append(Strip(strip, np.zeros(len(strip) // CELL, int), bare=True))
        if len(found) == BARE:
            break
    return found


def in_bytes(shown: np.ndarray) -> np.ndarray:
    return np.round((shown - LIGHTEST) * KEPT).astype(np.uint16).clip(0, 255).astype(np.uint8)


def example(
    kinds: list[list[Strip]], shares: tuple[float, ...], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Strips of several kinds one after the other, as the network is shown them: (3, ROWS, COLUMNS); of each cell
    (1, ROWS / CELL, 1) whether it is ink, and whether that is asked."""
    shown: list[np.ndarray] = []
    ink: list[np.ndarray] = []
    while sum(map(len, shown)) < ROWS:
        kind = kinds[rng.choice(len(kinds), p=shares)]
        one, own = varied(kind[rng.integers(len(kind))], rng)
        shown.append(one)
        ink.append(own)
    told = np.concatenate(ink)[: ROWS // CELL, None]
    value = as_shown(np.concatenate(shown)[:ROWS].astype(np.float32))
    return value.transpose(2, 0, 1).copy(), (told == 1).astype(np.float32)[None], (told >= 0).astype(np.float32)[None]


def varied(strip: Strip, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Part of a strip, turned, stronger or weaker, noisy and laid a little aside, as values and its cells' ink."""
    shown, ink = strip.shown, strip.ink
    if strip.bare and rng.random() < PAINTED:
        shown, ink = painted(shown, rng) if rng.random() < 0.5 else (marked(shown, rng), ink)
    if rng.random() < 0.5:
        shown = shown[:, ::-1]
    if rng.random() < 0.5:
        shown, ink = shown[::-1], ink[::-1]
    if len(shown) > LONGEST:
        first = int(rng.integers(0, (len(shown) - LONGEST) // CELL + 1))
        shown, ink = shown[first * CELL :][:LONGEST], ink[first : first + LONGEST // CELL]
    shown = shown * np.exp(rng.normal(0, 0.15))
    if rng.random() < 0.3:
        shown = shown + rng.normal(0, rng.uniform(0.005, 0.03), shown.shape)
    aside = np.array([[1, 0, rng.normal(0, 0.12) / ACROSS_MM], [0, 1, 0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    whole = np.ascontiguousarray(shown, np.float32)
    return cv2.warpAffine(whole, aside, whole.shape[1::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE), ink


def painted(shown: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A strip of bare shell with a drawn line on it, which often begins or ends there."""
    rows = np.arange(len(shown))
    first = rng.uniform(0, len(rows) / 2) if rng.random() < 0.4 else -1e3
    last = rng.uniform(len(rows) / 2, len(rows)) if rng.random() < 0.4 else 1e3
    on = np.clip(np.minimum(rows - first, last - rows) + 0.5, 0, 1)
    cover = across(rng.normal(0, 0.15) + wavering(rng, len(rows), 0.1), rng.uniform(*PENS_MM), rng)
    uneven = np.clip(rng.uniform(0, 0.3) * wavering(rng, len(rows), 1.0), -0.5, 0.5)
    deep = np.exp(rng.uniform(*np.log(TIPS))) * (1 + uneven)
    tint = np.ones(3) if rng.random() < 0.6 else rng.uniform(0.3, 1, 3)
    tint = tint / tint.max()
    told = on.reshape(-1, CELL)
    ink = np.where((told == 1).all(1), 1, np.where((told == 0).all(1), 0, -1))
    return shown + (deep * on)[:, None, None] * cover[..., None] * tint, ink


def marked(shown: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A strip of bare shell with something on it that is no ink: an edge of tape, a scratch, a crease, a shadow."""
    kind, middle = rng.integers(4), rng.normal(0, 0.15) + wavering(rng, len(shown), 0.1)
    deep = np.exp(rng.uniform(*np.log(FAINT)))
    off = offsets()[None] - middle[:, None]
    if kind == 0:  # the shadow of an edge, with tape of another grey to one side
        over = deep * across(middle, rng.uniform(*THIN_MM), rng) + rng.uniform(-0.3, 0.3) * (off > 0)
    elif kind == 1:  # one flank of a crease is dark, the other bright
        wide = rng.uniform(0.3, 1.0)
        over = deep * off / wide * np.exp(0.5 - 0.5 * (off / wide) ** 2)
    elif kind == 2:  # in glare both flanks are dark and the crest is bright
        wide = rng.uniform(0.4, 1.0)
        over = deep * ((off / wide) ** 2 - rng.uniform(0.3, 1.0)) * np.exp(1 - (off / wide) ** 2)
    else:
        over = 0.5 * deep * np.exp(-0.5 * (off / rng.uniform(1.8, 4.0)) ** 2)
    return shown + over[..., None]


def across(middle: np.ndarray, wide_mm: float, rng: np.random.Generator) -> np.ndarray:
    """How far a line covers each pixel of a strip (rows, COLUMNS), blurred as a photo is."""
    blur = rng.uniform(*BLUR_MM)
    beyond = np.abs(offsets()[None] - middle[:, None]) - wide_mm / 2
    return 1 / (1 + np.exp(np.clip(beyond / (0.55 * blur), -30, 30)))


def offsets() -> np.ndarray:
    """Where (mm) the columns of a strip lie."""
    return (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * ACROSS_MM


def wavering(rng: np.random.Generator, count: int, size: float) -> np.ndarray:
    smooth = gaussian_filter1d(rng.normal(0, 1, count), rng.uniform(3, 20))
    return size * smooth / max(float(smooth.std()), 1e-9)
