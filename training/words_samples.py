"""What the second reader of the shell's edge is told of a generated scene: the first network's layers and word, and the
words of colours and tint that it teaches, as the program itself has them, with the exact mask.

Every scene is read as it is; of every third also with its shell on an invented table, for the words must be trusted on
tables of any kind, and of every third with lines in the table's own colours drawn over the shell, which all words take
for table.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from edge_samples import Sample, card_corners, coverage, drawn, from_above, on_invented_table, paper

from extract.doors import FlatView
from extract.ink.shell_view import coarser, grow, shrink, table_view
from extract.ink.silhouette_net import (
    ABOUT_MM,
    CARD_MARGIN_MM,
    CLIP,
    DETAIL,
    DETAILS,
    GREY,
    NET_MM,
    PAPER,
    SPREAD,
    WORD,
    shell_map,
    sight,
)
from extract.ink.silhouette_read import APART_MM, AROUND_MM, carried, words

PAPER_VALUE = 255 * PAPER
"""Card paper has this value in every picture here."""

FINE_MM = 0.25
"""Pixel of a scene as it is read: half of the network's."""

WORD_STEP = CLIP / 127
"""Words are kept as whole numbers of steps."""

MOST_CUTS = 8
"""Cuts added to a shell that is laid on an invented table."""

MOST_INKS, INK_LIGHT, LEAST_THROUGH = 32, 0.25, 0.2
"""So many places of the table give inks, of which the lighter half, hardly to be seen on the shell, is left out; sd of
the logarithm of how much lighter or darker an ink is than the table; and the least value, of that of bare tape, that
any leaves."""

COLOURS, ALIKE, WORDS, SHARE, FINE = slice(0, 3), slice(3, 8), slice(8, 11), 11, slice(12, 16)
"""Layers of a told scene."""


def read_view(photo_file: Path) -> tuple[FlatView, np.ndarray]:
    """A generated scene from above at FINE_MM, its card paper at PAPER_VALUE, and its shell's ring in pixels."""
    above, ring = from_above(photo_file, AROUND_MM, FINE_MM, 64)
    value = np.clip(above.seen * (PAPER_VALUE / paper(above)), 0, 255).astype(np.uint8)
    outlines = tuple(above.place(card[:, :2]) * FINE_MM for card in card_corners(above.truth))
    return FlatView(value, FINE_MM, (0.0, 0.0), above.inside, outlines), above.place(ring)


def told(flat: FlatView, shell: np.ndarray) -> np.ndarray:
    """All layers (H, W, 16) as bytes for ``flat`` (2H, 2W), whose shell covers the share ``shell`` of each pixel:
    colours, likenesses (1 to 255 for -1 to 1), words (in WORD_STEP about 128), the share itself, and the values of the
    pixel's quarters."""
    white = np.full(3, PAPER_VALUE, np.float32)
    view = table_view(shrink(flat, 1.0), white, CARD_MARGIN_MM)
    coarse = coarser(view, 6)
    blob = carried(shell, flat, coarse.flat) > 0.5
    apart = grow(blob, APART_MM / coarse.flat.mm_per_px)
    seen = sight(flat, white, lambda part: carried(apart, coarse.flat, part) < 0.5)
    said = words(shell_map(seen), view, carried(blob, coarse.flat, view.flat) > 0.5, white)
    alike = np.dstack(seen.layers[3:]) / 2 + 0.5
    steps = np.dstack([said.net.odds, said.colours, said.tint]) / WORD_STEP + 128
    share = cv2.resize(shell, seen.seen.shape[::-1], interpolation=cv2.INTER_AREA)
    parts = seen.flat.pixels, alike * 255, steps, share[..., None] * 255, split(flat.pixels[..., 1])
    return np.dstack([np.clip(np.round(part), 0, 255).astype(np.uint8) for part in parts])


def split(fine: np.ndarray) -> np.ndarray:
    """(2H, 2W) to (H, W, 4), the quarters of each pixel row by row."""
    return np.stack([fine[row::2, column::2] for row in (0, 1) for column in (0, 1)], axis=-1)


def joined(quarters: np.ndarray) -> np.ndarray:
    """(H, W, 4) to (2H, 2W), as ``split`` takes it apart."""
    height, width = quarters.shape[:2]
    return quarters.reshape(height, width, 2, 2).transpose(0, 2, 1, 3).reshape(2 * height, 2 * width)


def told_twice(photo_file: Path, seed: int) -> list[np.ndarray]:
    """The scene as it is, and changed."""
    rng = np.random.default_rng(seed)
    flat, ring = read_view(photo_file)
    shell = coverage([ring], flat.valid.shape, 2)
    own = told(flat, shell)
    if seed % 3 == 2:
        return [own]
    value = flat.pixels.astype(np.float32) / 255
    colour = np.median(value[shell > 0.99][::50], axis=0)
    if seed % 3 == 1:
        drawn_on = inked_as_table(value, shell, colour, rng)
        return [own, told(replace(flat, pixels=np.round(drawn_on * 255).astype(np.uint8)), shell)]
    inside = ((ring > 0) & (ring < shell.shape[::-1])).all(1)
    other = on_invented_table(Sample(value, shell, ring[inside], colour, None), rng, MOST_CUTS, FINE_MM)
    seen = other.value if rng.random() < 0.5 else inked_as_table(other.value, other.shell, colour, rng)
    lit = np.clip(seen + rng.normal(0, rng.uniform(0.002, 0.015), seen.shape), 0, 1)
    invented = FlatView(np.round(lit * 255).astype(np.uint8), FINE_MM, (0.0, 0.0), np.ones(shell.shape, bool), ())
    return [own, told(invented, other.shell)]


