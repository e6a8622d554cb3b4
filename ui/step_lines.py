"""The second step: the lines as they were read, on the flat view, put right by hand where they are wrong."""

from __future__ import annotations

import secrets

import streamlit as st

import extract
from ui import board, builds, corrections, flow, shelf, words
from ui.refusal import refusal_for
from ui.tables import show_table


def show(work: shelf.Work) -> None:
    found = flow.found(work)
    if found.report is None or not (work.result(found.key) / "reading.json").is_file():
        st.write("There are no lines yet: they are read from the photo.")
        flow.offer("photo", "Go to the photo")
        return
    if not found.current:
        st.info("Photos or answers have changed since these lines were read; trace once more to renew them.")
    show_earlier(work, found.key)
    show_board(work, found.key)


def show_earlier(work: shelf.Work, key: str) -> None:
    """Corrections of an earlier reading are brought along when the maker says so: lines may have moved since."""
    earlier = None if corrections.read(work, key).seen else corrections.latest_other(work, key)
    if earlier is None:
        return
    count = words.count(len(earlier.done), "correction")
    st.info(f"You made {count} on an earlier reading of the photo. This one may lie a little differently.")
    st.button(f"Bring the {count} along", on_click=corrections.adopt, args=(work, key, earlier))


@st.fragment
def show_board(work: shelf.Work, key: str) -> None:
    flow.leave()
    st.write("Are all lines there, and only those? Tap a line to change it, tap a panel to name it.")
    try:
        tracing = board.show(work, key)
    except extract.CannotContinue as error:
        flow.show_refusal(refusal_for(error))
        if corrections.read(work, key).done and st.button("Take the last correction back"):
            corrections.record(work, key, [{"id": secrets.token_hex(8), "act": "undo"}])
            st.rerun(scope="fragment")
        return
    flow.offer("pieces", "Next: fit the pieces")
    st.header("Panels", anchor=False)
    show_table(words.panel_table(tracing), "Panels")
    st.caption(f"{words.SIGMA_NOTE} A line set by hand makes the panels beside it less sure.")
    # Lines that are being put right change once more before anything is printed.
    builds.foresee(work, key, files=not corrections.read(work, key).done)
