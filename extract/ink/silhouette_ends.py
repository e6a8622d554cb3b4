"""Where a relief cut ends, and how surely: a small network that knows the ends of cuts.

The last millimetres of a cut are thinner than a pixel's blur: a dark or coloured hair between two flanks of shell, and
past drawn lines, creases and tape edges that look alike. The network is shown a strip of the picture that is laid along
the cut, from where the cut is plainly open on, and says for each place of the strip how likely the cut ends there.
training/ends_net.py makes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from threading import Lock

import cv2
import numpy as np

from extract.doors import Array, FlatView, Mask
from extract.geometry.tips import cut_tips
from extract.ink.shell_view import Image
from extract.ink.silhouette_net import GREY, PAPER, SPREAD, network

ALONG_MM, ACROSS_MM = 0.25, 0.2
ROWS, COLUMNS = 256, 48
"""The strip: 64 mm long, 9.6 mm wide."""

OPEN_ROW = 64
"""The strip starts 16 mm before the place down to which the cut is plainly open."""

CELL = 2
"""The network answers for cells of so many rows and columns."""

UNLIKE, MOST_UNLIKE = 0.08, 4.0
"""How far a value off the usual one of the strip is shown as 1, and the most that is shown."""

BACK_MM = 4.0
"""Looked at again, a cut is taken to be open to so far before where it seemed to end."""

LIKELY_CUT = 0.5
"""How likely it is a cut at least."""

NEAR_MM, SURE = 2.0, 0.6
"""How likely a cut ends so close to its tip; below that it is a guess where."""

ASKED_MM = 2.5
"""So much of either side of such a tip is marked."""

SURE_BESIDE = 0.8
"""How surely a cut must end where it seems to that is looked for along other ways than its outline's."""

Start = tuple[Array, float, Array]
"""Where (2,) a cut may start, how far it is open from there (mm), and the unit vector along it."""

LOOKS, STAYS_MM = 3, 1.0
"""A cut is looked at so often at most, until its end stays where it was: laid anew along the cut, a strip shows it in
its middle, and one that goes on past the strip is found by the next."""


MOST_LOOKS, PLAIN, NO_END = 7, 0.97, 0.05
"""Where it is still so likely that there is a cut, and so unlikely that it ends near, it is longer than some strips and
is looked at further."""


def cut_end(
    flat: FlatView, white: Image, base: Array, open_mm: float, axis: Array, likely: float = LIKELY_CUT
) -> Array | None:
    """Where (2,) the cut ends that runs from about ``base`` (2,) along the unit vector ``axis`` and is open for
    ``open_mm`` at least, None where it is not so ``likely`` to be one; ``white`` is the BGR of card paper."""
    tip = _look(flat, white, base + open_mm * axis, axis)
    for look in range(MOST_LOOKS - 1):
        far = float(np.hypot(*(tip - base)))
        if (tip - base) @ axis < 0:
            return None
        if far < BACK_MM or (look >= LOOKS - 1 and not _goes_on(flat, white, tip, axis)):
            break
        axis = (tip - base) / far
        before, tip = tip, _look(flat, white, tip - BACK_MM * axis, axis)
        if np.hypot(*(tip - before)) < STAYS_MM:
            break
    return tip if _about(flat, white, tip, axis).sum() > likely else None


def _goes_on(flat: FlatView, white: Image, tip: Array, axis: Array) -> bool:
    """Whether there is plainly a cut at its ``tip`` (2,), and yet no end."""
    cut, ends = likelihoods(flat, white, tip, axis)
    return cut > PLAIN and ends < NO_END


def likeliest_end(flat: FlatView, white: Image, starts: Sequence[Start]) -> Array | None:
    """Where (2,) the cut ends that looks most like one from where it may start; None where that is not sure."""
    base, open_mm, axis = max(
        starts, key=lambda start: float(_strip_says(flat, white, start[0] + start[1] * start[2], start[2]).sum())
    )
    tip = cut_end(flat, white, base, open_mm, axis, SURE_BESIDE)
    if tip is None or sureness(flat, white, tip, (tip - base) / np.hypot(*(tip - base))) < SURE_BESIDE:
        return None
    return tip


def guessed_ends(flat: FlatView, white: Image, ring: Array) -> Mask:
    """Points (N,) of a ring at the tips of cuts of which it is a guess where they end."""
    out = np.zeros(len(ring), bool)
    for tip, axis in cut_tips(ring):
        if sureness(flat, white, tip, axis) < SURE:
            out |= np.hypot(*(ring - tip).T) < ASKED_MM
    return out


