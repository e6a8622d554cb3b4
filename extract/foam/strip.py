"""Outlines laid on a strip of a given height and as short as the time allows, by a library for strip packing (spyrrow).

The library is bound to the clock and cannot be stopped, so it works in a process of its own, ``strip_worker.py``, which
is ended once what it found will do, the time is up, or whoever waits wants no more.
"""

from __future__ import annotations

import contextlib
import json
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import IO, Any

from extract.doors import Array

_WORKER = Path(__file__).with_name("strip_worker.py")
_FAULT = 1
"""How Python ends a program with an exception that nobody took."""
_PAUSE_S = 0.1
_COMPRESSED_SHARE = 0.2
"""So much of the time goes to pressing together what was found, as the library's own default has it."""


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed polygon (N, 2) in mm that ``count`` items have, and by how many degrees each may be turned."""

    points: Array
    count: int
    turns: tuple[float, ...]


@dataclass(frozen=True)
class Place:
    """An item of the outline ``kind``, turned about the origin (x towards y), then moved by ``shift_mm``."""

    kind: int
    turn_deg: float
    shift_mm: tuple[float, float]


@dataclass(frozen=True)
class Strip:
    """All items without an overlap on ``length_mm`` of the strip."""

    length_mm: float
    places: tuple[Place, ...]


def shortest_strip(
    outlines: Sequence[Outline],
    height_mm: float,
    until: float,
    enough_mm: float,
    seed: int,
    tick: Callable[[], None],
) -> Strip | None:
    """The shortest strip of ``height_mm`` found until the monotonic clock says ``until``; the first that is no longer
    than ``enough_mm`` ends the search. None where nothing was found.

    ``tick`` is called several times a second and may raise to call the search off. How short the strip gets depends on
    how busy the machine is: the same call may answer differently another time.
    """
    left = until - time.monotonic()
    if left <= 0 or not outlines:
        return None
    worker = subprocess.Popen(
        [sys.executable, str(_WORKER)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert worker.stdin is not None and worker.stdout is not None
    lines: queue.Queue[bytes] = queue.Queue()
    reader = threading.Thread(target=_read, args=(worker.stdout, lines), daemon=True)
    reader.start()
    try:
        _tell(worker.stdin, _request(outlines, height_mm, left, seed))
        found, ended = _best_of(lines, until, enough_mm, tick)
        if ended and worker.wait() == _FAULT:
            raise RuntimeError("the program around the strip packing library ended by a fault of its own")
        return found
    finally:
        worker.kill()
        worker.wait()
        reader.join()
        worker.stdout.close()


def _request(outlines: Sequence[Outline], height_mm: float, seconds: float, seed: int) -> bytes:
    compress = max(1, round(_COMPRESSED_SHARE * seconds))
    asked = {
        "height": height_mm,
        "items": [{"points": one.points.tolist(), "count": one.count, "turns": list(one.turns)} for one in outlines],
        "explore": max(1, ceil(seconds) - compress),
        "compress": compress,
        "seed": seed,
    }
    return json.dumps(asked).encode("ascii") + b"\n"


def _tell(pipe: IO[bytes], request: bytes) -> None:
    # A worker that could not even start is heard of by the end of its lines.
    with contextlib.suppress(OSError), pipe:
        pipe.write(request)


def _best_of(
    lines: queue.Queue[bytes], until: float, enough_mm: float, tick: Callable[[], None]
) -> tuple[Strip | None, bool]:
    """The shortest strip told of, and whether no more can come."""
    best: Strip | None = None
    while (left := until - time.monotonic()) > 0:
        tick()
        try:
            line = lines.get(timeout=min(_PAUSE_S, left))
        except queue.Empty:
            continue
        if not line.endswith(b"\n"):
            return best, True
        best = _strip(json.loads(line))
        if best.length_mm <= enough_mm:
            break
    return best, False


def _read(pipe: IO[bytes], lines: queue.Queue[bytes]) -> None:
    """Hands every line on; an empty one is the end."""
    for line in iter(pipe.readline, b""):
        lines.put(line)
    lines.put(b"")


def _strip(told: dict[str, Any]) -> Strip:
    places = (Place(int(kind), float(turn), (float(x), float(y))) for kind, turn, x, y in told["places"])
    return Strip(float(told["length"]), tuple(places))
