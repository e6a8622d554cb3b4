"""What the C library does with big arrays, by its own count (mallinfo2(3), glibc 2.33 and later)."""

from __future__ import annotations

import ctypes
import platform
import subprocess
import sys

import pytest

PROGRAM = """
import ctypes
import extract, numpy

class Info(ctypes.Structure):
    _fields_ = [(name, ctypes.c_size_t) for name in
                "arena ordblks smblks hblks hblkhd usmblks fsmblks uordblks fordblks keepcost".split()]

info = ctypes.CDLL(None).mallinfo2
info.restype = Info
before = info().hblks
picture = numpy.ones((2000, 1800, 3), numpy.float32)
print(info().hblks - before)
"""


@pytest.mark.skipif(
    platform.libc_ver()[0] != "glibc" or not hasattr(ctypes.CDLL(None), "mallinfo2"), reason="another C library"
)
def test_a_picture_takes_memory_that_is_kept() -> None:
    """43 MB in a mapping of their own would be given back and zeroed anew for each picture."""
    told = subprocess.run([sys.executable, "-c", PROGRAM], check=True, capture_output=True, text=True)

    assert told.stdout.strip() == "0"
