"""How heavy libraries load: what they are told before, and loading them before or beside other work.

This comes before NumPy, which asks once.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from threading import Thread

# Matrices are small here, so that threads of the linear algebra would wait for one another longer than they compute
# (a seventh of all processor time), and sums would depend on how many there are.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

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
