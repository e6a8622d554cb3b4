"""Make the README's pictures anew: python -m ui.pictures [FOLDER]

Traces the demo and saves its photo, the overlay, the first printed pages and every step of the page as a browser shows
it. Needs the test tools and a Chromium.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image

import extract
from ui import builds, flow, jobs, server, shelf

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

FOLDER = Path("testdata") / "pictures"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
# No sandbox: this may run as root. The rest keeps the browser from calling home.
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
WIDTH_PX = 1200
PAGES_SHOWN = 3
SETTLED_MS = 1500


def browser_path() -> str | None:
    """The first browser found that the page can be tried in."""
    return next(filter(None, map(shutil.which, BROWSERS)), None)


@contextmanager
def browsing() -> Iterator[Browser]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=browser_path(), args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


def save(picture: Image.Image, path: Path) -> None:
    picture.thumbnail((WIDTH_PX, 4 * WIDTH_PX))
    into = io.BytesIO()
    picture.convert("RGB").save(into, "JPEG", quality=82, optimize=True)
    extract.write_whole(path, into.getvalue())


def printed_pages(pdf: bytes) -> Image.Image:
    """The first pages side by side, on grey so that their edges show."""
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    pages = [document[index].render(scale=1.2).to_pil() for index in range(min(PAGES_SHOWN, len(document)))]
    gap = 20
    width = sum(page.width for page in pages) + gap * (len(pages) + 1)
    desk = Image.new("RGB", (width, max(page.height for page in pages) + 2 * gap), (126, 132, 138))
    left = gap
    for page in pages:
        desk.paste(page, (left, gap))
        left += page.width + gap
    return desk


def screenshots(token: str) -> Iterator[tuple[str, Image.Image]]:
    """Every step of the page by its name, the demo traced."""
    port = server.free_port()
    with server.serving(port), browsing() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 1100})
        page.goto(server.address(port, token))
        for name, title in flow.STEPS.items():
            page.get_by_role("radio", name=title).click()
            page.get_by_role("radio", name=title, checked=True).wait_for()
            page.wait_for_timeout(SETTLED_MS)
            page.wait_for_function("() => !document.querySelector('[data-stale=true]')")
            if name == "lines":
                show_a_line(page)
            if name == "paper":
                page.get_by_role("button", name="Pattern to print (PDF)").wait_for()
                page.wait_for_timeout(SETTLED_MS)
            yield name, Image.open(io.BytesIO(page.screenshot()))


def show_a_line(page: Page) -> None:
    """The drawing surface with a line chosen, as it is after a tap."""
    page.locator("canvas.view").press("n")
    page.wait_for_timeout(SETTLED_MS)


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    work = shelf.new_work()
    photo = extract.demo_photo()
    work.add_photo(photo.name, photo.read_bytes())
    jobs.trace_now(work, work.settings())
    key = jobs.key_for(work, work.settings())
    result = work.result(key)
    save(Image.open(photo), folder / "photo.jpg")
    save(Image.open(result / "overlay.jpg"), folder / "overlay.jpg")
    project, _ = builds.current(work, key)
    save(printed_pages(extract.print_files(project)["pattern.pdf"]), folder / "paper.jpg")
    for name, picture in screenshots(work.token):
        save(picture, folder / f"page-{name}.jpg")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as cache:
        os.environ["TRUEPEEL_CACHE"] = cache
        main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