def sureness(flat: FlatView, white: Image, tip: Array, axis: Array) -> float:
    """How likely a cut along ``axis`` ends at ``tip`` (2,), NEAR_MM more or less."""
    return likelihoods(flat, white, tip, axis)[1]


def likelihoods(flat: FlatView, white: Image, tip: Array, axis: Array) -> tuple[float, float]:
    """How likely there is a cut along ``axis`` at all, and how likely it ends at ``tip`` (2,), NEAR_MM more or less."""
    along, likely = places()[0], _about(flat, white, tip, axis).sum(1)
    return float(likely.sum()), float(likely[np.abs(along.reshape(-1, CELL).mean(1) - BACK_MM) < NEAR_MM].sum())


def _about(flat: FlatView, white: Image, tip: Array, axis: Array) -> Image:
    """What is said of the strip that shows a tip in its middle."""
    return _strip_says(flat, white, tip - BACK_MM * axis, axis)


def _look(flat: FlatView, white: Image, open_at: Array, axis: Array) -> Array:
    along, across = places()
    likely = _strip_says(flat, white, open_at, axis)
    return open_at + _median(along, likely.sum(1)) * axis + _median(across, likely.sum(0)) * _aside(axis)


def _strip_says(flat: FlatView, white: Image, open_at: Array, axis: Array) -> Image:
    """How likely the cut that is open down to ``open_at`` ends in each cell of the strip along ``axis``."""
    return probabilities(as_seen(laid(flat, white, open_at, axis, places())))


def laid(flat: FlatView, white: Image, at: Array, axis: Array, places_mm: tuple[Array, Array]) -> Image:
    """The picture (rows, columns, 3), of which card paper is ``PAPER``, laid along the unit vector ``axis`` with
    ``at`` (2,) where the rows and columns, told in mm, have their zero."""
    along, across = places_mm
    points = at + along[:, None, None] * axis + across[:, None] * _aside(axis)
    seen = cv2.remap(flat.pixels, flat.px_from_mm(points).astype(np.float32), None, cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    return np.asarray(seen.astype(np.float32) * (np.float32(PAPER) / white), np.float32)


def _aside(axis: Array) -> Array:
    return np.array([-axis[1], axis[0]])


def _median(places_mm: Array, likely: Image) -> float:
    """Half of what ends in cells over these rows or columns does so before it."""
    step_mm = places_mm[1] - places_mm[0]
    bounds_mm = places_mm[0] - step_mm / 2 + CELL * step_mm * np.arange(len(likely) + 1)
    return float(np.interp(0.5 * likely.sum(), np.r_[0, np.cumsum(likely)], bounds_mm))


def places() -> tuple[Array, Array]:
    """Where the strip's rows and columns lie (mm) from the place the cut is open down to."""
    along, across = np.arange(ROWS) - float(OPEN_ROW), np.arange(COLUMNS) - (COLUMNS - 1) / 2
    return np.asarray(along * ALONG_MM, float), np.asarray(across * ACROSS_MM, float)


def as_seen(strip: Image) -> Image:
    """Layers (5, ROWS, COLUMNS) for the network of a strip's values (ROWS, COLUMNS, 3), of which card paper is
    ``PAPER``: how far each is off the shell's, how light the shell is, and how far on a row lies."""
    usual = np.median(strip[OPEN_ROW:].reshape(-1, 3), axis=0)
    unlike = np.clip((strip - usual) / UNLIKE, -MOST_UNLIKE, MOST_UNLIKE)
    shape = strip.shape[:2]
    light = np.full(shape, (usual[1] - GREY) / SPREAD)
    far = np.broadcast_to(((np.arange(ROWS) - OPEN_ROW) / OPEN_ROW)[:, None], shape)
    return np.asarray(np.dstack([unlike, light, far]).transpose(2, 0, 1), np.float32)


def probabilities(layers: Image) -> Image:
    """How likely a cut ends in each cell (ROWS / CELL, COLUMNS / CELL), in the last row or past it; what they lack to 1
    is how likely there is no cut."""
    net, alone = _read_once()
    with alone:
        net.setInput(layers[None])
        said = net.forward()[0, 0].copy()
    most = max(float(said.max()), 0.0)
    likely = np.exp(said - most)
    return np.asarray(likely / (likely.sum() + np.exp(-most)), np.float32)


@cache
def _read_once() -> tuple[cv2.dnn.Net, Lock]:
    """The network, asked some twenty times for one shell, and a lock to be asked under: it writes into itself."""
    return network("ends_net.onnx"), Lock()
