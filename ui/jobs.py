"""Tracing in the background, so that a reload of the page neither stops nor repeats the work.

One piece of work runs at a time: a photo takes up to 1.5 GB while it is read, and two at once would only be slower.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import threading
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import extract
from ui import corrections
from ui.refusal import Refusal, is_own_fault, refusal_for
from ui.shelf import Work, result_key

REFUSAL = "refusal.json"


@dataclass
class Job:
    """One piece of work under way: what it is doing and the share done; ``over`` is set at the end."""

    doing: str = "waiting for other work to end"
    share: float = 0.0
    over: threading.Event = field(default_factory=threading.Event)
    failed: Refusal | None = None
    """Set where not even the refusal could be written down."""

    def tell(self, doing: str, share: float) -> None:
        self.doing, self.share = doing, min(max(share, 0.0), 1.0)


Tell = Callable[[str, float], None]
Make = Callable[[Path, Tell | None], None]
"""Fills a folder and tells how far it is."""

_bench = ThreadPoolExecutor(max_workers=1, thread_name_prefix="tracing")
_jobs: dict[Path, Job] = {}
_lock = threading.Lock()


def key_for(work: Work, settings: extract.TraceSettings) -> str:
    """The key of the reading that these photos and settings give; what concerns printing alone changes nothing."""
    return result_key(work.photos(), asdict(_for_reading(settings)), extract.__version__)


def _for_reading(settings: extract.TraceSettings) -> extract.TraceSettings:
    plain = extract.TraceSettings()
    return replace(settings, paper=plain.paper, pairs=plain.pairs)


def start(work: Work, settings: extract.TraceSettings) -> Job:
    """Trace the photos of ``work`` in the background; the same result is never traced twice at once."""
    key = key_for(work, settings)
    work.ask(key)
    return start_making(work, key, _tracing_of(work, settings))


def look_key(key: str) -> str:
    """The key of the first look at the photos of the reading of that key."""
    return hashlib.sha256(f"look {key}".encode()).hexdigest()


def start_look(work: Work, settings: extract.TraceSettings) -> Job:
    """Look for the cards in the photos of ``work``, in the background."""
    return start_making(work, look_key(key_for(work, settings)), _look_of(work, settings))


def look(work: Work, key: str) -> dict[str, Any] | None:
    """What the first look at the photos of the reading of that key found, or None where none was taken yet."""
    try:
        return dict(json.loads((work.result(look_key(key)) / "look.json").read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def trace_now(work: Work, settings: extract.TraceSettings, progress: Tell | None = None) -> None:
    """The same as ``start``, in the foreground."""
    key = key_for(work, settings)
    work.ask(key)
    _fill(work, key, _tracing_of(work, settings), progress)


@lru_cache(maxsize=1)
def warm_up() -> None:
    """Readies the bench for its first work while the maker still looks for a photo."""
    _bench.submit(extract.warm_up)


def last(work: Work, key: str) -> Job | None:
    """The job that makes, or made, that result since the program started."""
    return _jobs.get(work.result(key))


def result(work: Work, key: str, name: str = "report.json") -> dict[str, Any] | Refusal | None:
    """What finished work wrote down under that name, or why there is nothing, or None where it has not been done."""
    place = work.result(key)
    try:
        if (place / REFUSAL).is_file():
            return Refusal(**json.loads((place / REFUSAL).read_text("utf-8")))
        return dict(json.loads((place / name).read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def _tracing_of(work: Work, settings: extract.TraceSettings) -> Make:
    def make(folder: Path, tell: Tell | None) -> None:
        sources = [(photo.name, work.photo_bytes(photo)) for photo in work.photos()]
        tracing = extract.trace(sources, _for_reading(settings), tell)
        # Pages and drawings are made at the last step, from the build as it then is.
        for name, content in extract.photo_files(tracing).items():
            extract.write_whole(folder / name, content)
        extract.write_surface(tracing, folder)

    return make


def _look_of(work: Work, settings: extract.TraceSettings) -> Make:
    def make(folder: Path, tell: Tell | None) -> None:
        photos = work.photos()
        look = extract.look_over([(photo.name, work.photo_bytes(photo)) for photo in photos], settings, tell)
        (folder / "look.json").write_text(json.dumps(look.found), "utf-8")
        for photo, picture in zip(photos, look.pictures, strict=True):
            if picture:
                (folder / f"{photo.digest}.jpg").write_bytes(picture)

    return make


def start_making(work: Work, key: str, make: Make) -> Job:
    """Fill the folder of that key in the background; the same is never made twice at once."""
    with _lock:
        known = _jobs.get(work.result(key))
        if known and not known.over.is_set():
            return known
        job = _jobs[work.result(key)] = Job()
        _bench.submit(_run, work, key, make, job)
        return job


def _run(work: Work, key: str, make: Make, job: Job) -> None:
    try:
        _fill(work, key, make, job.tell)
    except Exception as error:
        job.failed = refusal_for(error)
    finally:
        job.over.set()
    prepare(work, key)


def prepare(work: Work, key: str) -> None:
    """Cuts the panels of a fresh reading while its maker still looks at the photo, so that the next step opens at
    once. What fails here fails again, and is told, where it is asked for."""
    with contextlib.suppress(Exception):
        if (work.result(key) / "reading.json").is_file():
            corrections.tracing(work.result(key), corrections.read(work, key))


def _fill(work: Work, key: str, make: Make, progress: Tell | None) -> None:
    with work.filling(key) as folder:
        try:
            make(folder, progress)
        except Exception as error:
            if is_own_fault(error) and os.environ.get("TRUEPEEL_DEBUG"):
                traceback.print_exc()
            (folder / REFUSAL).write_text(json.dumps(asdict(refusal_for(error))), "utf-8")
