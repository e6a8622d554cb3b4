"""The last step: the pattern on paper and in files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

import streamlit as st

import extract
from ui import corrections, flow, jobs, shelf, words
from ui.refusal import Refusal


def show(work: shelf.Work) -> flow.Wait | None:
    found = flow.found(work)
    if found.report is None:
        st.write("There is nothing to print yet: the pattern comes from the photo.")
        flow.offer("photo", "Go to the photo")
        return None
    settings = ask_settings(work)
    key = jobs.files_key(found.key, settings, corrections.read(work, found.key))
    made = jobs.result(work, key)
    if isinstance(made, Refusal):
        flow.show_refusal(made)
    elif made is not None:
        st.write(f"**{words.headline(made)}.** Print at 100 %, and measure the check lines on the first page.")
        show_downloads(work.result(key))
        st.header("Panels", anchor=False)
        st.table(words.panel_rows(made), hide_index=True, border="horizontal")
        st.caption(f"{words.plane_line(made)}. {words.SIGMA_NOTE}")
    else:
        return flow.Wait(jobs.start_files(work, found.key, settings), st.empty())
    return None


def ask_settings(work: shelf.Work) -> extract.TraceSettings:
    known = flow.known(work)
    paper = st.selectbox(
        "Paper to print on", extract.PAPERS, extract.PAPERS.index(known.paper) if known.paper in extract.PAPERS else 0
    )
    pairs = st.checkbox("Add the mirrored twin of every panel, marked L and R", known.pairs)
    settings = replace(work.settings(), paper=paper, pairs=pairs)
    work.keep_settings(settings)
    return settings


def show_downloads(folder: Path) -> None:
    first = next(iter(words.FILES))
    with st.container(horizontal=True):
        for name, (label, media) in words.FILES.items():
            path = folder / name
            if path.is_file():
                kind: Literal["primary", "secondary"] = "primary" if name == first else "secondary"
                st.download_button(label, path.read_bytes(), name, media, key=name, on_click="ignore", type=kind)
