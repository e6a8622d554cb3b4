"""Corrections on the shelf: nothing lost, nothing counted twice, one list for all tabs."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from ui import corrections, shelf

KEY = "ab12"


@pytest.fixture
def work(tmp_path: Path) -> shelf.Work:
    return shelf.new_work(tmp_path)


def deletion(name: str) -> dict[str, Any]:
    return {"do": "delete", "stroke": name}


def act(name: str, stroke: str = "s1", what: str = "do") -> dict[str, Any]:
    return {"id": name, "act": what, **({"correction": deletion(stroke)} if what == "do" else {})}


def test_acts_are_kept_in_order_and_read_again(work: shelf.Work) -> None:
    corrections.record(work, KEY, [act("a", "s1"), act("b", "s2")])
    again = shelf.open_work(work.token, work.folder.parent)
    assert again is not None
    assert corrections.read(again, KEY).done == (deletion("s1"), deletion("s2"))


def test_an_act_sent_again_counts_once(work: shelf.Work) -> None:
    corrections.record(work, KEY, [act("a", "s1")])
    log = corrections.record(work, KEY, [act("a", "s1"), act("b", "s2")])
    assert log.done == (deletion("s1"), deletion("s2"))
    assert log.seen == ("a", "b")


def test_take_back_and_do_again(work: shelf.Work) -> None:
    corrections.record(work, KEY, [act("a", "s1"), act("b", "s2"), act("c", what="undo")])
    assert corrections.read(work, KEY).done == (deletion("s1"),)
    corrections.record(work, KEY, [act("d", what="redo")])
    assert corrections.read(work, KEY).done == (deletion("s1"), deletion("s2"))
    log = corrections.record(work, KEY, [act("e", what="undo"), act("f", "s3"), act("g", what="redo")])
    assert log.done == (deletion("s1"), deletion("s3")), "a new correction ends what could be done again"
    assert corrections.record(work, KEY, [act(f"u{n}", what="undo") for n in range(5)]).done == ()


def test_what_makes_no_sense_is_not_kept(work: shelf.Work) -> None:
    broken = {"id": "x", "act": "do", "correction": {"do": "delete", "stroke": 7}}
    log = corrections.record(work, KEY, [broken, "words", None, {"act": "do"}, {"id": "y", "act": "sing"}, act("z")])
    assert log.done == (deletion("s1"),)
    assert set(log.seen) == {"x", "y", "z"}


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"done": 3, "undone": [], "seen": []}'])
def test_a_damaged_list_begins_anew(work: shelf.Work, content: bytes) -> None:
    (work.folder / f"corrections-{KEY}.json").write_bytes(content)
    assert corrections.read(work, KEY) == corrections.Log()
    assert corrections.record(work, KEY, [act("a")]).done == (deletion("s1"),)


def test_two_tabs_at_once_lose_nothing(work: shelf.Work) -> None:
    def tab(name: str) -> None:
        for n in range(20):
            corrections.record(work, KEY, [act(f"{name}{n}", f"{name}{n}")])

    with ThreadPoolExecutor(2) as tabs:
        list(tabs.map(tab, "ab"))
    done = [correction["stroke"] for correction in corrections.read(work, KEY).done]
    assert sorted(done) == sorted(f"{name}{n}" for name in "ab" for n in range(20))
    assert [name for name in done if name.startswith("a")] == [f"a{n}" for n in range(20)]


def test_corrections_of_an_earlier_reading_can_be_brought_along(work: shelf.Work) -> None:
    assert corrections.latest_other(work, KEY) is None
    corrections.record(work, "cd34", [act("a", "s4")])
    earlier = corrections.latest_other(work, KEY)
    assert earlier is not None
    corrections.adopt(work, KEY, earlier)
    assert corrections.read(work, KEY).done == (deletion("s4"),)
    assert json.loads((work.folder / "corrections-cd34.json").read_text("utf-8"))["done"]
