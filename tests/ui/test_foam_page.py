"""The foam half of the last step by Streamlit's own driver: the plan, packed closer on request, kept as shown."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

import extract
from ui import builds, foam_bench, jobs, shelf

PATIENCE_S = 60
ROOT = Path(__file__).resolve().parents[2]
SHEET = "1000x500x6:1@8.50"
PRESS = "Pack the parts closer"


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read_shell: Callable[[Path], shelf.Work]) -> shelf.Work:
    """A visitor with two pieces of 100 × 100 mm and a sheet that takes both."""
    monkeypatch.setenv("TRUEPEEL_CACHE", str(tmp_path))
    work = read_shell(shelf.home())
    work.keep_step("paper")
    work.keep_sheets([SHEET])
    return work


@pytest.fixture
def closer(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Packing closer at once, as if something had been won; the seconds it was given."""
    given: list[float] = []

    def at_once(plan: Any, sheets: Any, seconds: float, progress: Any = None) -> Any:
        given.append(seconds)
        (sheet,) = plan.sheets
        moved = [replace(one, corner_mm=(one.corner_mm[0] / 2, one.corner_mm[1])) for one in sheet.placed]
        return replace(plan, sheets=(replace(sheet, placed=tuple(moved)),), closer_s=seconds)

    monkeypatch.setattr(extract, "closer_foam_plan", at_once)
    return given


def opened(work: shelf.Work) -> AppTest:
    """The page at the address of that work, as a first visit or a reload finds it."""
    page = AppTest.from_file(str(ROOT / "ui" / "app.py"), default_timeout=PATIENCE_S)
    page.query_params["work"] = work.token
    return page.run()


def labels(page: AppTest) -> list[str]:
    return [button.label for button in page.button]


def press(page: AppTest, label: str) -> AppTest:
    return next(button for button in page.button if button.label == label).click().run()


def told(page: AppTest) -> str:
    """Without the strokes that keep Markdown's signs from counting as such."""
    return "\n".join(str(each.value) for kind in (page.markdown, page.caption) for each in kind).replace("\\", "")


def laid(work: shelf.Work) -> AppTest:
    page = press(opened(work), "Lay the parts on the sheets")
    assert not page.exception
    return page


def plans(work: shelf.Work) -> dict[str, bytes]:
    """All that was written down of foam plans, by file."""
    folders = [folder for folder in work.folder.glob("result-*") if (folder / foam_bench.PLAN).is_file()]
    return {str(path): path.read_bytes() for folder in folders for path in folder.iterdir()}


def test_packing_closer_is_offered_once_there_is_a_plan(work: shelf.Work, closer: list[float]) -> None:
    assert PRESS not in labels(opened(work))
    page = laid(work)
    assert PRESS in labels(page)
    assert "takes up to 30 s and may save a sheet" in told(page)
    assert closer == []


def test_what_was_packed_closer_is_shown_with_what_it_was_good_for(work: shelf.Work, closer: list[float]) -> None:
    page = press(laid(work), PRESS)
    assert not page.exception
    assert closer == [foam_bench.CLOSER_S]
    assert "Packed closer:" in told(page)
    assert PRESS not in labels(page)


