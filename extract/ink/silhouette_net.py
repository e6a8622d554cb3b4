"""How far each place of the flat view looks like shell: two small trained networks.

``edge_net.onnx`` is trained by ``training/edge_net.py`` on scenes of our own generator, half of them with the table
exchanged for an invented one: it has to go by what a shell is, grey tape with its creases, edges and marker lines that
ends in a cut, and not by what tables there are. ``words_net.onnx``, by ``training/words_net.py``, is told besides what
the first one and the colours and tints of this very shell say, and what is finer than a pixel. Both run in OpenCV on
the CPU.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array, FlatView, Mask
from extract.ink.shell_view import Image, card_cover, shrink
from extract.ink.silhouette_table import table_likeness
from extract.ink.silhouette_tint import tint_likeness

NET_MM = 0.5
"""Pixel the network was trained at: a cut 1 mm wide is two of them."""

BLOCK = 32
"""The network halves its picture four times, after taking 2 x 2 pixels at once."""

WORTH = np.float32(2.0)
"""What the second network's log odds are worth: trained where it is hard to tell, it is too careful
(tests/bench/bench_words.py)."""

ABOUT_MM = 15.0
"""The second network looks so far round what the first takes for shell."""

PAPER = 0.75
"""What card paper counts for, 1 being the brightest value; the headroom is for glare."""

GREY, SPREAD = 0.4, 0.2
"""A tape's usual value, and how far values lie about it: the network's input is centred by them."""

CLIP = 6.0
"""Log odds beyond this are no surer: one in four hundred."""

DETAIL, DETAILS = 0.05, 3.0
"""Differences of value within a pixel are told in the first, and cut off at the second: creases of foil, its weave and
the face of a cut are finer than the network's pixels."""

COARSEST_MM = 0.35
"""A photo with larger pixels tells nothing finer than the network's, and would only seem smooth."""

WORD = 0.4
"""Words, log odds, are told the second network on the scale of its other layers."""

CARD_MARGIN_MM = 1.5
"""A card's paper, its bow and the shadow beside it reach this far past its outline."""


@dataclass(frozen=True, eq=False)
class ShellMap:
    """Log odds (H, W), clipped, that a pixel of ``flat`` (pixels of NET_MM) is shell and not table; table for certain
    where a card lies or the photo saw nothing."""

    flat: FlatView
    odds: Image

    def at(self, points_mm: Array) -> Image:
        """Log odds at points (..., 2), bilinear; table outside the picture."""
        shape = points_mm.shape[:-1]
        points = self.flat.px_from_mm(points_mm).astype(np.float32).reshape(max(1, shape[0]), -1, 2)
        seen = cv2.remap(self.odds, points, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-CLIP)
        return np.asarray(seen, np.float32).reshape(shape)


@dataclass(frozen=True, eq=False)
class Sight:
    """What the networks are told: ``layers`` (H, W) over ``flat`` (pixels of NET_MM), centred colours first, then how
    each pixel resembles the table; ``fine`` how much lighter each quarter of the pixel is than the whole (row by row);
    ``seen`` where the photo saw the table and no card lies."""

    flat: FlatView
    layers: tuple[Image, ...]
    fine: tuple[Image, ...]
    seen: Mask


def sight(flat: FlatView, white: Image, off_shell: Callable[[FlatView], Mask]) -> Sight:
    """The flat view as the network takes it; ``white`` is the BGR of card paper, ``off_shell`` says what of a view is
    table for certain (cards, too)."""
    finer = resized(flat, NET_MM / 2, 2 * BLOCK)
    small = shrink(finer, 2 * finer.mm_per_px)
    value = np.minimum(small.pixels.astype(np.float32) * (np.float32(PAPER) / white), 1.0)
    seen = small.valid & ~card_cover(small, CARD_MARGIN_MM)
    rim = seen & off_shell(small)
    with ThreadPoolExecutor(1) as beside:  # both leave the interpreter's lock most of the time
        tint = beside.submit(tint_likeness, value, rim, small.mm_per_px)
        table = table_likeness(value, rim)
        centred = cv2.split((value - np.float32(GREY)) / np.float32(SPREAD))
        fine = quarters(np.minimum(finer.pixels[..., 1] * np.float32(PAPER / white[1]), 1.0))
        if flat.mm_per_px > COARSEST_MM:
            fine = tuple(np.zeros_like(part) for part in fine)
        return Sight(small, (*centred, *table, *tint.result()), fine, seen)


