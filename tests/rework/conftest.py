"""The plain shell of all tests of this room."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from plain_shell import plain_shell

from extract.doors import Tracing


@pytest.fixture
def tracing() -> Tracing:
    return plain_shell()
