"""The steps of a run with their share of the time, so that its progress can be told and its seconds noted."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

from extract.doors import Progress

STEPS = {
    "reading the photo": 0.03,
    "finding the scale cards": 0.07,
    "solving camera, lens and table": 0.03,
    "looking straight down": 0.07,
    "finding the shell": 0.35,
    "reading the marker lines": 0.25,
    "comparing the photos": 0.0,
    "cutting the shell into panels": 0.20,
}
"""Shares of the time, for the progress shown."""


class Clock:
    """Times the steps and tells how far the run is; ``earlier`` are the seconds of steps done before."""

    def __init__(self, progress: Progress | None, earlier: Mapping[str, float] | None = None) -> None:
        self.seconds: dict[str, float] = dict(earlier or {})
        self._tell: Callable[[str, float], None] = progress or (lambda words, share: None)
        self._begun = time.perf_counter() - sum(self.seconds.values())

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
