"""Marker strokes on the shell as centre lines: the public door of stroke reading."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring
from skimage.measure import CircleModel

from extract.doors import Array, CannotContinue, FlatView, Silhouette, Stroke, StrokeKind
from extract.ink.assemble import bridged, threads_of
from extract.ink.belief import believed
from extract.ink.branches import Run, placed_runs
from extract.ink.colours import DARKEST_FIRST, colour_name, inks_of
from extract.ink.darkness import InkField, ink_field, unmixed
from extract.ink.ink_net import ink_odds
from extract.ink.onward import carried_on
from extract.ink.reach import carried, clipped, cut_edge, shell_of, thread_line
from extract.ink.shell_view import crop, shrink
from extract.ink.skeleton import strong_ridges, trace_branches
from extract.ink.threads import Thread
from extract.ink.touching import crossed

LEAST_INK_RIDGE = 0.15
"""Below this a ridge is a tape edge, whatever the light (measured on path-traced scenes: 99.9 % of those lie lower)."""
HIGH, LEAST_LOW, LOW_SHARE = 0.12, 0.08, 0.22
FAINTEST = 0.07
"""Ridge strength along most of a run that the network is shown: ink in glare sinks to 0.12."""
TICK_MM = (5.0, 18.0)
"""Ticks are drawn 8 to 14 mm long across a seam (common practice, no source); allowance for bleeding and fading."""
HALF_TICK_MM, HALF_TICK_DEG, FOOT_MM, FOOT_INSIDE_MM = (3.0, 9.0), 60.0, 1.2, 3.0
"""Of a faint tick often one half is seen, and on the cut edge there is but one: a mark so long that stands so steeply
on a line, well inside it, and comes to nothing at its other end. On our own scenes 35 of 40 such marks are halves of
ticks."""
CROSSING_HOLE_MM2 = 1.5
RING_MM = 50.0
NOTE_MM = 25.0
CLOSED_PANEL_MM2 = 300.0
LEAST_SIGMA_MM = 0.01
ROOM_MM = 5.0
FINE_MM = 0.2
"""Five pixels across the thinnest marker: finer ones cost time and tell no more of where its middle is."""


@dataclass(frozen=True, eq=False)
class _Told:
    threads: list[Thread]
    kinds: list[StrokeKind]
    colours: list[str]


def find_strokes(flat: FlatView, silhouette: Silhouette) -> tuple[Stroke, ...]:
    """All marker strokes inside the silhouette.

    Raises CannotContinue when nothing is drawn on the shell.
    """
    flat = _cropped(flat, silhouette)
    edge, shell = cut_edge(silhouette), shell_of(silhouette)
    field = ink_field(flat, silhouette)
    threads = _read_threads(field, flat, edge)
    if not threads:
        raise CannotContinue(
            "ink",
            "There are no marker lines on the shell.",
            "Draw the panel lines with a dark permanent marker at least 1 mm wide, then take the photo again.",
        )
    threads = clipped(crossed(bridged(threads, _are_ticks(threads), shell)), shell)
    told = _told(threads, silhouette)
    lines = [thread_line(t) for t in told.threads]
    further = carried_on(threads, lines, [kind in ("marker", "ring") for kind in told.kinds], edge, field, flat)
    if further is not threads:
        told = _told(clipped(further, shell), silhouette)
    told = _with_half_ticks(told, shell)
    order = sorted(range(len(told.threads)), key=lambda i: -told.threads[i].length_mm)
    return tuple(_stroke(f"s{n + 1}", told.kinds[i], told.colours[i], told.threads[i]) for n, i in enumerate(order))


def _told(threads: list[Thread], silhouette: Silhouette) -> _Told:
    """What each thread is, and the threads with their ends brought to what is near."""
    ticks = _are_ticks(threads)
    notes = _are_notes(threads, ticks, silhouette)
    colours = [colour_name(_absorbed(t)) for t in threads]
    reaching = carried(threads, silhouette, [not (t or n) for t, n in zip(ticks, notes, strict=True)], colours)
    kinds = [_kind(t, tick, note) for t, tick, note in zip(reaching, ticks, notes, strict=True)]
    return _Told(reaching, kinds, colours)


def _read_threads(field: InkField, flat: FlatView, edge: BaseGeometry) -> list[Thread]:
    """Threads of every ink on its own, so that no line is broken or bent where one of another colour crosses it."""
    runs = _read_runs(field, flat, edge)
    inks = list(inks_of(runs).values())
    if len(inks) < 2:
        return threads_of(runs, edge)

    def of_one(index: int) -> list[Thread]:
        return threads_of(_read_runs(unmixed(field, inks, index), flat, edge), edge)

    with ThreadPoolExecutor() as pool:  # much of it runs in OpenCV and SciPy, outside the interpreter's lock
        return [thread for threads in pool.map(of_one, range(len(inks))) for thread in threads]


def ink_evidence(flat: FlatView, silhouette: Silhouette) -> tuple[FlatView, InkField, list[Run], list[Run]]:
    """What stroke reading goes by: the shell's part of the view, no finer than need be, its darkness, all dark lines
    seen there, and those believed to be ink (of all inks together)."""
    flat = _cropped(flat, silhouette)
    field = ink_field(flat, silhouette)
    seen = dark_runs(field, flat)
    return flat, field, seen, _inked(seen, field, flat, cut_edge(silhouette))


def _cropped(flat: FlatView, silhouette: Silhouette) -> FlatView:
    outline = np.vstack(silhouette.rings_mm)
    return shrink(crop(flat, outline.min(axis=0) - ROOM_MM, outline.max(axis=0) + ROOM_MM), FINE_MM)


def _read_runs(field: InkField, flat: FlatView, edge: BaseGeometry) -> list[Run]:
    return _inked(dark_runs(field, flat), field, flat, edge)


def _inked(seen: list[Run], field: InkField, flat: FlatView, edge: BaseGeometry) -> list[Run]:
    return believed(seen, ink_odds([(run.points_mm, run.closed) for run in seen], field, flat), edge)


def dark_runs(field: InkField, flat: FlatView) -> list[Run]:
    """All dark lines, ink or not."""
    clear = field.ridge[field.ridge > LEAST_INK_RIDGE]
    if len(clear) == 0:
        return []
    level = float(np.percentile(clear, 90))
    low = max(LEAST_LOW, LOW_SHARE * level)
    hole_px = round(CROSSING_HOLE_MM2 / field.mm_per_px**2)
    branches = trace_branches(strong_ridges(field.ridge, low, HIGH, hole_px))
    return placed_runs(branches, field, flat, FAINTEST)


def _are_ticks(threads: list[Thread]) -> list[bool]:
    """Short strokes that another one crosses near their middle."""
    lines = [thread_line(t) for t in threads]
    tree = shapely.STRtree(lines)
    out = []
    for index, (thread, line) in enumerate(zip(threads, lines, strict=True)):
        short = not thread.closed and TICK_MM[0] <= line.length <= TICK_MM[1]
        across = [lines[i] for i in tree.query(line, predicate="intersects") if i != index] if short else []
        out.append(any(_crosses_middle(line, other) for other in across if other.length > TICK_MM[1]))
    return out


def _crosses_middle(line: LineString, other: LineString) -> bool:
    meeting = shapely.get_coordinates(line.intersection(other))
    return len(meeting) > 0 and 0.2 < line.project(shapely.Point(meeting[0]), normalized=True) < 0.8


def _with_half_ticks(told: _Told, shell: BaseGeometry) -> _Told:
    """The same with halves of ticks made whole, for both parts need them. Not before lines were carried on: what looks
    like half a tick may be a piece of one."""
    threads, kinds = list(told.threads), list(told.kinds)
    lines = [thread_line(t) for t in threads]
    long = [line for line, kind in zip(lines, kinds, strict=True) if _is_long(line, kind)]
    long += shapely.get_parts(shell.boundary).tolist()
    tree = shapely.STRtree(long)
    for index, line in enumerate(lines):
        if kinds[index] != "marker" or line.is_ring or not HALF_TICK_MM[0] < line.length < HALF_TICK_MM[1]:
            continue
        feet = [shapely.Point(line.coords[0]), shapely.Point(line.coords[-1])]
        ends, met = tree.query(feet, predicate="dwithin", distance=FOOT_MM)
        if len(ends) == 1 and _steep(line, feet[ends[0]], long[met[0]]):
            kinds[index], threads[index] = "tick", _whole_tick(threads[index], bool(ends[0]), shell)
    return replace(told, threads=threads, kinds=kinds)


def _is_long(line: LineString, kind: StrokeKind) -> bool:
    return kind in ("marker", "ring") and line.length > TICK_MM[1]


def _whole_tick(half: Thread, foot_last: bool, shell: BaseGeometry) -> Thread:
    """The half with its like beyond the foot, if there is shell."""
    from_foot = half.points_mm[::-1] if foot_last else half.points_mm
    whole = np.vstack([2 * from_foot[0] - from_foot[:0:-1], from_foot])
    return replace(half, points_mm=whole) if shell.covers(LineString(whole)) else half


def _steep(mark: LineString, foot: shapely.Point, line: LineString) -> bool:
    """Whether a mark stands steeply on a line, and well inside it."""
    at = line.project(foot)
    if not line.is_ring and not FOOT_INSIDE_MM < at < line.length - FOOT_INSIDE_MM:
        return False
    along, up = (
        np.subtract(piece.coords[-1], piece.coords[0])
        for piece in (substring(line, max(0.0, at - FOOT_INSIDE_MM), at + FOOT_INSIDE_MM), mark)
    )
    most = np.cos(np.radians(HALF_TICK_DEG)) * np.hypot(*along) * np.hypot(*up)
    return bool(abs(along @ up) < most)


def _are_notes(threads: list[Thread], ticks: list[bool], silhouette: Silhouette) -> list[bool]:
    """Writing, arrows and doodles: groups of touching strokes that stay small and far from the cut edge."""
    lines = [thread_line(t) for t in threads]
    groups = shapely.union_all([line.buffer(1.0) for line, tick in zip(lines, ticks, strict=True) if not tick])
    edge = cut_edge(silhouette)
    small = [
        g
        for g in shapely.get_parts(groups)
        if np.ptp(np.asarray(g.bounds).reshape(2, 2), axis=0).max() < NOTE_MM and g.distance(edge) > 4.0
    ]
    tree = shapely.STRtree(small)
    return [
        not tick and not _is_closed_shape(t) and len(tree.query(line, predicate="intersects")) > 0
        for t, line, tick in zip(threads, lines, ticks, strict=True)
    ]


def _is_closed_shape(thread: Thread) -> bool:
    if not thread.closed:
        return False
    return Polygon(thread.points_mm).area >= CLOSED_PANEL_MM2 or _is_ring(thread)


def _kind(thread: Thread, tick: bool, note: bool) -> StrokeKind:
    if tick:
        return "tick"
    if note:
        return "note"
    return "ring" if _is_ring(thread) else "marker"


def _is_ring(thread: Thread) -> bool:
    if not thread.closed or len(thread.points_mm) < 8:
        return False
    circle = CircleModel.from_estimate(thread.points_mm)
    if not circle or not 2.5 < circle.radius < RING_MM / 2:
        return False
    return float(np.sqrt(np.mean(circle.residuals(thread.points_mm) ** 2))) < max(0.35, 0.05 * circle.radius)


def _absorbed(thread: Thread) -> Array:
    lengths = [run.length_mm for run in thread.runs]
    return np.average([run.absorbed for run in thread.runs], axis=0, weights=lengths)


def _stroke(name: str, kind: StrokeKind, colour: str, thread: Thread) -> Stroke:
    width = float(np.median([run.width_mm for run in thread.runs]))
    scatter = max(LEAST_SIGMA_MM, float(np.median([run.scatter_mm for run in thread.runs])))
    return Stroke(name, kind, colour, thread.closed, width, scatter, thread.points_mm)


def cut_colour_of(strokes: Sequence[Stroke]) -> str:
    """The colour that cuts when the maker named none: the darkest marker among strokes that can bound a panel."""
    seen = {stroke.colour for stroke in strokes if stroke.kind in ("marker", "ring")}
    return next((colour for colour in DARKEST_FIRST if colour in seen), "black")
