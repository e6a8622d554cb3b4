"""The shell's pieces in the map of log odds."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Array, Mask
from extract.ink.shell_view import disc, erode, grow
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_tint import strange

BRIDGE_MM = 6.0
SURELY_OPEN = 1.0
LEAST_HOLE_MM2, MOST_HOLE_MM2 = 4.0, 1500.0
"""A hole of such a size may be part of a cut; smaller ones are glare and ink."""

SURE = 2.0
LEAST_SURE, WORTH_A_WORD = 0.8, 0.4
"""Another piece has log odds of SURE and more in so large a share of it; of a blob as large as a shell with the lesser
share the maker is told."""

CORE_MM, LEAST_CORE_MM2 = 10.0, 100.0
"""A piece of shell worth cutting has this much left when this much is taken off all round; the lit side of a tape roll
has nothing."""

MOST_STRANGE = 0.1
"""No piece has another tint than the largest over so large a share: the card that tape is rolled on has it over a third
of the roll."""

RIM_MM = 2.0
"""Closer to what the photo did not see, a piece may be only part of one, or of something else."""

LONGEST_BAR, FULLEST = 4.0, 0.97
"""Longer than wide by this factor, or filling a rectangle by this share: a ruler, a tray, a sheet of card."""

SHORTEST_BAR, RULED, BESIDE_MM, BIN_MM = 2.5, 0.85, 1.0, 5.0
"""So is what is longer than wide by the first and keeps within a millimetre to so much of both long sides: a ruler of
which the map shows a part. Scissors leave no two sides so straight and parallel."""

LEAST_SHELL_MM2 = 4000.0
"""Smaller grey things are tape rolls, coins and pens."""

LEAST_PIECE_MM2 = 1000.0
"""Half of the smallest panel that counts."""

Labels = npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Found:
    """Where the shell's pieces lie, and where blobs do that may be some but of which the map is not sure enough."""

    pieces: Mask
    left_out: Mask


def pieces(shell: ShellMap, doubted: bool = False) -> Found:
    """The largest blob, and others as plump of which the map is sure all over. Where it is ``doubted`` that there is a
    shell at all, the largest must be as good."""
    px = 1 / shell.flat.mm_per_px
    likely = without_arms(filled(opened_cuts(shell)), px)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(likely.astype(np.uint8), connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA] / px**2
    area[0] = 0
    nothing = np.zeros_like(likely)
    if area.max() < LEAST_SHELL_MM2:
        return Found(nothing, nothing)
    sure = _shares(labels, shell.odds > SURE, stats)
    large = area >= LEAST_SHELL_MM2
    other = (area > LEAST_CORE_MM2) & ((sure > LEAST_SURE) | large & (sure > WORTH_A_WORD))
    other[int(area.argmax())] &= doubted
    for passes in (_whole, _usual):
        if other.any():
            other &= passes(shell, labels, stats)
    other[[one for one in np.flatnonzero(other) if straight(labels == one, px)]] = False
    kept = other & (sure > LEAST_SURE)
    if doubted and not (kept & large).any():
        return Found(nothing, nothing)
    kept[int(area.argmax())] |= not doubted
    return Found(np.asarray(kept[labels], bool), np.asarray((other & ~kept)[labels], bool))


def _whole(shell: ShellMap, labels: Labels, stats: Labels) -> Mask:
    """For each label whether its blob is plump and all of it was seen."""
    px = 1 / shell.flat.mm_per_px
    core = np.bincount(labels[erode(labels > 0, CORE_MM * px)], minlength=len(stats)) / px**2
    blind = grow(~shell.flat.valid, RIM_MM * px)
    blind[[0, -1]] = blind[:, [0, -1]] = True
    return np.asarray((core > LEAST_CORE_MM2) & ~np.isin(np.arange(len(stats)), labels[blind]), bool)


def _usual(shell: ShellMap, labels: Labels, stats: Labels) -> Mask:
    """For each label whether its blob has the largest's tint all over."""
    largest = labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    return np.asarray(_shares(labels, strange(shell.flat, [largest & (shell.odds > SURE)]), stats) < MOST_STRANGE, bool)


