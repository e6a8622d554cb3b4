"""Files that are damaged, or made to hurt: each is refused in one clear sentence, quickly and in little memory."""

from __future__ import annotations

import io
import json
import struct
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from extract.build import Build
from extract.doors import CannotContinue
from extract.keep.bundle import MOST_ENTRIES
from extract.keep.text import dumped
from extract.project import _key, changed, new_project, project_bytes, read_project, undone

SOUND: dict[str, Any] = {
    "format": "truepeel-project/2",
    "units": "mm",
    "program": "truepeel",
    "date": "2025-03-01",
    "settings": {},
    "photos": [],
    "photo_names": [],
    "report": "report.json",
    "corrections": [],
    "now": 0,
    "moments": [],
}
FRAME: dict[str, Any] = {"name": "x", "seams": [], "stocks": [], "face": "inside", "measures": {}}


def cubic(*points: float) -> list[float]:
    x0, y0, x1, y1 = points
    return [x0, y0, (2 * x0 + x1) / 3, (2 * y0 + y1) / 3, (x0 + 2 * x1) / 3, (y0 + 2 * y1) / 3, x1, y1]


def edge(id_: str, *points: float) -> dict[str, Any]:
    curve = {"controls": [cubic(*points)], "kinds": "L", "closed": False}
    return {"id": id_, "curve": curve, "lean_deg": 0, "longer": "face"}


def triangle() -> dict[str, Any]:
    return {
        "id": "p1", "name": "1", "holes": [], "details": [], "stock": "", "copies": "one", "count": 1, "up": "face",
        "edges": [edge("a", 0, 0, 30, 0), edge("b", 30, 0, 15, 20), edge("c", 15, 20, 0, 0)],
        "forward_deg": None, "notes": "", "sigma_mm": 0.1,
    }  # fmt: skip


def zipped(entries: dict[str, bytes], how: int = zipfile.ZIP_STORED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", how) as bundle:
        for name, content in entries.items():
            bundle.writestr(name, content)
    return out.getvalue()


def file_of(piece: Any = None, frame: Any = None, document: dict[str, Any] | None = None) -> bytes:
    """A project of one piece, put together by hand."""
    texts = [as_text(frame or FRAME), as_text(piece or triangle()), b"[]"]
    keys = [_key(text) for text in texts]
    moment = {"step": "trace", "answers": {}, "frame": keys[0], "pieces": [keys[1]], "corrections": keys[2]}
    whole = {**SOUND, "moments": [moment], **(document or {})}
    states = {f"states/{key}.json": text for key, text in zip(keys, texts, strict=True)}
    return zipped({"document.json": as_text(whole), "report.json": b"{}", **states})


def as_text(value: Any) -> bytes:
    return value if isinstance(value, bytes) else json.dumps(value).encode()


def refusal(content: bytes) -> str:
    with pytest.raises(CannotContinue) as caught:
        read_project(content)
    assert caught.value.reason.endswith(".") and caught.value.advice and len(str(caught.value)) < 400
    return caught.value.reason


def test_the_hand_made_project_is_sound_before_it_is_spoilt() -> None:
    assert [edge.id for edge in read_project(file_of()).build.pieces[0].edges] == ["a", "b", "c"]


def spoilt(path: str, value: Any) -> dict[str, Any]:
    piece = triangle()
    *way, last = [int(step) if step.isdigit() else step for step in path.split(".")]
    place: Any = piece
    for step in way:
        place = place[step]
    place[last] = value
    return piece


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("edges.1.curve.controls.0.0", 30.5, "does not close"),
        ("edges.1.curve.controls.0.3", 1e300, "absurd size"),
        ("edges.1.curve.controls.0.3", 10**400, "damaged"),
        ("edges.1.curve.controls.0.3", "5", "not made of numbers"),
        ("edges.1.curve.controls.0.3", None, "not made of numbers"),
        ("edges.1.curve.controls.0.3", True, "not made of numbers"),
        ("edges.1.curve.controls.0", [1.0, 2.0], "not made of numbers"),
        ("edges.1.curve.controls", [], "lacks numbers"),
        ("edges.1.curve.kinds", "X", "unknown kind"),
        ("edges.1.curve.closed", True, "should close or should not"),
        ("edges.1.id", "a", "one name for two things"),
        ("edges.1.id", "a:b", "cannot be one"),
        ("edges.1.lean_deg", 400, "absurd size"),
        ("edges", [], "without an outline"),
        ("edges", {"a": 1}, "a list that is none"),
        ("holes", [0] * 6000, "far too long"),
        ("count", 2.5, "whole number"),
        ("count", -4, "whole number"),
        ("copies", "many", "no meaning"),
        ("name", "n" * 5000, "far too long"),
        ("name", ["1"], "words that are none"),
        ("up", None, "no meaning"),
        ("sigma_mm", -1, "absurd size"),
        ("forward_deg", [], "in place of a number"),
    ],
)
def test_a_piece_that_cannot_be_is_refused(path: str, value: Any, words: str) -> None:
    assert words in refusal(file_of(spoilt(path, value)))


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity", "1e999", "9" * 5000])
def test_numbers_that_are_none_are_refused(word: str) -> None:
    refusal(file_of(as_text(triangle()).replace(b"0.1", word.encode())))


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        ({"face": "top"}, "no meaning"),
        ({"seams": [{"number": 1, "first": "p1:a", "second": "p2:z", "against": True, "ticks": [], "layers_mm": 0}]},
         "edges that do not exist"),
        ({"stocks": [{"name": "f", "thickness_mm": -1, "neutral": 0.5}]}, "absurd size"),
        ({"measures": {"head": "wide"}}, "in place of a number"),
        ({"measures": []}, "measures that are none"),
    ],
)  # fmt: skip
def test_a_frame_that_cannot_be_is_refused(frame: dict[str, Any], words: str) -> None:
    assert words in refusal(file_of(frame=FRAME | frame))


