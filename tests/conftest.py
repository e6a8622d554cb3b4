"""What every room's tests may lean on."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# One commit gives one answer: property tests draw the same examples on every run, and how long that takes on a busy
# machine is no fault.
settings.register_profile(
    "same-every-time", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("same-every-time")

ROOT = Path(__file__).resolve().parent.parent
SHARED = Path(os.environ.get("TRUEPEEL_SHARED", ROOT.parent / "shared"))


@pytest.fixture(scope="session")
def root() -> Path:
    return ROOT


@pytest.fixture(scope="session")
def shared_photos() -> Path:
    """Path-traced photos with exact truth, kept beside the checkout; skip with a reason where they are not."""
    folder = SHARED / "photos"
    if not folder.is_dir():
        pytest.skip(f"no scene photos at {folder}")
    return folder


@pytest.fixture(scope="session")
def shared_real() -> Path:
    """Real camera photos with known geometry, kept beside the checkout; skip with a reason where they are not."""
    folder = SHARED / "real"
    if not folder.is_dir():
        pytest.skip(f"no real photos at {folder}")
    return folder
