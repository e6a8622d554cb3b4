"""Where narrow cuts may begin: lines that run inwards from the outline, and how likely each is a cut's beginning.

Many lines come to the edge of a shell: drawn ones, edges of tape, creases. They are found on the picture unrolled along
the outline, where a straight line inwards is a sheared column. What tells a cut from them is seen along some
centimetres: it is widest at the outline, shows the table, and tapers. ``mouths_net.onnx`` has learnt that from scenes
of our own generator (``training/mouths_net.py``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from shapely import LineString, Polygon

from extract.doors import Array, FlatView
from extract.ink.shell_view import Image
from extract.ink.silhouette_ends import MOST_UNLIKE, UNLIKE, laid
from extract.ink.silhouette_net import GREY, SPREAD, network
from extract.ink.silhouette_ring import outward_normals, resample, signed_area

FILLED_MM = 7.0
"""What the outline runs into is filled up to twice as wide: lines begin at the shell as it was before it was cut."""

KNOWN_MM, CLEAR_MM = (8.0, 12.0), 2.0
"""A line that does not keep so clear of the outline between so far in and so far is a cut's that is known already."""

EVERY_MM, DOWN_MM, DEEP_MM = 0.5, 0.4, (2.0, 18.0)
"""The unrolled picture's pixel along the outline and inwards, and from where to where lines are followed there."""

SLANTS = np.arange(-1.2, 1.21, 0.08)
"""How far along the outline a line may run for each step inwards."""

LINE_SIGMAS_MM = (0.6, 1.0)
"""Blur before second differences are taken, for lines as thin as a slit and as broad as a marker's."""

STEEPEST = 0.25
"""A second difference of the logarithm of light past that counts no more: a drawn line is no plainer than a cut."""

CHANGING = 0.7
"""A line that is bright at first and dark then counts for so much of one that is alike all along: on a table as light
as the tape a cut is a bright hair at its mouth and a dark one near its tip."""

DARK = 6.0
"""Grey levels added before logarithms are taken, for the sensor's noise in deep shade."""

SMOOTH_MM = 8.0
"""Normals are taken over so much of the outline, lest it seem to fan out at each burr."""

APART_MM, APART_SLANTS = 4.0, 2
"""No two lines begin so near and run so much alike."""

SAME_MM, SAME_COS = 1.5, np.cos(np.radians(5))
"""Lines that lie so near and so much alike when they are laid straight are one."""

TRIED, MOST = 70, 40
"""Of so many of the plainest lines so many are asked about at most."""

BESIDE_MM, NEAR_MM, TURNS = 6.0, 1.5, np.arange(-0.2, 0.21, 0.04)
"""A line is laid straight by what so much on either side shows: its mouth moves by so much, and it turns by so much
aside for each step inwards."""

ROWS, COLUMNS = 160, 48
ALONG_MM, ACROSS_MM = 0.4, 0.25
BEFORE_MM = 8.0
"""What the network is shown: a strip of 64 by 12 mm along a line, from so far outside the outline on."""

TABLE_ROWS, SHELL_ROWS = slice(0, 16), slice(20, ROWS)
"""Rows that show the table, but for an outline that is astray, and the shell."""


@dataclass(frozen=True, eq=False)
class Mouth:
    """Where (2,) a line meets the outline, and the unit vector ``axis`` inwards along it."""

    at: Array
    axis: Array


def mouths(flat: FlatView, ring: Array) -> list[Mouth]:
    """The plainest lines that run inwards from a ring, but for the cuts that it runs into."""
    within, whole = Polygon(ring).buffer(0).buffer(-CLEAR_MM), filled(ring, FILLED_MM)
    normals = outward_normals(whole, SMOOTH_MM / EVERY_MM)
    along = _units(np.roll(whole, -1, axis=0) - np.roll(whole, 1, axis=0))
    slants, points = _plainest(_unrolled(flat, whole, normals))
    if not len(points):
        return []
    axes = _units(slants[:, None] * along[points] - normals[points])
    lines = _straightened(flat, whole[points], axes)
    found: list[Mouth] = []
    for line in lines:
        known = not within.covers(LineString([line.at + deep * line.axis for deep in KNOWN_MM]))
        if not known and not any(_same(line, other) for other in found):
            found.append(line)
    return found[:MOST]


def _same(one: Mouth, other: Mouth) -> bool:
    return bool(np.hypot(*(one.at - other.at)) < SAME_MM and one.axis @ other.axis > SAME_COS)


def _units(ways: Array) -> Array:
    return np.asarray(ways / np.hypot(*ways.T)[:, None], float)


def filled(ring: Array, by_mm: float) -> Array:
    """The ring with what it runs into filled up to twice as wide, points ``EVERY_MM`` apart, counter-clockwise with y
    down."""
    shell = Polygon(ring).buffer(0).buffer(by_mm).buffer(-by_mm)
    largest = max(getattr(shell, "geoms", [shell]), key=lambda part: part.area)
    whole = resample(np.asarray(largest.exterior.coords)[:-1], EVERY_MM)
    return whole if signed_area(whole) < 0 else whole[::-1]


def _unrolled(flat: FlatView, ring: Array, normals: Array) -> Image:
    """Logarithm of light (rows inwards, points of the ring)."""
    inwards = np.arange(0, DEEP_MM[1] + 1.0, DOWN_MM)
    return _light(flat, ring[None] - inwards[:, None, None] * normals[None])


def _light(flat: FlatView, places: Array) -> Image:
    """Logarithm of light at places (H, W, 2)."""
    at = flat.px_from_mm(places).astype(np.float32)
    seen = cv2.remap(flat.pixels, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.log(seen.astype(np.float32) + DARK).mean(axis=2), np.float32)


