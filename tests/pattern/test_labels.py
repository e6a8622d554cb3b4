"""What a piece is said to be, and that every answer is looked at before anything happens."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from extract.build import Build, Edge, Piece, Question, Run, Seam, Step
from extract.doors import CannotContinue
from extract.geometry.curve import polyline_curve
from extract.steps import all_steps, answered, apply, step_named


def box(id_: str, x: float) -> Piece:
    corners = np.array([[x, 0], [x + 30, 0], [x + 30, 20], [x, 20], [x, 0]], float)
    edges = tuple(Edge("abcd"[k], polyline_curve(corners[k : k + 2])) for k in range(4))
    return Piece(id_, id_[1:], edges)


@pytest.fixture
def build() -> Build:
    seam = Seam(1, Run("p1", ("b",)), Run("p2", ("d",)))
    return Build("lantern", (box("p1", 0), box("p2", 30)), (seam,))


def did(build: Build, name: str, /, **answers: Any) -> Build:
    return apply(build, name, answers).build


def test_a_piece_gets_its_name_and_is_found_by_it(build: Build) -> None:
    named = did(build, "name", piece="p1", name="  left   wing ")
    assert named.pieces[0].name == "left wing"
    assert did(named, "notes", piece="left wing", notes="felt side out").pieces[0].notes == "felt side out"
    assert build.pieces[0].name == "1"


def test_two_pieces_never_share_a_name(build: Build) -> None:
    with pytest.raises(CannotContinue, match="p2 is called"):
        did(build, "name", piece="p1", name="2")


def test_material_is_added_changed_and_chosen(build: Build) -> None:
    with pytest.raises(CannotContinue, match="no stock “foam”"):
        did(build, "cut-from", stock="foam")
    build = did(build, "stock", name="foam", thickness="5,8 mm")
    outcome = apply(build, "stock", {"name": "foam", "thickness": 6, "neutral": 0.6})
    assert [(f.before, f.after) for f in outcome.figures] == [(5.8, 6.0), (0.5, 0.6)]
    cut = did(outcome.build, "cut-from", stock="foam", piece="p2")
    assert [piece.stock for piece in cut.pieces] == ["", "foam"]
    assert len(cut.stocks) == 1


def test_copies_count_the_parts(build: Build) -> None:
    outcome = apply(build, "copies", {"piece": "p1", "how": "pair", "count": "3"})
    assert [(f.what, f.before, f.after, f.where) for f in outcome.figures] == [("parts to cut", 1, 6, "p1")]
    assert {p.copies for p in did(build, "copies", how="centre").pieces} == {"centre"}


def test_an_uneven_piece_on_the_centre_line_is_doubted(build: Build) -> None:
    corners = np.array([[0, 0], [30, 0], [36, 20], [0, 20], [0, 0]], float)
    edges = tuple(Edge("abcd"[k], polyline_curve(corners[k : k + 2])) for k in range(4))
    lame = Build("x", (Piece("p1", "1", edges),))
    assert [d.code for d in apply(lame, "copies", {"piece": "p1", "how": "centre"}).doubts] == ["centre-uneven"]
    assert apply(build, "copies", {"piece": "p1", "how": "centre"}).doubts == ()
    assert apply(lame, "copies", {"piece": "p1", "how": "pair"}).doubts == ()


def test_up_and_forward(build: Build) -> None:
    build = did(did(build, "up", side="back"), "forward", piece="p2", towards="up")
    assert [(p.up, p.forward_deg) for p in build.pieces] == [("back", None), ("back", 270.0)]
    assert did(build, "forward", piece="p2", angle="-30").pieces[1].forward_deg == 330.0
    assert did(build, "forward", piece="p2", towards="nowhere").pieces[1].forward_deg is None


def test_a_removed_piece_takes_its_seams_along(build: Build) -> None:
    left = did(build, "remove", piece="p1")
    assert [p.id for p in left.pieces] == ["p2"] and left.seams == ()


@pytest.mark.parametrize(
    ("step", "answers", "reason"),
    [
        ("nmae", {}, "no step “nmae”"),
        ("name", {"piece": "p1"}, "needs “name”"),
        ("name", {"piece": "p9", "name": "x"}, "no piece p9"),
        ("name", {"piece": "p1", "name": ""}, "needs a name"),
        ("name", {"piece": "p1", "name": "x", "colour": "red"}, "does not ask for “colour”"),
        ("name", {"piece": ["p1"], "name": "x"}, "does not serve"),
        ("name", {"piece": "p1", "name": "\ud800"}, "does not serve"),
        ("copies", {"how": "twice"}, "does not serve"),
        ("copies", {"count": 2.5}, "does not serve"),
        ("copies", {"count": -1}, "does not serve"),
        ("copies", {"count": 0}, "0 copies"),
        ("stock", {"name": "foam", "thickness": float("nan")}, "does not serve"),
        ("stock", {"name": "foam", "thickness": "inf"}, "does not serve"),
        ("stock", {"name": "foam", "thickness": True}, "does not serve"),
        ("stock", {"name": "foam", "thickness": 0}, "no sheet to cut from"),
        ("stock", {"name": "foam", "thickness": 6, "neutral": 1.5}, "does not serve"),
        ("forward", {"piece": "p1", "angle": "1e9"}, "does not serve"),
    ],
)
def test_an_answer_that_does_not_serve_is_refused(
    build: Build, step: str, answers: dict[str, Any], reason: str
) -> None:
    with pytest.raises(CannotContinue, match=reason):
        apply(build, step, answers)


@pytest.mark.parametrize(
    ("kind", "given", "read"),
    [
        ("length", "12,5mm", 12.5),
        ("angle", "-45°", -45.0),
        ("flag", "no", False),
        ("run", " p1 : a + b ", "p1:a+b"),
        ("runs", "p1:a, p2:b", ["p1:a", "p2:b"]),
        ("runs", ["p2:d"], ["p2:d"]),
        ("seam", "1", 1),
        ("points", "0,0 10,-2.5", [[0.0, 0.0], [10.0, -2.5]]),
        ("points", [[1, 2]], [[1.0, 2.0]]),
    ],
)
def test_words_are_read_as_what_is_asked(build: Build, kind: Any, given: Any, read: Any) -> None:
    step = Step("try", "", (Question("it", kind, "It"),), lambda build: build)
    assert answered(build, step, {"it": given}) == {"it": read}


@pytest.mark.parametrize(
    ("kind", "given"),
    [
        ("run", "p1:a+c"),
        ("run", "p1"),
        ("runs", ""),
        ("seam", "2"),
        ("points", "0,0 10"),
        ("points", []),
        ("flag", "perhaps"),
    ],
)
def test_words_that_mean_nothing_here_are_refused(build: Build, kind: Any, given: Any) -> None:
    step = Step("try", "", (Question("it", kind, "It"),), lambda build: build)
    with pytest.raises(CannotContinue):
        answered(build, step, {"it": given})


def test_a_step_that_would_tangle_an_outline_is_refused(build: Build, monkeypatch: pytest.MonkeyPatch) -> None:
    """The check behind all steps: shapely says whether an outline is simple."""
    from extract import steps
    from extract.build import Outcome

    knot = np.array([[0, 0], [30, 20], [30, 0], [0, 20], [0, 0]], float)
    edges = tuple(Edge("abcd"[k], polyline_curve(knot[k : k + 2])) for k in range(4))
    tangle = Step("tangle", "", (), lambda build: Outcome(Build("x", (Piece("p1", "1", edges),))))
    monkeypatch.setattr(steps, "_steps", lambda: iter([tangle]))
    with pytest.raises(CannotContinue, match="p1 cross itself"):
        apply(build, "tangle", {})


def test_every_step_is_told_in_words_of_its_own() -> None:
    from extract.steps import _steps

    steps = all_steps()
    assert 8 <= len(steps) == len(list(_steps())), "two steps of one name"
    for name, step in steps.items():
        assert step_named(name) is step and step.says and step.says[0].isupper()
        assert len({q.name for q in step.asks}) == len(step.asks)
        assert all(q.says for q in step.asks)
        assert all(q.choices for q in step.asks if q.kind == "choice")
