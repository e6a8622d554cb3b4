"""The page: from the photo to the printed pattern in a browser on the maker's own machine, step by step.

It asks, shows and hands out; every figure and every picture comes from ``extract``.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import streamlit as st

from ui import flow, jobs, share, shelf, step_lines, step_paper, step_photo, step_pieces, words

SHOW: dict[str, Callable[[shelf.Work], flow.Wait | None]] = {
    "photo": step_photo.show,
    "lines": step_lines.show,
    "pieces": step_pieces.show,
    "paper": step_paper.show,
}


def visitor() -> shelf.Work | None:
    """This visitor's work, by the token in the address; a new one where there is none. A shared page opens for nobody
    without (a key in the address is turned into one by the gate): None."""
    token = st.query_params.get("work", "")
    work = shelf.open_work(token)
    if work is None:
        if share.address():
            return None
        if token:
            st.session_state["lost"] = True
        shelf.sweep()
        work = shelf.new_work()
    if st.query_params.get("work") != work.token:
        st.query_params["work"] = work.token
    return work


def show_closed() -> None:
    st.title("Truepeel", anchor=False)
    st.write(share.CLOSED)


def show_cautions(step: str) -> None:
    """All of them where foam is about to be cut; a tap away before that."""
    lines = "\n".join(f"- {words.plain(line)}" for line in words.CAUTIONS.values())
    title = "Before you cut, glue or wear"
    if step == "paper":
        st.header(title, anchor=False)
        st.markdown(lines)
    else:
        st.expander(title).markdown(lines)


def main() -> None:
    st.set_page_config("Truepeel", layout="wide")
    st.html(Path(__file__).with_name("page.css"))
    work = visitor()
    if work is None:
        show_closed()
        return
    st.title("Truepeel", anchor=False)
    st.write("A photo of the marked, peeled shell beside a printed scale card becomes a pattern at true scale.")
    if st.session_state.pop("lost", False):
        st.info(
            f"The work of that address is no longer here (it is kept for {shelf.KEEP_DAYS} days). This is a new start."
        )
    jobs.warm_up()
    step = flow.here(work)
    wait = SHOW[step](work)
    show_cautions(step)
    flow.forget_presses()
    if wait:
        wait.watch()


try:
    main()
except OSError as error:
    from ui.refusal import refusal_for

    flow.show_refusal(refusal_for(error))
