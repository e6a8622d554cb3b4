"""Tracing in the background, so that a reload of the page neither stops nor repeats the work.

One tracing runs at a time: a photo takes up to 1.5 GB while it is read, and two at once would only be slower.
"""

from __future__ import annotations

import json
import os
import threading
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import extract
from ui.refusal import Refusal, is_own_fault, refusal_for
from ui.shelf import Work, result_key

REFUSAL = "refusal.json"


@dataclass
class Job:
    """One tracing under way: what it is doing and the share done; ``over`` is set at the end."""

    doing: str = "waiting for another tracing to end"
    share: float = 0.0
    over: threading.Event = field(default_factory=threading.Event)
    failed: Refusal | None = None
    """Set where not even the refusal could be written down."""

    def tell(self, doing: str, share: float) -> None:
        self.doing, self.share = doing, min(max(share, 0.0), 1.0)


_bench = ThreadPoolExecutor(max_workers=1, thread_name_prefix="tracing")
_jobs: dict[Path, Job] = {}
_lock = threading.Lock()


def key_for(work: Work, settings: extract.TraceSettings) -> str:
    """The key of the result these photos and settings give."""
    return result_key(work.photos(), asdict(settings), extract.__version__)


def start(work: Work, settings: extract.TraceSettings) -> Job:
    """Trace the photos of ``work`` in the background; the same result is never traced twice at once."""
    key = key_for(work, settings)
    work.ask(key)
    with _lock:
        known = _jobs.get(work.result(key))
        if known and not known.over.is_set():
            return known
        job = _jobs[work.result(key)] = Job()
        _bench.submit(_run, work, key, settings, job)
        return job


def trace_now(
    work: Work, settings: extract.TraceSettings, progress: Callable[[str, float], None] | None = None
) -> None:
    """The same in the foreground."""
    key = key_for(work, settings)
    work.ask(key)
    _trace(work, key, settings, progress)


def last(work: Work, key: str) -> Job | None:
    """The job that makes, or made, that result since the program started."""
    return _jobs.get(work.result(key))


def result(work: Work, key: str) -> dict[str, Any] | Refusal | None:
    """The report of a finished tracing, or why there is none, or None where nothing has been traced yet."""
    place = work.result(key)
    try:
        if (place / REFUSAL).is_file():
            return Refusal(**json.loads((place / REFUSAL).read_text("utf-8")))
        return dict(json.loads((place / "report.json").read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def _run(work: Work, key: str, settings: extract.TraceSettings, job: Job) -> None:
    try:
        _trace(work, key, settings, job.tell)
    except Exception as error:
        job.failed = refusal_for(error)
    finally:
        job.over.set()


def _trace(
    work: Work, key: str, settings: extract.TraceSettings, progress: Callable[[str, float], None] | None
) -> None:
    with work.filling(key) as folder:
        try:
            sources = [(photo.name, work.photo_bytes(photo)) for photo in work.photos()]
            extract.write_outputs(extract.trace(sources, settings, progress), folder)
        except Exception as error:
            if is_own_fault(error) and os.environ.get("TRUEPEEL_DEBUG"):
                traceback.print_exc()
            (folder / REFUSAL).write_text(json.dumps(asdict(refusal_for(error))), "utf-8")
