"""Twenty visitors at once: python tests/bench/bench_visitors.py [VISITORS [PHOTOS]]

Each has a work of their own open in a browser and takes a line out at the same moment. Told are how long the last one
waits for the panels, whether every list holds its visitor's own corrections and no other's, and the server's memory.
Then so many others (20) give the demo's photo at the same moment, each one a little larger than the other. Told are
when the last one's cards show and when all lines do, how many saw their place in the queue, the most memory the server
had, and whether every work holds its own photo and what was read from it.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from plain_shell import plain_shell

import extract
from ui import corrections, jobs, server, shelf
from ui.pictures import browsing

PATIENCE_MS = 180_000
LINES = ("s1", "s2", "s3", "s4")


def visitor(number: int) -> tuple[shelf.Work, str]:
    """A work with the plain shell read, and the line that its visitor is going to take out."""
    work = shelf.new_work()
    work.add_photo(f"shell-{number}.jpg", f"stands for photo {number}".encode())
    key = jobs.key_for(work, work.settings())
    work.ask(key)
    with work.filling(key) as folder:
        extract.write_surface(plain_shell(), folder)
        (folder / "report.json").write_text(json.dumps({"cards": [], "panels": []}), "utf-8")
    work.keep_step("lines")
    return work, LINES[number % len(LINES)]


def memory_mb(process: int) -> float:
    """Resident memory of a process and its children (Linux)."""
    total = 0
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            told = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
        except OSError:
            continue
        if process in (int(told["Pid"]), int(told["PPid"])):
            total += int(told.get("VmRSS", "0 kB").split()[0])
    return total / 1024


def peak_mb(process: int) -> float:
    """The most resident memory that a process has had (Linux)."""
    status = Path(f"/proc/{process}/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def give_photos(browser: Any, port: int, count: int, process: int) -> None:
    """Each in a browser of their own; the works must come to hold their own photos with the right number of panels."""
    photo = extract.demo_photo().read_bytes()
    works = [shelf.new_work() for _ in range(count)]
    pages = [browser.new_page(viewport={"width": 500, "height": 700}) for _ in works]
    for page, work in zip(pages, works, strict=True):
        page.goto(server.address(port, work.token))
        page.locator("input[type=file][multiple]").wait_for(state="attached", timeout=PATIENCE_MS)
    begun = time.perf_counter()
    for number, page in enumerate(pages):
        file = {"name": f"{number}.jpg", "mimeType": "image/jpeg", "buffer": photo + bytes(number)}
        page.locator("input[type=file][multiple]").set_input_files(file)
    looks, told = [], 0
    for page, number in zip(pages, range(count), strict=True):
        page.get_by_role("button", name=f"Remove {number}.jpg").wait_for(timeout=PATIENCE_MS)
        page.locator("[data-testid=stImage]").first.wait_for(timeout=count * PATIENCE_MS)
        looks.append(time.perf_counter() - begun)
    for page in pages:
        told += page.get_by_text("come first").or_(page.get_by_text("comes first")).count()
    for page in pages:
        page.get_by_role("button", name="Next: check the lines").wait_for(timeout=count * PATIENCE_MS)
    print(f"{told} of them see how many others come first, when all cards are shown")
    print(f"of {count} photos at once the last one's cards show after {max(looks):.1f} s, and all lines after", end=" ")
    print(f"{time.perf_counter() - begun:.1f} s; at most {peak_mb(process):.0f} MB")
    for number, work in enumerate(works):
        (kept,) = work.photos()
        report = jobs.result(work, jobs.key_for(work, work.settings()))
        assert kept.name == f"{number}.jpg" and work.photo_size(kept) == len(photo) + number
        assert isinstance(report, dict) and [told["file"] for told in report["photos"]] == [kept.name]
    print("every work holds its own visitor's photo and what was read from it")


def main(count: int, photos: int) -> None:
    with tempfile.TemporaryDirectory() as cache:
        os.environ["TRUEPEEL_CACHE"] = cache
        visitors = [visitor(number) for number in range(count)]
        port = server.free_port(8970)
        with server.serving(port) as child, browsing() as browser:
            pages = []
            before = memory_mb(child.pid)
            begun = time.perf_counter()
            for work, _ in visitors:
                page = browser.new_page(viewport={"width": 500, "height": 700})
                page.goto(server.address(port, work.token))
                pages.append(page)
            for page in pages:
                page.locator("canvas[data-view]").wait_for(timeout=PATIENCE_MS)
            print(f"{count} pages open after {time.perf_counter() - begun:.1f} s")
            for page, (_, line) in zip(pages, visitors, strict=True):
                page.get_by_text("All lines and panels as a list").click()
                page.get_by_role("button", name=f"Line {line[1]}:").click()
            begun, waits = time.perf_counter(), []
            for page in pages:
                page.get_by_role("button", name="Take it out").click()
            for page in pages:
                page.get_by_text("and 3 lines").wait_for(timeout=PATIENCE_MS)
                page.wait_for_function(
                    "() => !Object.keys(localStorage).some(name => name.startsWith('truepeel-acts'))",
                    timeout=PATIENCE_MS,
                )
                waits.append(time.perf_counter() - begun)
            print(f"the last of {count} edits made at once was kept after {max(waits):.1f} s")
            print(f"the server's memory: {before:.0f} MB before, {memory_mb(child.pid):.0f} MB after")
            for page in pages:
                page.close()
            give_photos(browser, port, photos, child.pid)
        for work, line in visitors:
            done = corrections.read(work, jobs.key_for(work, work.settings())).done
            assert [told["stroke"] for told in done] == [line], f"{work.token} holds {done}"
        print("every list holds its own visitor's correction and no other")


if __name__ == "__main__":
    told = [int(number) for number in sys.argv[1:]]
    main(*(told + [20, 20][len(told) :]))
