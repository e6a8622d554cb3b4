"""The last step: the build on paper, in files and on foam."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import streamlit as st

import extract
from ui import builds, flow, foam_bench, jobs, shelf, words
from ui.drawings import show_svg
from ui.refusal import Refusal, refusal_for
from ui.tables import show_table

if TYPE_CHECKING:
    from extract import Project

PRINTED = ("pattern.pdf", "build-sheet.pdf")
SIDE_BY_SIDE = "The pages as they are taped together; their letters and numbers stand on the paper too."
PACKED = "Every page is cut out by itself, but for parts larger than a page."


def show(work: shelf.Work) -> flow.Wait | None:
    found = flow.found(work)
    if found.report is None:
        st.write("There is nothing to print yet: the pattern comes from the photo.")
        flow.offer("photo", "Go to the photo")
        return None
    if not (work.result(found.key) / "reading.json").is_file():
        show_as_traced(work, found.key, found.report)
        return None
    try:
        project, _ = builds.current(work, found.key)
        printing = show_build(work, found.key, project)
        return printing or foam_bench.show(work, found.key, project)
    except extract.CannotContinue as error:
        flow.show_refusal(refusal_for(error))
        return None


def show_as_traced(work: shelf.Work, key: str, report: Mapping[str, Any]) -> None:
    """A reading that cannot be taken further, such as one of an earlier version: its files as they are."""
    st.write(f"**{words.headline(report)}.** Print at 100 %, and measure the check lines on the first page.")
    show_downloads(work.result(key))
    st.header("Panels", anchor=False)
    show_table(words.panel_rows(report), "Panels")
    st.caption(f"{words.plane_line(report)}. {words.SIGMA_NOTE}")


def show_build(work: shelf.Work, key: str, project: Project) -> flow.Wait | None:
    st.header("On paper", anchor=False)
    left, right = st.columns([3, 2], gap="large")
    with right:
        paper, packed = ask_paper(work)
        offer_pairs(work, key, project)
    picture, pages = builds.pages(project, paper, packed)
    with left:
        show_svg(picture, f"{words.count(pages, 'page')} of {paper} with the parts on them")
        st.caption(PACKED if packed else SIDE_BY_SIDE)
    files = builds.files_key(work, key, project, paper, packed)
    made = jobs.result(work, files)
    with right:
        st.write(
            f"**{words.count(pages, 'page')} of {paper}**, and a guide page before them. Print at 100\u00a0%, never "
            "fitted to the page, and measure the check lines on the first page before you print the rest."
        )
        if isinstance(made, Refusal):
            flow.show_refusal(made)
        elif made is not None:
            show_downloads(work.result(files))
        else:
            return flow.Wait(builds.start_files(work, key, project, paper, packed), st.empty())
    return None


def ask_paper(work: shelf.Work) -> tuple[str, bool]:
    known = flow.known(work)
    paper = st.selectbox(
        "Paper to print on", extract.PAPERS, extract.PAPERS.index(known.paper) if known.paper in extract.PAPERS else 0
    )
    packed = st.checkbox("Pack the parts on pages, so that fewer are cut apart", key="packed")
    builds.keep_paper(work, paper)
    return paper, packed


def offer_pairs(work: shelf.Work, key: str, project: Project) -> None:
    """The commonest wish of all, in one tap: a left and a right one of everything."""
    if any(piece.copies != "one" for piece in project.build.pieces):
        return
    if flow.pressed("Cut every piece as a left and right pair", "pairs"):
        builds.change(work, key, "copies", {"piece": "all", "how": "pair"})
        st.rerun()


def show_downloads(folder: Path) -> None:
    """What is printed stands first; the rest is a tap away."""
    there = [name for name in words.FILES if (folder / name).is_file()]
    offer_files(folder, [name for name in there if name in PRINTED])
    with st.expander("Drawings, figures, photos and the project"):
        offer_files(folder, [name for name in there if name not in PRINTED])


def offer_files(folder: Path, names: Sequence[str]) -> None:
    with st.container(horizontal=True):
        for name in names:
            label, media = words.FILES[name]
            kind: Literal["primary", "secondary"] = "primary" if name == PRINTED[0] else "secondary"
            content = (folder / name).read_bytes()
            st.download_button(label, content, name, media, key=name, on_click="ignore", type=kind)