def _plainest(light: Image) -> tuple[Array, npt.NDArray[np.int64]]:
    """Slants (N,) and points (N,) of the ring at which a line begins that is plainer than those about it, the plainest
    first."""
    count = light.shape[1]
    room = int(np.abs(SLANTS).max() * DEEP_MM[1] / EVERY_MM) + 4
    bent = _bent(np.take(light, np.arange(-room, count + room), axis=1, mode="wrap"), EVERY_MM, STEEPEST)
    plain = np.stack([_along(bent, slant * DOWN_MM / EVERY_MM, room, count) for slant in SLANTS])
    apart = round(APART_MM / EVERY_MM)
    wide = np.take(plain, np.arange(-apart, count + apart), axis=1, mode="wrap")
    most = cv2.dilate(wide, np.ones((2 * APART_SLANTS + 1, 2 * apart + 1)))[:, apart : apart + count]
    rows, columns = np.nonzero((plain == most) & (plain > 0))
    first = np.argsort(-plain[rows, columns])[:TRIED]
    return SLANTS[rows[first]], columns[first]


def _along(bent: Image, step: float, first: int, count: int) -> Image:
    """How plain the lines are that start in columns ``first`` on, side by side, and run ``step`` aside in each row: the
    mean of their faintest third, dark or bright; less where they change from one to the other."""
    begin, end = (round(deep / DOWN_MM) for deep in DEEP_MM)
    third = (end - begin) // 3
    shear = np.array([[1, step, first + step * begin], [0, 1, begin]])
    lines = cv2.warpAffine(bent, shear, (count, 3 * third), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    thirds = lines.reshape(3, third, count, -1).mean(axis=1)
    alike, changing = thirds.min(axis=0).max(axis=1), thirds.max(axis=2).min(axis=0)
    return np.asarray(np.maximum(alike, CHANGING * changing), np.float32)


def _straightened(flat: FlatView, at: Array, axes: Array) -> list[Mouth]:
    """The straight lines nearest to mouths (N, 2) and axes (N, 2): where the outline is bent, a straight line is none
    on the unrolled picture."""
    inwards = np.arange(0, DEEP_MM[1] + 1.0, DOWN_MM)
    across = np.arange(-BESIDE_MM, BESIDE_MM + 1e-6, ACROSS_MM)
    aside = np.stack([-axes[:, 1], axes[:, 0]], axis=1)
    places = (at + inwards[:, None, None] * axes)[:, :, None] + across[:, None] * aside[:, None]
    bent = _bent(_light(flat, places.reshape(len(inwards), -1, 2)), ACROSS_MM)  # one strip beside the other
    turned = [_along(bent, turn * DOWN_MM / ACROSS_MM, 0, bent.shape[1]) for turn in TURNS]
    near = np.abs(across) <= NEAR_MM + 1e-6
    plain = np.stack(turned, axis=1).reshape(len(at), len(across), -1)[:, near].reshape(len(at), -1)
    columns, turns = np.unravel_index(plain.argmax(axis=1), (int(near.sum()), len(TURNS)))
    moved, ways = at + across[near][columns, None] * aside, _units(axes + TURNS[turns, None] * aside)
    return [Mouth(mouth, way) for mouth, way in zip(moved, ways, strict=True)]


def _bent(light: Image, px_mm: float, steepest: float = np.inf) -> Image:
    """How much each place looks like a dark line's and like a bright one's, at either width; rows run inwards, and
    pixels are so wide."""
    layers = []
    for sigma in LINE_SIGMAS_MM:
        soft = cv2.GaussianBlur(light, (0, 0), sigma / px_mm, sigmaY=1.0)
        second = cv2.Sobel(soft, cv2.CV_32F, 2, 0, ksize=1) * np.float32((sigma / px_mm) ** 2)
        layers += [second, -second]
    return np.asarray(np.clip(cv2.merge(layers), 0, steepest), np.float32)


def beginnings(flat: FlatView, white: Image, found: Sequence[Mouth]) -> Array:
    """How likely a cut begins at each mouth; ``white`` is the BGR of card paper."""
    if not found:
        return np.zeros(0)
    return likely([as_told(laid(flat, white, mouth.at, mouth.axis, places_mm())) for mouth in found])


def likely(told: Sequence[Image]) -> Array:
    """How likely a cut begins in each of so many strips as the network is told them."""
    net = network("mouths_net.onnx")
    net.setInput(np.stack(told))
    return np.asarray(1 / (1 + np.exp(-net.forward().reshape(len(told)).astype(float))))


def places_mm() -> tuple[Array, Array]:
    """Where the strip's rows and columns lie from the mouth."""
    along, across = np.arange(ROWS) * ALONG_MM - BEFORE_MM, (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * ACROSS_MM
    return np.asarray(along, float), np.asarray(across, float)


def as_told(strip: Image) -> Image:
    """Layers (8, ROWS, COLUMNS) for the network of a strip's values (ROWS, COLUMNS, 3), of which card paper is
    ``PAPER``: how far each is off the shell's and off the table's, how light the shell is, and how far in a row
    lies."""
    shell, table = (np.median(strip[part].reshape(-1, 3), axis=0) for part in (SHELL_ROWS, TABLE_ROWS))
    unlike = [np.clip((strip - usual) / UNLIKE, -MOST_UNLIKE, MOST_UNLIKE) for usual in (shell, table)]
    light = np.full(strip.shape[:2], (shell[1] - GREY) / SPREAD)
    far = np.broadcast_to((places_mm()[0] / BEFORE_MM)[:, None], strip.shape[:2])
    return np.asarray(np.dstack([*unlike, light, far]).transpose(2, 0, 1), np.float32)