@pytest.mark.parametrize(
    "document",
    [
        {"now": 3},
        {"now": -1},
        {"now": "0"},
        {"now": True},
        {"moments": []},
        {"moments": "all"},
        {"moments": [{"step": "x"}]},
        {"settings": []},
        {"settings": {"a": [1]}},
        {"photos": ["photos/1.jpg"], "photo_names": ["a.jpg"]},
        {"photos": ["document.json", "x"], "photo_names": ["a.jpg"]},
        {"photo_names": 7},
    ],
)
def test_a_document_that_cannot_be_is_refused(document: dict[str, Any]) -> None:
    assert "damaged" in refusal(file_of(document=document))


def test_a_missing_or_exchanged_state_is_noticed() -> None:
    entries = {n: zipfile.ZipFile(io.BytesIO(file_of())).read(n) for n in ("document.json", "report.json")}
    assert "a state is missing" in refusal(zipped(entries))
    whole = zipfile.ZipFile(io.BytesIO(file_of()))
    swapped = {name: whole.read(name) for name in whole.namelist()}
    piece = next(name for name, text in swapped.items() if b'"edges"' in text)
    swapped[piece] = swapped[piece].replace(b'"1"', b'"2"')
    assert "a state is not what it was" in refusal(zipped(swapped))


@pytest.mark.parametrize(
    "panel",
    [
        {"path": "M 0 0 L 10 0 L 10 10"},
        {"path": "M 0 0 L 10 0 L 1e9 10 Z"},
        {"path": "M 0 0 L 10 0 Q 5 5 10 10 Z"},
        {"path": "M 0 0 L 10"},
        {"path": ""},
        {"path": 7},
        {"holes": [[[0, 0], [1, "x"]]]},
        {"holes": 3},
        {"sigma": "wide"},
    ],
)
def test_a_spoilt_report_of_the_first_version_is_refused(panel: dict[str, Any]) -> None:
    sound = {"id": "p1", "path": "M 0 0 L 10 0 L 10 10 Z", "holes": [], "sigma": 0.1}
    document = {**SOUND, "format": "truepeel-project/1"}

    def file_with(one: dict[str, Any]) -> bytes:
        report = {"panels": [one], "strokes": []}
        return zipped({"document.json": as_text(document), "report.json": as_text(report)})

    assert len(read_project(file_with(sound)).build.pieces) == 1
    assert "damaged" in refusal(file_with({**sound, **panel}))


def test_bottomless_nesting_is_refused() -> None:
    refusal(file_of(b"[" * 1_000_000 + b"]" * 1_000_000))
    refusal(zipped({"document.json": b'{"format":' * 100_000}))


@pytest.mark.parametrize("content", [b"", b"PK", b"\x89PNG\r\n", b"PK\x03\x04" + bytes(500), b"PK\x05\x06" + bytes(18)])
def test_what_is_no_project_is_refused(content: bytes) -> None:
    refusal(content)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("../document.json", "leads out"),
        ("/etc/passwd", "leads out"),
        ("photos/../../x", "leads out"),
        ("a\\b.json", "leads out"),
        ("c:x.json", "leads out"),
        ("a//b", "leads out"),
        ("line\nfeed", "leads out"),
        ("n" * 200, "leads out"),
        ("Document.json", "two entries of one name"),
    ],
)
def test_names_that_climb_or_clash_are_refused(name: str, words: str) -> None:
    content = zipped({"document.json": b"{}", "z" * len(name): b"{}"})
    raw = content.replace(b"z" * len(name), name.encode())  # a zip writer would tidy the name
    assert words in refusal(raw)


def test_entries_of_one_name_are_refused() -> None:
    with pytest.warns(UserWarning, match="Duplicate name"):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as bundle:
            bundle.writestr("document.json", b"{}")
            bundle.writestr("document.json", json.dumps(SOUND))
    assert "two entries of one name" in refusal(out.getvalue())


