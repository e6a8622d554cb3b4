"""Strips of generated scenes along their relief cuts, with the exact place where each cut ends, and along what looks
like a cut and is none."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import ends_decoys
import numpy as np
from edge_samples import Above, from_above, paper
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from extract.ink.silhouette_ends import ACROSS_MM, ALONG_MM, CELL, COLUMNS, OPEN_ROW, ROWS, as_seen, places
from extract.ink.silhouette_net import PAPER

FINE_MM = 0.2
"""Pixel of a scene as it is read, about that of a photo."""

BEHIND_MM, BEYOND_MM, BESIDE_MM = 95.0, 78.0, 14.0
"""What is kept of the picture about a cut's end: enough for any strip that is laid with an error."""

MOST_SHORT_MM = 70.0
"""A strip shows the end of a cut that is open to 48 mm before it; past that the cut runs out of the strip."""

PAINTED = 0.35
"""Share of strips whose cut is painted on bare shell: tables, light and scissors other than the generator's."""

LINE_PAST = 0.3
"""Past so many of the cuts painted a dark line begins, as if to go on with them."""

DRAWN, TABLES_INK = 0.4, 0.6
"""So many of what is painted are lines, which are as wide at their end, and no cuts; so many of these are in the
table's own colour."""

CROSSED, AT_TIP, AT_TIP_MM, BESIDE_TIP_MM = 0.5, 0.6, 1.2, (-12.0, 30.0)
"""Share of strips across which a pen's line is painted, for that hides where a cut ends; so many of these lie about the
tip, with such a spread, the others so far before it or past it."""

CROSSING_MM, CROSSING_DEG, SOFT_MM, THINNED = (0.5, 2.2), 55.0, 0.3, (0.25, 1.0)
"""How wide such a line is, by how much it leans at most, how soft its edges are, and how thin its ink is to a full
stroke of the pen."""

EVEN_MM = 1.0
"""How light the shell beside a cut is, is told by about so much of it."""

TAPERS = (0.01, 0.45)
"""A cut painted narrows by so much per length."""

PARTS = 6
"""What is painted is so much finer than the strip's columns."""

SEEN_BLUR_MM = 0.15
"""How soft the generator's photos are, about."""

END_MM = (0.45, 0.3)
"""Spread along and across a cut of where its end is taken to be: no photo tells better."""


@dataclass(frozen=True, eq=False)
class Cut:
    """A cut in a picture that is turned so that the cut runs down it: ``value`` (H, W, 3) bytes with card paper at
    PAPER, the ``tip`` (column, row), its ``middle`` (N, 2) from the tip outwards and how ``wide`` (mm) it is there; of
    a ``decoy``, which is no cut, the same of the way it takes, without a width."""

    value: np.ndarray
    tip: np.ndarray
    middle: np.ndarray
    wide: np.ndarray
    decoy: bool = False


def read_cuts(photo_file: Path) -> list[Cut]:
    """All relief cuts of a generated scene, and decoys."""
    above, ring = from_above(photo_file, BESIDE_MM, FINE_MM)
    ring_px = above.place(ring)
    exact = np.array(above.truth["silhouette"]["exact_points"])
    white = PAPER * 255 / paper(above)
    cuts = [
        cut_at(above, white, ring_px, int(np.hypot(*(exact - dart["apex"]).T).argmin()), dart["depth_mm"])
        for dart in above.truth["silhouette"]["darts"]
    ]
    rng = np.random.default_rng(above.truth["seed"])
    for way in ends_decoys.ways(above, ring, white, rng):
        cuts.append(turned(above, white, above.place(way), np.zeros(len(way)), True))
    return cuts


def cut_at(above: Above, white: np.ndarray, ring_px: np.ndarray, apex: int, depth_mm: float) -> Cut:
    """The cut with its end at the ring's point ``apex``."""
    middle, wide = middle_of(ring_px, apex, depth_mm)
    return turned(above, white, middle, wide, False)


