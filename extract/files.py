"""Writing files so that nothing good is ever half replaced. Loads nothing heavy: pages and commands use it too."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from extract.doors import CannotContinue


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


_UMASK = _umask()
"""Asked once: asking changes it for a moment, and for all threads."""


def check_folder(folder: Path) -> None:
    """Makes the folder if need be and proves that it takes a file. Raises CannotContinue."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise unwritable(folder, error) from error


def unwritable(folder: Path, error: OSError) -> CannotContinue:
    """The refusal that names the folder and the system's reason."""
    why = error.strerror or "it cannot be written"
    return CannotContinue("output", f"The folder {folder} cannot take the files: {why}.", "Choose another folder.")


def write_whole(path: Path, content: bytes) -> Path:
    """Writes a file so that at every moment the path holds either the old content or all of the new."""
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        os.chmod(beside, 0o666 & ~_UMASK)
        os.replace(beside, path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    return path