def inked_as_table(value: np.ndarray, shell: np.ndarray, colour: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The values (H, W, 3) with strokes drawn over the shell of the median ``colour``, in inks that let it look like
    its table."""
    table = value[(shell == 0) & (value.max(-1) < PAPER)]  # no card
    some = table[rng.integers(len(table), size=MOST_INKS)] * np.exp(rng.normal(0, INK_LIGHT, (MOST_INKS, 1)))
    pigments = np.clip(some / colour, LEAST_THROUGH, 1)
    darkest = pigments[np.argsort(pigments.min(1))[: MOST_INKS // 2]]
    return np.asarray(value * drawn(shell, rng, darkest, round(NET_MM / FINE_MM), rng.uniform(0, 0.15)), np.float32)


def keep(scenes: Path, folder: Path) -> None:
    """Every scene as told, as files in ``folder``, if they are not there."""
    folder.mkdir(exist_ok=True)
    for photo_file in sorted(scenes.glob("*.jpg")):
        if not (folder / f"{photo_file.stem}.0.npy").exists():
            for which, one in enumerate(told_twice(photo_file, int(photo_file.stem.rpartition("_")[2]))):
                np.save(folder / f"{photo_file.stem}.{which}.npy", about_shell(one))


def about_shell(scene: np.ndarray) -> np.ndarray:
    """The part of a told scene that the network is asked about."""
    x, y, width, height = cv2.boundingRect((scene[..., SHARE] > 0).astype(np.uint8))
    room = round(2 * ABOUT_MM / NET_MM)
    return scene[max(0, y - room) : y + height + room, max(0, x - room) : x + width + room]


def patch(scene: np.ndarray, middle: np.ndarray, side: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A told scene about ``middle`` (px), turned and scaled: the network's input (side, side, 15) and the shell's
    share."""
    scale = np.exp(rng.uniform(-0.12, 0.12))
    turn = rng.uniform(0, 2 * np.pi) if rng.random() < 0.5 else rng.integers(4) * np.pi / 2
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag([rng.choice([-1, 1]), 1])
    turned = turned / scale
    aim = np.clip(middle + rng.normal(0, side / 6, 2), 0, np.array(scene.shape[1::-1]) - 1)
    reach = int(side * 0.85)
    low = np.clip(aim.astype(int) - reach, 0, None)
    part = np.asarray(scene[low[1] : int(aim[1]) + reach, low[0] : int(aim[0]) + reach], np.float32)
    move = np.c_[turned, aim - low - turned @ np.full(2, side / 2)]
    layers = np.dstack([warped(part[..., four : four + 4], move, side) for four in (0, 4, 8)])
    # the same way in half the pixels, whose centres lie a quarter off
    finer = np.c_[move[:, :2], 2 * move[:, 2] + 0.5 - move[:, :2] @ np.full(2, 0.5)]
    fine = split(warped(joined(part[..., FINE]), finer, 2 * side)) / 255
    value, alike, said = (layers[..., part] for part in (COLOURS, ALIKE, WORDS))
    gain = np.exp(rng.normal(0, 0.1)) * (1 + rng.normal(0, 0.02, 3))
    gamma = np.exp(rng.normal(0, 0.08))
    seen = np.clip((value / 255) ** gamma * gain, 0, 1).astype(np.float32)
    quarter = np.clip(fine**gamma * gain[1], 0, 1)
    detail = (quarter - quarter.mean(-1, keepdims=True)) / DETAIL
    if rng.random() < 0.35:  # a blurred photo, or one so coarse that nothing finer than a pixel is told
        detail = detail * rng.choice([0.0, rng.uniform(0, 1)])
    if rng.random() < 0.2:  # plain tape: without creases, weave and grain, though the words still know it
        plain = (rng.uniform(0.3, 1.0) * layers[..., SHARE, None] / 255).astype(np.float32)
        seen = seen + plain * (cv2.GaussianBlur(seen, (0, 0), 6.0) - seen)
        detail = detail * (1 - plain)
    likeness, odds = 2 * alike / 255 - 1, (said - 128) * (WORD_STEP * WORD)
    told = (seen - GREY) / SPREAD, likeness, odds, np.clip(detail, -DETAILS, DETAILS)
    return np.dstack(told).astype(np.float32), layers[..., -1] / 255


def warped(part: np.ndarray, move: np.ndarray, side: int) -> np.ndarray:
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(part, move, (side, side), flags=flags, borderMode=cv2.BORDER_REFLECT_101)
