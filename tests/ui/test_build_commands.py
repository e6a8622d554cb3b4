"""change, look and print on a saved project."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pypdf
import pytest

from extract.doors import Panel
from extract.geometry.curve import curve_area, curve_length, polyline_curve
from extract.pattern.pieces import build_from
from extract.project import new_project, open_project, save_project
from ui import command

LEFT = [(0, 0), (60, 0), (64, 20), (60, 40), (0, 40)]
RIGHT = [(60, 0), (100, 0), (100, 40), (60, 40), (64, 20)]


def panel(points: list[tuple[int, int]]) -> Panel:
    outline = polyline_curve(np.array(points, float), closed=True)
    return Panel("", outline, (), curve_area(outline), curve_length(outline), 0.2)


@pytest.fixture
def project(tmp_path: Path) -> Path:
    build = build_from([panel(LEFT), panel(RIGHT)], (), "moth lantern")
    photos = [("wing.jpg", b"a picture")]
    return save_project(new_project(build, {"paper": "A3"}, "2025-03-01", photos), tmp_path / "wing.truepeel")


def outcome(capsys: pytest.CaptureFixture[str], *argv: object) -> tuple[int, str, str]:
    status = command.main([str(word) for word in argv])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_look_shows_pieces_edges_and_how_seams_fit(capsys: pytest.CaptureFixture[str], project: Path) -> None:
    status, out, err = outcome(capsys, "look", project)
    assert (status, err) == (0, "")
    assert "moth lantern: 2 pieces, 2 parts to cut, 1 seam." in out
    assert "p1 1 64 × 40 24.8" in " ".join(out.split())  # 2480 mm² by the shoelace formula
    assert "p1 edges: a 40.8, b 60.0, c 40.0, d 60.0" in out
    row = next(line for line in out.splitlines() if "p1:a" in line and "p2:" in line)
    assert row.split()[1:5] == ["p1:a", "40.79", "p2:d", "40.79"] and " 0.00" in row and "fine" in row
    assert "Steps done: none." in out


def test_a_step_is_done_told_saved_and_taken_back(capsys: pytest.CaptureFixture[str], project: Path) -> None:
    before = project.read_bytes()
    status, out, err = outcome(capsys, "change", project, "copies", "piece=p2", "how=pair", "count=2")
    assert (status, err) == (0, "")
    assert out == f"p2: parts to cut 1 → 4\nDid “copies”. Saved {project}.\n"
    assert open_project(project).build.pieces[1].copies == "pair"
    assert outcome(capsys, "change", project, "--undo")[1] == f"Took back “copies”. Saved {project}.\n"
    assert open_project(project).build.pieces[1].copies == "one"
    assert "Taken back: 1." in outcome(capsys, "look", project)[1]
    assert outcome(capsys, "change", project, "--redo")[0] == 0
    assert open_project(project).build.pieces[1].count == 2
    assert project.read_bytes() != before


def test_all_steps_are_listed_with_what_they_ask(capsys: pytest.CaptureFixture[str], project: Path) -> None:
    status, out, _ = outcome(capsys, "change", project)
    assert status == 0 and "copies: Say how many are cut" in out
    assert "    how=choice: Single, a left and right pair, or on the centre line (one, pair, centre) [one]" in out
    assert "    name=text (needed): Its name" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["copies", "piece=p9"], "There is no piece p9."),
        (["copies", "pair"], "“pair” is no answer."),
        (["copies", "count=1", "count=2"], "“count” is answered twice."),
        (["fold"], "There is no step “fold”."),
        (["--undo"], "There is nothing to undo."),
        (["--redo"], "There is nothing to redo."),
        (["name", "piece=p1", "name=x", "--undo"], "cannot be done and undone in one breath"),
        (["name", "piece=p1", "--redo", "--undo"], "not allowed with"),
    ],
)
def test_a_refusal_leaves_the_project_as_it_was(
    capsys: pytest.CaptureFixture[str], project: Path, words: list[str], said: str
) -> None:
    before = project.read_bytes()
    status, out, err = outcome(capsys, "change", project, *words)
    assert (status, out) == (2, "") and said in err and "Traceback" not in err
    assert project.read_bytes() == before


def test_a_project_can_begin_with_numbers(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    place = tmp_path / "lamp.truepeel"
    assert outcome(capsys, "change", "--new", place, "strip", "width=12", "length=300")[0] == 0
    assert "lamp: 1 piece" in outcome(capsys, "look", place)[1]
    status, _, err = outcome(capsys, "change", "--new", place, "strip", "width=12", "length=300")
    assert status == 2 and "already" in err
    assert outcome(capsys, "print", place, "--out", tmp_path / "out")[0] == 0
    outcome(capsys, "change", place, "--undo")
    status, _, err = outcome(capsys, "print", place, "--out", tmp_path / "out")
    assert status == 2 and "no parts to print" in err


@pytest.mark.parametrize("part", ["change", "look", "print"])
def test_what_is_no_project_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path, part: str) -> None:
    picture = tmp_path / "shell.jpg"
    picture.write_bytes(b"\xff\xd8\xff")
    more = {"change": ["--undo"], "look": [], "print": ["--out", str(tmp_path / "out")]}[part]
    for place, said in ((picture, "no Truepeel project"), (tmp_path / "gone.truepeel", "There is no file")):
        status, _, err = outcome(capsys, part, place, *more)
        assert status == 2 and said in err and "Traceback" not in err


def test_print_writes_the_files_as_the_project_stands(
    capsys: pytest.CaptureFixture[str], project: Path, tmp_path: Path
) -> None:
    outcome(capsys, "change", project, "name", "piece=p2", "name=brow")
    status, out, _ = outcome(capsys, "print", project, "--out", tmp_path / "out")
    assert status == 0 and out.count("Wrote ") >= 3
    reader = pypdf.PdfReader(tmp_path / "out" / "pattern.pdf")
    assert reader.metadata is not None and reader.metadata.subject == "A3"
    assert "brow" in reader.pages[1].extract_text()
    assert 'id="part-2"' in (tmp_path / "out" / "pattern.svg").read_text("utf-8")
    assert outcome(capsys, "print", project, "--out", tmp_path / "out", "--paper", "A5")[0] == 2


def test_unlike_halves_are_drawn(capsys: pytest.CaptureFixture[str], project: Path, tmp_path: Path) -> None:
    place = tmp_path / "halves.svg"
    status, out, _ = outcome(capsys, "look", project, "--halves", "p1", "--out", place)
    assert status == 0 and out == f"The halves differ by up to 0.0 mm. Wrote {place}.\n"
    assert place.read_text("utf-8").startswith("<svg")
    assert outcome(capsys, "look", project, "--halves", "p1")[0] == 2
    assert outcome(capsys, "look", project, "--halves", "p9", "--out", place)[0] == 2
