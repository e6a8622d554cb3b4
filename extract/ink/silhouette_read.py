"""Where shell is and where table: the network's word, and those of the colours and the tint it separates.

The network knows shells; what this very table and this very tape look like it has only glimpsed. So colour models of
both sides are learned from where it is sure, of tints too, and all words are added: what none could tell alone, such as
a cut on a table of the shell's own grey, is often clear to them together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import CannotContinue, FlatView, Mask
from extract.ink.shell_view import (
    Image,
    TableView,
    card_white,
    coarser,
    crop,
    erode,
    grow,
    shrink,
    table_view,
    window_of,
)
from extract.ink.silhouette_coarse import Candidate, candidates
from extract.ink.silhouette_colours import ColourModels, learn
from extract.ink.silhouette_net import CARD_MARGIN_MM, CLIP, ShellMap, shell_map
from extract.ink.silhouette_pieces import largest, opened_cuts, pieces, without_arms
from extract.ink.silhouette_tint import inked, tint_word

LEAST_SCORE = 0.3
"""Shells on all tables tried score 0.38 and more; a tape roll in its shadow, the best of the rest, at most 0.31."""

LIKELY_CROPPED = 0.33
LONGEST_CROP_MM = 450.0
"""A blob that would score so high were it whole, and lies against the picture's rim no longer than a shell is wide, is
a shell cut off; the bare table itself touches the rim along more."""

AROUND_MM = 70.0
APART_MM = 20.0
"""The table is learned between these distances from the blob; the other pieces of a shell lie within the larger."""

RUN_OUT_MM = 3.0
"""A shell that comes so close to the window's rim goes on beyond it."""

RIM_MM = 25.0
"""Where no blob is found, the table is learned so close to the picture's rim."""

COLOURS_SAY = 1.5
NET_SAYS = 3.0
TINT_SAYS = 1.0
"""How much the log ratios of colour and tint count beside the network's log odds, and how far those count: where the
network is wrong it is so over whole patches and for sure, which the colours of the shell beside them then put right."""

SURE, BAY_MM = 1.0, 15.0
"""Table teaches its colours where the log odds are as sure as that, and not in bays so narrow (half their width): those
are cuts, too narrow to teach much, or corners of the shell that the network takes for table."""

SURELY_TABLE = 5.0
"""A line of a tint that neither side has is a stroke on the shell, unless the network is so sure of the contrary: then
it is a pen that lies on the table."""

EVEN_AT, SOFT_MM, SOFT_SAYS, SOFT_TINT_SAYS = 2.0, 1.25, 1.4, 0.5
"""The shell's body: log odds by logistic regression on scenes with exact truth, where the network is unsure. It is too
careful by EVEN_AT, and colours count for more when averaged over a millimetre or so (sd)."""

BELIEVED, WELL_INSIDE_MM = 4e-4, 10.0
"""Colours are believed pixel by pixel where they contradict the network over so small a share of the shell, so far from
its edge; tests/bench/bench_words.py tells the share scene by scene."""

CUT_SAYS, STRAIGHT_MM = -0.9, 1.3
"""Mean log odds of the network below which a narrow place is a cut, and the sd of its pixels across its length: cuts
are straight, lines bend."""

EDGE_MM = 2.0
"""Nothing is learned so close to the edge: shadow, the cut face, and what the map gets wrong by a millimetre."""


@dataclass(frozen=True, eq=False)
class Reading:
    """``map``: log odds of shell, all told; ``net`` the network's alone, ``tint`` the tint's; ``models`` the colours of
    both sides."""

    map: ShellMap
    net: ShellMap
    tint: ShellMap
    models: ColourModels


def no_shell() -> CannotContinue:
    return CannotContinue(
        "ink",
        "I cannot find a shell on the table.",
        "Lay the shell flat beside the card, on a table of another colour or lightness, and take the photo again.",
    )


def cropped() -> CannotContinue:
    return CannotContinue(
        "ink", "The shell runs out of the picture.", "Step back until all of it is in view and try again."
    )


