"""Work in the background, so that a reload of the page neither stops nor repeats it.

One photo is traced at a time: it takes up to 1.5 GB while it is read, and two at once would only be slower. First looks
have a thread of their own, so that nobody waits for another's tracing to hear of their cards; so has what takes long by
choice, so that no photo waits for it. What may be wanted next is made when nothing else is to be done.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import threading
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from importlib import import_module
from itertools import takewhile
from pathlib import Path
from typing import Any

import extract
from ui.reading import Reading, look_key, refused
from ui.refusal import Refusal, is_own_fault, refusal_for
from ui.shelf import Work, result_key

REFUSAL = "refusal.json"
WAITING = "waiting for its turn"
JOBS_KNOWN = 400
"""Jobs remembered, to know which are under way and why one failed; the oldest that are over are forgotten."""
IDLE_SECONDS = 0.7
"""So long a page is left to itself before the next is prepared, which would slow it down."""
MOST_IDLE_SECONDS = 60.0
POLL_SECONDS = 0.1


class CalledOffError(Exception):
    """The work is not wanted any more."""


@dataclass
class Job:
    """One piece of work under way: what it is doing and the share done; ``news`` counts what there is to see before the
    end, ``over`` is set at the end."""

    doing: str = WAITING
    share: float = 0.0
    over: threading.Event = field(default_factory=threading.Event)
    failed: Refusal | None = None
    """Set where not even the refusal could be written down."""
    news: int = 0
    reads: bool = False
    """Whether it reads photos, which others of the same visitor put an end to."""
    called_off: bool = False
    spare: bool = False
    """Whether nobody waits for it yet."""
    aside: bool = False
    """Whether it has a queue of its own, beside that of the photos."""

    def tell(self, doing: str, share: float) -> None:
        if self.called_off:
            raise CalledOffError
        self.doing, self.share = doing, min(max(share, 0.0), 1.0)


Tell = Callable[[str, float], None]
Make = Callable[[Path, Tell | None], None]
"""Fills a folder and tells how far it is."""

_bench = ThreadPoolExecutor(max_workers=1, thread_name_prefix="tracing")
_eyes = ThreadPoolExecutor(max_workers=1, thread_name_prefix="looking")
_spare = ThreadPoolExecutor(max_workers=1, thread_name_prefix="ahead")
_aside = ThreadPoolExecutor(max_workers=1, thread_name_prefix="aside")
_jobs: dict[Path, Job] = {}
"""In the order they were asked for, which is that of their turns."""
_wishes: dict[Path, tuple[Callable[[], None], float]] = {}
"""What may be wanted next, by visitor, and since when."""
_lock = threading.Lock()


def key_for(work: Work, settings: extract.TraceSettings) -> str:
    """The key of the reading that these photos and settings give; what concerns printing alone changes nothing."""
    return result_key(work.photos(), asdict(_for_reading(settings)), extract.__version__)


def _for_reading(settings: extract.TraceSettings) -> extract.TraceSettings:
    plain = extract.TraceSettings()
    return replace(settings, paper=plain.paper, pairs=plain.pairs)


def start(work: Work, settings: extract.TraceSettings) -> Job:
    """Look at the photos of ``work`` and trace them in the background; the same result is never made twice at once.
    What this visitor asked for before, and has not got yet, is called off."""
    reading = Reading(work, key_for(work, settings), work.photos(), _for_reading(settings))
    work.ask(reading.key)
    job, fresh = _job_for(reading.place)
    if fresh:
        _call_off(work, job, lambda other: other.reads)
        job.reads = True
        _eyes.submit(_look_first, reading, job)
    return job


def _call_off(work: Work, but: Job, which: Callable[[Job], bool]) -> None:
    with _lock:
        for place, job in _jobs.items():
            if which(job) and job is not but and place.parent == work.folder:
                job.called_off = True


def _look_first(reading: Reading, job: Job) -> None:
    """Finds the cards and lets the photos be traced; what they show is written down meanwhile, and before where that is
    all there will be. What fails here fails again at the tracing, and is told there."""
    waits, table = busy(but=job), None
    with contextlib.suppress(Exception):
        table = reading.see(job.tell)
        if refused(table):
            reading.write_look(table, advise=False)
    job.doing = WAITING
    _bench.submit(_run, reading.work, reading.key, reading.make, job)
    with contextlib.suppress(Exception):
        if table and not refused(table):
            for advise in (False, True) if waits else (False,):
                reading.write_look(table, advise)
                job.news += 1


def look(work: Work, key: str) -> dict[str, Any] | None:
    """What the first look at the photos of the reading of that key found, or None where none was taken yet."""
    try:
        return dict(json.loads((work.result(look_key(key)) / "look.json").read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def trace_now(work: Work, settings: extract.TraceSettings, progress: Tell | None = None) -> None:
    """The same as ``start``, in the foreground."""
    reading = Reading(work, key_for(work, settings), work.photos(), _for_reading(settings))
    work.ask(reading.key)
    _fill(work, reading.key, reading.make, progress)


@lru_cache(maxsize=1)
def warm_up() -> None:
    """Loads what a first photo and the steps after it need while the maker still looks for one."""
    _spare.submit(extract.warm_up)
    _spare.submit(extract.all_steps)
    _spare.submit(import_module, "pandas")  # Streamlit needs it for a part of the page like the drawing surface
    _spare.submit(_put_aside)


def _put_aside() -> None:
    """What is loaded by now stays: Streamlit looks through all there is for garbage whenever the page has run, 0.07 s
    each time, and need not look through that."""
    gc.collect()
    gc.freeze()


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


def start_making(work: Work, key: str, make: Make) -> Job:
    """Fill the folder of that key in the background; the same is never made twice at once."""
    job, fresh = _job_for(work.result(key))
    if fresh:
        _bench.submit(_run, work, key, make, job)
    return job


def start_aside(work: Work, key: str, make: Make) -> Job:
    """The same for what takes long by choice, beside all else; what this visitor had under way so is called off."""
    job, fresh = _job_for(work.result(key))
    if fresh:
        _call_off(work, job, lambda other: other.aside)
        job.aside = True
        _aside.submit(_run, work, key, make, job)
    return job


def under_way(work: Work, key: str) -> Job | None:
    """The job that makes that result now, or will."""
    job = last(work, key)
    return job if job and not (job.over.is_set() or job.called_off) else None


def make_ahead(work: Work, key: str, make: Make) -> None:
    """The same at once, for what ``ahead`` does."""
    job, fresh = _job_for(work.result(key))
    job.spare = fresh
    if fresh:
        _run(work, key, make, job)


def ahead(work: Work, do: Callable[[], None]) -> None:
    """Does for this visitor what may be wanted next, once nothing else is to be done, unless something newer is wished
    for by then. What fails here fails again, and is told, where it is asked for."""
    with _lock:
        fresh = work.folder not in _wishes
        _wishes[work.folder] = do, time.monotonic()
    if fresh:
        _spare.submit(_do_ahead, work.folder)


def _do_ahead(folder: Path) -> None:
    deadline = time.monotonic() + MOST_IDLE_SECONDS
    while (busy() or _waited(folder) < IDLE_SECONDS) and time.monotonic() < deadline:
        time.sleep(POLL_SECONDS)
    with _lock:
        do, _ = _wishes.pop(folder)
    # Where others still wait it would slow them down; it is made when it is asked for.
    if not busy():
        with contextlib.suppress(Exception):
            do()


def _waited(folder: Path) -> float:
    return time.monotonic() - _wishes[folder][1]


def busy(but: Job | None = None) -> bool:
    """Whether any work but that job, and what goes on aside, is under way or waits that somebody asked for."""
    with _lock:
        return any(not (job.spare or job.aside or job.over.is_set()) for job in _jobs.values() if job is not but)


def before(job: Job) -> int:
    """How many pieces of work that somebody waits for come before that one in its queue."""
    with _lock:
        earlier = list(takewhile(lambda other: other is not job, _jobs.values()))
    same = (other for other in earlier if other.aside == job.aside)
    return sum(not (other.spare or other.called_off or other.over.is_set()) for other in same)


def _job_for(place: Path) -> tuple[Job, bool]:
    """The job under way there, or a fresh one."""
    with _lock:
        known = _jobs.get(place)
        if known and not known.over.is_set() and not known.called_off:
            return known, False
        for old in [old for old, job in _jobs.items() if job.over.is_set()][: max(0, len(_jobs) - JOBS_KNOWN)]:
            del _jobs[old]
        _jobs.pop(place, None)
        job = _jobs[place] = Job()
        return job, True


def _run(work: Work, key: str, make: Make, job: Job) -> None:
    try:
        _fill(work, key, make, job.tell)
    except CalledOffError:
        pass
    except Exception as error:
        job.failed = refusal_for(error)
    finally:
        job.over.set()


def _fill(work: Work, key: str, make: Make, progress: Tell | None) -> None:
    with work.filling(key) as folder:
        try:
            make(folder, progress)
        except CalledOffError:
            raise
        except Exception as error:
            _show_fault(error)
            (folder / REFUSAL).write_text(json.dumps(asdict(refusal_for(error))), "utf-8")


def _show_fault(error: Exception) -> None:
    if is_own_fault(error) and os.environ.get("TRUEPEEL_DEBUG"):
        traceback.print_exception(error)
