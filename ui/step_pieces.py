"""The third step: the panels as pieces of the build."""

from __future__ import annotations

import streamlit as st

import extract
from ui import corrections, flow, shelf, words
from ui.refusal import refusal_for


def show(work: shelf.Work) -> None:
    found = flow.found(work)
    if found.report is None or not (work.result(found.key) / "reading.json").is_file():
        st.write("There are no pieces yet: they are cut from the lines on the photo.")
        flow.offer("photo", "Go to the photo")
        return
    try:
        tracing = corrections.tracing(work.result(found.key), corrections.read(work, found.key))
    except extract.CannotContinue as error:
        flow.show_refusal(refusal_for(error))
        return
    st.table(words.panel_table(tracing), hide_index=True, border="horizontal")
    st.caption(words.SIGMA_NOTE)
    flow.offer("paper", "Next: paper and foam")