def pick(ranked: list[Candidate]) -> Mask:
    """The blob that is the shell; raises when there is none, or only one that is cut off by the picture's rim."""
    if ranked and ranked[0].score >= LEAST_SCORE:
        return ranked[0].blob
    if any(c.score_if_whole > LIKELY_CROPPED and 0 < c.touching_mm < LONGEST_CROP_MM for c in ranked):
        raise cropped()
    raise no_shell()


def read_shell(flat: FlatView) -> Reading:
    """Both words on the table round the shell; raises CannotContinue when there is none to be seen."""
    small = shrink(flat, 1.0)
    white = card_white(small)
    table = table_view(small, white, CARD_MARGIN_MM)
    coarse = coarser(table, 6)
    ranked = candidates(coarse, LEAST_SCORE)
    try:
        blob = with_others(pick(ranked), ranked)
    except CannotContinue as refusal:
        return _second_look(flat, table, white, refusal)
    low, high = box_of(blob, coarse.flat)
    apart = grow(blob, APART_MM / coarse.flat.mm_per_px)
    here = crop(flat, low - AROUND_MM, high + AROUND_MM)
    net = shell_map(here, white, lambda part: carried(apart, coarse.flat, part) < 0.5)
    if runs_out(net, here, flat):
        return _second_look(flat, table, white, no_shell())
    view = window_of(table, low - AROUND_MM, high + AROUND_MM)
    return with_colours(net, view, carried(blob, coarse.flat, view.flat) > 0.5, white)


def runs_out(net: ShellMap, window: FlatView, flat: FlatView) -> bool:
    """Whether the shell goes on where the window ends and the picture does not: the blob was only part of it."""
    shell = largest(net.odds > 0)
    if not shell.any():
        return False
    low, high = box_of(shell, net.flat)
    first, last = _corners(window)
    left, right = _corners(flat)
    open_low, open_high = first > left + RUN_OUT_MM, last < right - RUN_OUT_MM
    return bool(((low < first + RUN_OUT_MM) & open_low).any() or ((high > last - RUN_OUT_MM) & open_high).any())


def _corners(flat: FlatView) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    last = np.array(flat.valid.shape[::-1], float) - 1
    return flat.mm_from_px(np.zeros(2)), flat.mm_from_px(last)


def with_others(blob: Mask, ranked: list[Candidate]) -> Mask:
    """The blob together with others beside it that look as much like a shell: it may lie in pieces."""
    out = blob.copy()
    for other in ranked:
        if other.score >= LEAST_SCORE and not (out & other.blob).any():
            out |= other.blob
    return out


def _second_look(flat: FlatView, table: TableView, white: Image, refusal: CannotContinue) -> Reading:
    """The network on the whole picture, for a shell that no plain map tells from its table; the ``refusal`` stands
    where it sees none either."""
    net = shell_map(flat, white, _near_rim)
    seen = pieces(net, doubted=True).pieces
    if not seen.any():
        raise refusal
    return with_colours(net, table, carried(seen, net.flat, table.flat) > 0.5, white)


def _near_rim(view: FlatView) -> Mask:
    return np.asarray(_far(np.pad(view.valid, 1))[1:-1, 1:-1] < RIM_MM / view.mm_per_px, bool)


def with_colours(net: ShellMap, view: TableView, blob: Mask, white: Image) -> Reading:
    """The colours of both sides learned from the network's map, and their word added to it; those of the table only
    where the coarse ``blob`` does not contradict."""
    stroke = inked(net.flat, net.odds) & (net.odds > -SURELY_TABLE)
    net = replace(net, odds=np.where(stroke, np.maximum(net.odds, SURE), net.odds))
    shell = largest(without_arms(opened_cuts(net), 1 / net.flat.mm_per_px))
    inside = carried(shell, net.flat, view.flat) > 0.5
    unsure = carried(net.odds, net.flat, view.flat) > -SURE
    doubtful = ~inside & (unsure | blob | closed(inside, BAY_MM / view.flat.mm_per_px))
    gap = EDGE_MM / view.flat.mm_per_px
    table = view.free & ~doubtful & ~grow(inside, gap)
    sampled = erode(inside, gap)
    models = learn(view, sampled, table, white)
    said = colours_word(models, net.flat)
    known = [carried(part.astype(np.float32), view.flat, net.flat) > 0.5 for part in (sampled, table)]
    tint = tint_word(net.flat, *known)
    odds = pixel_by_pixel(net.odds, said, tint)
    if contradiction(net, odds, shell) > BELIEVED:
        soft = cv2.GaussianBlur(said, (0, 0), SOFT_MM / net.flat.mm_per_px)
        body = EVEN_AT + net.odds + SOFT_SAYS * soft + SOFT_TINT_SAYS * tint
        odds = np.where(cuts_open((odds <= 0) & (body > 0), body <= 0, net), odds, body)
    odds = np.clip(odds, -CLIP, CLIP)
    odds[net.odds <= -CLIP] = -CLIP
    return Reading(replace(net, odds=np.asarray(odds, np.float32)), net, replace(net, odds=tint), models)


