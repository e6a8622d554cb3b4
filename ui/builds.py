"""The visitor's build on the shelf: the project, saved at every step and taken up again by every tab.

It lies there without the photos, which the shelf has anyway, so a step is written in a moment. The build stands on the
lines as corrected; where those have changed since, its steps are done again on the new panels.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections import OrderedDict
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import extract
from ui import corrections, jobs, shelf
from ui.shelf import Work

if TYPE_CHECKING:
    from extract import Outcome, Project

FINDINGS = ("report.json", "reading.json")
ON_PHOTO = ("overlay.jpg", "report.json")
"""What a reading holds of what was found on its photos; it stays so until a line is corrected."""
VIEWS_KEPT = 48
"""Drawings at hand, of all visitors: some hundred kilobytes each."""
_turns = tuple(threading.Lock() for _ in range(64))
"""One visitor's build changes in one place at a time."""
_views: OrderedDict[tuple[str, ...], Any] = OrderedDict()
_views_lock = threading.Lock()


def current(work: Work, key: str) -> tuple[Project, tuple[str, ...]]:
    """The build of the reading of that key, and what had to be left out of it since the lines were corrected. Raises
    CannotContinue."""
    with _turn_for(work.folder):
        return _current(work, key)


def change(work: Work, key: str, step: str, answers: Mapping[str, Any]) -> Outcome:
    """Does a step and writes it down. Raises CannotContinue; what is on the shelf then stays as it was."""
    with _turn_for(work.folder):
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
    return _whole(work, key, current(work, key)[0])


def _whole(work: Work, key: str, project: Project) -> bytes:
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


def picture(project: Project, lit: Collection[str] = (), measured: str = "") -> str:
    """The build drawn for the screen, at hand for a state that was drawn before."""
    return str(_view(project, ("pieces", measured, *lit), lambda: extract.build_view(project, lit, measured)))


def look_at(project: Project) -> dict[str, Any]:
    """What the build is made of, likewise."""
    seen: dict[str, Any] = _view(project, ("look",), lambda: extract.look_at(project))
    return seen


def pages(project: Project, paper: str, packed: bool) -> tuple[str, int]:
    """The map of the pages and how many they are, likewise."""
    drawing, count = _view(
        project, ("pages", paper, str(packed), project.date), lambda: extract.pages_view(project, paper, packed)
    )
    return drawing, count


def _view(project: Project, what: tuple[str, ...], make: Callable[[], Any]) -> Any:
    name = (json.dumps(state_of(project)), *what)
    with _views_lock:
        if name in _views:
            _views.move_to_end(name)
            return _views[name]
    made = make()
    with _views_lock:
        _views[name] = made
        while len(_views) > VIEWS_KEPT:
            _views.popitem(last=False)
    return made


def start_files(work: Work, key: str, project: Project, paper: str, packed: bool) -> jobs.Job:
    """Writes the build's files in the background: pages, drawings, build sheet, project, and the photo's report and
    picture as corrected."""
    name = files_key(work, key, project, paper, packed)
    return jobs.start_making(work, name, _files_of(work, key, project, paper, packed))


def _files_of(work: Work, key: str, project: Project, paper: str, packed: bool) -> jobs.Make:
    def make(folder: Path, tell: jobs.Tell | None) -> None:
        tell = tell or (lambda doing, share: None)
        tell("drawing the pages", 0.0)
        files = extract.print_files(project, paper, packed)
        tell("putting the project together", 0.6)
        files["pattern.truepeel"] = _whole(work, key, project)
        files |= _on_photo(work, key, project)
        for name, content in files.items():
            (folder / name).write_bytes(content)

    return make


def _on_photo(work: Work, key: str, project: Project) -> dict[str, bytes]:
    """Report and pictures of what was found, as corrected."""
    done = tuple(dict(each) for each in project.corrections)
    tracing = corrections.tracing(work.result(key), corrections.Log(done))
    tracing = extract.with_pictures(tracing, [work.photo_bytes(photo) for photo in work.photos()])
    maps, as_read = extract.photo_maps(tracing), [work.result(key) / name for name in ON_PHOTO]
    if done or not all(path.is_file() for path in as_read):
        return extract.photo_files(tracing) | maps
    return {path.name: path.read_bytes() for path in as_read} | maps


def foresee(work: Work, key: str, files: bool) -> None:
    """Draws what the next steps show, and with ``files`` makes those to print, while the maker still looks at this one.
    Nothing is written down of the build itself: that begins when its step is opened."""
    jobs.ahead(work, lambda: _foresee(work, key, files))


def _foresee(work: Work, key: str, files: bool) -> None:
    with _turn_for(work.folder):
        project, *_ = _next(work, key)
    picture(project)
    look_at(project)
    paper = work.settings().paper
    pages(project, paper, False)
    name = files_key(work, key, project, paper, False)
    if files and jobs.result(work, name) is None:
        jobs.make_ahead(work, name, _files_of(work, key, project, paper, False))


def _current(work: Work, key: str) -> tuple[Project, tuple[str, ...]]:
    place = _place(work, key)
    project, lost, new = _next(work, key)
    if new:
        # What was merely read is not written back: another program may have put something newer there since.
        extract.save_project(project, place)
        project = _opened(place, place.stat().st_mtime_ns)
    return project, lost


def _next(work: Work, key: str) -> tuple[Project, tuple[str, ...], bool]:
    """The build as it is on the shelf, or, being new, as it is going to be there: begun, or led after the lines."""
    place, log = _place(work, key), corrections.read(work, key)
    if not place.is_file():
        return _begun(corrections.tracing(work.result(key), log), json.dumps(log.done)), (), True
    project = _opened(place, place.stat().st_mtime_ns)
    if [dict(each) for each in project.corrections] == list(log.done):
        return project, (), False
    tracing = corrections.tracing(work.result(key), log)
    project, doubts = extract.correct_project(project, tracing, log.done)
    return project, tuple(doubt.message for doubt in doubts), True


@lru_cache(maxsize=8)
def _begun(tracing: extract.Tracing, done: str) -> Project:
    return extract.start_project(tracing, json.loads(done))


def _turn(work: Work, key: str, way: Callable[[Project], Project]) -> None:
    with _turn_for(work.folder):
        project = way(_current(work, key)[0])
        # Taking a step back may go past a correction of the lines; the lines then follow.
        log = corrections.read(work, key)
        done = tuple(dict(each) for each in project.corrections)
        if done != log.done:
            corrections.turn_to(work, key, done)
        extract.save_project(project, _place(work, key))


def _place(work: Work, key: str) -> Path:
    return work.folder / f"build-{key}.truepeel"


def _turn_for(folder: Path) -> threading.Lock:
    return _turns[hash(folder) % len(_turns)]


@lru_cache(maxsize=32)
def _opened(place: Path, written: int) -> Project:
    return extract.open_project(place)
