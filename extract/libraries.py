"""How heavy libraries load: what they and the C library are told before, and loading them before or beside other work.

This comes before NumPy, which asks once.
"""

from __future__ import annotations

import ctypes
import os
import sys
from contextlib import suppress
from importlib import import_module
from threading import Thread

# Matrices are small here, so that threads of the linear algebra would wait for one another longer than they compute
# (a seventh of all processor time), and sums would depend on how many there are.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
"""Numbers of glibc's settings, from its malloc.h (see mallopt(3))."""
_KEPT_BYTES = 64 * 2**20
"""More than any picture that strokes and edges are read from: 4 megapixels, three channels, 32 bits."""


def _keep_pages() -> None:
    """Memory that one picture gave back serves the next. glibc would return it and take it anew, page by page and
    zeroed, which takes a good part of the time of reading a photo; one arena for all threads wants less of it, too.
    """
    with suppress(AttributeError, OSError):  # another C library
        mallopt = ctypes.CDLL(None).mallopt
        for setting, value in ((_MMAP_THRESHOLD, _KEPT_BYTES), (_TRIM_THRESHOLD, 2 * _KEPT_BYTES), (_ARENA_MAX, 1)):
            mallopt(setting, value)


if sys.platform == "linux":
    _keep_pages()

ROOMS = (
    "extract.pipeline",
    "extract.look",
    "extract.output",
    "extract.rework",
    "extract.surface",
    "extract.steps",
    "extract.pattern.look",
    "extract.sheet.build_view",
)
LATE = ("ezdxf", "ezdxf.enums", "reportlab.pdfgen.canvas", "pillow_heif")
"""Libraries that only a few functions load."""


def warm_up() -> None:
    """Loads what a first photo needs, about a second's work."""
    for module in (*ROOMS, *LATE):
        import_module(module)


def warm_up_beside() -> None:
    """The same in a thread, where nothing has been loaded yet: decoding a photo and looking for cards leave the
    interpreter free."""
    if ROOMS[0] not in sys.modules:
        Thread(target=warm_up).start()
