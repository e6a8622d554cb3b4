"""Runs the rooms in order; the only file that knows them all."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from extract.camera.advice import advise_card, advise_ruler
from extract.camera.flatten import flatten, sampling_px_per_mm, seen_region_mm
from extract.camera.project import px_from_mm
from extract.camera.uncertainty import shape_sd_mm, shape_sd_mm_at
from extract.clock import Clock
from extract.doors import (
    Array,
    CannotContinue,
    Doubt,
    Mask,
    Photo,
    PlaneCamera,
    Progress,
    Silhouette,
    Stroke,
    TraceSettings,
    Tracing,
)
from extract.graph.tips import guessed_tips
from extract.guesses import stretches
from extract.ink.lines import cut_colour_of, find_strokes
from extract.ink.shell_view import ready
from extract.ink.silhouette import find_silhouette
from extract.ink.table_colour import colours_like_table
from extract.pattern.parts import make_pattern
from extract.rework import cut_panels, cuts
from extract.scale import has_card
from extract.seeing import Source, Table, see_table
from extract.together import read_together

LEAST_UNSURE = 0.005
"""A smaller share of the cut edge is a few millimetres, not worth a maker's walk back to the table."""


def trace(sources: Sequence[Source], settings: TraceSettings, progress: Progress | None = None) -> Tracing:
    """Photos of one table (paths, or pairs of name and bytes) to a tracing.

    Raises CannotContinue with a reason and an advice when the input cannot serve.
    """
    with ThreadPoolExecutor(1) as beside:
        beside.submit(ready)
        table = see_table(sources, settings, progress)
    return trace_table(table, progress)


def trace_table(table: Table, progress: Progress | None = None) -> Tracing:
    """A table whose cards were found to a tracing. Raises CannotContinue as ``trace`` does."""
    table.check()
    settings, clock = table.settings, Clock(progress, table.timing_s)
    photos: tuple[Photo, ...] = tuple(photo for photo, _ in table.placed)
    cameras = table.cameras
    best = _steadiest(photos, cameras)
    with clock.step("looking straight down", "flat"):
        flat = flatten(photos[best], cameras[best])
    with clock.step("finding the shell", "silhouette"):
        silhouette = find_silhouette(flat)
    together: tuple[Doubt, ...] = ()
    relief = None
    # What is known without the lines is worked out while they are read.
    with ThreadPoolExecutor(1) as beside:
        if len(photos) == 1:
            waiting = beside.submit(_shape, table, best, cameras[best], silhouette)
        with clock.step("reading the marker lines", "strokes"):
            raw = find_strokes(flat, silhouette)
        if len(photos) > 1:
            with clock.step("comparing the photos", "together"):
                several = read_together(photos, cameras, best, flat, silhouette, raw)
                flat, silhouette, raw, cameras = several.flat, several.silhouette, several.strokes, several.cameras
                relief, together = several.relief, several.doubts
            waiting = beside.submit(_shape, table, best, cameras[best], silhouette)
        with clock.step("cutting the shell into panels", "panels"):
            cut = settings.cut_colour or cut_colour_of(raw)
            _check_colour(cut, raw)
            comparing = beside.submit(colours_like_table, flat, silhouette, raw)
            panels = cut_panels(silhouette, raw, cut, settings.smooth_mm, cameras[best])
            tips = guessed_tips(silhouette, [stroke for stroke in raw if cuts(stroke, cut)])
            strokes = tuple(_with_plane(s, cameras[best]) for s in raw)
        shape, alike = waiting.result(), comparing.result()
    doubts = (
        *(doubt for one in table.seen for doubt in one.doubts),
        *table.doubts,
        *together,
        *shape.doubts,
        *_edge_doubts(silhouette),
        *left_out_doubts(silhouette, cameras[best]),
        *_tip_doubts(tips),
        *_colour_doubts(alike),
    )
    unsure = tuple(edge | tip for edge, tip in zip(silhouette.unsure, tips, strict=True))
    silhouette = replace(silhouette, unsure=unsure)
    pattern = make_pattern(panels, strokes, photos[best].name, date.today().isoformat(), settings.pairs, doubts)
    return Tracing(
        photos=photos,
        cameras=cameras,
        read_from=best,
        flat=flat,
        silhouette=silhouette,
        strokes=strokes,
        panels=panels,
        pattern=pattern,
        doubts=doubts,
        settings=settings,
        sigma_mm=shape.sigma_mm,
        px_per_mm=shape.px_per_mm,
        cut_colour=cut,
        sources=tuple(one.content for one in table.seen),
        timing_s=clock.finish(),
        blurs=table.blurs,
        relief=relief,
    )


@dataclass(frozen=True)
class _Shape:
    """How true the shell's shape is and how finely it was seen, median or least and worst, and what to say of that."""

    sigma_mm: tuple[float, float]
    px_per_mm: tuple[float, float]
    doubts: tuple[Doubt, ...]