def test_strange_entries_are_left_alone() -> None:
    """A later version may add some; they are not read and not kept."""
    whole = zipfile.ZipFile(io.BytesIO(file_of()))
    entries = {name: whole.read(name) for name in whole.namelist()} | {"extra/thing.bin": b"\xff" * 10}
    assert "extra/thing.bin" not in read_project(zipped(entries)).findings


def quickly(act: Callable[[], object], most_mb: float) -> None:
    """Runs ``act`` and holds the memory that Python asks for meanwhile to ``most_mb``."""
    tracemalloc.start()
    try:
        act()
        assert tracemalloc.get_traced_memory()[1] < most_mb * 1e6
    finally:
        tracemalloc.stop()


def test_a_declared_bomb_is_refused_before_it_is_unpacked() -> None:
    """A thousandfold: 40 MB of blanks in 40 kB."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    body = b"".join(packer.compress(bytes(1 << 20)) for _ in range(40)) + packer.flush()
    bomb = by_hand(body, 40 << 20)
    quickly(lambda: refusal(bomb), 5)
    assert "unpacks to more" in refusal(bomb)


def test_a_bomb_that_lies_about_its_size_is_cut_off() -> None:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    body = b"".join(packer.compress(bytes(1 << 20)) for _ in range(20)) + packer.flush()
    liar = by_hand(body, 1000)
    quickly(lambda: refusal(liar), 5)
    assert "damaged" in refusal(liar)


def by_hand(body: bytes, declared: int) -> bytes:
    """A zip (PKWARE APPNOTE 6.3, sections 4.3.7, 4.3.12, 4.3.16) whose one entry claims ``declared`` bytes."""
    name = b"document.json"
    sizes = struct.pack("<III", 0, len(body), declared)
    local = b"PK\x03\x04" + struct.pack("<HHHHH", 20, 0, 8, 0, 33) + sizes + struct.pack("<HH", len(name), 0) + name
    central = (
        b"PK\x01\x02" + struct.pack("<HHHHHH", 20, 20, 0, 8, 0, 33) + sizes
        + struct.pack("<HHHHHII", len(name), 0, 0, 0, 0, 0, 0) + name
    )  # fmt: skip
    end = b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, 1, 1, len(central), len(local) + len(body), 0)
    return local + body + central + end


def test_a_flood_of_entries_is_refused_before_the_directory_is_walked() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as bundle:
        for n in range(MOST_ENTRIES + 1):
            bundle.writestr(f"states/{n:032x}.json", b"")
    flood = out.getvalue()
    quickly(lambda: refusal(flood), 5)
    assert "far more entries" in refusal(flood)
    fewer = bytearray(flood)
    fewer[-12:-10] = fewer[-14:-12] = b"\x01\x00"  # the count lies, the directory's size does not
    assert "far more entries" in refusal(bytes(fewer)) or "damaged" in refusal(bytes(fewer))


def test_a_wide_directory_is_refused() -> None:
    """Zip64 end records (APPNOTE 4.3.15) could announce any number of entries past the plain count."""
    plain = file_of()
    wide = plain[:-22] + b"PK\x06\x07" + struct.pack("<IQI", 0, 0, 1) + plain[-22:]
    assert "far more entries" in refusal(wide)


def test_a_locked_file_is_refused() -> None:
    locked = bytearray(file_of())
    for at in (locked.find(b"PK\x03\x04") + 6, locked.find(b"PK\x01\x02") + 8):
        locked[at] |= 1
    assert "password" in refusal(bytes(locked))


def test_a_past_that_cannot_be_is_told_when_it_is_reached(leaves: Build) -> None:
    """Only the present is unpacked on opening."""
    project = changed(new_project(leaves), "notes", {"piece": "p1", "notes": "a word"})[0]
    past = as_text(spoilt("edges.1.curve.kinds", "X"))
    first = replace(project.moments[0], pieces=(_key(past),))
    states = {**project.states, _key(past): past}
    back = read_project(project_bytes(replace(project, moments=(first, project.moments[1]), states=states)))
    with pytest.raises(CannotContinue, match="a curve of unknown kind"):
        undone(back)


@given(st.data())
@hypothesis_settings(max_examples=150, deadline=None)
def test_any_damage_gives_a_sentence_or_the_same_project(data: st.DataObject) -> None:
    """Cuts, flips and swaps anywhere: never a traceback, never another build in silence."""
    content = bytearray(file_of())
    sound = dumped([edge.curve.controls.tolist() for edge in read_project(bytes(content)).build.pieces[0].edges])
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(content) - 1))
        if data.draw(st.booleans()):
            content[at] ^= data.draw(st.integers(1, 255))
        else:
            del content[at : at + data.draw(st.integers(1, 40))]
    try:
        back = read_project(bytes(content))
    except CannotContinue as no:
        assert no.reason and no.advice
    else:
        assert dumped([edge.curve.controls.tolist() for edge in back.build.pieces[0].edges]) == sound
