"""Files on their way from the browser: held in memory by Streamlit until the page puts them on the shelf.

Streamlit bounds one file, not how many; and it keeps all of them until the tab has been closed for a while.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from streamlit.runtime import get_instance
from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
from streamlit.runtime.scriptrunner import get_script_run_ctx
from streamlit.runtime.uploaded_file_manager import UploadedFile

from ui import shelf

MOST_FILES = 2 * shelf.MOST_PHOTOS
"""Of one tab, at a time; the shelf takes fewer, and says so in words."""
MOST_BYTES = shelf.MOST_BYTES
MOST_BYTES_IN_ALL = 1_000_000_000
"""Of all tabs together: twenty visitors who upload three photos of 15 MB at the same moment."""
STALE_SECONDS = 3_600.0
"""A project file may be chosen and opened a while later; what nobody took up within an hour was left behind."""
FULL = "More is waiting here than the page takes. Wait a moment, or bring fewer files at once."


@dataclass
class Tray:
    """What was let through to Streamlit: when it came, and its bytes while it is still on the way."""

    since: dict[tuple[str, str], float] = field(default_factory=dict)
    coming: dict[tuple[str, str], int] = field(default_factory=dict)

    def begin(self, session: str, name: str, size: int, now: float | None = None) -> bool:
        """Whether there is room for one more file; it counts from now on."""
        now = time.monotonic() if now is None else now
        self._forget_stale(now)
        held = [*((who, size) for who, _, size in _held()), *((who, size) for (who, _), size in self.coming.items())]
        own = [bytes_held for who, bytes_held in held if who == session]
        full = len(own) >= MOST_FILES or sum(own) + size > MOST_BYTES
        if full or sum(bytes_held for _, bytes_held in held) + size > MOST_BYTES_IN_ALL:
            return False
        self.since[session, name] = now
        self.coming[session, name] = size
        return True

    def end(self, session: str, name: str) -> None:
        """The file has arrived, or has failed to."""
        self.coming.pop((session, name), None)

    def _forget_stale(self, now: float) -> None:
        there = {(session, name) for session, name, _ in _held()}
        for session, name in there:
            if now - self.since.setdefault((session, name), now) > STALE_SECONDS:
                _manager().remove_file(session, name)
        self.since = {entry: came for entry, came in self.since.items() if entry in there or entry in self.coming}


def forget(files: Sequence[UploadedFile]) -> None:
    """Lets go of files that lie on the shelf now; this tab's, that is."""
    context = get_script_run_ctx()
    # Streamlit's own test driver has no manager that could forget.
    if context is not None and isinstance(context.uploaded_file_mgr, MemoryUploadedFileManager):
        for file in files:
            context.uploaded_file_mgr.remove_file(context.session_id, file.file_id)


def _held() -> Iterator[tuple[str, str, int]]:
    """Tab, name and bytes of every file in memory."""
    # Other threads put files down and take them up meanwhile.
    for session, files in list(_manager().file_storage.items()):
        yield from [(session, name, len(file.data)) for name, file in list(files.items())]


def _manager() -> MemoryUploadedFileManager:
    manager = get_instance().uploaded_file_mgr
    assert isinstance(manager, MemoryUploadedFileManager)
    return manager
