"""The maker's corrections on the shelf: written down at every edit, taken back and done again, one list for all tabs.

The browser sends *acts*, each with an id of its own: {"id": …, "act": "do", "correction": {…}}, or "undo" or "redo"
without one. It sends an act until it sees it in ``seen``, so none is lost with a line and none counts twice; acts of
two tabs follow one another in the same list.
"""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import extract
from ui.shelf import Work

REMEMBERED = 400
"""Ids of acts kept, to know a repetition by and to tell the browser what has arrived: more than it can gather while a
line is down for minutes."""
MOST = 2_000
TRACINGS_KEPT = 24
"""Tracings at hand, without pictures: some hundred kilobytes each."""
_tracings: OrderedDict[tuple[Path, int, str], extract.Tracing] = OrderedDict()
_lock = threading.Lock()


@dataclass(frozen=True)
class Log:
    """Corrections that count, in order; those taken back, the last one last; the ids of the latest acts."""

    done: tuple[dict[str, Any], ...] = ()
    undone: tuple[dict[str, Any], ...] = ()
    seen: tuple[str, ...] = ()

    def after(self, act: Any) -> Log:
        """The log with one more act; one seen before, or one that makes no sense, changes nothing."""
        if not isinstance(act, dict) or not isinstance(act.get("id"), str) or act["id"] in self.seen:
            return self
        seen = (*self.seen, act["id"][:80])[-REMEMBERED:]
        match act.get("act"):
            case "do" if len(self.done) < MOST and is_sound(act.get("correction")):
                return Log((*self.done, act["correction"]), (), seen)
            case "undo" if self.done:
                return Log(self.done[:-1], (*self.undone, self.done[-1]), seen)
            case "redo" if self.undone:
                return Log((*self.done, self.undone[-1]), self.undone[:-1], seen)
        return Log(self.done, self.undone, seen)


def is_sound(correction: Any) -> bool:
    try:
        extract.check_correction(correction)
    except extract.CannotContinue:
        return False
    return True


def read(work: Work, key: str) -> Log:
    """The corrections of the reading of that key; none where nothing was corrected or the file cannot be read."""
    try:
        saved = json.loads(_place(work, key).read_text("utf-8"))
        done = tuple(correction for correction in saved["done"] if is_sound(correction))
        undone = tuple(correction for correction in saved["undone"] if is_sound(correction))
        return Log(done, undone, tuple(str(name) for name in saved["seen"]))
    except (OSError, ValueError, KeyError, TypeError):
        return Log()


def record(work: Work, key: str, acts: Sequence[Any]) -> Log:
    """Writes the acts down and returns the log they lead to."""
    with _lock:
        before = log = read(work, key)
        for act in acts:
            log = log.after(act)
        if log != before:
            extract.write_whole(_place(work, key), json.dumps(asdict(log), separators=(",", ":")).encode())
        return log


def _place(work: Work, key: str) -> Path:
    return work.folder / f"corrections-{key}.json"


def latest_other(work: Work, key: str) -> Log | None:
    """The corrections of an earlier reading, the last one that has any."""
    others = [path for path in work.folder.glob("corrections-*.json") if path != _place(work, key)]
    for path in sorted(others, key=lambda path: path.stat().st_mtime, reverse=True):
        log = read(work, path.stem.removeprefix("corrections-"))
        if log.done:
            return log
    return None


def adopt(work: Work, key: str, log: Log) -> None:
    """Begins this reading's corrections with those of another."""
    with _lock:
        content = json.dumps(asdict(Log(log.done)), separators=(",", ":")).encode()
        extract.write_whole(_place(work, key), content)


def turn_to(work: Work, key: str, done: tuple[dict[str, Any], ...]) -> None:
    """Lets other corrections count, when the build is taken back past a change of its lines."""
    with _lock:
        log = replace(read(work, key), done=done, undone=())
        extract.write_whole(_place(work, key), json.dumps(asdict(log), separators=(",", ":")).encode())


def tracing(folder: Path, log: Log) -> extract.Tracing:
    """The tracing in ``folder`` with the corrections done. Raises CannotContinue."""
    reading, done = folder / "reading.json", json.dumps(log.done)
    written = reading.stat().st_mtime_ns
    # Two who ask for the same at once would both do all the work.
    with _turn_at(reading, done):
        found = _tracings.get((reading, written, done))
        if found is None:
            found = extract.corrected(_reading(reading, written), json.loads(done))
        _keep(reading, written, done, found)
    return found


def remember(place: Path, folder: Path, fresh: extract.Tracing) -> None:
    """Keeps at hand what was just read into ``folder``, which is going to be ``place``."""
    reading = folder / "reading.json"
    if reading.is_file():
        _keep(place / reading.name, reading.stat().st_mtime_ns, json.dumps(()), fresh)


def _keep(reading: Path, written: int, done: str, found: extract.Tracing) -> None:
    with _lock:
        _tracings[reading, written, done] = found
        _tracings.move_to_end((reading, written, done))
        while len(_tracings) > TRACINGS_KEPT:
            _tracings.popitem(last=False)


@lru_cache(maxsize=64)
def _turn_at(reading: Path, corrections: str) -> threading.Lock:
    return threading.Lock()


@lru_cache(maxsize=16)
def _reading(reading: Path, written: int) -> extract.Tracing:
    return extract.open_reading(reading.read_bytes())
