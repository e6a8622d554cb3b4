"""How far each place of the flat view looks like shell: a small trained network.

``edge_net.onnx`` is trained by ``training/edge_net.py`` on scenes of our own generator, half of them with the table
exchanged for an invented one: it has to go by what a shell is, grey tape with its creases, edges and marker lines that
ends in a cut, and not by what tables there are. It runs in OpenCV on the CPU.
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
from extract.ink.shell_view import Image, card_cover
from extract.ink.silhouette_table import table_likeness
from extract.ink.silhouette_tint import tint_likeness

NET_MM = 0.5
"""Pixel the network was trained at: a cut 1 mm wide is two of them."""

BLOCK = 32
"""The network halves its picture four times, after taking 2 x 2 pixels at once."""

PAPER = 0.75
"""What card paper counts for, 1 being the brightest value; the headroom is for glare."""

GREY, SPREAD = 0.4, 0.2
"""A tape's usual value, and how far values lie about it: the network's input is centred by them."""

CLIP = 6.0
"""Log odds beyond this are no surer: one in four hundred."""

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


def shell_map(flat: FlatView, white: Image, off_shell: Callable[[FlatView], Mask]) -> ShellMap:
    """Run the network over the flat view; ``white`` is the BGR of card paper, ``off_shell`` says what of a view is
    table for certain (cards, too)."""
    small = resized(flat, NET_MM)
    value = np.minimum(small.pixels.astype(np.float32) * (np.float32(PAPER) / white), 1.0)
    seen = small.valid & ~card_cover(small, CARD_MARGIN_MM)
    rim = seen & off_shell(small)
    with ThreadPoolExecutor(1) as beside:  # both leave the interpreter's lock most of the time
        tint = beside.submit(tint_likeness, value, rim, small.mm_per_px)
        table = table_likeness(value, rim)
        centred = cv2.split((value - np.float32(GREY)) / np.float32(SPREAD))
        layers = [*centred, *table, *tint.result()]
    net = cv2.dnn.readNetFromONNX(str(Path(__file__).with_name("edge_net.onnx")))
    net.setInput(_blocks(layers)[None])
    logits = net.forward()[0]
    odds = np.empty(small.valid.shape, np.float32)
    for part, (row, column) in zip(logits, _PARTS, strict=True):
        odds[row::2, column::2] = part
    odds = np.clip(odds, -CLIP, CLIP)
    odds[~seen] = -CLIP
    return ShellMap(small, odds)


_PARTS = ((0, 0), (0, 1), (1, 0), (1, 1))


def _blocks(layers: Sequence[npt.NDArray[np.floating]]) -> Image:
    """C layers (2H, 2W) to (4C, H, W), the four pixels of each 2 x 2 block one after the other."""
    return np.stack([layer[row::2, column::2] for row, column in _PARTS for layer in layers], dtype=np.float32)


def resized(flat: FlatView, mm_per_px: float) -> FlatView:
    """The flat view at about ``mm_per_px``, grown at its right and lower rim to whole blocks; what was not in the photo
    repeats the rim, and is not valid.

    The factor is a plain fraction and a rest at the rim is cut off, so that both axes shrink exactly alike."""
    factor = Fraction(flat.mm_per_px / mm_per_px).limit_denominator(12)
    height, width = (side // factor.denominator * factor.denominator for side in flat.valid.shape)
    inner = int(width * factor), int(height * factor)
    grown = (0, -inner[1] % BLOCK, 0, -inner[0] % BLOCK)
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
