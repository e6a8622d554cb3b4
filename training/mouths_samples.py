"""Strips of generated scenes along lines that run inwards from the outline of a shell, and which of them are cuts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from edge_samples import from_above, paper
from ends_samples import FINE_MM, covered, ink, middle_of, shares
from scipy.ndimage import gaussian_filter1d

from extract.doors import FlatView
from extract.ink.silhouette_mouths import (
    ACROSS_MM,
    ALONG_MM,
    COLUMNS,
    ROWS,
    SHELL_ROWS,
    TABLE_ROWS,
    Mouth,
    as_told,
    filled,
    mouths,
    places_mm,
)
from extract.ink.silhouette_net import PAPER

ROOM_MM = 80.0
"""What is kept of the scene around the shell."""

OUTSIDE_MM, INSIDE_MM, BESIDE_MM = 14.0, 64.0, 11.0
"""What is kept of the picture about a mouth: enough for any strip that is laid with an error."""

WIDEST_MM = 7.0
"""Into wider cuts the outline runs."""

AIM_MM = 20.0
"""The way a cut takes is told by so much of it."""

MET_MM, MET_COS = 5.0, np.cos(np.radians(12))
"""A line that begins so near a cut's mouth and runs its way is that cut."""

CLEAR_MM = 10.0
"""One that begins farther from any is none; of what lies between nothing is said."""

HALF_CUTS = 0.5
"""Share of cuts among the strips."""

CUT_IN, MOUTH_MM, DEPTH_MM = 0.4, (1.2, 7.0), (20.0, 150.0)
"""Share of the cuts that are painted where a line is none, for scenes have few narrow ones: so wide at their mouth, and
so deep."""

SHADE, SHADE_MM, BLUR_MM, PARTS = 0.8, (0.1, 0.8), (0.1, 0.3), 6
"""The side of such a cut that is away from the lamp takes up to so much of the light, less and less over so far; how
soft it is seen, and how much finer than the strip's columns it is painted."""

PAINTED, TABLES_INK = 0.3, 0.6
"""Share of the others over which a line is drawn, for makers have pens of all colours, and of these in the table's
own."""

WIDE_MM, LONG_MM = ((0.2, 0.5), (1.0, 2.5)), (12.0, 80.0)
"""The width of such a line, an edge of tape's or a pen's, and how far in it reaches."""


@dataclass(frozen=True, eq=False)
class Line:
    """The picture about a mouth, turned so that the line runs down it: bytes (H, W, 3) with card paper at PAPER, the
    ``mouth`` (column, row), and whether it is a ``cut``."""

    value: np.ndarray
    mouth: np.ndarray
    cut: bool


def read_lines(photo_file: Path) -> list[Line]:
    """The plainest lines inwards of a generated scene, and all its narrow cuts as the truth has them."""
    above, ring = from_above(photo_file, ROOM_MM, FINE_MM)
    flat = FlatView(above.seen, FINE_MM, (0.0, 0.0), above.inside)
    white = PAPER * 255 / paper(above)
    ring_px = above.place(ring)
    exact = np.array(above.truth["silhouette"]["exact_points"])
    cuts: list[Mouth] = []
    wide_ones: list[Mouth] = []
    for dart in above.truth["silhouette"]["darts"]:
        apex = int(np.hypot(*(exact - dart["apex"]).T).argmin())
        middle, wide = middle_of(ring_px, apex, dart["depth_mm"])
        aim = middle[max(0, len(middle) - 1 - round(AIM_MM / (FINE_MM * np.hypot(*np.diff(middle, axis=0).T).mean())))]
        way = aim - middle[-1]
        mouth = Mouth(middle[-1] * FINE_MM, way / np.hypot(*way))
        (cuts if wide[-1] < WIDEST_MM else wide_ones).append(mouth)
    found = [turned(flat, white, mouth, True) for mouth in cuts]
    uncut = filled(ring_px * FINE_MM, WIDEST_MM / 2)  # the program does not know of narrow cuts
    for line in mouths(flat, uncut):
        met = [np.hypot(*(line.at - cut.at)) < MET_MM and line.axis @ cut.axis > MET_COS for cut in cuts]
        if any(met) or all(np.hypot(*(line.at - cut.at)) > CLEAR_MM for cut in (*cuts, *wide_ones)):
            found.append(turned(flat, white, line, any(met)))
    return found


