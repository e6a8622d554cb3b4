"""What all steps of the way share: going from one to the next, what was found so far, waiting for work to end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

import extract
from ui import jobs, words
from ui.refusal import Refusal
from ui.shelf import Work

STEPS = {
    "photo": "Photo",
    "lines": "Check the lines",
    "pieces": "Fit the pieces",
    "paper": "Paper and foam",
}
POLL_SECONDS = 0.1


@dataclass(frozen=True)
class Found:
    """What the photos gave: the reading's key with its report, or the refusal, or nothing yet. ``current`` is False
    where photos or answers have changed since."""

    key: str
    outcome: Mapping[str, Any] | Refusal | None
    current: bool = True

    @property
    def report(self) -> Mapping[str, Any] | None:
        return None if isinstance(self.outcome, Refusal) else self.outcome


def found(work: Work) -> Found:
    """What these photos and answers give, or what was asked for last."""
    key, asked = jobs.key_for(work, work.settings()), work.asked()
    outcome = jobs.result(work, key)
    if outcome is None and asked and work.photos():
        return Found(asked, failure(work) or jobs.result(work, asked), current=asked == key)
    return Found(key, outcome)


def failure(work: Work) -> Refusal | None:
    """Why the last tracing could not even write down how it ended."""
    asked = work.asked()
    job = jobs.last(work, asked) if asked else None
    return job.failed if job else None


def running(work: Work) -> jobs.Job | None:
    """The tracing under way for this visitor."""
    asked = work.asked()
    job = jobs.last(work, asked) if asked else None
    return job if job and not job.over.is_set() else None


@dataclass(frozen=True)
class Wait:
    """Work under way, and the place on the page that shows how far it is; ``news`` are those that the page shows."""

    job: jobs.Job
    place: DeltaGenerator
    news: int = 0

    def watch(self) -> None:
        """Follow the work to its end, or to what there is to see before, then run the page anew."""
        job, told = self.job, ""
        bar = self.place.progress(job.share, "Working")
        while job.news == self.news and not job.over.wait(POLL_SECONDS):
            now = line(job)
            if now != told:
                bar.progress(job.share, now)
                told = now
        st.rerun()


def line(job: jobs.Job) -> str:
    """How far that work is, or how many come before it."""
    if job.doing != jobs.WAITING:
        return f"{job.doing[:1].upper()}{job.doing[1:]} · {job.share:.0%}"
    others = jobs.before(job)
    first = "it comes next" if not others else f"{words.count(others, 'other comes', 'others come')} first"
    return f"Waiting for its turn: {first}"


def show_refusal(refusal: Refusal) -> None:
    st.error(f"**{words.plain(refusal.reason)}** {words.plain(refusal.advice)}")


def known(work: Work) -> extract.TraceSettings:
    """The answers as they stood when this step was opened: a box whose default changed from run to run would be another
    box to Streamlit, and take the keyboard's place in it."""
    settings = st.session_state.setdefault("known", work.settings())
    return settings if isinstance(settings, extract.TraceSettings) else work.settings()


def here(work: Work) -> str:
    """The step the maker is at, with the row of all steps; kept, so that a reload comes back to it."""
    names = list(STEPS)
    kept = work.step()
    asked = st.session_state.pop("go", None) or (kept if "step" not in st.session_state else None)
    if asked in STEPS or "step" not in st.session_state:
        st.session_state["step"] = asked if asked in STEPS else names[0]
    step = st.segmented_control(
        "Steps",
        names,
        format_func=lambda name: f"{names.index(name) + 1} · {STEPS[name]}",
        key="step",
        label_visibility="collapsed",
        width="stretch",
        required=True,
    )
    step = step or names[0]
    if st.session_state.get("shown") != step:
        st.session_state["shown"] = step
        st.session_state["known"] = work.settings()
    work.keep_step(step)
    return step


def offer(step: str, label: str, primary: bool = True) -> None:
    """The one thing to do next: a button that opens another step."""
    st.button(label, type="primary" if primary else "secondary", key=f"to-{step}", on_click=_go, args=(step,))


def _go(step: str) -> None:
    # Before the page runs anew, so that it does so once.
    st.session_state["go"] = step


def pressed(label: str, key: str, **looks: Any) -> bool:
    """A button whose press waits for the page to come by it. Streamlit forgets one where the page has to begin anew
    before that, as when one more box is answered a moment later."""
    st.button(label, key=key, on_click=note_press, args=(key,), **looks)
    return take_press(key)


def note_press(key: str) -> None:
    st.session_state.setdefault("presses", set()).add(key)


def take_press(key: str) -> bool:
    presses = st.session_state.get("presses", set())
    noted = key in presses
    presses.discard(key)
    return noted


def forget_presses() -> None:
    """At the page's end: what has not been taken by then belonged to a button that is gone."""
    st.session_state.pop("presses", None)


def leave() -> None:
    """Where only a part of the page runs anew: the whole, once another step was asked for."""
    if "go" in st.session_state:
        st.rerun()
