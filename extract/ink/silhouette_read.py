"""Where shell is and where table: the word of a network, those of the colours and the tint it separates, and what a
second network makes of them all.

The first knows shells; what this very table and this very tape look like it has only glimpsed. So colour models of both
sides are learned from where it is sure, of tints too. The second is told all their words and sees the picture as well:
what none could tell alone, such as a cut on a table of the shell's own grey, is often clear to them together, and a
line as dark as the table is still a line.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
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
from extract.ink.silhouette_glare import off_bare_glare
from extract.ink.silhouette_net import CARD_MARGIN_MM, ShellMap, Sight, shell_map, sight, words_map
from extract.ink.silhouette_pieces import (
    CORE_MM,
    LEAST_PIECE_MM2,
    LEAST_SURE,
    largest,
    opened_cuts,
    pieces,
    without_arms,
)
from extract.ink.silhouette_pieces import SURE as PIECE_SURE
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

FARTHER_LOOKS = 4
"""A shell's largest pieces are no longer than so many times the room left around what was found."""

COVERED = 0.5
"""A blob that holds so much of the shell that the network sees running on is worth a look for the rest of it."""

RIM_MM = 25.0
"""Where no blob is found, the table is learned so close to the picture's rim."""

SURE, BAY_MM = 1.0, 15.0
"""Table teaches its colours where the log odds are as sure as that, and not in bays so narrow (half their width): those
are cuts, too narrow to teach much, or corners of the shell that the network takes for table."""

SURELY_TABLE = 5.0
"""A line of a tint that neither side has is a stroke on the shell, unless the network is so sure of the contrary: then
it is a pen that lies on the table."""

AGREED, NARROW_MM = 1.0, 5.0
"""Words as sure as this are right where they agree, but for cuts so narrow, which may be hidden from all of them."""

EDGE_MM = 2.0
"""Nothing is learned so close to the edge: shadow, the cut face, and what the map gets wrong by a millimetre."""


@dataclass(frozen=True, eq=False)
class Reading:
    """``map``: log odds of shell, all told; ``net`` the first network's alone, ``tint`` the tint's; ``models`` the
    colours of both sides."""

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
    """What all words say of shell and table; raises CannotContinue when there is no shell to be seen."""
    small = shrink(flat, 1.0)
    white = card_white(small)
    table = table_view(small, white, CARD_MARGIN_MM)
    coarse = coarser(table, 6)
    ranked = candidates(coarse, LEAST_SCORE)
    try:
        blob = with_others(pick(ranked), ranked)
    except CannotContinue as refusal:
        return _second_look(flat, table, white, refusal)
    look = _look_around(blob, coarse.flat, flat, white)
    if runs_out(look.net, look.here, flat):
        better = covering(largest(look.net.odds > 0), look.net.flat, ranked, coarse.flat)
        look = look if better is None else _look_around(better, coarse.flat, flat, white)
        if better is None or runs_out(look.net, look.here, flat):
            return _second_look(flat, table, white, no_shell())
    look = _look_farther(look, coarse.flat, flat, white)
    low, high = box_of(look.blob, coarse.flat)
    view = window_of(table, low - AROUND_MM, high + AROUND_MM)
    return read_words(look.seen, words(look.net, view, carried(look.blob, coarse.flat, view.flat) > 0.5, white))


@dataclass(frozen=True, eq=False)
class Look:
    """A ``blob`` of the coarse view, the part of the flat view about it (``here``), and what is ``seen`` and said
    there."""

    blob: Mask
    here: FlatView
    seen: Sight
    net: ShellMap


def _look_around(blob: Mask, coarse: FlatView, flat: FlatView, white: Image) -> Look:
    low, high = box_of(blob, coarse)
    apart = grow(blob, APART_MM / coarse.mm_per_px)
    here = crop(flat, low - AROUND_MM, high + AROUND_MM)
    seen = sight(here, white, lambda part: carried(apart, coarse, part) < 0.5)
    return Look(blob, here, seen, off_bare_glare(shell_map(seen), white))


