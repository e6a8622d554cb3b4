"""Where the page keeps a visitor's work, so that a reload loses nothing.

Every visitor has a folder of their own, named by a random token that stands in the page's address. It holds the
photos as they came, the settings the maker chose, and every result, keyed by SHA-256 over photos, settings and program.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import shutil
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import extract

KEEP_DAYS = 7
"""A build takes a few evenings; after a week the photo is taken anew anyway (common practice, no source)."""

RESULTS_KEPT = 8
"""Results take some megabytes each; going back further than this means making one anew, which takes seconds."""

MOST_PHOTOS = 20
MOST_BYTES = 600_000_000
"""What one visitor may put down: a build takes a handful of photos of some ten megabytes (common practice, no
source)."""

BOUNDS_MM = {
    "bar_long_mm": (10.0, 400.0),
    "bar_short_mm": (10.0, 400.0),
    "height_mm": (0.0, 50.0),
    "smooth_mm": (0.0, 10.0),
}
"""Between these the page's boxes take an answer, and a project's file may give one."""

STEP = "step.txt"
TOKEN = re.compile(r"[0-9a-f]{32}")
NAME_LENGTH = 120


def home() -> Path:
    """The folder over all visitors' folders, readable by its owner alone."""
    told = os.environ.get("TRUEPEEL_CACHE") or os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    folder = Path(told) if told else Path.home() / ".cache"
    try:
        return _private(folder / "truepeel" / "work")
    except OSError:
        return _private(Path(tempfile.gettempdir()) / f"truepeel-{_user()}" / "work")


def _user() -> str:
    return str(os.getuid()) if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")


