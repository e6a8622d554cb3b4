"""The table before any line is read: photos decoded, cards found, cameras solved; once, for the first look and the
tracing alike."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from extract.clock import Clock
from extract.doors import Blur, CannotContinue, CardSighting, Doubt, Photo, PlaneCamera, Progress, TraceSettings
from extract.photo import read_photo

if TYPE_CHECKING:
    from collections.abc import Mapping

Source = Path | tuple[str, bytes]

AT_ONCE = 2
"""Photos in which cards are looked for at the same time: each takes a grey copy of its pixels."""


@dataclass(frozen=True, eq=False)
class Seen:
    """One photo with the cards on it, or why it cannot serve."""

    name: str
    content: bytes
    photo: Photo | None = None
    sightings: tuple[CardSighting, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    refusal: CannotContinue | None = None


@dataclass(frozen=True, eq=False)
class Table:
    """``cameras`` are those of the photos with cards, in order, empty where they could not be solved; ``refusal`` is
    why not."""

    settings: TraceSettings
    seen: tuple[Seen, ...]
    cameras: tuple[PlaneCamera, ...]
    doubts: tuple[Doubt, ...]
    refusal: CannotContinue | None
    timing_s: Mapping[str, float]

    @property
    def placed(self) -> tuple[tuple[Photo, PlaneCamera], ...]:
        """Each photo whose camera was solved, with that camera."""
        photos = [one.photo for one in self.seen if one.photo and one.sightings]
        return tuple(zip(photos, self.cameras, strict=True)) if self.cameras else ()

    @cached_property
    def blurs(self) -> tuple[Blur | None, ...]:
        """How far each placed photo is spread; None where no printed card tells."""
        from extract.camera.blur import measure_blur
        from extract.scale import has_card

        return tuple(measure_blur(photo, camera) if has_card(camera) else None for photo, camera in self.placed)

    @property
    def blur_doubts(self) -> tuple[Doubt, ...]:
        from extract.camera.blur import blur_doubt

        told = (blur_doubt(photo, blur) for (photo, _), blur in zip(self.placed, self.blurs, strict=True))
        return tuple(doubt for doubt in told if doubt)

    def check(self) -> None:
        """Raises CannotContinue with the first reason why these photos cannot be traced."""
        unread = (one.refusal for one in self.seen if one.photo is None)
        without = (one.refusal for one in self.seen)
        for why in (*unread, _same_twice(self.seen), *without, self.refusal):
            if why is not None:
                raise why


def see_table(sources: Sequence[Source], settings: TraceSettings, progress: Progress | None = None) -> Table:
    """The photos (paths, or pairs of name and bytes) of one table, each that cannot serve with its reason. Raises
    CannotContinue where there is none, or for a file that cannot be read at all."""
    if not sources:
        raise CannotContinue("photo", "No photo was given.", "Name at least one photo.")
    clock = Clock(progress)
    with clock.step("reading the photo", "photo"):
        seen = [_read(*_content(source)) for source in sources]
    with clock.step("finding the scale cards", "cards"), ThreadPoolExecutor(AT_ONCE) as pool:
        seen = list(pool.map(lambda one: _with_cards(one, settings), seen))
    with clock.step("solving camera, lens and table", "camera"):
        cameras, doubts, refusal = _solved(seen, settings)
    return Table(settings, tuple(seen), cameras, doubts, refusal, clock.seconds)


def _read(name: str, content: bytes) -> Seen:
    try:
        return Seen(name, content, read_photo(content, name))
    except CannotContinue as why:
        return Seen(name, content, refusal=why)


def _with_cards(one: Seen, settings: TraceSettings) -> Seen:
    from extract.scale import find_scale

    if one.photo is None:
        return one
    try:
        sightings, doubts = find_scale(one.photo, settings)
    except CannotContinue as why:
        return replace(one, refusal=why)
    return replace(one, sightings=sightings, doubts=doubts)


def _solved(
    seen: Sequence[Seen], settings: TraceSettings
) -> tuple[tuple[PlaneCamera, ...], tuple[Doubt, ...], CannotContinue | None]:
    from extract.scale import solve_scale

    usable = [(one.photo, one.sightings) for one in seen if one.photo and one.sightings]
    if not usable:
        return (), (), None
    try:
        cameras, doubts = solve_scale([s for _, s in usable], [photo for photo, _ in usable], settings)
    except CannotContinue as why:
        return (), (), why
    return cameras, doubts, None


def _same_twice(seen: Sequence[Seen]) -> CannotContinue | None:
    """One photo given twice would count as two, and everything would look surer than it is."""
    names: dict[str, str] = {}
    for photo in (one.photo for one in seen if one.photo):
        if photo.digest in names:
            reason = f"{names[photo.digest]} and {photo.name} are the same photo."
            return CannotContinue("photo", reason, "Name every photo once.")
        names[photo.digest] = photo.name
    return None


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