def straight(blob: Mask, px: float) -> bool:
    """Whether a blob is a bar, as a ruler is and a piece of shell is not; ``px`` are its pixels in a millimetre."""
    contours, _ = cv2.findContours(blob.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = np.vstack(contours)[:, 0].astype(float)
    middle, sides, _ = box = cv2.minAreaRect(cv2.convexHull(np.vstack(contours)))
    if max(sides) > LONGEST_BAR * min(sides) or blob.sum() > FULLEST * sides[0] * sides[1]:
        return True
    corners = cv2.boxPoints(box)
    edges = np.roll(corners, -1, axis=0) - corners
    along = edges[int(np.hypot(*edges.T).argmax())] / max(sides)
    off = outline - middle
    down, aside = off @ along, off @ np.array([-along[1], along[0]])
    bins = max(1, round(max(sides) / px / BIN_MM))
    held = [
        np.histogram(down[side * aside > min(sides) / 2 - BESIDE_MM * px], bins, (-max(sides) / 2, max(sides) / 2))[0]
        for side in (-1, 1)
    ]
    return max(sides) > SHORTEST_BAR * min(sides) and bool(min((one > 0).mean() for one in held) > RULED)


def opened_cuts(shell: ShellMap) -> Mask:
    """Where the map says shell, cuts opened that it sees inside but not at their narrow mouth, or that a stroke
    crosses: a hole that is table for sure is joined to the next table by the shortest way."""
    likely = shell.odds > 0
    count, labels, stats, _ = cv2.connectedComponentsWithStats((~likely).astype(np.uint8), connectivity=8)
    sizes = stats[:, cv2.CC_STAT_AREA] * shell.flat.mm_per_px**2
    reach = BRIDGE_MM / shell.flat.mm_per_px
    out = likely.astype(np.uint8)
    surely = np.bincount(labels[shell.odds < -SURELY_OPEN], minlength=count) > 0
    holes = [one for one in range(1, count) if LEAST_HOLE_MM2 < sizes[one] < MOST_HOLE_MM2 and surely[one]]
    for hole in sorted(holes, key=lambda one: sizes[one]):
        x, y, width, height = (int(n) for n in stats[hole, :4])
        low = max(0, int(x - reach)), max(0, int(y - reach))
        here = slice(low[1], int(y + height + reach)), slice(low[0], int(x + width + reach))
        ours = labels[here] == hole
        others = (labels[here] > 0) & ~ours & (sizes[labels[here]] > sizes[hole])
        if not others.any():
            continue
        apart = cv2.distanceTransform((~others).astype(np.uint8), cv2.DIST_L2, 5)
        start = np.argwhere(ours)[apart[ours].argmin()]
        rest = np.argwhere(others)
        end = rest[np.hypot(*(rest - start).T).argmin()]
        if np.hypot(*(end - start)) <= reach:
            cv2.line(out[here], start[::-1].tolist(), end[::-1].tolist(), 0, 3)
    return out.astype(bool)


def _shares(labels: Labels, true: Mask, stats: Labels) -> Array:
    """For each label, the share of its pixels where ``true``."""
    return np.asarray(
        np.bincount(labels[true], minlength=len(stats)) / np.maximum(stats[:, cv2.CC_STAT_AREA], 1), float
    )


def without_arms(mask: Mask, px: float, width_mm: float = 5.0) -> Mask:
    """The mask without thin arms longer than they are wide, such as the grey joints of a tiled table; the points of
    the shell's own corners stay."""
    plump = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, disc(width_mm / 2 * px)).astype(bool)
    _, labels, stats, _ = cv2.connectedComponentsWithStats((mask & ~plump).astype(np.uint8), connectivity=4)
    short = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) < 1.6 * width_mm * px
    short[0] = False
    return np.asarray(plump | short[labels], bool)


def largest(mask: Mask) -> Mask:
    """The largest blob, its holes filled."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = np.zeros(mask.shape, np.uint8)
    if contours:
        cv2.drawContours(out, [max(contours, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    return out.astype(bool)


def filled(mask: Mask) -> Mask:
    """The mask without its holes: a shell has cuts, no holes."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros(mask.shape, np.uint8), contours, -1, 1, cv2.FILLED).astype(bool)
