"""The page's shelf: private, whole at every moment, and swept."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest

import extract
from ui import jobs, shelf
from ui.words import plain


def test_a_visitors_folder_is_private(tmp_path: Path) -> None:
    work = shelf.new_work(tmp_path)
    if sys.platform != "win32":
        assert stat.S_IMODE(work.folder.stat().st_mode) == 0o700
    assert shelf.TOKEN.fullmatch(work.token)
    assert shelf.open_work(work.token, tmp_path) == work


def test_home_is_private(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("TRUEPEEL_CACHE", str(tmp_path))
    assert stat.S_IMODE(shelf.home().stat().st_mode) == 0o700 or sys.platform == "win32"


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights on Windows")
def test_a_link_is_no_visitors_folder(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / ("a" * 32)).symlink_to(tmp_path / "elsewhere")
    assert shelf.open_work("a" * 32, tmp_path) is None


def test_photos_and_settings_come_back(tmp_path: Path) -> None:
    work = shelf.new_work(tmp_path)
    work.add_photo("C:\\photos\\a b.jpg", b"one")
    work.add_photo("second.jpg", b"two")
    work.add_photo("the same again.jpg", b"one")
    work.keep_settings(extract.TraceSettings(bar_long_mm=240.3, pairs=True))
    again = shelf.open_work(work.token, tmp_path)
    assert again is not None
    assert [photo.name for photo in again.photos()] == ["a b.jpg", "second.jpg"]
    assert [again.photo_bytes(photo) for photo in again.photos()] == [b"one", b"two"]
    assert again.settings() == extract.TraceSettings(bar_long_mm=240.3, pairs=True)


@pytest.mark.parametrize("notes", ["", "{", "[]", '{"settings": {"unknown": 1}}'])
def test_damaged_notes_are_a_new_start(tmp_path: Path, notes: str) -> None:
    work = shelf.new_work(tmp_path)
    (work.folder / "notes.json").write_text(notes)
    assert work.photos() == ()
    assert work.settings() == extract.TraceSettings()


def test_a_result_cut_short_leaves_the_old_one(tmp_path: Path) -> None:
    work = shelf.new_work(tmp_path)
    with work.filling("key") as folder:
        (folder / "report.json").write_text("old")
    with pytest.raises(KeyboardInterrupt), work.filling("key") as folder:
        (folder / "report.json").write_text("half")
        raise KeyboardInterrupt
    assert (work.result("key") / "report.json").read_text() == "old"
    assert [path.name for path in work.folder.iterdir()] == ["result-key"]


def test_only_old_work_is_swept(tmp_path: Path) -> None:
    old, new = shelf.new_work(tmp_path), shelf.new_work(tmp_path)
    (tmp_path / "not ours").mkdir()
    long_ago = new.folder.stat().st_mtime - (shelf.KEEP_DAYS + 1) * 86_400
    for folder in (old.folder, tmp_path / "not ours"):
        os.utime(folder, (long_ago, long_ago))
    assert shelf.sweep(tmp_path) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([new.token, "not ours"])


def test_old_results_make_room_but_the_reading_stays(tmp_path: Path) -> None:
    work = shelf.new_work(tmp_path)
    work.ask("reading")
    for n, key in enumerate(["reading", *(f"files{n}" for n in range(shelf.RESULTS_KEPT + 3))]):
        with work.filling(key) as folder:
            (folder / "report.json").write_text("{}")
        os.utime(work.result(key), (n, n))
    kept = sorted(path.name for path in work.folder.glob("result-*"))
    assert "result-reading" in kept
    assert len(kept) == shelf.RESULTS_KEPT + 1
    assert f"result-files{shelf.RESULTS_KEPT + 2}" in kept
    assert "result-files0" not in kept


def test_the_key_follows_photos_answers_and_nothing_else(tmp_path: Path) -> None:
    work = shelf.new_work(tmp_path)
    work.add_photo("a.jpg", b"one")
    first = jobs.key_for(work, extract.TraceSettings())
    assert jobs.key_for(work, extract.TraceSettings()) == first
    assert jobs.key_for(work, extract.TraceSettings(height_mm=1.0)) != first
    assert jobs.key_for(work, extract.TraceSettings(pairs=True, paper="A3")) == first, "printing reads nothing anew"
    work.add_photo("b.jpg", b"two")
    assert jobs.key_for(work, extract.TraceSettings()) != first


def test_markdown_signs_are_disarmed() -> None:
    assert plain("![a](b) :red[c] $d$ <e>") == r"\!\[a\]\(b\) \:red\[c\] \$d\$ \<e\>"
