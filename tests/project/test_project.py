"""The project file: everything comes back to the last bit, undo included, and a save cut short costs nothing."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import textwrap
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from extract.build import Build, Edge, Piece
from extract.doors import CannotContinue
from extract.geometry.curve import polyline_curve
from extract.keep.text import dumped, frame_values, piece_values
from extract.project import (
    MOST_MOMENTS,
    Project,
    changed,
    corrected,
    doubts_of,
    new_project,
    open_project,
    project_bytes,
    read_project,
    redone,
    save_project,
    undone,
)

REPORT = {
    "format": "truepeel-report/1",
    "strokes": [
        {"id": "s1", "kind": "tick", "colour": "black", "closed": False, "width": 1.5, "sigma": 0.1,
         "points": [[55, 20], [65, 20]]},
        {"id": "edge-1", "kind": "cut-edge", "colour": "none", "closed": True, "width": 0, "sigma": 0.1,
         "points": [[0, 0], [100, 0], [100, 40], [0, 40]]},
    ],
    "panels": [
        {"id": "p1", "sigma": 0.2, "holes": [[[10, 10], [10, 14], [14, 14]]],
         "path": "M 0 0 L 60 0 C 64.5 10 64.5 30 60 40 L 0 40 Z"},
        {"id": "p2", "sigma": 0.3, "holes": [], "path": "M 60 0 L 100 0 L 100 40 L 60 40 C 64.5 30 64.5 10 60 0 Z"},
    ],
}  # fmt: skip


def text_of(build: Build) -> bytes:
    return dumped([frame_values(build), *map(piece_values, build.pieces)])


def project(build: Build) -> Project:
    photos = (("my shell.HEIC", b"\x00picture"), ("../odd name", b"two"))
    findings = {"report.json": b"{}", "reading.json": b'{"n":1}'}
    return new_project(build, {"paper": "A4", "pairs": True, "height_mm": 0.6}, "2025-03-01", photos, findings)


def first_version() -> bytes:
    document = {
        "format": "truepeel-project/1",
        "units": "mm",
        "settings": {"pairs": True, "paper": "A3"},
        "photos": ["photos/1.jpg"],
        "photo_names": ["wing.jpg"],
        "report": "report.json",
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as bundle:
        bundle.writestr("document.json", json.dumps(document, indent=1))
        bundle.writestr("report.json", json.dumps(REPORT))
        bundle.writestr("photos/1.jpg", b"a picture")
    return out.getvalue()


def test_everything_comes_back(leaves: Build) -> None:
    given_project = project(leaves)
    content = project_bytes(given_project)
    back = read_project(content)
    assert text_of(back.build) == text_of(leaves)
    for mine, theirs in zip(leaves.pieces, back.build.pieces, strict=True):
        for a, b in zip(mine.edges, theirs.edges, strict=True):
            assert a.curve.controls.tobytes() == b.curve.controls.tobytes()
            assert a.curve.straight.tobytes() == b.curve.straight.tobytes()
    assert (back.photos, back.settings, back.date) == (given_project.photos, given_project.settings, "2025-03-01")
    assert back.findings == given_project.findings
    assert project_bytes(back) == content


def test_the_file_is_an_ordinary_zip_of_json(leaves: Build) -> None:
    """Python's own zipfile and json read it; the document says its format."""
    bundle = zipfile.ZipFile(io.BytesIO(project_bytes(project(leaves))))
    assert bundle.testzip() is None
    document = json.loads(bundle.read("document.json"))
    assert (document["format"], document["units"]) == ("truepeel-project/2", "mm")
    assert document["photos"] == ["photos/1.HEIC", "photos/2"]
    assert document["corrections"] == []
    piece = json.loads(bundle.read(f"states/{document['moments'][0]['pieces'][0]}.json"))
    assert piece["edges"][0]["curve"]["kinds"] == "C"