def test_it_is_packed_for_real(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(foam_bench, "CLOSER_S", 1)
    page = press(laid(work), PRESS)
    assert not page.exception
    assert "Packed closer:" in told(page) or "No closer way was found" in told(page)


def test_a_reload_neither_loses_nor_changes_it(work: shelf.Work, closer: list[float]) -> None:
    press(laid(work), PRESS)
    before = plans(work)
    page = opened(work)
    assert "Packed closer:" in told(page)
    assert PRESS not in labels(page)
    assert plans(work) == before
    assert len(closer) == 1


def test_many_later_files_do_not_push_it_out(work: shelf.Work, closer: list[float]) -> None:
    press(laid(work), PRESS)
    for number in range(shelf.RESULTS_KEPT + 2):
        with work.filling(f"later{number}") as folder:
            (folder / "report.json").write_text("{}", "utf-8")
    page = opened(work)
    assert "Packed closer:" in told(page)
    assert len(closer) == 1


def test_the_print_is_made_from_the_plan_that_is_shown(work: shelf.Work, closer: list[float]) -> None:
    pypdf = pytest.importorskip("pypdf")
    page = press(laid(work), PRESS)
    folder = next(
        path.parent for path in work.folder.glob(f"result-*/{foam_bench.PLAN}") if json.loads(path.read_text())["gain"]
    )
    (_, rows), *_ = json.loads((folder / foam_bench.PLAN).read_text())["sheets"]
    text = "".join(each.extract_text() for each in pypdf.PdfReader(folder / "foam-plan.pdf").pages)
    assert "packed closer for up to 30 s" in " ".join(text.split())
    assert len(rows) == 2
    for row in rows:
        assert row["From the left"].removesuffix(" mm") in text
    assert "Cutting plan to print (PDF)" in [each.label for each in page.get("download_button")]


@pytest.mark.parametrize("change", ["sheets", "pieces"])
def test_other_sheets_or_pieces_begin_with_the_plain_plan(work: shelf.Work, closer: list[float], change: str) -> None:
    press(laid(work), PRESS)
    if change == "sheets":
        work.keep_sheets(["600x400x6:1"])
    else:
        builds.change(work, jobs.key_for(work, work.settings()), "copies", {"piece": "all", "how": "pair"})
    page = opened(work)
    assert "Packed closer:" not in told(page)
    page = press(page, "Lay the parts on the sheets")
    assert "Packed closer:" not in told(page)
    assert PRESS in labels(page)


def test_nothing_won_is_said_and_the_plan_stays(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(extract, "closer_foam_plan", lambda plan, *_: plan)
    page = press(laid(work), PRESS)
    assert "No closer way was found" in told(page)
    assert PRESS not in labels(page)


def test_a_fault_leaves_the_plain_plan(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any) -> Any:
        raise extract.CannotContinue("foam", "What packs parts closer is not installed.", "Install Truepeel anew.")

    monkeypatch.setattr(extract, "closer_foam_plan", fail)
    page = press(laid(work), PRESS)
    assert "not installed" in "".join(str(each.value) for each in page.error)
    assert "Buy" in told(page) or "Nothing to buy" in told(page)


def until(done: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not done():
        assert time.monotonic() < deadline
        time.sleep(0.01)


@pytest.fixture
def second(work: shelf.Work, read_shell: Callable[[Path], shelf.Work]) -> shelf.Work:
    return read_shell(shelf.home())


def test_no_photo_waits_for_what_is_packed_aside(work: shelf.Work, second: shelf.Work) -> None:
    go = threading.Event()
    aside = jobs.start_aside(work, "1" * 64, lambda folder, tell: go.wait(PATIENCE_S) and None)  # type: ignore[func-returns-value]
    try:
        assert not jobs.busy()
        other = jobs.start_making(second, "2" * 64, lambda folder, tell: None)
        assert other.over.wait(PATIENCE_S)
        assert not aside.over.is_set()
        assert jobs.under_way(work, "1" * 64) is aside
        queued = jobs.start_aside(second, "3" * 64, lambda folder, tell: None)
        assert jobs.before(queued) == 1
    finally:
        go.set()
    assert queued.over.wait(PATIENCE_S)
    assert jobs.under_way(work, "1" * 64) is None


def test_another_plan_calls_off_the_one_under_way(work: shelf.Work) -> None:
    def wait(folder: Path, tell: jobs.Tell | None) -> None:
        while tell is not None:
            tell("packing", 0.5)
            time.sleep(0.01)

    first = jobs.start_aside(work, "1" * 64, wait)
    until(lambda: first.doing == "packing")
    second = jobs.start_aside(work, "2" * 64, lambda folder, tell: None)
    assert second.over.wait(PATIENCE_S)
    assert first.over.is_set()
    assert first.failed is None
    assert not work.result("1" * 64).exists()


def test_a_reload_meanwhile_finds_it_going_on(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    go, given = threading.Event(), []

    def slowly(plan: Any, sheets: Any, seconds: float, progress: Any = None) -> Any:
        given.append(seconds)
        assert go.wait(PATIENCE_S)
        return replace(plan, closer_s=seconds)

    monkeypatch.setattr(extract, "closer_foam_plan", slowly)
    laid(work)
    pressing = threading.Thread(target=lambda: press(opened(work), PRESS))
    pressing.start()
    until(lambda: bool(given))
    reloading: list[AppTest] = []
    again = threading.Thread(target=lambda: reloading.append(opened(work)))
    again.start()
    time.sleep(0.5)
    go.set()
    pressing.join(PATIENCE_S)
    again.join(PATIENCE_S)
    assert given == [foam_bench.CLOSER_S]
    assert PRESS not in labels(reloading[0])
    assert "Packed closer" in told(reloading[0])
