"""The page by Streamlit's own test driver: what a maker reads, chooses and gets back after a reload."""

from __future__ import annotations

import json
import shutil
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from shown import tables
from streamlit.testing.v1 import AppTest

import extract
from ui import jobs, shelf, step_photo, words

# The driver runs the script once for every step; a slow machine needs more than its three seconds.
PATIENCE_S = 60


@pytest.fixture
def page(door: Any, root: Path) -> AppTest:
    return AppTest.from_file(str(root / "ui" / "app.py"), default_timeout=PATIENCE_S)


def reloaded(page: AppTest, root: Path) -> AppTest:
    """A new session at the same address, as a reload makes."""
    anew = AppTest.from_file(str(root / "ui" / "app.py"), default_timeout=PATIENCE_S)
    anew.query_params["work"] = page.query_params["work"]
    return anew.run()


def work_of(page: AppTest) -> shelf.Work:
    token = page.query_params["work"]
    work = shelf.open_work(token[0] if isinstance(token, list) else token)
    assert work is not None
    return work


def with_photo(page: AppTest, name: str = "shell.jpg", data: bytes = b"photo") -> AppTest:
    """The page with a photo given and read."""
    page.run()
    page.file_uploader[0].set_value([(name, data, "image/jpeg")]).run()
    return page


def until(done: Callable[[], bool]) -> None:
    """Waits for what another thread does."""
    deadline = time.monotonic() + PATIENCE_S
    while not done():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def step(page: AppTest, name: str) -> AppTest:
    page.session_state["go"] = name
    return page.run()


def downloads(page: AppTest) -> list[str]:
    return [str(getattr(button, "label", "")) for button in page.get("download_button")]


def words_on(page: AppTest) -> str:
    kinds = (page.markdown, page.caption, page.warning, page.error, page.info, page.text, page.header, page.subheader)
    return "\n".join(str(element.value) for kind in kinds for element in kind)


def test_the_first_visit_explains_itself(page: AppTest) -> None:
    page.run()
    assert not page.exception
    assert [title.value for title in page.title] == ["Truepeel"]
    assert "Lay a printed scale card on each side" in words_on(page)
    assert "not protective equipment" in words_on(page)
    assert next(button for button in page.button if button.label == "Trace the pattern").disabled


def test_measuring_the_bars_is_asked_for_once() -> None:
    plain = {"code": "bars-not-measured", "message": "Measure the bars."}
    gain = {"code": "ruler-advice", "message": "A ruler would bring the ± from 0.2 to 0.1 mm."}
    told = words.warning_lines(step_photo.told_once({"warnings": [plain, gain]}))
    assert told == ["A ruler would bring the ± from 0.2 to 0.1 mm. Fill in what it says under “What you measured”."]
    assert words.warning_lines(step_photo.told_once({"warnings": [plain]})) == ["Measure the bars."]


def test_from_upload_to_downloads(page: AppTest, door: Any) -> None:
    with_photo(page)
    assert not page.exception
    assert door.seen[0][0] == [("shell.jpg", b"photo")]
    said = words_on(page)
    assert "2 panels from 2 cards." in said
    assert "All cards lie on one side" in said
    assert "what it says under “What you measured”" in said
    assert "bar-long" not in said.replace("\\", ""), "the page has boxes, not options"
    assert "± 0.21 mm" in said
    step(page, "paper")
    (table,) = tables(page)
    assert table["Panel"] == ["1", "2"]
    assert table["Area"] == ["123.5 cm²", "8.5 cm²"]
    assert table["Perimeter"] == ["512.3 mm", "120.0 mm"]
    assert table["Outline"] == ["± 0.13 mm", "± 0.20 mm"]
    assert downloads(page)[:3] == ["Pattern to print (PDF)", "Drawing (SVG)", "Drawing for cutters (DXF)"]


def test_a_first_look_is_there_while_the_photo_is_traced(page: AppTest, door: Any) -> None:
    page.run()
    work = work_of(page)
    door.wait = lambda: until(lambda: jobs.look(work, jobs.key_for(work, work.settings())) == door.look)
    said = words_on(with_photo(page))
    assert "One more A4 card" not in said, "the tracing has the last word"
    assert (len(door.looks), len(door.seen)) == (1, 1)


