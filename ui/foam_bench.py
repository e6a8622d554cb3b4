"""The foam half of the last step: which sheets there are, how the parts fall on them, what to buy."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

import extract
from ui import builds, flow, foam_words, jobs, shelf, words
from ui.drawings import show_svg
from ui.refusal import Refusal
from ui.tables import show_table

if TYPE_CHECKING:
    from extract import Project

PLAN = "plan.json"
Terms = tuple[float, float, float, bool]
"""Gap between parts, kerf and free border in mm; whether parts keep the grain's direction."""


def show(work: shelf.Work, key: str, project: Project) -> flow.Wait | None:
    st.header("On foam", anchor=False)
    left, right = st.columns([3, 2], gap="large")
    with right:
        show_sheets(work)
        terms = ask_terms()
    sheets = work.sheets()
    if not sheets:
        with left:
            st.write("Add the sheets of foam that you have or can buy, and the parts are laid on them here.")
        return None
    planned = plan_key(key, project, sheets, terms)
    plan = jobs.result(work, planned, PLAN)
    with left:
        if isinstance(plan, Refusal):
            flow.show_refusal(plan)
        elif plan is not None:
            show_plan(work.result(planned), plan)
        else:
            st.write("The parts have not been laid on these sheets yet.")
    with right:
        if plan is None and flow.pressed("Lay the parts on the sheets", "lay", type="primary"):
            return flow.Wait(jobs.start_making(work, planned, plan_of(project, sheets, terms)), st.empty())
    return None


def show_sheets(work: shelf.Work) -> None:
    for n, sheet in enumerate(work.sheets()):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(foam_words.sheet_name(sheet))
            st.button(
                f"Leave out {words.plain(foam_words.size_of(sheet))}",
                key=f"sheet-{n}",
                type="tertiary",
                on_click=leave_out,
                args=(work, sheet),
            )
    with st.expander("Add sheets of a size", expanded=not work.sheets()), st.form("sheet", border=False):
        ask_sheets(work)


def leave_out(work: shelf.Work, sheet: str) -> None:
    sheets = list(work.sheets())
    if sheet in sheets:
        sheets.remove(sheet)
        work.keep_sheets(sheets)


def ask_sheets(work: shelf.Work) -> None:
    left, right = st.columns(2)
    with left:
        width = st.number_input("Width (mm)", 20.0, 4000.0, 1000.0, 10.0, format="%.0f")
        thickness = st.number_input("Thickness (mm)", 0.5, 200.0, 6.0, 1.0, format="%.1f")
    with right:
        height = st.number_input("Height (mm)", 20.0, 4000.0, 500.0, 10.0, format="%.0f")
        count = st.number_input("How many you have", 0, 999, 1)
    price = st.number_input(
        "What one costs in your money, if you may buy more", 0.0, None, None, 0.5, placeholder="Not known"
    )
    if st.form_submit_button("Add these sheets"):
        cost = "" if price is None else f"@{price:.2f}"
        work.keep_sheets([*work.sheets(), f"{width:g}x{height:g}x{thickness:g}:{count}{cost}"])
        st.rerun()


def ask_terms() -> Terms:
    with st.expander("How close the parts may lie, and which way round"):
        gap = st.number_input("Room between parts (mm)", 0.0, 100.0, 3.0, 0.5, key="foam-gap")
        kerf = st.number_input(
            "What the cut itself takes: knife 0, saw about 1 (mm)", 0.0, 10.0, 0.0, 0.1, key="foam-kerf"
        )
        edge = st.number_input("Room to the sheet's edge (mm)", 0.0, 200.0, 5.0, 1.0, key="foam-edge")
        grain = st.checkbox("The foam has a grain or a print: turn parts by half a turn at most", key="foam-grain")
    return gap, kerf, edge, grain


def plan_key(key: str, project: Project, sheets: tuple[str, ...], terms: Terms) -> str:
    told = json.dumps(["foam", key, builds.state_of(project), sheets, terms, extract.__version__])
    return hashlib.sha256(told.encode("utf-8")).hexdigest()


def plan_of(project: Project, sheets: tuple[str, ...], terms: Terms) -> jobs.Make:
    def make(folder: Path, tell: jobs.Tell | None) -> None:
        plan = extract.foam_plan(project, sheets, *terms, progress=tell)
        for name, content in extract.foam_files(project, plan).items():
            (folder / name).write_bytes(content)
        for sheet in plan.sheets:
            (folder / f"sheet-{sheet.number}.svg").write_text(extract.foam_view(sheet), "utf-8")
        told = {
            "lines": foam_words.plan_lines(plan),
            "sheets": [[foam_words.sheet_line(sheet), foam_words.place_rows(sheet)] for sheet in plan.sheets],
            "said": [doubt.message for doubt in plan.doubts],
        }
        (folder / PLAN).write_text(json.dumps(told), "utf-8")

    return make


def show_plan(folder: Path, plan: Mapping[str, Any]) -> None:
    for message in plan["said"]:
        st.warning(words.plain(str(message)))
    st.write("\n".join(f"- {words.plain(str(line))}" for line in plan["lines"]))
    st.caption(words.plain(words.CAUTIONS["blades"]))
    st.download_button(
        "Cutting plan to print (PDF)",
        (folder / "foam-plan.pdf").read_bytes(),
        "foam-plan.pdf",
        "application/pdf",
        on_click="ignore",
        type="primary",
    )
    for number, (line, rows) in enumerate(plan["sheets"], start=1):
        show_svg((folder / f"sheet-{number}.svg").read_text("utf-8"), str(line))
        with st.expander(f"Where each part goes on sheet {number}"):
            show_table(rows, f"Where each part goes on sheet {number}")
