"""The visitor's build on the shelf: the project, saved at every step and taken up again by every tab.

It lies there without the photos, which the shelf has anyway, so a step is written in a moment. The build stands on the
lines as corrected; where those have changed since, its steps are done again on the new panels.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import extract
from ui import corrections, jobs, shelf
from ui.shelf import Work

if TYPE_CHECKING:
    from extract import Outcome, Project

_lock = threading.Lock()
FINDINGS = ("report.json", "reading.json")


def current(work: Work, key: str) -> tuple[Project, tuple[str, ...]]:
    """The build of the reading of that key, and what had to be left out of it since the lines were corrected. Raises
    CannotContinue."""
    with _lock:
        return _current(work, key)


def change(work: Work, key: str, step: str, answers: Mapping[str, Any]) -> Outcome:
    """Does a step and writes it down. Raises CannotContinue; what is on the shelf then stays as it was."""
    with _lock:
        project, _ = _current(work, key)
        after, outcome = extract.change(project, step, answers)
        if after is not project:
            extract.save_project(after, _place(work, key))
        return outcome


def undo(work: Work, key: str) -> None:
    _turn(work, key, extract.undo)


def redo(work: Work, key: str) -> None:
    _turn(work, key, extract.redo)


def whole(work: Work, key: str) -> bytes:
    """The project's file with photos and what was found on them, to keep or hand on."""
    project, _ = current(work, key)
    photos = [(photo.name, work.photo_bytes(photo)) for photo in work.photos()]
    found = {name: work.result(key) / name for name in FINDINGS}
    findings = {name: path.read_bytes() for name, path in found.items() if path.is_file()}
    return extract.project_bytes(extract.complete_project(project, photos, findings))


def take_in(work: Work, content: bytes) -> None:
    """Puts a project's file on the shelf: its photos, answers, corrections and build. Raises CannotContinue for a file
    that is none; the shelf then stays as it was."""
    project = extract.read_project(content)
    settings = shelf.sound_settings(project.settings)
    shelf.check_room([len(photo_bytes) for _, photo_bytes in project.photos])
    for photo in work.photos():
        work.drop_photo(photo.digest)
    for name, photo_bytes in project.photos:
        work.add_photo(name, photo_bytes)
    work.keep_settings(settings)
    key = jobs.key_for(work, settings)
    corrections.adopt(work, key, corrections.Log(tuple(dict(each) for each in project.corrections)))
    extract.save_project(replace(project, photos=(), findings={}), _place(work, key))
    if project.photos:
        jobs.start(work, settings)


def keep_paper(work: Work, paper: str) -> None:
    work.keep_settings(replace(work.settings(), paper=paper))


def state_of(project: Project) -> list[Any]:
    """What the build is made of, by content: alike exactly where two states are alike."""
    now = project.moments[project.now]
    return [now.frame, now.pieces, now.corrections]


def files_key(work: Work, key: str, project: Project, paper: str, packed: bool) -> str:
    """The key of the printed files of this state of the build."""
    told = json.dumps([key, state_of(project), paper, packed, extract.__version__])
    return hashlib.sha256(told.encode("utf-8")).hexdigest()


def start_files(work: Work, key: str, project: Project, paper: str, packed: bool) -> jobs.Job:
    """Writes the build's files in the background: pages, drawings, build sheet, project, and the photo's report and
    picture as corrected."""

    def make(folder: Path, tell: jobs.Tell | None) -> None:
        tell = tell or (lambda doing, share: None)
        tell("drawing the pages", 0.0)
        files = extract.print_files(project, paper, packed)
        tell("putting the project together", 0.6)
        files["pattern.truepeel"] = whole(work, key)
        tracing = corrections.tracing(work.result(key), corrections.read(work, key))
        sources = [work.photo_bytes(photo) for photo in work.photos()]
        files |= extract.photo_files(extract.with_pictures(tracing, sources))
        for name, content in files.items():
            (folder / name).write_bytes(content)

    return jobs.start_making(work, files_key(work, key, project, paper, packed), make)


def _current(work: Work, key: str) -> tuple[Project, tuple[str, ...]]:
    place, log = _place(work, key), corrections.read(work, key)
    if not place.is_file():
        tracing = corrections.tracing(work.result(key), log)
        extract.save_project(extract.start_project(tracing, log.done), place)
        return _opened(place, place.stat().st_mtime_ns), ()
    project = _opened(place, place.stat().st_mtime_ns)
    if [dict(each) for each in project.corrections] == list(log.done):
        return project, ()
    tracing = corrections.tracing(work.result(key), log)
    project, doubts = extract.correct_project(project, tracing, log.done)
    extract.save_project(project, place)
    return project, tuple(doubt.message for doubt in doubts)


def _turn(work: Work, key: str, way: Callable[[Project], Project]) -> None:
    with _lock:
        project = way(_current(work, key)[0])
        # Taking a step back may go past a correction of the lines; the lines then follow.
        log = corrections.read(work, key)
        done = tuple(dict(each) for each in project.corrections)
        if done != log.done:
            corrections.turn_to(work, key, done)
        extract.save_project(project, _place(work, key))


def _place(work: Work, key: str) -> Path:
    return work.folder / f"build-{key}.truepeel"


@lru_cache(maxsize=32)
def _opened(place: Path, written: int) -> Project:
    return extract.open_project(place)