def test_a_first_look_says_what_would_help(page: AppTest, door: Any, root: Path) -> None:
    """As a server that was ended in the middle of a tracing leaves it."""
    with_photo(page)
    work = work_of(page)
    shutil.rmtree(work.result(work.asked() or ""))
    again = reloaded(page, root)
    assert "2 cards and a shell seen: true to ± 0.08 mm." in words_on(again)
    assert "One more A4 card" in words_on(again)
    next(button for button in again.button if button.label == "Trace the pattern").click().run()
    assert "2 panels from 2 cards." in words_on(again)


def test_a_photo_added_later_is_looked_at_and_traced_with_the_first(page: AppTest, door: Any) -> None:
    with_photo(page)
    page.file_uploader[0].set_value([("other.jpg", b"other", "image/jpeg")]).run()
    until(lambda: len(door.looks) == 2)
    assert [name for name, _ in door.looks[1]] == ["shell.jpg", "other.jpg"]
    assert [name for name, _ in door.seen[1][0]] == ["shell.jpg", "other.jpg"]
    assert len(door.seen) == 2


def test_answers_given_before_the_photo_reach_the_tracing(page: AppTest, door: Any) -> None:
    page.run()
    page.number_input[0].set_value(240.4)
    page.number_input[1].set_value(180.3)
    page.number_input[2].set_value(1.2)
    page.run()
    with_photo(page)
    assert [settings for _, settings in door.seen] == [extract.TraceSettings(240.4, 180.3, 1.2)]


def test_answers_given_afterwards_wait_for_the_button(page: AppTest, door: Any) -> None:
    with_photo(page)
    page.number_input[0].set_value(240.4).run()
    assert len(door.seen) == 1
    next(button for button in page.button if button.label == "Trace the pattern").click().run()
    assert [settings.bar_long_mm for _, settings in door.seen] == [None, 240.4]
    assert "have changed since" not in words_on(page)


def test_after_a_refusal_another_answer_is_tried_at_once(page: AppTest, door: Any) -> None:
    door.fail = extract.CannotContinue("ink", "No black marker lines were found, only red.", "Say which colour cuts.")
    with_photo(page)
    assert page.error
    door.fail = None
    next(box for box in page.selectbox if box.label == "Lines to cut along").select_index(3).run()
    assert not page.error
    assert door.seen[-1][1].cut_colour == "red"
    assert "2 panels from 2 cards." in words_on(page)


def test_another_answer_meanwhile_calls_off_what_is_being_traced(door: Any) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def wait() -> None:
        begun.set()
        go_on.wait(PATIENCE_S)

    door.wait = wait
    work = shelf.new_work()
    work.add_photo("shell.jpg", b"photo")
    first = jobs.start(work, work.settings())
    assert begun.wait(PATIENCE_S)
    work.keep_settings(extract.TraceSettings(240.4))
    second = jobs.start(work, work.settings())
    go_on.set()
    assert first.over.wait(PATIENCE_S) and second.over.wait(PATIENCE_S)
    assert jobs.result(work, jobs.key_for(work, extract.TraceSettings())) is None
    assert jobs.result(work, jobs.key_for(work, work.settings())) == door.report


def test_nobody_waits_for_another_visitors_tracing_to_hear_of_the_cards(door: Any) -> None:
    go_on = threading.Event()
    door.wait = lambda: go_on.wait(PATIENCE_S)
    works = [shelf.new_work(), shelf.new_work()]
    for number, work in enumerate(works):
        work.add_photo("shell.jpg", f"photo {number}".encode())
    tracing = [jobs.start(work, work.settings()) for work in works]
    # The second one's advice comes too, since it has to wait.
    until(lambda: tracing[1].news == 2)
    looks = [jobs.look(work, jobs.key_for(work, work.settings())) for work in works]
    over = [job.over.is_set() for job in tracing]
    go_on.set()
    assert looks == [door.look, door.look]
    assert over == [False, False]
    assert all(job.over.wait(PATIENCE_S) for job in tracing)


def test_a_reload_restores_photo_answers_and_result(page: AppTest, door: Any, root: Path) -> None:
    page.run()
    page.number_input[0].set_value(240.4).run()
    with_photo(page)
    again = reloaded(page, root)
    assert not again.exception
    assert [text.value for text in again.text] == ["shell.jpg, 0.1 kB"]
    assert again.number_input[0].value == 240.4
    assert "2 panels from 2 cards." in words_on(again)
    assert len(door.seen) == 1, "the result was traced twice"


