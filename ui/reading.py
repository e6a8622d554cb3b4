"""One reading of a visitor's photos: what a first look shows, then the tracing, from photos decoded once."""

from __future__ import annotations

import hashlib
import json
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import extract
from ui import corrections
from ui.shelf import StoredPhoto, Work

if TYPE_CHECKING:
    from extract import Table

MOST_TABLE_BYTES = 300_000_000
"""Photos decoded for a first look wait for their tracing up to this size, those of eight visitors with 12 megapixels
each. Beyond it they are decoded anew, half a second's work."""
_tables: OrderedDict[Path, Table] = OrderedDict()
_lock = threading.Lock()


@dataclass(frozen=True)
class Reading:
    """Photos and answers as they stood when it was asked for; ``key`` is that of its result."""

    work: Work
    key: str
    photos: tuple[StoredPhoto, ...]
    settings: extract.TraceSettings

    @property
    def place(self) -> Path:
        return self.work.result(self.key)

    def see(self, tell: Callable[[str, float], None] | None) -> Table:
        """The photos with their cards and cameras, which wait for the tracing."""
        sources = [(photo.name, self.work.photo_bytes(photo)) for photo in self.photos]
        table = extract.see_table(sources, self.settings, tell)
        with _lock:
            _tables[self.place] = table
            while sum(map(_size, _tables.values())) > MOST_TABLE_BYTES:
                _tables.popitem(last=False)
        return table

    def write_look(self, table: Table, advise: bool) -> None:
        """What is to be seen at once; ``advise`` adds what would help, to a look that is there."""
        look = extract.look_over(table, advise)
        told = json.dumps(look.found).encode()
        if advise:
            extract.write_whole(self.work.result(look_key(self.key)) / "look.json", told)
            return
        with self.work.filling(look_key(self.key)) as folder:
            for photo, picture in zip(self.photos, look.pictures, strict=True):
                if picture:
                    (folder / f"{photo.digest}.jpg").write_bytes(picture)
            (folder / "look.json").write_bytes(told)

    def make(self, folder: Path, tell: Callable[[str, float], None] | None) -> None:
        """The tracing in files: report, pictures, and what correcting by hand needs."""
        with _lock:
            table = _tables.pop(self.place, None)
        if table is None:
            sources = [(photo.name, self.work.photo_bytes(photo)) for photo in self.photos]
            table = extract.see_table(sources, self.settings, tell)
        tracing = extract.trace_table(table, tell)
        # Pages and drawings are made at the last step, from the build as it then is.
        for name, content in extract.photo_files(tracing).items():
            (folder / name).write_bytes(content)
        corrections.remember(self.place, folder, extract.write_surface(tracing, folder))


def refused(table: Table) -> bool:
    """Whether these photos cannot be traced."""
    try:
        table.check()
    except extract.CannotContinue:
        return True
    return False


def look_key(key: str) -> str:
    """The key of the first look at the photos of the reading of that key."""
    return hashlib.sha256(f"look {key}".encode()).hexdigest()


def _size(table: Table) -> int:
    return sum(len(one.content) + (one.photo.pixels.nbytes if one.photo else 0) for one in table.seen)
