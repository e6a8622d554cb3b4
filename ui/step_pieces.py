"""The third step: the panels as pieces of the build, made to fit before any foam is cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import streamlit as st

import extract
from ui import build_words, builds, flow, questions, shelf, words
from ui.drawings import show_svg
from ui.refusal import Refusal, refusal_for
from ui.tables import show_table

if TYPE_CHECKING:
    from extract import Outcome, Project, Step


FIGURES_SHOWN = 8
"""A step on all edges changes a hundred figures; the boxes and what lies below them should stay near."""
SEAMS_SHOWN = 6
"""Of seams that are fine, how many stand in the table at once."""
STEPS_SHOWN = 4
CAUTIONS_FOR = {
    "Seams": ("cement",),
    "Thickness of the foam": ("heat",),
    "Edges: room and width": ("blades", "dust"),
    "Relief cuts and darts": ("blades",),
    "Body and size": ("wearing",),
}
"""Which caution belongs to the work that a change leads to."""


def show(work: shelf.Work) -> None:
    found = flow.found(work)
    if found.report is None or not (work.result(found.key) / "reading.json").is_file():
        st.write("There are no pieces yet: they are cut from the lines on the photo.")
        flow.offer("photo", "Go to the photo")
        return
    try:
        project, lost = builds.current(work, found.key)
    except extract.CannotContinue as error:
        flow.show_refusal(refusal_for(error))
        return
    for message in lost:
        st.warning(words.plain(message))
    show_bench(work, found.key, project)
    builds.foresee(work, found.key, files=True)


def show_bench(work: shelf.Work, key: str, project: Project) -> None:
    seen = builds.look_at(project)
    st.write(f"**{headline(seen)}** Both sides of a seam have the same colour and number; letters name the edges.")
    left, right = st.columns([3, 2], gap="large")
    with right:
        show_history(work, key, project)
        asked = ask_change(project, seen)
        tried = show_change(work, key, project, *asked) if asked else None
        flow.offer("paper", "Next: paper and foam", primary=tried is None)
    with left:
        show_picture(project, tried, measured_piece(*asked) if asked else "")
    show_tables(seen)


def headline(seen: Mapping[str, Any]) -> str:
    pieces, parts = words.count(len(seen["pieces"]), "piece"), words.count(seen["parts"], "part")
    off = sum(seam["verdict"] != "fine" for seam in seen["seams"])
    seams = words.count(len(seen["seams"]), "seam")
    fit = "" if not seen["seams"] else ", all fine" if not off else f", {off} to look at"
    return f"{pieces}, {parts} to cut, {seams}{fit}."


def show_history(work: shelf.Work, key: str, project: Project) -> None:
    done, ahead = project.now, len(project.moments) - 1 - project.now
    with st.container(horizontal=True):
        for label, turn, idle in (
            ("Take the last step back", builds.undo, done == 0),
            ("Do it again", builds.redo, ahead == 0),
        ):
            st.button(label, key=f"build-{turn.__name__}", disabled=idle, on_click=turn, args=(work, key))
    if done:
        steps = extract.all_steps()
        names = [moment.step for moment in project.moments[1 : done + 1]][-STEPS_SHOWN:]
        told = "; ".join(steps[name].says if name in steps else name for name in names)
        st.caption(words.plain(f"{words.count(done, 'step')} done, lastly: {told}"))


def ask_change(project: Project, seen: Mapping[str, Any]) -> tuple[Step, dict[str, Any]] | None:
    """The boxes of one step: the step chosen, with the answers so far."""
    steps = extract.all_steps()
    group = st.selectbox(
        "What do you want to change?", list(questions.GROUPS), None, key="build-group", placeholder="Choose what"
    )
    if group is None:
        return None
    for about in CAUTIONS_FOR.get(group, ()):
        st.caption(words.plain(words.CAUTIONS[about]))
    names = questions.GROUPS[group]
    name = st.radio("Which step?", names, format_func=lambda each: steps[each].says, key=f"build-step-{group}")
    return steps[name], ask_all(steps[name], seen, boxes_key(project, name))


def boxes_key(project: Project, name: str) -> str:
    """What the keys of a step's boxes begin with: fresh boxes for every state of the build."""
    return f"{name}-{len(project.moments)}-{project.now}-"


def given(boxes: str) -> dict[str, Any]:
    """What stands in the boxes of that key now."""
    return {str(name): value for name, value in st.session_state.items() if str(name).startswith(boxes)}


def measured_piece(step: Step, answers: Mapping[str, Any]) -> str:
    """The piece on which the step asks for places, as numbers that can be read off a grid."""
    asks_places = any(question.kind == "points" or question.name in ("x", "y") for question in step.asks)
    return str(answers.get("piece") or "") if asks_places else ""


