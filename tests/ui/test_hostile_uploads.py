"""Uploads made to hurt: refused in words or shown as text, and the shelf stays whole.

The files are made by hand after PNG (W3C, 3rd edition, 5.6 and 11.2.2), TIFF 6.0 (section 2) and ISO 14496-12 (box
headers), or by Pillow, Python's zipfile and zlib.
"""

from __future__ import annotations

import io
import json
import struct
import sys
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import replace
from html import escape
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

import extract
from ui import builds, jobs, shelf, words
from ui.tables import table_html

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from plain_shell import plain_shell

PATIENCE_S = 60
ROOT = Path(__file__).resolve().parents[2]
MARKUP = "<img src=x onerror=alert(1)><script>alert(2)</script>![a](http://example.org/b.png)"


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> shelf.Work:
    monkeypatch.setenv("TRUEPEEL_CACHE", str(tmp_path))
    return shelf.new_work()


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width: int, height: int, rows: int, extra: bytes = b"") -> bytes:
    """A one-bit picture that says it is so large, with ``rows`` rows of nothing in it."""
    packed = zlib.compressobj(9)
    data = packed.compress(bytes((width + 7) // 8 + 1) * rows) + packed.flush()
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + extra + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def tiff(width: int, height: int) -> bytes:
    """A black-and-white picture of so many pixels whose one strip is said to be 4 GB."""
    tags = [(256, 4, width), (257, 4, height), (258, 3, 1), (259, 3, 1), (262, 3, 1), (273, 4, 8), (277, 3, 1),
            (278, 4, height), (279, 4, 0xFFFFFFFF)]  # fmt: skip
    directory = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", t, kind, 1, v) for t, kind, v in tags)
    return b"II*\x00" + struct.pack("<I", 8) + directory + bytes(4)


def heic_cut_short() -> bytes:
    import pillow_heif

    pillow_heif.register_heif_opener()
    into = io.BytesIO()
    Image.effect_noise((400, 300), 60).convert("RGB").save(into, "HEIF", quality=60)
    return into.getvalue()[: len(into.getvalue()) // 2]


def heic_huge_box() -> bytes:
    """A first box as it should be, and a second that says it is 2⁶³ bytes long."""
    first = struct.pack(">I", 24) + b"ftypheic" + bytes(4) + b"mif1heic"
    return first + struct.pack(">I4sQ", 1, b"meta", 1 << 63) + bytes(64)


PICTURES: dict[str, tuple[Callable[[], bytes], str]] = {
    "PNG bomb": (lambda: png(50_000, 50_000, 2_000), "2500 megapixels"),
    "PNG that says it is a line": (lambda: png(0x7FFFFFFF, 1, 0), "megapixels"),
    "PNG with 64 MB of packed text": (
        lambda: png(8, 8, 0, chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(64 << 20), 9))),
        "damaged",
    ),
    "TIFF bomb": (lambda: tiff(50_000, 50_000), "megapixels"),
    "TIFF with a strip of 4 GB": (lambda: tiff(4_000, 3_000), "damaged"),
    "HEIC cut short": (heic_cut_short, "damaged"),
    "HEIC with a huge box": (heic_huge_box, "picture"),
    "SVG": (lambda: b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>', "not a picture"),
    "HTML": (lambda: f"<!doctype html><body>{MARKUP}".encode(), "not a picture"),
    "a program in PostScript": (lambda: b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n(x) run\n", "not a picture"),
}


@pytest.mark.parametrize("kind", PICTURES)
def test_a_hostile_picture_is_refused_in_words(work: shelf.Work, kind: str) -> None:
    make, said = PICTURES[kind]
    work.add_photo("shell.jpg", make())
    jobs.trace_now(work, work.settings())
    refused = jobs.result(work, jobs.key_for(work, work.settings()))
    assert isinstance(refused, jobs.Refusal)
    assert said in refused.reason
    assert "fault of its own" not in refused.reason


NAMES = {
    "../../../etc/passwd": "passwd",
    "..\\..\\windows\\win.ini": "win.ini",
    "/": "photo",
    "": "photo",
    "a\x00b\x1b[31m\r\nc\u202egpj.exe": "ab[31mcgpj.exe",
    "m" * 4000 + ".jpg": "m" * shelf.NAME_LENGTH,
}


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_a_file_keeps_the_last_part_of_its_name_and_lies_where_its_content_says(work: shelf.Work, name: str) -> None:
    work.add_photo(name, b"content")
    (photo,) = work.photos()
    assert photo.name == NAMES[name]
    assert {path.name for path in work.folder.iterdir()} == {"notes.json", f"{photo.digest}.photo"}


def with_exif(text: str) -> bytes:
    """A photo without a card, whose description, artist and comment are ``text``."""
    exif = Image.Exif()
    exif[0x010E], exif[0x013B], exif[0x9C9C] = text, text, text.encode("utf-16-le")
    into = io.BytesIO()
    Image.new("RGB", (640, 480), "white").save(into, "JPEG", exif=exif, comment=text.encode())
    return into.getvalue()


def said_on(page: AppTest) -> list[tuple[str, str]]:
    """Everything the page hands to the browser as text that could be read as HTML or Markdown."""
    kinds = ("html", "markdown", "caption", "warning", "error", "info", "success", "header", "subheader", "title")
    found = [(kind, str(getattr(e.proto, "body", ""))) for kind in kinds for e in page.get(kind)]
    return [*found, *(("button", button.label) for button in page.button)]


def test_markup_in_a_photo_and_its_name_is_shown_letter_for_letter(work: shelf.Work) -> None:
    work.add_photo(MARKUP.replace("/", ":"), with_exif(MARKUP + "exif"))
    jobs.trace_now(work, work.settings())
    page = AppTest.from_file(str(ROOT / "ui" / "app.py"), default_timeout=PATIENCE_S)
    page.query_params["work"] = work.token
    page.run()
    assert not page.exception
    assert page.error
    shown = said_on(page)
    assert any(r"\<img src" in text for _, text in shown), "the name is shown, disarmed"
    for kind, text in shown:
        assert "exif" not in text
        assert "<script" not in text.replace(r"\<script", ""), kind
        assert "![a](" not in text, kind
        assert kind != "html" or "onerror" not in text


def test_a_table_shows_names_letter_for_letter() -> None:
    told = table_html([{"Piece": MARKUP, "Edge": "p1:a: :red[b]"}], MARKUP + '" onload="x')
    assert "<img" not in told
    assert "<script" not in told
    assert '" onload' not in told
    assert escape(MARKUP) in told
    assert "p1:a: :red[b]" in told


def project(entries: dict[str, bytes], how: int = zipfile.ZIP_STORED) -> bytes:
    into = io.BytesIO()
    with zipfile.ZipFile(into, "w", how) as bundle:
        for name, content in entries.items():
            bundle.writestr(name, content)
    return into.getvalue()


def sound_project(**changed: Any) -> bytes:
    """An empty project with settings or photos of the test's own."""
    empty = replace(extract.empty_project("moth"), **changed)
    return extract.project_bytes(empty)


PROJECTS: dict[str, Callable[[], bytes]] = {
    "path that climbs": lambda: project({"document.json": b"{}", "photos/../../../evil.jpg": b"x"}),
    "path from the root": lambda: project({"document.json": b"{}", "/etc/evil": b"x"}),
    "bomb": lambda: project({"document.json": bytes(64 << 20)}, zipfile.ZIP_DEFLATED),
    "deep JSON": lambda: project({"document.json": b"[" * 100_000}),
    "not a zip": lambda: MARKUP.encode(),
    "too many photos": lambda: sound_project(photos=tuple((f"{n}.jpg", b"%d" % n) for n in range(60))),
}


@pytest.mark.parametrize("kind", PROJECTS)
def test_a_hostile_project_leaves_the_shelf_whole(work: shelf.Work, kind: str) -> None:
    work.add_photo("mine.jpg", b"mine")
    work.keep_settings(extract.TraceSettings(bar_long_mm=240.3))
    before = {path: path.read_bytes() for path in work.folder.rglob("*")}
    with pytest.raises(extract.CannotContinue) as refused:
        builds.take_in(work, PROJECTS[kind]())
    assert refused.value.advice
    assert {path: path.read_bytes() for path in work.folder.rglob("*")} == before
    assert [path.name for path in work.folder.parent.iterdir()] == [work.token]


def test_a_projects_photos_may_be_named_anything(work: shelf.Work) -> None:
    builds.take_in(work, sound_project(photos=((f"../{MARKUP}.jpg", b"one"),)))
    (photo,) = work.photos()
    assert "/" not in photo.name
    assert {path.suffix for path in work.folder.iterdir()} <= {".json", ".photo", ".truepeel", ""}


@pytest.mark.parametrize(
    "settings",
    [
        {"paper": "../../A4"},
        {"bar_long_mm": 1e9},
        {"bar_long_mm": "240", "height_mm": True},
        {"height_mm": -1, "smooth_mm": 1e300},
        {"cut_colour": MARKUP},
        {"unknown": 1},
    ],
    ids=str,
)
def test_answers_that_make_no_sense_are_at_their_defaults(work: shelf.Work, settings: dict[str, Any]) -> None:
    """So that the page of a project from a stranger opens."""
    builds.take_in(work, sound_project(settings=settings))
    kept = work.settings()
    assert replace(kept, cut_colour=None) == extract.TraceSettings()
    page = AppTest.from_file(str(ROOT / "ui" / "app.py"), default_timeout=PATIENCE_S)
    page.query_params["work"] = work.token
    assert not page.run().exception


def test_a_project_of_a_hundred_megabytes_goes_in_and_out(work: shelf.Work) -> None:
    """As much as the page takes in one upload; the photos are not held a second time beside it in the notes."""
    photos = tuple((f"{n}.jpg", bytes([n]) * (25 << 20)) for n in range(4))
    builds.take_in(work, sound_project(photos=photos))
    assert [len(work.photo_bytes(photo)) for photo in work.photos()] == [25 << 20] * 4
    assert (work.folder / "notes.json").stat().st_size < 10_000
    builds.take_in(work, sound_project())
    assert list(work.folder.glob("*.photo")) == [], "what was taken over is cleaned up"


def test_a_visitor_cannot_fill_the_disk(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf, "MOST_BYTES", 1000)
    work.add_photo("a.jpg", bytes(600))
    with pytest.raises(extract.CannotContinue, match="more photos"):
        work.add_photo("b.jpg", bytes(601))
    work.add_photo("the same again.jpg", bytes(600))
    for n in range(shelf.MOST_PHOTOS - 1):
        work.add_photo(f"{n}.jpg", b"%d" % n)
    with pytest.raises(extract.CannotContinue, match="more photos"):
        work.add_photo("one more.jpg", b"more")
    assert len(json.loads((work.folder / "notes.json").read_text())["photos"]) == shelf.MOST_PHOTOS


def test_the_server_takes_no_larger_upload() -> None:
    from ui import server

    options = server.command(8501)
    assert "--server.maxUploadSize=100" in options
    assert "--server.address=127.0.0.1" in options


def test_a_panels_name_is_shown_letter_for_letter() -> None:
    """Neither Markdown nor HTML: a picture in a stranger's project would be fetched from wherever it says."""
    hurtful = "![x](http://example.org/y.png)<img src=x>"
    tracing = extract.corrected(plain_shell(), [{"do": "name", "at": [50.0, 50.0], "name": hurtful}])
    shown = table_html(words.panel_table(tracing), "Panels")
    assert escape(hurtful) in shown
    assert "<img" not in shown
