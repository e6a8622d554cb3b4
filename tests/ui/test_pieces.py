"""The steps after the lines, by Streamlit's own driver: pieces changed, seams looked at, pages laid out.

The shell is the plain one of 200 × 100 mm, cut in two by a line across its middle: its lengths are known by hand.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from shown import tables
from streamlit.testing.v1 import AppTest

import extract
from ui import builds, corrections, jobs, questions, shelf

PATIENCE_S = 60
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read_shell: Callable[[Path], shelf.Work]) -> shelf.Work:
    monkeypatch.setenv("TRUEPEEL_CACHE", str(tmp_path))
    work = read_shell(shelf.home())
    work.keep_step("pieces")
    return work


def key_of(work: shelf.Work) -> str:
    return jobs.key_for(work, work.settings())


@pytest.fixture
def opened(work: shelf.Work) -> Callable[[], AppTest]:
    def at() -> AppTest:
        page = AppTest.from_file(str(ROOT / "ui" / "app.py"), default_timeout=PATIENCE_S)
        page.query_params["work"] = work.token
        return page.run()

    return at


def box(page: AppTest, kind: str, label: str) -> AppTest:
    return next(each for each in page.get(kind) if label in each.label)


def press(page: AppTest, label: str) -> AppTest:
    return next(button for button in page.button if button.label == label).click().run()


def told(page: AppTest) -> str:
    return "\n".join(str(each.value) for kind in (page.markdown, page.caption, page.warning) for each in kind)


def ask_for(page: AppTest, group: str, step: str) -> AppTest:
    box(page, "selectbox", "What do you want to change").select(group).run()
    return box(page, "radio", "Which step").set_value(step).run()


def test_every_step_is_offered_once() -> None:
    offered = [name for names in questions.GROUPS.values() for name in names]
    assert sorted(offered) == sorted(extract.all_steps())


def test_pieces_and_seams_are_shown_with_their_figures(opened: Callable[[], AppTest]) -> None:
    page = opened()
    assert not page.exception
    assert "2 pieces, 2 parts to cut, 1 seam, all fine." in told(page)
    seams, pieces = tables(page)
    assert "100.00 mm" in seams["Sides"][0] or "101.98 mm" in seams["Sides"][0]
    assert pieces["Area"] == ["100.0 cm²", "100.0 cm²"]


def test_a_second_tap_does_not_do_it_twice(opened: Callable[[], AppTest], work: shelf.Work) -> None:
    """The boxes are back at answers that could be done at once, which nobody has asked for."""
    page = ask_for(opened(), "What a piece is", "copies")
    box(page, "selectbox", "Single, a left and right pair").select("a left and right pair").run()
    press(page, "Do it")
    assert "That is done." in told(page)
    assert "Do it" not in [button.label for button in page.button]
    box(page, "selectbox", "Which piece").select("p1").run()
    assert "What it would change:" in told(page)
    page = ask_for(page, "What a piece is", "up")
    page = ask_for(page, "What a piece is", "copies")
    assert "That is done." not in told(page)


def test_a_step_shows_its_numbers_before_it_is_done(opened: Callable[[], AppTest], work: shelf.Work) -> None:
    page = ask_for(opened(), "Edges: room and width", "widen")
    edge = next(name for name in box(page, "multiselect", "Along which edges").options if name.startswith("p1:"))
    box(page, "multiselect", "Along which edges").select(edge.partition(",")[0]).run()
    before = builds.current(work, key_of(work))[0]
    assert "What it would change:" in told(page)
    assert "As it would be; nothing is done yet." in told(page)
    press(page, "Do it")
    after = builds.current(work, key_of(work))[0]
    assert [moment.step for moment in after.moments[1:]] == ["widen"]
    assert len(before.moments) == 1, "the preview had been written down"
    assert r"1 step done, lastly\: Put a strip on along an edge" in told(page)


def test_steps_are_taken_back_and_done_again_and_survive_a_reload(
    opened: Callable[[], AppTest], work: shelf.Work
) -> None:
    builds.change(work, key_of(work), "name", {"piece": "p1", "name": "left wing"})
    page = opened()
    assert "p1 left wing" in tables(page)[-1]["Piece"]
    press(page, "Take the last step back")
    assert "p1 left wing" not in tables(page)[-1]["Piece"]
    again = opened()
    press(again, "Do it again")
    assert "p1 left wing" in tables(again)[-1]["Piece"]


def test_a_press_counts_though_a_box_is_answered_in_the_same_moment(
    opened: Callable[[], AppTest], work: shelf.Work
) -> None:
    """On a slow machine both arrive at the page together, and the button is gone from what they lead to."""
    page = ask_for(opened(), "What a piece is", "name")
    box(page, "selectbox", "Which piece").select("p1").run()
    box(page, "text_input", "Its name").input("left wing").run()
    next(button for button in page.button if button.label == "Do it").click()
    box(page, "selectbox", "What do you want to change").select("Body and size").run()
    assert builds.current(work, key_of(work))[0].build.pieces[0].name == "left wing"


def test_answers_given_in_the_moment_of_the_press_are_those_that_count(
    opened: Callable[[], AppTest], work: shelf.Work
) -> None:
    """A box is left, and so answered, by the very tap on the button."""
    page = ask_for(opened(), "What a piece is", "name")
    box(page, "selectbox", "Which piece").select("p1").run()
    box(page, "text_input", "Its name").input("left").run()
    box(page, "text_input", "Its name").input("left wing")
    press(page, "Do it")
    project = builds.current(work, key_of(work))[0]
    assert [moment.step for moment in project.moments[1:]] == ["name"]
    assert project.build.pieces[0].name == "left wing"
    assert "Done: Name a piece" in page.success[0].value


def test_a_step_done_by_another_program_is_not_written_over(work: shelf.Work, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two servers may stand before one shelf; one looks while the other writes."""
    key, read = key_of(work), builds._opened
    place = builds._place(work, key)
    before, _ = builds.current(work, key)
    after, _ = extract.change(before, "name", {"piece": "p1", "name": "left wing"})

    def and_then_another_writes(path: Path, written: int) -> extract.Project:
        found = read(path, written)
        extract.save_project(after, place)
        return found

    monkeypatch.setattr(builds, "_opened", and_then_another_writes)
    builds.current(work, key)
    assert extract.open_project(place).build.pieces[0].name == "left wing"