def test_undo_and_redo_restore_byte_for_byte(leaves: Build) -> None:
    steps: list[tuple[str, dict[str, Any]]] = [
        ("name", {"piece": "p3", "name": "tip"}),
        ("copies", {"how": "centre", "count": 3}),
        ("remove", {"piece": "p1"}),
        ("stock", {"name": "felt", "thickness": 1.5}),
    ]
    states = [project(leaves)]
    for step, answers in steps:
        states.append(changed(states[-1], step, answers)[0])
    texts = [text_of(state.build) for state in states]
    assert len(set(texts)) == 5
    now = states[-1]
    for text in texts[-2::-1]:
        now = undone(now)
        assert text_of(now.build) == text
        assert text_of(read_project(project_bytes(now)).build) == text
    for text in texts[1:]:
        now = redone(read_project(project_bytes(now)))
        assert text_of(now.build) == text
    assert project_bytes(now) == project_bytes(states[-1])


def test_undone_steps_are_dropped_by_a_new_one(leaves: Build) -> None:
    one = changed(project(leaves), "name", {"piece": "p1", "name": "one"})[0]
    other = changed(undone(one), "name", {"piece": "p1", "name": "other"})[0]
    assert other.build.pieces[0].name == "other" and len(other.moments) == 2
    with pytest.raises(CannotContinue, match="nothing to redo"):
        redone(other)
    with pytest.raises(CannotContinue, match="nothing to undo"):
        undone(undone(other))


def test_the_history_tells_every_answer_in_plain_values(leaves: Build) -> None:
    """Also those left to their defaults, and names as ids, so that a step can be done again years later."""
    after = changed(project(leaves), "copies", {"piece": leaves.pieces[2].name, "count": np.float64(2.0)})[0]
    assert after.moments[-1].answers == {"piece": "p3", "how": "one", "count": 2}
    assert read_project(project_bytes(after)).moments[-1].answers == after.moments[-1].answers


def test_a_refused_step_changes_nothing(leaves: Build) -> None:
    before = project(leaves)
    content = project_bytes(before)
    with pytest.raises(CannotContinue):
        changed(before, "remove", {"piece": "p99"})
    assert project_bytes(before) == content


def test_a_step_on_one_piece_keeps_one_piece_more(leaves: Build) -> None:
    before = project(leaves)
    after = changed(before, "notes", {"piece": "p5", "notes": "x"})[0]
    assert len(after.states) == len(before.states) + 1
    assert all(a is b for a, b in zip(before.build.pieces, after.build.pieces, strict=True) if a.id != "p5")
    assert undone(after).build.pieces[0] is before.build.pieces[0]


def test_history_has_an_end(leaves: Build) -> None:
    now = project(Build("small", leaves.pieces[:1]))
    for n in range(MOST_MOMENTS + 5):
        now = changed(now, "notes", {"piece": "p1", "notes": f"{n}"})[0]
    assert len(now.moments) == MOST_MOMENTS
    assert len(now.states) == MOST_MOMENTS + 2  # one frame, no corrections
    assert undone(read_project(project_bytes(now))).build.pieces[0].notes == f"{MOST_MOMENTS + 3}"


def test_a_history_is_bounded_and_a_long_one_left_unpacked(leaves: Build, monkeypatch: pytest.MonkeyPatch) -> None:
    import extract.project

    now = project(leaves)
    size = sum(map(len, now.states.values()))
    monkeypatch.setattr(extract.project, "_PACKED_BYTES", size)
    monkeypatch.setattr(extract.project, "_MOST_STATES_BYTES", int(3.5 * size))
    packed_size = len(project_bytes(now))
    for factor in ("1.1", "1.2", "0.9", "1.05"):
        now = changed(now, "resize", {"factor": factor})[0]
    assert len(now.moments) == 3
    assert len(project_bytes(now)) > 3 * size > 3 * packed_size
    back = read_project(project_bytes(now))
    assert text_of(undone(undone(back)).build) == text_of(undone(undone(now)).build)


