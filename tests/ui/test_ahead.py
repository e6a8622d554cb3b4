"""What the page prepares before it is asked for: the same as is made when it is asked for, and nothing of it is written
into the build."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import extract
from ui import builds, corrections, flow, jobs, reading, shelf

PATIENCE_S = 60


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read_shell: Callable[[Path], shelf.Work]) -> shelf.Work:
    monkeypatch.setenv("TRUEPEEL_CACHE", str(tmp_path))
    monkeypatch.setattr(extract, "with_pictures", lambda tracing, sources: tracing)
    monkeypatch.setattr(extract, "photo_files", lambda tracing: {"report.json": b"{}"})
    monkeypatch.setattr(extract, "photo_maps", lambda tracing: {"sure.jpg": b"a map"})
    return read_shell(shelf.home())


def key_of(work: shelf.Work) -> str:
    return jobs.key_for(work, work.settings())


def until(done: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not done():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def files_of(work: shelf.Work) -> Path:
    project, _ = builds.current(work, key_of(work))
    return work.result(builds.files_key(work, key_of(work), project, work.settings().paper, False))


def test_files_are_there_before_the_build_is_opened(work: shelf.Work) -> None:
    builds.foresee(work, key_of(work), files=True)
    until(lambda: any((folder / "pattern.pdf").is_file() for folder in work.folder.glob("result-*")))
    assert not list(work.folder.glob("build-*")), "the build begins when its step is opened"
    made = {path.name for path in files_of(work).iterdir()}
    assert made >= {"pattern.pdf", "pattern.svg", "pattern.dxf", "build-sheet.pdf", "pattern.truepeel", "sure.jpg"}
    kept = extract.read_project((files_of(work) / "pattern.truepeel").read_bytes())
    assert [name for name, _ in kept.photos] == ["shell.jpg"]


def test_what_is_foreseen_follows_the_lines(work: shelf.Work) -> None:
    builds.current(work, key_of(work))
    corrections.record(work, key_of(work), [{"id": "1", "act": "do", "correction": {"do": "delete", "stroke": "s1"}}])
    builds.foresee(work, key_of(work), files=True)
    until(lambda: any((folder / "pattern.pdf").is_file() for folder in work.folder.glob("result-*")))
    project, _ = builds.current(work, key_of(work))
    assert len(project.build.pieces) == 1
    assert (files_of(work) / "pattern.pdf").is_file()


def test_the_newest_wish_counts(work: shelf.Work) -> None:
    done: list[int] = []
    for number in range(5):
        jobs.ahead(work, lambda number=number: done.append(number))  # type: ignore[misc]
    until(lambda: bool(done))
    assert done == [4]


def test_nothing_is_prepared_while_somebody_waits(work: shelf.Work) -> None:
    seen: list[bool] = []

    def make(folder: Path, tell: Any) -> None:
        jobs.ahead(work, lambda: seen.append(jobs.busy()))
        time.sleep(2 * jobs.IDLE_SECONDS)
        seen.append(jobs.busy())

    job = jobs.start_making(work, "0" * 64, make)
    until(lambda: len(seen) == 2)
    assert job.over.is_set()
    assert seen == [True, False]


def test_what_others_wait_too_long_for_is_not_prepared(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "MOST_IDLE_SECONDS", 0.0)
    seen: list[bool] = []
    go = Event()
    job = jobs.start_making(work, "4" * 64, lambda folder, tell: seen.append(go.wait(PATIENCE_S)))
    jobs.ahead(work, lambda: seen.append(False))
    until(lambda: work.folder not in jobs._wishes)
    go.set()
    until(job.over.is_set)
    assert seen == [True]


def test_everybody_sees_how_many_come_first(work: shelf.Work) -> None:
    """Turns are taken in the order they were asked for (first come, first served)."""
    go = Event()

    def make(folder: Path, tell: Any) -> None:
        tell("working", 0.5)
        go.wait(PATIENCE_S)

    queue = [jobs.start_making(work, digit * 64, make) for digit in "123"]
    until(lambda: queue[0].share > 0)
    assert [flow.line(job) for job in queue] == [
        "Working · 50%",
        "Waiting for its turn: 1 other comes first",
        "Waiting for its turn: 2 others come first",
    ]
    queue[1].called_off = True
    assert flow.line(queue[2]) == "Waiting for its turn: 1 other comes first"
    go.set()
    until(lambda: all(job.over.is_set() for job in queue))


def test_a_drawing_is_known_by_what_it_shows(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    key = key_of(work)
    first = builds.picture(builds.current(work, key)[0])
    builds.change(work, key, "name", {"piece": "p1", "name": "wing"})
    assert builds.picture(builds.current(work, key)[0]) != first
    builds.undo(work, key)
    monkeypatch.setattr(extract, "build_view", lambda *_: pytest.fail("drawn once more"))
    assert builds.picture(builds.current(work, key)[0]) == first


def test_drawings_at_hand_are_few(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    project, _ = builds.current(work, key_of(work))
    for number in range(3 * builds.VIEWS_KEPT):
        builds.picture(project, (f"p{number}",))
    assert len(builds._views) == builds.VIEWS_KEPT


def test_decoded_photos_wait_up_to_a_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRUEPEEL_CACHE", str(tmp_path))
    pixels = np.zeros((4000, 5000, 3), np.uint8)
    table = SimpleNamespace(seen=(SimpleNamespace(content=b"", photo=SimpleNamespace(pixels=pixels)),))
    monkeypatch.setattr(extract, "see_table", lambda *_: table)
    monkeypatch.setattr(reading, "_tables", type(reading._tables)())
    for number in range(9):
        one = reading.Reading(shelf.new_work(), f"{number}" * 64, (), extract.TraceSettings())
        one.see(None)
    assert len(reading._tables) == reading.MOST_TABLE_BYTES // pixels.nbytes
    assert next(reversed(reading._tables)) == one.place


def test_what_was_just_read_is_what_its_file_gives(work: shelf.Work) -> None:
    place = work.result(key_of(work))
    fresh = extract.corrected(extract.open_reading((place / "reading.json").read_bytes()), [])
    corrections.remember(place, place, fresh)
    assert corrections.tracing(place, corrections.Log()) is fresh
    renewed = place / "reading.json"
    renewed.write_bytes(renewed.read_bytes() + b"\n")
    assert corrections.tracing(place, corrections.Log()) is not fresh
