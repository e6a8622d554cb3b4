"""A zip of named entries, written plainly and read with care: a project file may come from anyone.

Nothing is unpacked to disk. Whatever is read is bounded beforehand by what the directory declares and again by what
really comes out, so a small file cannot become a large one.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from extract.doors import CannotContinue

MOST_FILE = 1 << 30
MOST_ENTRIES = 20_000
_MOST_DIRECTORY = 4 << 20
_MOST_NAME = 120
DATE = (1980, 1, 1, 0, 0, 0)
"""Entries carry the earliest date the format knows, so that the same content gives the same bytes."""
_END, _END_BYTES = b"PK\x05\x06", 22
_WIDE_END, _WIDE_END_BYTES = b"PK\x06\x07", 20
_PACK_FROM = 1 << 10
_STORED, _DEFLATED = zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED


@dataclass(frozen=True)
class Rule:
    """Which entries there may be: names that match ``pattern`` whole, each at most ``most_bytes`` and all of them
    together at most ``most_total``, unpacked."""

    pattern: re.Pattern[str]
    most_bytes: int
    most_total: int


def packed(entries: Mapping[str, bytes], plain: Callable[[str], bool]) -> bytes:
    """The entries as a zip; those that are ``plain`` or tiny are not compressed."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as bundle:
        for name, content in entries.items():
            how = _STORED if plain(name) or len(content) < _PACK_FROM else _DEFLATED
            bundle.writestr(zipfile.ZipInfo(name, DATE), content, how, 1 if how == _DEFLATED else None)
    return out.getvalue()


def unpacked(content: bytes, rules: tuple[Rule, ...]) -> dict[str, bytes]:
    """All entries by name. Raises CannotContinue for anything but a sound zip that keeps to the rules; entries that no
    rule knows are left out."""
    _check_end(content)
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as bundle:
            wanted = _wanted(bundle.infolist(), rules)
            return {info.filename: _read(bundle, info) for info in wanted}
    except (zipfile.BadZipFile, zlib.error, EOFError, struct.error, ValueError, OSError, NotImplementedError) as error:
        raise damaged() from error


def damaged(what: str = "The project file is damaged.") -> CannotContinue:
    return CannotContinue("project", what, "Take the last copy that opens, or trace the photo once more.")


def unsafe(what: str) -> CannotContinue:
    return CannotContinue("project", what, "Nothing was opened. Ask where the file came from.")


def _check_end(content: bytes) -> None:
    """The directory's own end record, before anything walks through a directory of any length."""
    if len(content) > MOST_FILE:
        raise unsafe(f"The project file is larger than {MOST_FILE >> 20} megabytes.")
    if not content.startswith(b"PK"):
        raise CannotContinue("project", "This is no Truepeel project.", "Choose a file whose name ends in .truepeel.")
    end = content[-_END_BYTES:]
    if len(content) < 2 * _END_BYTES or not end.startswith(_END) or end[-2:] != b"\0\0":
        raise damaged("The project file is cut short or damaged.")
    wide = content[-_END_BYTES - _WIDE_END_BYTES : -_END_BYTES]
    count, size = struct.unpack("<HI", end[10:16])
    if wide.startswith(_WIDE_END) or count > MOST_ENTRIES or size > _MOST_DIRECTORY:
        raise unsafe("The project file holds far more entries than any project.")


def _wanted(infos: list[zipfile.ZipInfo], rules: tuple[Rule, ...]) -> list[zipfile.ZipInfo]:
    if len(infos) > MOST_ENTRIES:
        raise unsafe("The project file holds far more entries than any project.")
    names = [info.filename for info in infos]
    if len({name.casefold() for name in names}) < len(names):
        raise unsafe("The project file holds two entries of one name.")
    for info in infos:
        _check_name(info)
    wanted: list[zipfile.ZipInfo] = []
    for rule in rules:
        matching = [info for info in infos if rule.pattern.fullmatch(info.filename)]
        largest = max((info.file_size for info in matching), default=0)
        if largest > rule.most_bytes or sum(info.file_size for info in matching) > rule.most_total:
            raise unsafe("The project file unpacks to more than any project holds.")
        wanted += matching
    return wanted


def _check_name(info: zipfile.ZipInfo) -> None:
    name = info.orig_filename
    odd = not name.isprintable() or len(name) > _MOST_NAME or "\\" in name or ":" in name
    if odd or name.startswith("/") or any(step in ("", ".", "..") for step in name.rstrip("/").split("/")):
        raise unsafe("The project file holds an entry whose name leads out of it.")
    if info.flag_bits & 0x1:
        raise unsafe("The project file is locked with a password.")
    if info.compress_type not in (_STORED, _DEFLATED):
        raise damaged()


def _read(bundle: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """The entry, never more of it than it declared; the checksum is proven on the way."""
    with bundle.open(info) as entry:
        content = entry.read(info.file_size + 1)
    if len(content) != info.file_size:
        raise damaged()
    return content