def _look_farther(look: Look, coarse: FlatView, flat: FlatView, white: Image) -> Look:
    """The look until no further piece runs out of its window, which the plain maps need not have seen; the same look
    where what runs out is none."""
    farther = look
    for _ in range(FARTHER_LOOKS):
        more = running_out(farther.net, farther.here, flat)
        if not more.any():
            break
        farther = _look_around(farther.blob | (carried(more, farther.net.flat, coarse) > 0.5), coarse, flat, white)
    if farther is look:
        return look
    found = carried(pieces(farther.net).pieces, farther.net.flat, coarse) > 0.5
    return farther if (found & farther.blob & ~look.blob).any() else look


def covering(shell: Mask, view: FlatView, ranked: list[Candidate], coarse: FlatView) -> Mask | None:
    """The best blob that looks like a shell and covers what of one the network sees in a ``view`` of part of it: a tile
    as light as the tape may have looked more like one."""
    likely = (one.blob for one in ranked if one.score >= LEAST_SCORE)
    held = ((blob, (carried(blob, coarse, view) > 0.5) & shell) for blob in likely)
    return next((blob for blob, part in held if part.sum() > COVERED * shell.sum()), None)


def runs_out(net: ShellMap, window: FlatView, flat: FlatView) -> bool:
    """Whether the shell goes on where the window ends and the picture does not: the blob was only part of it."""
    return bool((largest(net.odds > 0) & _open_rim(net.flat, window, flat)).any())


def running_out(net: ShellMap, window: FlatView, flat: FlatView) -> Mask:
    """What may be parts of further pieces, which go on where the window ends and the picture does not: sure all over,
    and plump."""
    rim = _open_rim(net.flat, window, flat)
    if not (net.odds[rim] > 0).any():
        return np.zeros_like(rim)
    _, labels = cv2.connectedComponents((net.odds > 0).astype(np.uint8), connectivity=4)
    sure = np.bincount(labels.ravel(), net.odds.ravel() > PIECE_SURE) > LEAST_SURE * np.bincount(labels.ravel())
    plump = np.zeros(len(sure), bool)
    plump[labels[erode(labels > 0, CORE_MM / net.flat.mm_per_px)]] = True
    cut_off = np.zeros(len(sure), bool)
    cut_off[labels[rim]] = True
    cut_off[0] = False
    return np.asarray((sure & plump & cut_off)[labels], bool)


def _open_rim(view: FlatView, window: FlatView, flat: FlatView) -> Mask:
    """Where the ``view`` of a window lies so close to a side of it that the picture goes on there."""
    out = np.zeros(view.valid.shape, bool)
    sides = _corners(window), _corners(flat)
    height, width = view.valid.shape
    for axis, across, count in ((0, out, width), (1, out.T, height)):
        (first, last), (left, right) = ((low[axis], high[axis]) for low, high in sides)
        places = view.mm_from_px(np.repeat(np.arange(count, dtype=float)[:, None], 2, axis=1))[:, axis]
        if first > left + RUN_OUT_MM:
            across[:, places < first + RUN_OUT_MM] = True
        if last < right - RUN_OUT_MM:
            across[:, places > last - RUN_OUT_MM] = True
    return out


def _corners(window: FlatView) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    last = np.array(window.valid.shape[::-1], float) - 1
    return window.mm_from_px(np.zeros(2)), window.mm_from_px(last)


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
    seen = sight(flat, white, _near_rim)
    net = off_bare_glare(shell_map(seen), white)
    found = pieces(net, doubted=True).pieces
    if not found.any():
        raise refusal
    return read_words(seen, words(net, table, carried(found, net.flat, table.flat) > 0.5, white))


def _near_rim(view: FlatView) -> Mask:
    return np.asarray(_far(np.pad(view.valid, 1))[1:-1, 1:-1] < RIM_MM / view.mm_per_px, bool)


