"""How quickly the drawing surface answers: python tests/bench/bench_surface.py

A real browser opens a shell with 300 invented strokes. A drag is timed from the pointer's event to the end of the
drawing that shows it; an edit, from the click to the panels cut anew; a step change, from the click to its words.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from plain_shell import plain_shell, stroke

import extract
from ui import jobs, server, shelf
from ui.pictures import browsing

STROKES = 300
TIMED = """
() => {
  window.waits = [];
  const canvas = document.querySelector('[data-testid=stBidiComponentIsolated]').shadowRoot.querySelector('canvas');
  let moved = null;
  canvas.addEventListener('pointermove', () => { moved ??= performance.now(); }, true);
  new MutationObserver(() => {
    // Reading a pixel back makes the browser draw for real before the clock is read.
    canvas.getContext('2d').getImageData(0, 0, 1, 1);
    if (moved !== null) window.waits.push(performance.now() - moved);
    moved = null;
  }).observe(canvas, { attributes: true, attributeFilter: ['data-view'] });
}
"""


def busy_shell() -> extract.Tracing:
    """The plain shell with 300 wavy guide lines and a noisy 2600 px picture."""
    plain = plain_shell()
    wave = np.linspace(0, 60, 240)
    lines = [
        stroke(f"s{n + 10}", np.stack([130 + wave, 3 + 94 * n / STROKES + np.sin(wave / 3 + n)], axis=1), "red")
        for n in range(STROKES)
    ]
    pixels = np.random.default_rng(3).integers(90, 200, (1560, 2600, 3), dtype=np.uint8)
    flat = replace(plain.flat, pixels=pixels, mm_per_px=240 / 2600, origin_mm=(-20.0, -20.0))
    return replace(plain, strokes=(*plain.strokes, *lines), flat=flat)


def main() -> None:
    with tempfile.TemporaryDirectory() as cache:
        os.environ["TRUEPEEL_CACHE"] = cache
        work = shelf.new_work()
        work.add_photo("shell.jpg", b"stands for a photo")
        key = jobs.key_for(work, work.settings())
        work.ask(key)
        with work.filling(key) as folder:
            extract.write_surface(busy_shell(), folder)
            (folder / "report.json").write_text(json.dumps({"cards": [], "panels": []}), "utf-8")
        work.keep_step("lines")
        port = server.free_port(8950)
        with server.serving(port), browsing() as browser:
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            begun = time.perf_counter()
            page.goto(server.address(port, work.token))
            page.locator("canvas[data-view]").wait_for()
            print(f"opened in {time.perf_counter() - begun:.2f} s, picture {(folder_size(work, key)) / 1e6:.1f} MB")
            page.wait_for_timeout(1500)
            drag(page)
            edit(page)
            change_step(page)


def folder_size(work: shelf.Work, key: str) -> int:
    return (work.result(key) / "flat.jpg").stat().st_size


def drag(page: object) -> None:
    page.evaluate(TIMED)
    canvas = page.locator("canvas.view")
    scale, left, top = map(float, canvas.get_attribute("data-view").split())
    box = canvas.bounding_box()

    def at(x: float, y: float) -> tuple[float, float]:
        return box["x"] + x * scale + left, box["y"] + y * scale + top

    page.mouse.click(*at(100, 30))
    page.mouse.move(*at(100, 30))
    page.mouse.down()
    for step in range(120):
        page.mouse.move(*at(100 + 10 * np.sin(step / 9), 30))
    page.mouse.up()
    waits = sorted(page.evaluate("window.waits"))
    most = waits[int(0.95 * len(waits))]
    print(
        f"a drag shows after {statistics.median(waits):.1f} ms (median), {most:.1f} ms (95 %), worst {waits[-1]:.1f} ms"
    )


def edit(page: object) -> None:
    page.wait_for_timeout(3000)
    begun = time.perf_counter()
    page.get_by_role("button", name="Take it out").click()
    page.get_by_text("200.0 cm²").first.wait_for()
    print(f"panels cut anew after {time.perf_counter() - begun:.2f} s")


def change_step(page: object) -> None:
    page.wait_for_timeout(1000)
    begun = time.perf_counter()
    page.get_by_role("radio", name="Fit the pieces").click()
    page.get_by_role("button", name="Next: paper and foam").wait_for()
    print(f"a step changes in {time.perf_counter() - begun:.2f} s")


if __name__ == "__main__":
    main()
