"""Runs the rooms in order; the only file that knows them all."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from extract.camera.advice import advise_card, advise_ruler
from extract.camera.blur import blur_doubt, measure_blur
from extract.camera.flatten import flatten, sampling_px_per_mm, seen_region_mm
from extract.camera.uncertainty import shape_sd_mm, shape_sd_mm_at
from extract.doors import (
    Array,
    CannotContinue,
    Doubt,
    Photo,
    PlaneCamera,
    Progress,
    Silhouette,
    Stroke,
    TraceSettings,
    Tracing,
)
from extract.ink.lines import cut_colour_of, find_strokes
from extract.ink.silhouette import find_silhouette
from extract.pattern.parts import make_pattern
from extract.photo import read_photo
from extract.rework import cut_panels
from extract.scale import find_scale, has_card, solve_scale
from extract.together import read_together

Source = Path | tuple[str, bytes]

LEAST_UNSURE = 0.005
"""A smaller share of the cut edge is a few millimetres, not worth a maker's walk back to the table."""

STEPS = {
    "reading the photo": 0.10,
    "finding the scale cards": 0.14,
    "solving camera, lens and table": 0.08,
    "looking straight down": 0.08,
    "finding the shell": 0.25,
    "reading the marker lines": 0.25,
    "comparing the photos": 0.0,
    "cutting the shell into panels": 0.10,
}
"""Shares of the time, for the progress shown."""


class Clock:
    """Times the steps and tells how far the run is."""

    def __init__(self, progress: Progress | None) -> None:
        self.seconds: dict[str, float] = {}
        self._tell: Callable[[str, float], None] = progress or (lambda words, share: None)
        self._begun = time.perf_counter()

    @contextmanager
    def step(self, words: str, room: str) -> Iterator[None]:
        names = list(STEPS)
        self._tell(words, sum(STEPS[n] for n in names[: names.index(words)]))
        begun = time.perf_counter()
        yield
        self.seconds[room] = time.perf_counter() - begun

    def finish(self) -> dict[str, float]:
        self._tell("done", 1.0)
        return {"total": time.perf_counter() - self._begun, **self.seconds}


def trace(sources: Sequence[Source], settings: TraceSettings, progress: Progress | None = None) -> Tracing:
    """Photos of one table (paths, or pairs of name and bytes) to a tracing.

    Raises CannotContinue with a reason and an advice when the input cannot serve.
    """
    if not sources:
        raise CannotContinue("photo", "No photo was given.", "Name at least one photo.")
    clock = Clock(progress)
    with clock.step("reading the photo", "photo"):
        contents = tuple(_content(s) for s in sources)
        photos = tuple(read_photo(content, name) for name, content in contents)
        _check_different(photos)
    with clock.step("finding the scale cards", "cards"):
        found = [find_scale(photo, settings) for photo in photos]
    with clock.step("solving camera, lens and table", "camera"):
        cameras, camera_doubts = solve_scale([sightings for sightings, _ in found], photos, settings)
        best = _steadiest(photos, cameras)
        blurs = tuple(measure_blur(p, c) if has_card(c) else None for p, c in zip(photos, cameras, strict=True))
    with clock.step("looking straight down", "flat"):
        flat = flatten(photos[best], cameras[best])
    with clock.step("finding the shell", "silhouette"):
        silhouette = find_silhouette(flat)
    with clock.step("reading the marker lines", "strokes"):
        raw = find_strokes(flat, silhouette)
    together: tuple[Doubt, ...] = ()
    relief = None
    if len(photos) > 1:
        with clock.step("comparing the photos", "together"):
            several = read_together(photos, cameras, best, flat, silhouette, raw)
            flat, silhouette, raw, cameras = several.flat, several.silhouette, several.strokes, several.cameras
            relief, together = several.relief, several.doubts
    with clock.step("cutting the shell into panels", "panels"):
        cut = settings.cut_colour or cut_colour_of(raw)
        _check_colour(cut, raw)
        camera = cameras[best]
        panels = cut_panels(silhouette, raw, cut, settings.smooth_mm, camera)
        strokes = tuple(_with_plane(s, camera) for s in raw)
    outline, hint = np.vstack(silhouette.rings_mm), photos[best].focal_hint_px
    advice = advise_card(camera, outline, focal_hint_px=hint) if has_card(camera) else None
    ruler = advise_ruler(camera, outline, settings, focal_hint_px=hint)
    doubts = (
        *(d for _, found_doubts in found for d in found_doubts),
        *camera_doubts,
        *together,
        *(d for d in map(blur_doubt, photos, blurs) if d),
        *([advice] if advice else []),
        *_bar_doubts(settings),
        *([ruler] if ruler else []),
        *_edge_doubts(silhouette),
    )
    pattern = make_pattern(panels, strokes, photos[best].name, date.today().isoformat(), settings.pairs, doubts)
    spread = shape_sd_mm_at(camera, outline)
    sampling = [sampling_px_per_mm(camera, point[None]) for point in _corners_of(outline)]
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
        sigma_mm=(float(np.median(spread)), float(spread.max())),
        px_per_mm=(min(sampling), max(sampling)),
        cut_colour=cut,
        sources=tuple(content for _, content in contents),
        timing_s=clock.finish(),
        blurs=blurs,
        relief=relief,
    )


def _check_different(photos: Sequence[Photo]) -> None:
    """One photo given twice would count as two, and everything would look surer than it is."""
    seen: dict[str, str] = {}
    for photo in photos:
        if photo.digest in seen:
            raise CannotContinue(
                "photo", f"{seen[photo.digest]} and {photo.name} are the same photo.", "Name every photo once."
            )
        seen[photo.digest] = photo.name


def _content(source: Source) -> tuple[str, bytes]:
    if isinstance(source, tuple):
        return source
    try:
        return source.name, source.read_bytes()
    except FileNotFoundError:
        raise CannotContinue("photo", f"There is no file {source}.", "Check the name and try again.") from None
    except OSError as error:
        why = error.strerror or "it cannot be read"
        raise CannotContinue("photo", f"The photo {source} cannot be read: {why}.", "Choose another file.") from error


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
