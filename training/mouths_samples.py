"""Strips of generated scenes along lines that run inwards from the outline of a shell, and which of them are cuts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from edge_samples import from_above, paper
from ends_samples import FINE_MM, middle_of
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

PAINTED, TABLES_INK = 0.3, 0.6
"""Share of the others over which a line is drawn, for makers have pens of all colours, and of these in the table's
own."""

WIDE_MM, LONG_MM, SOFT_MM = (0.6, 2.4), (12.0, 80.0), 0.3
"""Such a line's width, how far in it reaches, and how soft its edges are."""


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


def strip(line: Line, rng: np.random.Generator) -> np.ndarray:
    """The network's input (8, ROWS, COLUMNS) for a line, laid about as well as the program lays it."""
    scale, turn = np.exp(rng.uniform(-0.12, 0.12)), np.deg2rad(rng.normal(0, 2.0))
    onwards = np.array([np.sin(turn), np.cos(turn)])
    aside = rng.choice([-1, 1]) * np.array([onwards[1], -onwards[0]])
    spot = line.mouth + rng.normal(0, [0.5, 0.7]) / FINE_MM
    value = _laid(line, spot, scale * onwards, scale * aside)
    if not line.cut and rng.random() < PAINTED:
        value = painted(value, rng)
    if rng.random() < 0.6:  # tables and tapes of other colours than the generator knows
        value = value @ (np.eye(3) + rng.normal(0, 0.12, (3, 3)))
    value = np.clip(value, 0, 1) ** np.exp(rng.normal(0, 0.1)) * np.exp(rng.normal(0, 0.15))
    if rng.random() < 0.4:
        value = cv2.GaussianBlur(value, (0, 0), sigmaX=rng.uniform(0.1, 0.3) / ACROSS_MM, sigmaY=0.3)
    if rng.random() < 0.5:
        value = value + rng.normal(0, rng.uniform(0.002, 0.015), value.shape)
    return as_told(np.clip(value, 0, 1).astype(np.float32))


def painted(value: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A strip with a line drawn from about the outline inwards, of one width, in ink of the table's own colours or of
    any."""
    along, across = (part[:, None] if turn == 0 else part[None] for turn, part in enumerate(places_mm()))
    middle = rng.normal(0, 0.3) + rng.normal(0, 0.03) * along + rng.normal(0, 5e-4) * along**2
    half = rng.uniform(*WIDE_MM) / 2 * (1 + 0.1 * gaussian_filter1d(rng.normal(0, 1, (ROWS, 1)), 4, axis=0))
    cover = np.clip((half - np.abs(across - middle)) / SOFT_MM + 0.5, 0, 1) * (along < rng.uniform(*LONG_MM))
    cover = cover * (along > rng.uniform(-0.5, 1.0)) * rng.uniform(0.6, 1.0)
    if rng.random() < TABLES_INK:
        table = value[TABLE_ROWS].reshape(-1, 3)
        usual = np.median(value[SHELL_ROWS].reshape(-1, 3), axis=0)
        some = table[rng.integers(len(table), size=8)] * np.exp(rng.normal(0, 0.25)) / np.maximum(usual, 0.02)
        through = np.clip(some[some.min(1).argmin()], 0.1, 1)  # the plainest on the shell
    else:
        through = np.minimum(rng.uniform(0.03, 0.25) + rng.uniform(0, 1.2) * rng.dirichlet(np.full(3, 0.5)), 1)
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