def show_change(work: shelf.Work, key: str, project: Project, step: Step, answers: Mapping[str, Any]) -> Project | None:
    """What the step would do, and the button that does it; returns the build as it would be."""
    name = step.name
    if is_resting(name, answers):
        show_done(project)
        return None
    missing = [words.plain(q.says) for q in step.asks if answers[q.name] is None]
    if missing:
        st.caption("Still to say: " + "; ".join(missing))
        return None
    tried = attempt(project, name, answers)
    if isinstance(tried, Refusal):
        flow.show_refusal(tried)
        return None
    after, outcome = tried
    if after is project:
        show_outcome(outcome, "What it tells:")
        if name == "symmetry":
            halves = extract.asymmetry_svg(project, answers["piece"], answers["line"])
            show_svg(halves, f"How the halves of piece {answers['piece']} differ, enlarged")
        return None
    boxes = boxes_key(project, name)
    st.button(
        "Do it",
        type="primary",
        key="build-do",
        on_click=do_unless_changed,
        args=(work, key, step, answers, boxes, given(boxes)),
    )
    if flow.take_press("build-do"):
        do(work, key, step, answers)
        st.rerun()
    if "build-refused" in st.session_state:
        flow.show_refusal(st.session_state.pop("build-refused"))
    show_outcome(outcome, "What it would change:")
    return after


def do_unless_changed(
    work: shelf.Work, key: str, step: Step, answers: Mapping[str, Any], boxes: str, stood: Mapping[str, Any]
) -> None:
    """Does the step before the page runs anew: Streamlit forgets the press where one more box is answered before the
    page has come to the button. Only answers given in the same moment as the press have to wait for the page."""
    if given(boxes) == stood:
        do(work, key, step, answers)
    else:
        flow.note_press("build-do")


def do(work: shelf.Work, key: str, step: Step, answers: Mapping[str, Any]) -> None:
    try:
        outcome = builds.change(work, key, step.name, answers)
    except extract.CannotContinue as error:
        st.session_state["build-refused"] = refusal_for(error)
        return
    st.session_state["build-told"] = step.says, outcome, moment_of(builds.current(work, key)[0])
    st.session_state["build-resting"] = step.name, None


def moment_of(project: Project) -> tuple[int, int]:
    return len(project.moments), project.now


def show_done(project: Project) -> None:
    """Where the step was asked for, so that nothing above moves while the next is being chosen."""
    says, outcome, moment = st.session_state.get("build-told", ("", None, None))
    if moment == moment_of(project):
        st.success(f"Done: {words.plain(says)}")
    st.caption("That is done. Change an answer to go on, or choose another step.")
    if moment == moment_of(project):
        show_outcome(outcome, "What it changed:")


def is_resting(name: str, answers: Mapping[str, Any]) -> bool:
    """Whether the step was done a moment ago and nothing was answered since: what its boxes stand at then is no wish,
    and a second tap on "Do it" must not do it twice."""
    done, stood = st.session_state.get("build-resting", (None, None))
    if done != name:
        st.session_state.pop("build-resting", None)
        return False
    if stood is None:
        st.session_state["build-resting"] = name, dict(answers)
        return True
    return bool(stood == answers)


def ask_all(step: Step, seen: Mapping[str, Any], key: str) -> dict[str, Any]:
    answers: dict[str, Any] = {}
    for question in step.asks:
        answers[question.name] = questions.ask(question, seen, answers, f"{key}{question.name}")
    return answers


def attempt(project: Project, name: str, answers: Mapping[str, Any]) -> tuple[Project, Outcome] | Refusal:
    try:
        return extract.change(project, name, answers)
    except extract.CannotContinue as error:
        return refusal_for(error)


def show_outcome(outcome: Outcome, title: str) -> None:
    for doubt in outcome.doubts:
        st.warning(words.plain(doubt.message))
    if not outcome.figures:
        return
    rows = build_words.figure_rows(build_words.seams_first(outcome.figures))
    st.write(title)
    show_table(rows[:FIGURES_SHOWN], title)
    if len(rows) > FIGURES_SHOWN:
        with st.expander(f"{len(rows) - FIGURES_SHOWN} more figures"):
            show_table(rows[FIGURES_SHOWN:], f"{title} More figures")


def show_picture(project: Project, tried: Project | None, measured: str = "") -> None:
    shown = tried or project
    before = {id(piece) for piece in project.build.pieces}
    lit = [piece.id for piece in shown.build.pieces if id(piece) not in before]
    show_svg(builds.picture(shown, lit, measured), f"The pieces: {headline(builds.look_at(shown))}")
    if measured:
        st.caption(f"The grid over piece {words.plain(measured)} says its millimetres, from the left and from above.")
    if tried:
        st.caption("As it would be; nothing is done yet. Pieces that change stand out.")


def show_seams(seams: Sequence[dict[str, Any]]) -> None:
    """Every seam that is not fine, and a few that are; the others a tap away."""
    rows = build_words.fit_rows(seams)
    shown = max(SEAMS_SHOWN, sum(seam["verdict"] != "fine" for seam in seams))
    show_table(rows[:shown], "How the seams fit, the worst first")
    if rows[shown:]:
        with st.expander(f"{words.count(len(rows) - shown, 'more seam')}, all fine"):
            show_table(rows[shown:], "More seams, all fine")


def show_tables(seen: Mapping[str, Any]) -> None:
    if seen["seams"]:
        st.header("How the seams fit, the worst first", anchor=False)
        show_seams(seen["seams"])
        st.caption(
            "Off: how much longer the second side is than it is meant to be. Fine up to 1 mm or 0.5 %, worth another "
            "look up to 3 mm or 1 %, wrong beyond; the smaller counts."
        )
    st.header("Pieces", anchor=False)
    show_table(build_words.piece_rows(seen["pieces"]), "Pieces")
    st.caption(words.SIGMA_NOTE)
