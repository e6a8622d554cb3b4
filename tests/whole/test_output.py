"""Files are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from extract.doors import CannotContinue
from extract.files import check_folder, write_whole


def test_a_write_cut_short_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "pattern.pdf"
    write_whole(place, b"old")

    def broken(handle: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(KeyboardInterrupt):
        write_whole(place, b"new and longer")
    assert place.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [place]


def test_a_write_replaces_the_old_file(tmp_path: Path) -> None:
    place = tmp_path / "pattern.pdf"
    write_whole(place, b"old")
    write_whole(place, b"new")
    assert place.read_bytes() == b"new"


def test_a_folder_in_the_place_of_a_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(CannotContinue, match=r"out cannot take the files.*Choose another folder"):
        check_folder(tmp_path / "out")