def test_a_refused_step_says_why_and_changes_nothing(opened: Callable[[], AppTest], work: shelf.Work) -> None:
    page = ask_for(opened(), "Edges: room and width", "widen")
    for name in list(box(page, "multiselect", "Along which edges").options)[:1]:
        box(page, "multiselect", "Along which edges").select(name.partition(",")[0]).run()
    box(page, "number_input", "How wide").set_value(-5000.0).run()
    assert page.error
    assert "Do it" not in [button.label for button in page.button]
    assert len(builds.current(work, key_of(work))[0].moments) == 1


def test_how_unlike_the_halves_are_is_drawn(opened: Callable[[], AppTest]) -> None:
    page = ask_for(opened(), "Left and right", "symmetry")
    box(page, "selectbox", "Which piece").select("p1").run()
    assert not page.exception
    assert "What it tells:" in told(page)
    assert any("How the halves of piece p1 differ" in str(each.proto) for each in page.get("html"))


def test_what_a_step_can_do_without_is_no_question(opened: Callable[[], AppTest], work: shelf.Work) -> None:
    page = ask_for(opened(), "New pieces from numbers", "strip")
    box(page, "number_input", "Width").set_value(12.0).run()
    box(page, "number_input", "Length").set_value(75.0).run()
    assert box(page, "selectbox", "Which material").value == ""
    press(page, "Do it")
    assert "strip" in [piece.name for piece in builds.current(work, key_of(work))[0].build.pieces]


def test_a_correction_of_the_lines_does_the_steps_again(work: shelf.Work) -> None:
    key = key_of(work)
    builds.change(work, key, "copies", {"piece": "all", "how": "pair"})
    corrections.record(work, key, [{"id": "1", "act": "do", "correction": {"do": "delete", "stroke": "s1"}}])
    project, lost = builds.current(work, key)
    assert [piece.copies for piece in project.build.pieces] == ["pair"]
    assert lost == ()


def test_a_step_that_no_longer_fits_is_told(opened: Callable[[], AppTest], work: shelf.Work) -> None:
    key = key_of(work)
    builds.change(work, key, "name", {"piece": "p2", "name": "right wing"})
    corrections.record(work, key, [{"id": "1", "act": "do", "correction": {"do": "delete", "stroke": "s1"}}])
    assert "no longer fits" in told(opened())


def test_paper_and_pairs_are_chosen_at_the_last_step(opened: Callable[[], AppTest], work: shelf.Work) -> None:
    work.keep_step("paper")
    page = opened()
    assert not page.exception
    box(page, "selectbox", "Paper to print on").select("A3").run()
    assert work.settings().paper == "A3"
    press(page, "Cut every piece as a left and right pair")
    assert [piece.copies for piece in builds.current(work, key_of(work))[0].build.pieces] == ["pair", "pair"]
    assert "of A3" in told(page)


def test_a_project_file_goes_back_on_a_shelf(work: shelf.Work, tmp_path: Path) -> None:
    key = key_of(work)
    builds.change(work, key, "name", {"piece": "p1", "name": "left wing"})
    content = builds.whole(work, key)
    other = shelf.new_work()
    builds.take_in(other, content)
    assert [photo.name for photo in other.photos()] == ["shell.jpg"]
    project, _ = builds.current(other, key_of(other))
    assert project.build.pieces[0].name == "left wing"


def test_a_file_that_is_no_project_leaves_the_shelf_alone(work: shelf.Work) -> None:
    with pytest.raises(extract.CannotContinue):
        builds.take_in(work, b"PK\x03\x04 no project")
    assert [photo.name for photo in work.photos()] == ["shell.jpg"]


def test_parts_are_laid_on_the_sheets_there_are(opened: Callable[[], AppTest], work: shelf.Work) -> None:
    work.keep_step("paper")
    page = press(opened(), "Add these sheets")
    assert work.sheets() == ("1000x500x6:1",)
    page = press(page, "Lay the parts on the sheets")
    assert not page.exception
    # Both halves of a shell of 200 × 100 mm on a sheet of 1000 × 500 mm: 200 cm² of 5000 cm², 4 %.
    assert "4% used" in told(page).replace("\\", "")
    assert "Cutting plan to print (PDF)" in [button.label for button in page.get("download_button")]
    assert sorted(tables(page)[0]["Part"]) == ["1", "2"]


def test_parts_larger_than_every_sheet_are_refused(opened: Callable[[], AppTest], work: shelf.Work) -> None:
    work.keep_sheets(["60x60x6:3"])
    work.keep_step("paper")
    page = press(opened(), "Lay the parts on the sheets")
    assert not page.exception
    assert "sheet" in page.error[-1].value
    assert "100 by 100 mm" in page.error[-1].value