def test_a_reload_while_tracing_finds_it_going_on(page: AppTest, door: Any, root: Path) -> None:
    go_on = threading.Event()
    door.wait = lambda: go_on.wait(PATIENCE_S)
    page.run()
    work = work_of(page)
    work.add_photo("shell.jpg", b"photo")
    job = jobs.start(work, work.settings())
    threading.Timer(1.0, go_on.set).start()
    again = reloaded(page, root)
    assert job.over.is_set()
    assert "2 panels from 2 cards." in words_on(again)
    assert len(door.seen) == 1


def test_changed_answers_mark_the_result_as_old(page: AppTest, door: Any) -> None:
    with_photo(page)
    page.number_input[0].set_value(240.4).run()
    said = words_on(page)
    assert "have changed since" in said
    assert "2 panels from 2 cards." in said
    page.number_input[0].set_value(None).run()
    assert "have changed since" not in words_on(page)


def test_a_refusal_says_why_and_what_to_do(page: AppTest, door: Any, root: Path) -> None:
    door.fail = extract.CannotContinue("cards", "No scale card was found.", "Lay one down.")
    with_photo(page)
    assert [error.value for error in page.error] == [r"**No scale card was found\.** Lay one down\."]
    assert [error.value for error in reloaded(page, root).error] == [error.value for error in page.error]


def test_a_fault_of_our_own_shows_no_inner_workings(page: AppTest, door: Any) -> None:
    door.fail = ValueError("inner workings")
    with_photo(page)
    assert not page.exception
    assert "a fault of its own" in page.error[0].value
    assert "inner workings" not in words_on(page)


def test_file_names_are_shown_letter_for_letter(page: AppTest, door: Any) -> None:
    name = "![x](http://example.org/y.png) <img src=x>.jpg"
    with_photo(page, name)
    shown = work_of(page).photos()[0].name
    assert "/" not in shown
    removal = next(button.label for button in page.button if button.label.startswith("Remove"))
    assert "<" not in removal.replace(r"\<", "")
    assert "[" not in removal.replace(r"\[", "")


def test_a_removed_photo_is_gone(page: AppTest, door: Any) -> None:
    with_photo(page)
    folder = work_of(page).folder
    next(button for button in page.button if button.label.startswith("Remove")).click().run()
    assert work_of(page).photos() == ()
    assert not list(folder.glob("*.photo"))


@pytest.mark.parametrize("token", ["../../etc", "0" * 31, "g" * 32, "0" * 32, ""])
def test_a_token_that_is_none_of_ours_starts_anew(page: AppTest, token: str) -> None:
    page.query_params["work"] = token
    page.run()
    assert not page.exception
    assert work_of(page).token != token
    assert bool(page.info) == bool(token)


def test_visitors_do_not_see_each_other(page: AppTest, door: Any, root: Path) -> None:
    with_photo(page)
    other = AppTest.from_file(str(root / "ui" / "app.py"), default_timeout=PATIENCE_S).run()
    assert work_of(other).folder != work_of(page).folder
    assert work_of(other).photos() == ()
    assert not step(other, "paper").table


def test_the_page_offers_scale_cards(page: AppTest) -> None:
    page.run()
    assert downloads(page) == ["Scale cards (PDF)"]


def test_the_report_on_the_shelf_is_the_one_shown(page: AppTest, door: Any) -> None:
    with_photo(page)
    work = work_of(page)
    report = work.result(work.asked() or "") / "report.json"
    changed = json.loads(report.read_text("utf-8"))
    changed["panels"] = changed["panels"][:1]
    report.write_text(json.dumps(changed), "utf-8")
    page.run()
    assert "1 panel from 2 cards." in words_on(page)


def test_a_reload_comes_back_to_the_step(page: AppTest, door: Any, root: Path) -> None:
    with_photo(page)
    step(page, "paper")
    again = reloaded(page, root)
    assert downloads(again)[0] == "Pattern to print (PDF)"
    assert step(again, "photo").number_input


@pytest.mark.parametrize("name", ["lines", "pieces", "paper"])
def test_a_step_too_early_says_what_comes_first(page: AppTest, name: str) -> None:
    step(page.run(), name)
    assert not page.exception
    assert "photo" in words_on(page)
    next(button for button in page.button if button.label == "Go to the photo").click().run()
    assert page.file_uploader
