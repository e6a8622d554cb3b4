"""How long the page keeps a maker waiting, on the demo's photo of 12 megapixels: python tests/bench/bench_page.py

A real browser gives the photo as a maker does. Timed, from the click to the words or the picture that it brings, asked
for every hundredth of a second: upload to the drawing surface, each step change, the preview of a step, the page map.
Beside it stands the CPU time that the server spent meanwhile (Linux), since a crowded machine stretches the clock.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import extract
from ui import server, shelf
from ui.pictures import browsing

TICKS = os.sysconf("SC_CLK_TCK")
ROUNDS = 3


def cpu_s(process: int) -> float:
    """User and system time of a process, all threads."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


class Watch:
    def __init__(self, process: int) -> None:
        self.process = process

    @contextmanager
    def timing(self, what: str) -> Iterator[None]:
        begun, used = time.perf_counter(), cpu_s(self.process)
        yield
        waited, spent = time.perf_counter() - begun, cpu_s(self.process) - used
        print(f"{what}: {waited:.2f} s, server's CPU {spent:.2f} s", flush=True)


def see(what: Any) -> None:
    """The driver's own waiting asks only every half second after a while."""
    while not what.first.is_visible():
        time.sleep(0.01)


def place_of(button: Any) -> tuple[float, float]:
    """Where to press it: what the driver looks at before it presses by itself is no maker's wait."""
    button.scroll_into_view_if_needed()
    box = button.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def upload(page: Any, watch: Watch) -> None:
    with watch.timing("upload to the photo with its lines"):
        page.locator("input[type=file]").first.set_input_files(str(extract.demo_photo()))
        see(page.get_by_role("button", name="Next: check the lines"))
    next_one = place_of(page.get_by_role("button", name="Next: check the lines"))
    with watch.timing("from there to the drawing surface"):
        page.mouse.click(*next_one)
        see(page.locator("canvas[data-view]"))


def change_steps(page: Any, watch: Watch) -> None:
    seen: dict[str, Callable[[], Any]] = {
        "Fit the pieces": lambda: page.get_by_role("button", name="Next: paper and foam"),
        "Paper and foam": lambda: page.get_by_role("button", name="Pattern to print (PDF)"),
        "Photo": lambda: page.get_by_role("button", name="Next: check the lines"),
        "Check the lines": lambda: page.locator("canvas[data-view]"),
    }
    for number in range(ROUNDS):
        for step, shown in seen.items():
            page.wait_for_timeout(1500)
            button = place_of(page.get_by_role("radio", name=step))
            with watch.timing(f"round {number + 1}, step change to “{step}”"):
                page.mouse.click(*button)
                see(shown())


def preview(page: Any, watch: Watch) -> None:
    page.get_by_role("radio", name="Fit the pieces").click()
    page.get_by_role("combobox", name="What do you want to change?").click()
    page.get_by_role("option", name="Edges: room and width").click()
    page.get_by_text("Leave a gap between neighbours", exact=True).click()
    page.wait_for_timeout(2000)
    page.get_by_role("combobox", name="Along these edges").click()
    option = page.get_by_role("option", name="p1:a,")
    option.wait_for()
    page.wait_for_timeout(500)
    with watch.timing("preview of a gap along an edge"):
        option.click()
        see(page.get_by_text("As it would be; nothing is done yet."))
    page.keyboard.press("Escape")
    for width in ("6", "4", "8"):
        page.wait_for_timeout(1000)
        page.get_by_label("Width of the gap").fill(width)
        with watch.timing(f"the same, {width} mm wide"):
            page.keyboard.press("Enter")
            see(page.locator(".figures").first.get_by_text(f"{width}.00 mm"))
    page.wait_for_timeout(1000)
    with watch.timing("the step done"):
        page.get_by_role("button", name="Do it", exact=True).click()
        see(page.get_by_text("Done: Leave a gap"))


def main() -> int:
    with tempfile.TemporaryDirectory() as cache:
        os.environ["TRUEPEEL_CACHE"] = cache
        work = shelf.new_work()
        port = server.free_port(8990)
        with server.serving(port) as child, browsing() as browser:
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            page.set_default_timeout(120_000)
            watch = Watch(child.pid)
            with watch.timing("first opening of the page"):
                page.goto(server.address(port, work.token))
                see(page.get_by_text("Add one or more photos"))
            upload(page, watch)
            change_steps(page, watch)
            preview(page, watch)
    return 0


if __name__ == "__main__":
    sys.exit(main())