def test_corrections_share_the_history_and_steps_are_done_again(leaves: Build) -> None:
    start = changed(project(leaves), "name", {"piece": "p2", "name": "brow"})[0]
    start = changed(start, "remove", {"piece": "p1"})[0]
    fewer = replace(leaves, pieces=leaves.pieces[1:], seams=leaves.seams[1:])
    now, doubts = corrected(start, [{"kind": "delete", "stroke": "s4"}], fewer)
    assert [d.code for d in doubts] == ["step-lost"] and "no piece p1" in doubts[0].message
    assert now.build.pieces[0].name == "brow"
    assert read_project(project_bytes(now)).corrections == ({"kind": "delete", "stroke": "s4"},)
    assert undone(now).corrections == ()
    assert text_of(undone(now).build) == text_of(start.build)
    again, _ = corrected(now, [], leaves)
    assert [p.name for p in again.build.pieces[:2]] == ["brow", leaves.pieces[2].name]


def test_the_first_version_opens() -> None:
    """Its report's panels become pieces with a seam where their paths agree."""
    back = read_project(first_version())
    assert [(p.id, len(p.edges), p.copies) for p in back.build.pieces] == [("p1", 4, "pair"), ("p2", 4, "pair")]
    assert [(str(s.first), str(s.second)) for s in back.build.seams] == [("p1:a", "p2:d")]
    assert back.build.pieces[0].details[0].use == "tick"
    assert (back.photos, back.settings["paper"]) == ((("wing.jpg", b"a picture"),), "A3")
    assert text_of(read_project(project_bytes(back)).build) == text_of(back.build)


def test_a_later_version_is_told(leaves: Build) -> None:
    bundle, out = zipfile.ZipFile(io.BytesIO(project_bytes(project(leaves)))), io.BytesIO()
    with zipfile.ZipFile(out, "w") as later:
        for name in bundle.namelist():
            later.writestr(name, bundle.read(name).replace(b"truepeel-project/2", b"truepeel-project/7"))
    with pytest.raises(CannotContinue, match=r"later version of Truepeel \(format 7; this one reads up to 2\)"):
        read_project(out.getvalue())