def _shape(table: Table, best: int, camera: PlaneCamera, silhouette: Silhouette) -> _Shape:
    outline, hint = np.vstack(silhouette.rings_mm), table.placed[best][0].focal_hint_px
    advice = advise_card(camera, outline, focal_hint_px=hint) if has_card(camera) else None
    ruler = advise_ruler(camera, outline, table.settings, focal_hint_px=hint)
    spread = shape_sd_mm_at(camera, outline)
    sampling = [sampling_px_per_mm(camera, point[None]) for point in _corners_of(outline)]
    return _Shape(
        (float(np.median(spread)), float(spread.max())),
        (min(sampling), max(sampling)),
        (
            *table.blur_doubts,
            *([advice] if advice else []),
            *_bar_doubts(table.settings),
            *([ruler] if ruler else []),
        ),
    )


def _steadiest(photos: Sequence[Photo], cameras: Sequence[PlaneCamera]) -> int:
    """The photo whose plane is known best over the table that all photos see."""
    regions = np.array([seen_region_mm(p, c) for p, c in zip(photos, cameras, strict=True)])
    (left, top), (right, bottom) = regions[:, :2].max(axis=0), regions[:, 2:].min(axis=0)
    grid = np.stack(np.meshgrid(np.linspace(left, right, 9), np.linspace(top, bottom, 9)), axis=-1).reshape(-1, 2)
    return int(np.argmin([shape_sd_mm(camera, grid) for camera in cameras]))


def _check_colour(cut: str, strokes: Sequence[Stroke]) -> None:
    seen = sorted({s.colour for s in strokes})
    if cut not in seen:
        raise CannotContinue(
            "ink",
            f"No {cut} marker lines were found, only {', '.join(seen)}.",
            f"Say which colour cuts: {', '.join(seen)}.",
        )


def _with(*sigmas_mm: float) -> float:
    return float(np.sqrt(np.square(sigmas_mm).sum()))


def _with_plane(stroke: Stroke, camera: PlaneCamera) -> Stroke:
    """The stroke with the plane's own doubt added to its localisation."""
    return replace(stroke, sigma_mm=_with(stroke.sigma_mm, shape_sd_mm(camera, stroke.points_mm)))


def _corners_of(outline_mm: Array) -> Array:
    """The outline's outermost points to the four sides and corners."""
    turn = np.radians(np.arange(0, 360, 45))
    return outline_mm[(outline_mm @ np.stack([np.cos(turn), np.sin(turn)])).argmax(axis=0)]


def _bar_doubts(settings: TraceSettings) -> tuple[Doubt, ...]:
    if settings.bar_long_mm is not None and settings.bar_short_mm is not None:
        return ()
    return (
        Doubt(
            "bars-not-measured",
            "The printed bars on the card were not measured, so the printer's own stretch is a guess that is part of "
            "the ±. Lay a ruler along both bars and type in what it says.",
        ),
    )


def _edge_doubts(silhouette: Silhouette) -> tuple[Doubt, ...]:
    shares = [float(unsure.mean()) for unsure in silhouette.unsure if len(unsure)]
    if not shares or max(shares) < LEAST_UNSURE:
        return ()
    return (
        Doubt(
            "edge-unsure",
            f"{100 * max(shares):.0f} % of the cut edge hardly differs from the table. Check it on the overlay, or lay "
            "the shell on a table of another colour.",
        ),
    )


def left_out_doubts(silhouette: Silhouette, camera: PlaneCamera) -> tuple[Doubt, ...]:
    """What is said of each place that may hold a further piece of shell."""
    doubts = []
    for middle in silhouette.left_out_mm:
        across, down = np.clip(px_from_mm(camera, middle[None])[0] / camera.size_px * 3, 0, 2).astype(int)
        where = f"{('upper', 'middle', 'lower')[down]} {('left', 'middle', 'right')[across]}"
        doubts.append(
            Doubt(
                "piece-left-out",
                f"Something as large as a piece of shell, at the {where.replace('middle middle', 'middle')} of the "
                "photo, was not read as one, for it is not clear where it ends. If it is one, lay it on a table of "
                "another colour and take the photo again.",
            )
        )
    return tuple(doubts)


def _tip_doubts(tips: Sequence[Mask]) -> tuple[Doubt, ...]:
    count = sum(len(stretches(tip)) for tip in tips)
    if not count:
        return ()
    which = "A cut ends" if count == 1 else f"{count} cuts end"
    return (
        Doubt(
            "tip-near-line",
            f"{which} so close to a line that it is a guess whether it parts the panels there. Check on the overlay.",
        ),
    )


def _colour_doubts(alike: Sequence[str]) -> tuple[Doubt, ...]:
    return tuple(
        Doubt(
            "line-like-table",
            f"What was read as {colour} lines has the table's own colour: it may be a cut taken for a line, or a line "
            "that runs to the cut edge may have been taken for a cut. Check on the overlay, or lay the shell on a "
            "table of another colour.",
        )
        for colour in alike
    )