@dataclass(frozen=True, eq=False)
class Words:
    """Log odds of shell, each (H, W), over the network's view: its own ``net``, that of the ``colours`` by ``models``
    and that of the ``tint``; ``about`` what is likely shell."""

    net: ShellMap
    about: Mask
    colours: Image
    tint: Image
    models: ColourModels


def words(net: ShellMap, view: TableView, blob: Mask, white: Image) -> Words:
    """The colours of both sides learned from the network's map; those of the table only where the coarse ``blob`` does
    not contradict."""
    stroke = inked(net.flat, net.odds) & (net.odds > -SURELY_TABLE)
    net = replace(net, odds=np.where(stroke, np.maximum(net.odds, SURE), net.odds))
    shell = taught_by(net, carried(blob, view.flat, net.flat) > 0.5)
    inside = carried(shell, net.flat, view.flat) > 0.5
    unsure = carried(net.odds, net.flat, view.flat) > -SURE
    doubtful = ~inside & (unsure | blob | closed(inside, BAY_MM / view.flat.mm_per_px))
    gap = EDGE_MM / view.flat.mm_per_px
    table = view.free & ~doubtful & ~grow(inside, gap)
    sampled = erode(inside, gap)
    known = [carried(part.astype(np.float32), view.flat, net.flat) > 0.5 for part in (sampled, table)]
    about = shell | (carried(blob, view.flat, net.flat) > 0.5)
    with ThreadPoolExecutor(1) as beside:  # both leave the interpreter's lock most of the time
        tint = beside.submit(tint_word, net.flat, *known)
        models = learn(view, sampled, table, white)
        return Words(net, about, colours_word(models, net.flat), tint.result(), models)


def taught_by(net: ShellMap, blob: Mask) -> Mask:
    """What teaches the shell's colours: the largest of what the network sees, and such further pieces as the coarse
    ``blob`` tells, too; a tape roll would teach that rolls are shell."""
    main = largest(without_arms(opened_cuts(net), 1 / net.flat.mm_per_px))
    if (blob & ~main & (net.odds > 0)).sum() * net.flat.mm_per_px**2 < LEAST_PIECE_MM2:
        return main
    count, labels = cv2.connectedComponents((pieces(net).pieces & ~main).astype(np.uint8), connectivity=4)
    told = np.bincount(labels[blob], minlength=count) > COVERED * np.bincount(labels.ravel(), minlength=count)
    beside = np.bincount(labels[grow(main, 1)], minlength=count) == 0
    beside[0] = False
    return np.asarray(main | (told & beside)[labels], bool)


def read_words(seen: Sight, said: Words) -> Reading:
    """What the second network makes of all words."""
    told = words_map(seen, (said.net.odds, said.colours, said.tint), said.about)
    against = overruled(told.odds, said, 1 / told.flat.mm_per_px)
    told = replace(told, odds=np.where(against, np.minimum(said.net.odds, said.colours), told.odds))
    told = off_bare_glare(told, said.models.white)
    return Reading(told, said.net, replace(told, odds=said.tint), said.models)


def overruled(odds: Image, said: Words, px: float) -> Mask:
    """Where the second network doubts by its log ``odds`` that there is shell although all words agree that there is,
    over more than a narrow place of ``px`` pixels to the millimetre: smooth tape without a crease or a line is strange
    to it. Tint has no say close to an edge, beyond which it looks."""
    likely = np.minimum(said.net.odds, said.colours)
    against = (odds < SURE) & (likely > 0)
    agreed = against & (np.minimum(likely, said.tint) > AGREED)
    _, labels = cv2.connectedComponents(against.astype(np.uint8), connectivity=4)
    wide = np.unique(labels[_far(agreed) > NARROW_MM / 2 * px])
    return np.asarray(against & np.isin(labels, wide), bool)


def colours_word(models: ColourModels, flat: FlatView) -> Image:
    """Log ratio (H, W) of the colours over a view, the camera's noise taken off."""
    return np.asarray(cv2.GaussianBlur(models.likeness_over(flat), (0, 0), 0.7), np.float32)


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
