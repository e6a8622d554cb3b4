"""What several commands read from their arguments and show while they work."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable

_DAY_S = 86_400


def length(text: str) -> float:
    """A length in millimetres; a decimal comma will do."""
    try:
        value = float(text.strip().removesuffix("mm").replace(",", "."))
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= 0):
        raise argparse.ArgumentTypeError(f"'{text}' is no length in millimetres")
    return value


def seconds(text: str) -> float:
    """A time in seconds, of which there are at most a day's."""
    try:
        value = float(text.strip().removesuffix("s").replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0 <= value <= _DAY_S:
        raise argparse.ArgumentTypeError(f"'{text}' is no time in seconds")
    return value


def progress_line() -> Callable[[str, float], None] | None:
    """One line that rewrites itself on a terminal; nothing where the words go into a file."""
    if not sys.stderr.isatty():
        return None

    def show(doing: str, share: float) -> None:
        end = "\n" if share >= 1 else ""
        print(f"\r\x1b[K{share:4.0%}  {doing}", end=end, file=sys.stderr, flush=True)

    return show