def quarters(lightness: Image) -> tuple[Image, ...]:
    """How much lighter each quarter of a pixel is than the whole, four times (H, W), from values (2H, 2W) of 0 to 1."""
    parts = [lightness[row::2, column::2] for row, column in _PARTS]
    mean = sum(parts) / np.float32(4)
    return tuple(np.clip((part - mean) / np.float32(DETAIL), -DETAILS, DETAILS) for part in parts)


def shell_map(sight: Sight) -> ShellMap:
    """What the network says who knows shells, but not this one."""
    odds = _said("edge_net.onnx", sight.layers)
    odds[~sight.seen] = -CLIP
    return ShellMap(sight.flat, odds)


def words_map(sight: Sight, words: Sequence[Image], about: Mask) -> ShellMap:
    """What the network says who is told the ``words`` too, log odds (H, W): of the first one, which stands further off
    what the mask holds to be shell (``about``), of colours and of tint."""
    here = _box(about, round(ABOUT_MM / sight.flat.mm_per_px))
    layers = (*sight.layers, *(word * np.float32(WORD) for word in words), *sight.fine)
    odds = words[0].copy()
    odds[here] = np.clip(WORTH * _said("words_net.onnx", [layer[here] for layer in layers]), -CLIP, CLIP)
    odds[~sight.seen] = -CLIP
    return ShellMap(sight.flat, odds)


def _box(mask: Mask, margin_px: int) -> tuple[slice, slice]:
    """Rows and columns of the mask and its surroundings, in whole blocks of a picture that has so many."""
    x, y, width, height = cv2.boundingRect(mask.astype(np.uint8))
    ends = ((y, y + height), (x, x + width))
    rows, columns = (
        slice(max(0, low - margin_px) // BLOCK * BLOCK, min(side, -(-(high + margin_px) // BLOCK) * BLOCK))
        for side, (low, high) in zip(mask.shape, ends, strict=True)
    )
    return rows, columns


def network(name: str) -> cv2.dnn.Net:
    """A trained network of this folder."""
    return cv2.dnn.readNetFromONNX(str(Path(__file__).with_name(name)))


def _said(name: str, layers: Sequence[Image]) -> Image:
    net = network(name)
    net.setInput(_blocks(layers)[None])
    logits = net.forward()[0]
    odds = np.empty(layers[0].shape, np.float32)
    for part, (row, column) in zip(logits, _PARTS, strict=True):
        odds[row::2, column::2] = part
    return np.clip(odds, -CLIP, CLIP)


_PARTS = ((0, 0), (0, 1), (1, 0), (1, 1))


def _blocks(layers: Sequence[npt.NDArray[np.floating]]) -> Image:
    """C layers (2H, 2W) to (4C, H, W), the four pixels of each 2 x 2 block one after the other."""
    return np.stack([layer[row::2, column::2] for row, column in _PARTS for layer in layers], dtype=np.float32)


def resized(flat: FlatView, mm_per_px: float, blocks: int = BLOCK) -> FlatView:
    """The flat view at about ``mm_per_px``, grown at its right and lower rim to whole ``blocks``; what was not in the
    photo repeats the rim, and is not valid.

    The factor is a plain fraction and a rest at the rim is cut off, so that both axes shrink exactly alike."""
    factor = Fraction(flat.mm_per_px / mm_per_px).limit_denominator(12)
    height, width = (side // factor.denominator * factor.denominator for side in flat.valid.shape)
    inner = int(width * factor), int(height * factor)
    grown = (0, -inner[1] % blocks, 0, -inner[0] % blocks)
    pixels = cv2.resize(flat.pixels[:height, :width], inner, interpolation=cv2.INTER_AREA)
    seen = cv2.resize(flat.valid[:height, :width].astype(np.uint8) * 255, inner, interpolation=cv2.INTER_AREA)
    step = flat.mm_per_px / float(factor)
    shift = (step - flat.mm_per_px) / 2
    return FlatView(
        np.asarray(cv2.copyMakeBorder(pixels, *grown, cv2.BORDER_REPLICATE), np.uint8),
        step,
        (flat.origin_mm[0] + shift, flat.origin_mm[1] + shift),
        np.asarray(cv2.copyMakeBorder(seen, *grown, cv2.BORDER_CONSTANT, value=0) > 250, bool),
        flat.card_outlines_mm,
    )
