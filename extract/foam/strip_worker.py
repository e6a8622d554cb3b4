"""A program of its own around the strip packing library: a request as JSON on its standard input, every shorter strip
as a line of JSON on its standard output.

It stands by itself, without the rest of the package, so that it starts in no time; whoever started it may end it at any
moment, which the library offers no way to do, and a panic of the library ends no more than this.
"""

from __future__ import annotations

import json
import sys
import threading
from typing import Any

import spyrrow

_PAUSE_S = 0.05
PANIC = 2
"""How it ends when the library takes the parts for impossible."""


def main() -> int:
    try:
        return _work(json.loads(sys.stdin.readline()))
    except Exception:
        raise
    except BaseException:  # the library's panics are no Exceptions
        return PANIC


def _work(asked: dict[str, Any]) -> int:
    strip = spyrrow.StripPackingInstance("", asked["height"], [_item(k, one) for k, one in enumerate(asked["items"])])
    config = spyrrow.StripPackingConfig(
        total_computation_time=None,
        exploration_time=asked["explore"],
        compression_time=asked["compress"],
        num_workers=1,
        seed=asked["seed"],
    )
    queue, over = spyrrow.ProgressQueue(), threading.Event()
    threading.Thread(target=_solve, args=(strip, config, queue, over), daemon=True).start()
    shortest = float("inf")
    while True:
        last = over.wait(_PAUSE_S)
        whole = [found for kind, found in queue.drain() if _is_whole(kind)]
        best = min(whole, key=lambda found: found.width, default=None)
        if best is not None and best.width < shortest:
            shortest = best.width
            print(json.dumps(_told(best)), flush=True)
        if last:
            return 0


def _item(number: int, asked: dict[str, Any]) -> spyrrow.Item:
    return spyrrow.Item(str(number), [(x, y) for x, y in asked["points"]], asked["count"], asked["turns"])


def _solve(strip: Any, config: Any, queue: Any, over: threading.Event) -> None:
    try:
        strip.solve(config, queue)
    finally:
        over.set()


def _is_whole(kind: spyrrow.ReportType) -> bool:
    """Whether no two parts overlap in what is reported."""
    return kind in (spyrrow.ReportType.ExplFeas, spyrrow.ReportType.CmprFeas, spyrrow.ReportType.Final)


def _told(found: spyrrow.StripPackingSolution) -> dict[str, Any]:
    return {
        "length": found.width,
        "places": [[int(one.id), one.rotation, *one.translation] for one in found.placed_items],
    }


if __name__ == "__main__":
    sys.exit(main())
