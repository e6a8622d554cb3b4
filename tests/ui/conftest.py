"""A front door that answers at once, for tests of what the page and the command line do with its answers."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

import extract
from ui import jobs, server, shelf
from ui.pictures import BROWSERS, browser_path, browsing

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from plain_shell import plain_shell

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

ANSWER_MS = 60_000
"""An answer takes well below a second; a crowded machine several times that."""

# Invented figures; a 1 × 1 px picture and empty files stand for the outputs.
REPORT: dict[str, Any] = {
    "format": "truepeel-report/1",
    "units": "mm",
    "photos": [{"file": "shell.jpg", "width_px": 4000, "height_px": 3000, "focal_px": 3000.0}],
    "cards": [
        {"family": "A4", "number": 0, "corners_found": 40, "rms_px": 0.114, "photo": 0},
        {"family": "small", "number": 2, "corners_found": 12, "rms_px": 0.2, "photo": 0},
    ],
    "plane": {"sigma_mm": {"median": 0.08, "worst": 0.21}},
    "panels": [
        {"id": "p1", "area_mm2": 12345.6, "perimeter": 512.34, "sigma": 0.126},
        {"id": "p2", "area_mm2": 850.0, "perimeter": 120.0, "sigma": 0.2},
    ],
    "warnings": [
        {"code": "one-sided", "message": "All cards lie on one side; a card on each side is truer."},
        {"code": "bars-not-measured", "message": "Give --bar-long and --bar-short."},
    ],
}
LOOK: dict[str, Any] = {
    "photos": [{"file": "shell.jpg", "cards": REPORT["cards"], "placed": True, "refusal": None}],
    "refusal": None,
    "shell": True,
    "sigma_mm": 0.08,
    "said": ["One more A4 card lying above the shell would help."],
}
OUTPUTS = ("pattern.pdf", "pattern.svg", "pattern.dxf", "report.json", "pattern.truepeel")


class FakeDoor:
    """Counts its calls; ``fail`` is raised instead of an answer, ``wait`` is called in the middle of the work."""

    report, look = REPORT, LOOK

    def __init__(self) -> None:
        self.seen: list[tuple[Any, Any]] = []
        self.looks: list[Any] = []
        self.fail: BaseException | None = None
        self.wait: Callable[[], object] = lambda: None

    def see_table(self, sources: Any, settings: Any, progress: Any = None) -> Any:
        return SimpleNamespace(sources=sources, settings=settings, seen=(), check=lambda: None)

    def trace_table(self, table: Any, progress: Any = None) -> Any:
        self.seen.append((table.sources, table.settings))
        if progress:
            progress("finding the cards", 0.3)
        self.wait()
        if self.fail:
            raise self.fail
        if progress:
            progress("done", 1.0)
        return REPORT

    def write_outputs(self, tracing: Any, folder: Path) -> tuple[Path, ...]:
        folder.mkdir(parents=True, exist_ok=True)
        for name in OUTPUTS:
            text = json.dumps(tracing) if name == "report.json" else f"the {name}"
            (folder / name).write_text(text, "utf-8")
        return tuple(folder / name for name in OUTPUTS)

    def photo_files(self, tracing: Any) -> dict[str, bytes]:
        return {name: (json.dumps(tracing) if name == "report.json" else f"the {name}").encode() for name in OUTPUTS}

    def look_over(self, table: Any, advise: bool = True) -> Any:
        self.looks.append(table.sources)
        return SimpleNamespace(found=LOOK, pictures=[None] * len(table.sources))

    def write_surface(self, tracing: Any, folder: Path) -> Any:
        """No lines to correct come with invented figures."""


@pytest.fixture
def door(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> FakeDoor:
    """The front door replaced by one that answers at once, and a shelf of the test's own."""
    fake = FakeDoor()
    monkeypatch.setenv("TRUEPEEL_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(extract, "see_table", fake.see_table, raising=False)
    monkeypatch.setattr(extract, "trace_table", fake.trace_table, raising=False)
    monkeypatch.setattr(extract, "write_outputs", fake.write_outputs, raising=False)
    monkeypatch.setattr(extract, "photo_files", fake.photo_files, raising=False)
    monkeypatch.setattr(extract, "look_over", fake.look_over, raising=False)
    monkeypatch.setattr(extract, "write_surface", fake.write_surface, raising=False)
    return fake


@pytest.fixture
def read_shell() -> Callable[[Path], shelf.Work]:
    """Makes a visitor below the folder given, whose photo has been read: the plain shell of 200 × 100 mm, cut in two by
    line 1."""

    def make(home: Path) -> shelf.Work:
        home.mkdir(parents=True, exist_ok=True)
        work = shelf.new_work(home)
        work.add_photo("shell.jpg", b"stands for a photo")
        key = jobs.key_for(work, work.settings())
        work.ask(key)
        with work.filling(key) as folder:
            extract.write_surface(plain_shell(), folder)
            (folder / "report.json").write_text(json.dumps({"cards": [], "panels": []}), "utf-8")
        return work

    return make


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if browser_path() is None:
        pytest.skip(f"no browser here: none of {', '.join(BROWSERS)} is installed")
    with ExitStack() as stack:
        try:
            running = stack.enter_context(browsing())
        # The driver raises plain exceptions too, as where one of its libraries is missing.
        except Exception as error:
            pytest.skip(f"the browser {browser_path()} does not start here: {str(error).splitlines()[0]}")
        yield running


@pytest.fixture(scope="session")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the served page keeps its visitors' work."""
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="session")
def port(cache: Path) -> Iterator[int]:
    """The page in a server of its own, for tests in a browser."""
    found = server.free_port(8900)
    with ExitStack() as stack:
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("TRUEPEEL_CACHE", str(cache))
            stack.enter_context(server.serving(found))
        yield found


@pytest.fixture
def address(port: int) -> str:
    return server.address(port)


@pytest.fixture
def opened(browser: Browser, port: int, work: shelf.Work) -> Iterator[Callable[..., Page]]:
    """Opens the page of the test's own ``work``, at the lines or the pieces; at the end no script may have failed."""
    contexts, faults = [], []

    def at(width: int, **more: Any) -> Page:
        context = browser.new_context(viewport={"width": width, "height": 900}, **more)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(ANSWER_MS)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(server.address(port, work.token))
        page.locator("canvas[data-view], .st-key-to-paper").first.wait_for()
        return page

    yield at
    for context in contexts:
        context.close()
    assert faults == []