def test_saving_replaces_the_file_whole(leaves: Build, tmp_path: Path) -> None:
    place = tmp_path / "moth.truepeel"
    save_project(project(leaves), place)
    save_project(changed(open_project(place), "name", {"piece": "p1", "name": "new"})[0], place)
    assert open_project(place).build.pieces[0].name == "new"
    assert list(tmp_path.iterdir()) == [place]
    with pytest.raises(CannotContinue, match="cannot take the files"):
        save_project(project(leaves), tmp_path / "nowhere" / "moth.truepeel")
    with pytest.raises(CannotContinue, match="no file"):
        open_project(tmp_path / "other.truepeel")


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
@pytest.mark.parametrize("moment", ["fsync", "chmod", "replace"])
def test_a_process_killed_while_saving_leaves_the_old_project(leaves: Build, tmp_path: Path, moment: str) -> None:
    """The kernel ends the process (SIGKILL) in the middle: no handler runs, nothing is tidied up."""
    place = tmp_path / "moth.truepeel"
    save_project(project(leaves), place)
    old = place.read_bytes()
    script = f"""
        import os, signal
        from pathlib import Path
        from extract.project import changed, open_project, save_project
        place = Path({str(place)!r})
        project = changed(open_project(place), "name", {{"piece": "p1", "name": "new"}})[0]
        os.{moment} = lambda *a, **k: os.kill(os.getpid(), signal.SIGKILL)
        save_project(project, place)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], check=False, env={**os.environ})
    assert done.returncode == -9
    assert place.read_bytes() == old
    again = changed(open_project(place), "name", {"piece": "p1", "name": "again"})[0]
    save_project(again, place)
    assert open_project(place).build.pieces[0].name == "again"


def test_what_a_crash_left_is_swept_when_it_is_old(leaves: Build, tmp_path: Path) -> None:
    place = tmp_path / "moth [1].truepeel"
    old, fresh, other = (
        tmp_path / f".{name}" for name in ("moth [1].truepeel.a1", "moth [1].truepeel.b2", "x.truepeel.c")
    )
    for left in (old, fresh, other):
        left.write_bytes(b"half")
        os.utime(left, (1e9, 1e9))
    os.utime(fresh)
    save_project(project(leaves), place)
    assert sorted(tmp_path.iterdir()) == sorted([place, fresh, other])


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CannotContinue, match="is no file"):
        open_project(tmp_path)
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(CannotContinue, match="is no file"):
            open_project(tmp_path / "pipe")


@pytest.mark.parametrize(
    ("report", "codes"),
    [
        (b'{"warnings":[{"code":"one-card","message":"Lay a second card."}]}', ["one-card"]),
        (b'{"warnings":[{"code":7}]}', []),
        (b'{"warnings":{}}', []),
        (b"[]", []),
        (b"{", []),
    ],
)
def test_the_tracings_doubts_are_told_again(leaves: Build, report: bytes, codes: list[str]) -> None:
    given_project = new_project(leaves, findings={"report.json": report})
    assert [doubt.code for doubt in doubts_of(given_project)] == codes
    assert doubts_of(new_project(leaves)) == ()


ANY_STEP: list[tuple[str, dict[str, Any]]] = [
    ("name", {"piece": "p2", "name": "brow"}),
    ("copies", {"how": "pair"}),
    ("stock", {"name": "felt", "thickness": 2}),
    ("cut-from", {"stock": "foam"}),
    ("finish", {"edges": "p3:a+b", "lean": 30}),
    ("hole", {"piece": "p4", "x": 104.0, "y": 35.0, "across": 5}),
    ("line", {"piece": "p5", "points": "130,5 150,40"}),
    ("mirror", {"piece": "p6"}),
    ("even-halves", {"piece": "p7"}),
    ("ticks", {"seam": 3}),
    ("widen", {"run": "p8:a", "width": 3}),
    ("resize", {"factor": "1.02"}),
    ("remove", {"piece": "p9"}),
]


@given(st.lists(st.sampled_from(ANY_STEP), min_size=1, max_size=6))
@hypothesis_settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_steps_are_undone_byte_for_byte(leaves: Build, steps: list[tuple[str, dict[str, Any]]]) -> None:
    now = project(leaves)
    texts = [text_of(now.build)]
    for step, answers in steps:
        try:
            after = changed(now, step, answers)[0]
        except CannotContinue:
            assert text_of(now.build) == texts[-1]
            continue
        now = after
        texts.append(text_of(now.build))
    for text in texts[-2::-1]:
        now = undone(now)
        assert text_of(now.build) == text
    for text in texts[1:]:
        now = redone(now)
        assert text_of(now.build) == text


coordinate = st.floats(-900, 900, allow_subnormal=True)


@given(st.lists(st.tuples(coordinate, coordinate), min_size=3, max_size=8, unique=True))
@hypothesis_settings(max_examples=60, deadline=None)
def test_any_number_comes_back_to_the_last_bit(points: list[tuple[float, float]]) -> None:
    outline = polyline_curve(np.array(points), closed=True)
    edges = tuple(
        Edge(
            f"a{k}", replace(outline, controls=outline.controls[k : k + 1], straight=outline.straight[:1], closed=False)
        )
        for k in range(len(outline.controls))
    )
    build = Build("any", (Piece("p1", "1", edges),))
    back = read_project(project_bytes(new_project(build))).build.pieces[0]
    assert [e.curve.controls.tobytes() for e in back.edges] == [e.curve.controls.tobytes() for e in edges]