def colours_word(models: ColourModels, flat: FlatView) -> Image:
    """Log ratio (H, W) of the colours over a view, the camera's noise taken off."""
    return np.asarray(cv2.GaussianBlur(models.likeness_over(flat), (0, 0), 0.7), np.float32)


def pixel_by_pixel(net: Image, said: Image, tint: Image) -> Image:
    """The words of network, colours and tint added as they are."""
    return np.asarray(np.clip(net, -NET_SAYS, NET_SAYS) + COLOURS_SAY * said + TINT_SAYS * tint, np.float32)


def contradiction(net: ShellMap, odds: Image, shell: Mask) -> float:
    """Of the pixels well inside the shell that the network takes for shell, the share that ``odds`` take for table."""
    inside = (_far(shell) > WELL_INSIDE_MM / net.flat.mm_per_px) & (net.odds > 0)
    return float((odds[inside] <= 0).mean()) if inside.any() else 0.0


def cuts_open(narrow: Mask, table: Mask, net: ShellMap) -> Mask:
    """Those of the ``narrow`` places beside the ``table`` that are cuts: straight, and table by the network's word over
    all of it. Drawn lines and creases are as dark as many a table."""
    count, labels = cv2.connectedComponents(narrow.astype(np.uint8), connectivity=8)
    rows, columns = np.nonzero(narrow)
    label = labels[rows, columns]
    size = np.maximum(np.bincount(label, minlength=count), 1)

    def mean(values: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
        return np.asarray(np.bincount(label, values, count) / size, float)

    down, along = rows - mean(rows)[label], columns - mean(columns)[label]
    xx, yy, xy = mean(along**2), mean(down**2), mean(along * down)
    across = np.sqrt(np.maximum((xx + yy) / 2 - np.hypot((xx - yy) / 2, xy), 0)) * net.flat.mm_per_px
    beside = np.bincount(labels[grow(table, 1.0)], minlength=count) > 0
    is_cut = (mean(net.odds[rows, columns]) < CUT_SAYS) & beside & (across < STRAIGHT_MM)
    is_cut[0] = False
    return np.asarray(is_cut[labels], bool)


def closed(mask: Mask, radius_px: float) -> Mask:
    """The mask with bays narrower than twice the radius filled."""
    room = round(radius_px) + 2
    grown = _far(~np.pad(mask, room)) < radius_px
    return np.asarray(_far(grown) > radius_px, bool)[room:-room, room:-room]


def _far(mask: Mask) -> Image:
    """How far (pixels) each pixel of the mask lies from the rest."""
    return np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5), np.float32)


def box_of(blob: Mask, flat: FlatView) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    rows, columns = np.nonzero(blob)
    low, high = (flat.mm_from_px(np.array([end(columns), end(rows)], float)) for end in (np.min, np.max))
    return low, high


def carried(values: npt.NDArray[np.generic], source: FlatView, target: FlatView) -> Image:
    """A raster in another view's pixels; past its rim it goes on as it ends."""
    scale = target.mm_per_px / source.mm_per_px
    shift = source.px_from_mm(np.asarray(target.origin_mm))
    move = np.array([[scale, 0, shift[0]], [0, scale, shift[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = target.valid.shape[::-1]
    there = cv2.warpAffine(values.astype(np.float32), move, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(there, np.float32)