def middle_of(ring_px: np.ndarray, apex: int, depth_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The middle (N, 2) of a cut from its end at the ring's point ``apex`` to its mouth, and how wide (mm) it is."""
    away = np.arange(len(ring_px) // 2)
    left, right = ring_px[(apex - away) % len(ring_px)], ring_px[(apex + away) % len(ring_px)]
    middle = (left + right) / 2
    far_mm = np.hypot(*(middle - ring_px[apex]).T) * FINE_MM
    # past its mouth the sides part, and what lies halfway between them comes back
    ended = (far_mm >= depth_mm - 2.0) | (np.diff(far_mm, append=0) <= 0)
    count = int(ended.argmax())
    return middle[:count], np.hypot(*(left - right)[:count].T) * FINE_MM


def turned(above: Above, white: np.ndarray, middle: np.ndarray, wide: np.ndarray, decoy: bool) -> Cut:
    """What lies along a line (N, 2) of pixels, which begins at its tip, turned so that it runs down the picture."""
    back = middle[min(len(middle) - 1, round(15 / 0.9))] - middle[0]
    axis = -back / np.hypot(*back)
    turn = np.array([[axis[1], axis[0]], [-axis[0], axis[1]]])  # columns: across, along
    tip = np.array([BESIDE_MM, BEHIND_MM]) / FINE_MM
    size = round(2 * BESIDE_MM / FINE_MM), round((BEHIND_MM + BEYOND_MM) / FINE_MM)
    move = np.c_[turn, middle[0] - turn @ tip]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    part = cv2.warpAffine(above.seen, move, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    value = np.clip(part.astype(np.float32) * white, 0, 255).astype(np.uint8)
    return Cut(value, tip, (middle - middle[0]) @ turn + tip, wide, decoy)


def strip(cut: Cut, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """The network's input (5, ROWS, COLUMNS) for the cut, laid about as well as the program lays it, or for one painted
    past its end; and where it ends (ROWS / CELL, COLUMNS / CELL), which sums to 1, of a decoy to 0."""
    short_mm = rng.exponential(4.0) if rng.random() < 0.65 else rng.uniform(0, MOST_SHORT_MM)
    if rng.random() < 0.07:
        short_mm = -rng.uniform(0, 8)  # a line or a crease was taken for its last
    if cut.decoy:
        short_mm = rng.uniform(0, MOST_SHORT_MM)
    ends = not cut.decoy
    if rng.random() < PAINTED and not cut.decoy:
        seen = laid(cut, bare_spot(cut, rng), np.deg2rad(rng.normal(0, 4)), rng)[0]
        ends = rng.random() > DRAWN
        seen, tip = painted(seen, short_mm, rng) if ends else drawn(seen, table_seen(cut, rng), rng)
    else:
        spot, way = open_spot(cut, short_mm, rng)
        spot = spot + rng.normal(0, 0.3 / FINE_MM, 2)
        seen, move = laid(cut, spot, np.arctan2(*way) + np.deg2rad(rng.normal(0, 1.5)), rng)
        tip = np.linalg.solve(move[:, :2], cut.tip - move[:, 2])
        if rng.random() < CROSSED:
            seen = inked(seen, crossing(tip, rng), open_share(cut, move))
    gain = np.exp(rng.normal(0, 0.15)) * (1 + rng.normal(0, 0.03, 3))
    value = np.clip(seen ** np.exp(rng.normal(0, 0.1)) * gain, 0, 1)
    if rng.random() < 0.4:
        value = softer(value, rng.uniform(0.1, 0.3))
    if rng.random() < 0.5:
        value = value + rng.normal(0, rng.uniform(0.002, 0.015), value.shape)
    return as_seen(np.clip(value, 0, 1)), ending(tip) * np.float32(ends)


def open_spot(cut: Cut, short_mm: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A place (column, row) in the cut so far short of its tip, or past it, and which way it points there."""
    depth = np.hypot(*(cut.middle - cut.tip).T) * FINE_MM

    def at(deep_mm: float) -> np.ndarray:
        return cut.middle[min(int(np.searchsorted(depth, deep_mm)), len(depth) - 1)]

    if short_mm < 0:
        return cut.tip - np.array([0, short_mm / FINE_MM]), cut.tip - at(10.0)
    short_mm = min(short_mm, 0.8 * float(depth[-1]))
    way = at(short_mm) - at(short_mm + rng.uniform(4, 16))
    return at(short_mm), way if np.hypot(*way) > 1 else np.array([0.0, 1.0])


def bare_spot(cut: Cut, rng: np.random.Generator) -> np.ndarray:
    """A place from which a strip shows only what lies past the end of the cut."""
    return cut.tip + np.array([rng.uniform(-8, 8), 2.0 + OPEN_ROW * ALONG_MM]) / FINE_MM


def laid(cut: Cut, spot: np.ndarray, angle: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """The strip (ROWS, COLUMNS, 3), 0 to 1, of a cut that is open down to ``spot``, and where its pixels lie."""
    scale = np.exp(rng.uniform(-0.15, 0.15)) / FINE_MM
    onwards = np.array([np.sin(angle), np.cos(angle)])
    aside = rng.choice([-1, 1]) * np.array([onwards[1], -onwards[0]])
    along, across = places()
    step = np.stack([aside * ACROSS_MM, onwards * ALONG_MM], axis=1) * scale
    move = np.c_[step, spot + scale * (across[0] * aside + along[0] * onwards)]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpAffine(cut.value, move, (COLUMNS, ROWS), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return seen.astype(np.float32) / 255, move


def painted(shell: np.ndarray, short_mm: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A strip of bare shell with a cut painted on it that ends so far past its OPEN_ROW, and its tip (column, row)."""
    along, across = places()
    finer = np.arange(0.5, COLUMNS * PARTS) / PARTS - 0.5
    x = (across[0] + finer * ACROSS_MM)[None]
    short_mm = min(short_mm, float(along[-1]))
    deep, tip_mm = (short_mm - along)[:, None], rng.normal(0, 0.4)
    waver = gaussian_filter1d(rng.normal(0, 1, (ROWS, 2)), rng.uniform(4, 24), axis=0)
    waver = waver / waver.std(0) * np.minimum(deep / 10, 1) * rng.uniform(0, 0.15)
    middle = tip_mm + rng.normal(0, 0.026) * deep + rng.normal(0, 5e-4) * deep**2
    half = 0.5 * np.exp(rng.uniform(*np.log(TAPERS))) * deep
    left, right = middle - half + waver[:, :1], middle + half + waver[:, 1:]
    inside = (x > left) & (x < right) & (deep > 0)
    table = lit_table(np.median(shell, axis=(0, 1)), rng)
    if rng.random() < 0.7:
        shade = rng.uniform(0, 0.85) * np.exp(-np.maximum(x - left, 0) / rng.uniform(0.2, 2.0))
        table = table * (1 - shade[:, ::PARTS, None])
    blur_mm = rng.uniform(0.1, 0.3)
    if rng.random() < LINE_PAST:
        begin, wide = short_mm + rng.uniform(0.8, 6), rng.uniform(0.2, 1.2)
        on = (along > begin) & (along < begin + np.exp(rng.uniform(0, 3.5)))
        aside = np.abs(x - tip_mm - rng.normal(0, 0.4) - rng.normal(0, 0.1) * (along[:, None] - begin))
        takes = rng.uniform(0.2, 0.8) * (1 + rng.choice([0, 0.6]) * rng.uniform(-1, 1, 3))
        shell = shell * (1 - np.clip(takes, 0, 0.95) * averaged((aside < wide) & on[:, None], blur_mm))
    cover = averaged(inside, blur_mm)
    tip = np.array([np.interp(tip_mm, across, np.arange(COLUMNS)), OPEN_ROW + short_mm / ALONG_MM])
    if rng.random() < CROSSED:
        shell = shell * crossing(tip, rng)
    return (shell + cover * (table - shell)).astype(np.float32), tip


def table_seen(cut: Cut, rng: np.random.Generator) -> np.ndarray:
    """The table's colour (3,), 0 to 1, somewhere in the wider half of a cut."""
    column, row = np.round(cut.middle[rng.integers(len(cut.middle) // 2, len(cut.middle))]).astype(int)
    height, width = cut.value.shape[:2]
    return cut.value[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)].astype(np.float32) / 255


def drawn(shell: np.ndarray, table: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A strip of bare shell with a line of a pen's width drawn down it, often in the colour of the ``table`` (3,) or up
    to another line, and where that ends (column, row)."""
    along, across = places()
    finer = np.arange(0.5, COLUMNS * PARTS) / PARTS - 0.5
    x = (across[0] + finer * ACROSS_MM)[None]
    end_mm = rng.uniform(2, 2 * along[-1])
    middle = rng.normal(0, 0.4) + (rng.normal(0, 0.03) * along + rng.normal(0, 5e-4) * along**2)[:, None]
    half = rng.uniform(0.35, 1.3) * (1 + 0.1 * gaussian_filter1d(rng.normal(0, 1, (ROWS, 1)), 4, axis=0))
    cover = averaged((np.abs(x - middle) < half) & (along < end_mm)[:, None], rng.uniform(0.1, 0.3))
    left = np.clip(rng.uniform(0.05, 0.7) + rng.choice([0, 0.15, 0.5]) * rng.uniform(-1, 1, 3), 0.02, 0.9)
    tip = np.array([COLUMNS / 2, OPEN_ROW + end_mm / ALONG_MM])
    if rng.random() < TABLES_INK:
        usual = np.maximum(np.median(shell, axis=(0, 1)), 0.02)
        left = np.clip(table * np.exp(rng.normal(0, 0.2)) / usual, 0.05, 1)
    if rng.random() < CROSSED:
        shell = shell * crossing(tip, rng)
    return (shell * (1 - cover * (1 - left))).astype(np.float32), tip


def crossing(tip: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What a pen's line across a strip, often over the ``tip`` (column, row) of a cut, lets through (ROWS, COLUMNS,
    3)."""
    along, across = places()
    past_mm = rng.normal(0, AT_TIP_MM) if rng.random() < AT_TIP else rng.uniform(*BESIDE_TIP_MM)
    begun = along[0] + tip[1] * ALONG_MM + past_mm
    lean, x = np.deg2rad(rng.uniform(-CROSSING_DEG, CROSSING_DEG)), across - across[0] - tip[0] * ACROSS_MM
    middle = begun + np.tan(lean) * x + rng.normal(0, 0.01) * x**2
    half = rng.uniform(*CROSSING_MM) / 2 * (1 + 0.1 * gaussian_filter1d(rng.normal(0, 1, COLUMNS), 4))
    cover = covered(np.cos(lean) * (along[:, None] - middle), half)
    return 1 - cover[..., None] * (1 - ink(rng) ** rng.uniform(*THINNED))


def covered(off_mm: np.ndarray, half_mm: np.ndarray) -> np.ndarray:
    """How far a stroke of such half a width covers what lies so far off its middle."""
    return np.clip((half_mm - np.abs(off_mm)) / SOFT_MM + 0.5, 0, 1)


def ink(rng: np.random.Generator) -> np.ndarray:
    """What a pen of any colour lets through (3,): most are dark, for makers have pens of all colours."""
    return np.minimum(rng.uniform(0.03, 0.25) + rng.uniform(0, 1.2) * rng.dirichlet(np.full(3, 0.5)), 1)


def inked(seen: np.ndarray, through: np.ndarray, opened: np.ndarray) -> np.ndarray:
    """A strip with ink on its shell, but none on the table that shows where it is ``opened`` (ROWS, COLUMNS, 1)."""
    whole = opened < 0.02
    usual = np.tile(np.median(seen[OPEN_ROW:], axis=(0, 1)), (ROWS, 1))
    some = whole.any(axis=(1, 2))
    usual[some] = np.nanmedian(np.where(whole, seen, np.nan)[some], axis=1)
    usual = gaussian_filter1d(usual, EVEN_MM / ALONG_MM, axis=0)[:, None]
    return np.maximum(seen - (1 - opened) * (1 - through) * np.where(whole, seen, usual), 0).astype(np.float32)


def open_share(cut: Cut, move: np.ndarray) -> np.ndarray:
    """Share (ROWS, COLUMNS, 1) of each pixel of a strip, laid as ``move`` tells, that is open; none of a decoy."""
    way = np.gradient(cut.middle, axis=0)
    aside = np.stack([-way[:, 1], way[:, 0]], axis=1) / np.hypot(*way.T)[:, None] * cut.wide[:, None] / (2 * FINE_MM)
    sides = np.vstack([cut.middle - aside, (cut.middle + aside)[::-1]])
    places_px = np.linalg.solve(move[:, :2], (sides - move[:, 2]).T).T
    finer = (places_px + 0.5) * PARTS - 0.5
    opened = np.zeros((ROWS * PARTS, COLUMNS * PARTS), np.uint8)
    cv2.fillPoly(opened, [np.round(finer).astype(np.int32)], 1)
    return averaged(opened * np.float32(not cut.decoy), SEEN_BLUR_MM)


def averaged(fine: np.ndarray, blur_mm: float) -> np.ndarray:
    """Share (ROWS, COLUMNS, 1) of each pixel of the strip that is covered, as blurred as a photo is."""
    return shares(fine, (ROWS, COLUMNS), (ALONG_MM, ACROSS_MM), blur_mm)


def shares(fine: np.ndarray, shape: tuple[int, int], pixel_mm: tuple[float, float], blur_mm: float) -> np.ndarray:
    """Share (*shape, 1) of each pixel, so high and wide, that finer ones cover, as blurred as a photo is."""
    share = cv2.resize(fine.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)
    along_mm, across_mm = pixel_mm
    return cv2.GaussianBlur(share, (0, 0), sigmaX=blur_mm / across_mm, sigmaY=blur_mm / along_mm)[..., None]


def lit_table(shell: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A table (ROWS, COLUMNS, 3) of any colour, often near the shell's, mottled or plain."""
    colour = rng.uniform(0.03, 0.9) * (1 + rng.uniform(0, 0.8) * rng.uniform(-1, 1, 3))
    if rng.random() < 0.35:
        colour = shell * rng.uniform(0.7, 1.4) + rng.normal(0, 0.012, 3)
    mottle = gaussian_filter(rng.normal(0, 1, (ROWS, COLUMNS)), np.exp(rng.uniform(0, 3)) / np.array([1, 2]))
    mottle = mottle / mottle.std() * rng.choice([0, 0.03, 0.1, 0.3]) * rng.uniform(0.3, 1)
    return np.clip(colour * (1 + mottle[..., None]), 0.01, 1)


def softer(value: np.ndarray, mm: float) -> np.ndarray:
    return cv2.GaussianBlur(value, (0, 0), sigmaX=mm / ACROSS_MM, sigmaY=mm / ALONG_MM)


def ending(tip: np.ndarray) -> np.ndarray:
    """Where the end at ``tip`` (column, row of the strip) is taken to be."""
    row, column = (np.arange(count // CELL) * CELL + (CELL - 1) / 2 for count in (ROWS, COLUMNS))
    tip = np.clip(tip, 0, [COLUMNS - 1, ROWS - 1])
    down = np.exp(-0.5 * ((row - tip[1]) * ALONG_MM / END_MM[0]) ** 2)
    over = np.exp(-0.5 * ((column - tip[0]) * ACROSS_MM / END_MM[1]) ** 2)
    both = down[:, None] * over[None] + 1e-12
    return (both / both.sum()).astype(np.float32)