def turned(flat: FlatView, white: np.ndarray, mouth: Mouth, cut: bool) -> Line:
    aside = np.array([-mouth.axis[1], mouth.axis[0]])
    at = np.array([BESIDE_MM, OUTSIDE_MM]) / FINE_MM
    size = round(2 * BESIDE_MM / FINE_MM), round((OUTSIDE_MM + INSIDE_MM) / FINE_MM)
    turn = np.stack([aside, mouth.axis], axis=1)
    move = np.c_[turn, mouth.at / FINE_MM - turn @ at]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    part = cv2.warpAffine(flat.pixels, move, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return Line(np.clip(part.astype(np.float32) * white, 0, 255).astype(np.uint8), at, cut)


def strip_at(line: Line) -> np.ndarray:
    """The strip (ROWS, COLUMNS, 3), 0 to 1, along a line."""
    return _laid(line, line.mouth, np.array([0.0, 1.0]), np.array([1.0, 0.0]))


def strip(line: Line, rng: np.random.Generator, cut_in: bool = False) -> np.ndarray:
    """The network's input (8, ROWS, COLUMNS) for a line, laid about as well as the program lays it; a cut is painted in
    its place where one is to be ``cut_in``."""
    scale, turn = np.exp(rng.uniform(-0.12, 0.12)), np.deg2rad(rng.normal(0, 2.0))
    onwards = np.array([np.sin(turn), np.cos(turn)])
    aside = rng.choice([-1, 1]) * np.array([onwards[1], -onwards[0]])
    spot = line.mouth + rng.normal(0, [0.5, 0.7]) / FINE_MM
    value = _laid(line, spot, scale * onwards, scale * aside)
    if cut_in:
        value = with_cut(value, rng)
    elif not line.cut and rng.random() < PAINTED:
        value = painted(value, rng)
    if rng.random() < 0.6:  # tables and tapes of other colours than the generator knows
        value = value @ (np.eye(3) + rng.normal(0, 0.12, (3, 3)))
    value = np.clip(value, 0, 1) ** np.exp(rng.normal(0, 0.1)) * np.exp(rng.normal(0, 0.15))
    if rng.random() < 0.4:
        value = cv2.GaussianBlur(value, (0, 0), sigmaX=rng.uniform(0.1, 0.3) / ACROSS_MM, sigmaY=0.3)
    if rng.random() < 0.5:
        value = value + rng.normal(0, rng.uniform(0.002, 0.015), value.shape)
    return as_told(np.clip(value, 0, 1).astype(np.float32))


def with_cut(value: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A strip with a narrow cut from the outline inwards, through which its table is seen."""
    along, across = places_mm()
    depth = along[:, None] + rng.normal(0, 0.7)
    x = (across[0] + (np.arange(0.5, COLUMNS * PARTS) / PARTS - 0.5) * ACROSS_MM)[None]
    waver = gaussian_filter1d(rng.normal(0, 1, (ROWS, 2)), rng.uniform(3, 18), axis=0)
    waver = waver / waver.std(0) * rng.uniform(0, 0.15)
    middle = rng.normal(0, 0.5) + rng.normal(0, 0.03) * depth + rng.normal(0, 3e-4) * depth**2
    wide, deep = (np.exp(rng.uniform(*np.log(some))) for some in (MOUTH_MM, DEPTH_MM))
    half = wide / 2 * (1 - depth / deep)
    left, right = middle - half + waver[:, :1], middle + half + waver[:, 1:]
    table = value[np.pad(np.arange(TABLE_ROWS.stop), (0, ROWS - TABLE_ROWS.stop), "reflect")]
    far = x - left if rng.random() < 0.5 else right - x
    shade = 1 - rng.uniform(0, SHADE) * np.exp(-np.maximum(far, 0) / rng.uniform(*SHADE_MM)) * (depth > 0)
    inside = (x > left) & (x < right)
    blur_mm = rng.uniform(*BLUR_MM)
    lit, cover = (shares(part, (ROWS, COLUMNS), (ALONG_MM, ACROSS_MM), blur_mm) for part in (inside * shade, inside))
    return value * (1 - cover) + table * lit


def painted(value: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A strip with a line drawn from about the outline inwards, of one width, in ink of the table's own colours or of
    any."""
    along, across = (part[:, None] if turn == 0 else part[None] for turn, part in enumerate(places_mm()))
    middle = rng.normal(0, 0.3) + rng.normal(0, 0.03) * along + rng.normal(0, 5e-4) * along**2
    uneven = 1 + 0.1 * gaussian_filter1d(rng.normal(0, 1, (ROWS, 1)), 4, axis=0)
    half = rng.uniform(*WIDE_MM[rng.integers(2)]) / 2 * uneven
    cover = covered(across - middle, half) * (along < rng.uniform(*LONG_MM))
    cover = cover * (along > rng.uniform(-0.5, 1.0)) * rng.uniform(0.6, 1.0)
    if rng.random() < TABLES_INK:
        table = value[TABLE_ROWS].reshape(-1, 3)
        usual = np.median(value[SHELL_ROWS].reshape(-1, 3), axis=0)
        some = table[rng.integers(len(table), size=8)] * np.exp(rng.normal(0, 0.25)) / np.maximum(usual, 0.02)
        through = np.clip(some[some.min(1).argmin()], 0.1, 1)  # the plainest on the shell
    else:
        through = ink(rng)
    return value * (1 - cover[..., None] * (1 - through))


def _laid(line: Line, spot: np.ndarray, onwards: np.ndarray, aside: np.ndarray) -> np.ndarray:
    """Values of a strip whose mouth lies at ``spot``; a millimetre along and across it are ``onwards`` and ``aside``
    in the picture."""
    along, across = places_mm()
    step = np.stack([aside * ACROSS_MM, onwards * ALONG_MM], axis=1) / FINE_MM
    move = np.c_[step, spot + (across[0] * aside + along[0] * onwards) / FINE_MM]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpAffine(line.value, move, (COLUMNS, ROWS), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return seen.astype(np.float32) / 255