def _private(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
        raise PermissionError(f"{folder} belongs to someone else")
    folder.chmod(0o700)
    return folder


@dataclass(frozen=True)
class StoredPhoto:
    """A photo on the shelf: ``name`` as the maker's device called it (only ever shown), ``digest`` its SHA-256."""

    name: str
    digest: str


@dataclass(frozen=True)
class Work:
    """One visitor's folder."""

    folder: Path

    @property
    def token(self) -> str:
        return self.folder.name

    def photos(self) -> tuple[StoredPhoto, ...]:
        return tuple(StoredPhoto(entry["name"], entry["digest"]) for entry in self._notes().get("photos", ()))

    def photo_bytes(self, photo: StoredPhoto) -> bytes:
        return (self.folder / f"{photo.digest}.photo").read_bytes()

    def add_photo(self, name: str, data: bytes) -> None:
        """Keep ``data``; the same bytes twice stay one photo. Raises CannotContinue where the shelf is full."""
        photo = StoredPhoto(_shown_name(name), hashlib.sha256(data).hexdigest())
        if photo.digest not in (known.digest for known in self.photos()):
            check_room([*(self.photo_size(known) for known in self.photos()), len(data)])
            extract.write_whole(self.folder / f"{photo.digest}.photo", data)
            self._keep_photos((*self.photos(), photo))

    def photo_size(self, photo: StoredPhoto) -> int:
        return (self.folder / f"{photo.digest}.photo").stat().st_size

    def drop_photo(self, digest: str) -> None:
        self._keep_photos(tuple(photo for photo in self.photos() if photo.digest != digest))
        (self.folder / f"{digest}.photo").unlink(missing_ok=True)

    def settings(self) -> extract.TraceSettings:
        """What the maker chose last, or the defaults where that cannot be read."""
        return sound_settings(self._notes().get("settings"))

    def keep_settings(self, settings: extract.TraceSettings) -> None:
        if settings != self.settings():
            self._write_notes(self._notes() | {"settings": asdict(settings)})

    def asked(self) -> str | None:
        """The key of the result the maker asked for last."""
        return self._notes().get("asked")

    def ask(self, key: str) -> None:
        self._write_notes(self._notes() | {"asked": key})

    def step(self) -> str | None:
        """The step of the way where the maker was last."""
        try:
            return (self.folder / STEP).read_text("utf-8")
        except (OSError, ValueError):
            return None

    def keep_step(self, step: str) -> None:
        # Beside the notes: those wait until they lie on the disk for good, which every step would have to wait for.
        if step != self.step():
            (self.folder / STEP).write_text(step, "utf-8")

    def sheets(self) -> tuple[str, ...]:
        """The foam sheets the maker has, each written as in "1000x500x6:2@8.50"."""
        kept = self._notes().get("sheets", ())
        return tuple(str(sheet) for sheet in kept) if isinstance(kept, list) else ()

    def keep_sheets(self, sheets: Sequence[str]) -> None:
        self._write_notes(self._notes() | {"sheets": list(sheets)})

    def keep_plan(self, key: str) -> None:
        """Remember that result as one that no later one may push out: it cannot be made again."""
        self._write_notes(self._notes() | {"plan": key})

    def result(self, key: str) -> Path:
        """Where the result of that key is, or will be."""
        return self.folder / f"result-{key}"

    @contextlib.contextmanager
    def filling(self, key: str) -> Iterator[Path]:
        """A folder that becomes the result of that key when the block ends well, and vanishes otherwise."""
        rough = Path(tempfile.mkdtemp(dir=self.folder, prefix=".filling-"))
        try:
            yield rough
            shutil.rmtree(self.result(key), ignore_errors=True)
            rough.rename(self.result(key))
            self._drop_old_results()
        finally:
            shutil.rmtree(rough, ignore_errors=True)

    def _drop_old_results(self) -> None:
        """Every correction and paper makes files of its own; the latest few are kept, what was read last, and the plan
        that cannot be made again."""
        kept = [self.result(str(key)) for key in (self.asked(), self._notes().get("plan")) if key]
        results = [folder for folder in self.folder.glob("result-*") if folder not in kept]
        for folder in sorted(results, key=lambda folder: folder.stat().st_mtime, reverse=True)[RESULTS_KEPT:]:
            shutil.rmtree(folder, ignore_errors=True)

    def _keep_photos(self, photos: Sequence[StoredPhoto]) -> None:
        entries = [{"name": photo.name, "digest": photo.digest} for photo in photos]
        self._write_notes(self._notes() | {"photos": entries})

    def _notes(self) -> dict[str, Any]:
        try:
            notes = json.loads((self.folder / "notes.json").read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        return notes if isinstance(notes, dict) else {}

    def _write_notes(self, notes: dict[str, Any]) -> None:
        extract.write_whole(self.folder / "notes.json", json.dumps(notes, indent=1).encode("utf-8"))


def check_room(sizes: Sequence[int]) -> None:
    """Raises CannotContinue where photos of so many bytes are more than one visitor may put down."""
    if len(sizes) > MOST_PHOTOS or sum(sizes) > MOST_BYTES:
        raise extract.CannotContinue(
            "shelf",
            f"These are more photos than the page takes ({MOST_PHOTOS}, or {MOST_BYTES // 1_000_000} MB in all).",
            "Remove some first; two to six of one shell are plenty.",
        )


def sound_settings(values: Any) -> extract.TraceSettings:
    """Settings that were written down, each that makes no sense at its default: they may come from a stranger's file or
    a later version."""
    given = values if isinstance(values, dict) else {}
    try:
        return extract.TraceSettings.from_plain({name: _sound(name, value) for name, value in given.items()})
    except (TypeError, ValueError, KeyError):
        return extract.TraceSettings()


def _sound(name: str, value: Any) -> Any:
    """That answer, or its default. A name that is none is left for ``from_plain`` to refuse."""
    plain = getattr(extract.TraceSettings(), name, value)
    if name in BOUNDS_MM:
        low, high = BOUNDS_MM[name]
        return float(value) if type(value) in (int, float) and low <= value <= high else plain
    if name == "paper":
        return value if value in extract.PAPERS else plain
    if name == "pairs":
        return value is True
    return str(value)[:20] if name == "cut_colour" and value is not None else value


def _shown_name(name: str) -> str:
    """The last part of a file's name, without anything that is not a printable letter."""
    last = re.split(r"[/\\]", name)[-1]
    return "".join(letter for letter in last if letter.isprintable())[:NAME_LENGTH] or "photo"


def new_work(root: Path | None = None) -> Work:
    return Work(_private((root or home()) / secrets.token_hex(16)))


def open_work(token: str, root: Path | None = None) -> Work | None:
    """The work of that token, or None where the token is not one of ours or its work is gone."""
    if not TOKEN.fullmatch(token):
        return None
    folder = (root or home()) / token
    if folder.is_symlink() or not folder.is_dir():
        return None
    os.utime(folder)
    return Work(folder)


def sweep(root: Path | None = None, now: float | None = None) -> int:
    """Remove work nobody has opened for ``KEEP_DAYS``; returns how many."""
    oldest = (time.time() if now is None else now) - KEEP_DAYS * 86_400
    stale = [
        folder
        for folder in (root or home()).iterdir()
        if TOKEN.fullmatch(folder.name) and not folder.is_symlink() and folder.stat().st_mtime < oldest
    ]
    for folder in stale:
        shutil.rmtree(folder, ignore_errors=True)
    return len(stale)


def result_key(photos: Sequence[StoredPhoto], settings: dict[str, Any], program: str) -> str:
    """SHA-256 over everything a result depends on."""
    told = json.dumps([[(photo.name, photo.digest) for photo in photos], settings, program], sort_keys=True)
    return hashlib.sha256(told.encode("utf-8")).hexdigest()
