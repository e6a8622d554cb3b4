"""The foam half of the last step: which sheets there are, how the parts fall on them, what to buy."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

import extract
from ui import builds, flow, foam_words, jobs, shelf, words
from ui.drawings import show_svg
from ui.refusal import Refusal
from ui.tables import show_table

if TYPE_CHECKING:
    from extract import FoamPlan, Project

PLAN = "plan.json"
CLOSER_S = 30
"""Most of what can be won is found by then, and nobody likes to wait longer (tests/bench/bench_foam_closer.py)."""
Terms = tuple[float, float, float, bool]
"""Gap between parts, kerf and free border in mm; whether parts keep the grain's direction."""


@dataclass(frozen=True)
class Planned:
    """A plan of a project's parts; ``gain`` says what packing closer was good for."""

    project: Project
    plan: FoamPlan
    gain: str = ""


MakePlan = Callable[[jobs.Tell | None], Planned]


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
    closer = closer_key(planned)
    plan, better = jobs.result(work, planned, PLAN), jobs.result(work, closer, PLAN)
    with left:
        if isinstance(better, Refusal):
            flow.show_refusal(better)
        if better is not None and not isinstance(better, Refusal):
            show_plan(work.result(closer), better)
        elif isinstance(plan, Refusal):
            flow.show_refusal(plan)
        elif plan is not None:
            show_plan(work.result(planned), plan)
        else:
            st.write("The parts have not been laid on these sheets yet.")
    with right:
        if better is not None or isinstance(plan, Refusal):
            return None
        make = plan_of(project, sheets, terms)
        return ask_plan(work, planned, make) if plan is None else ask_closer(work, closer, closer_of(make, sheets))


def ask_plan(work: shelf.Work, key: str, make: MakePlan) -> flow.Wait | None:
    job = jobs.under_way(work, key)
    if job is None and flow.pressed("Lay the parts on the sheets", "lay", type="primary"):
        job = jobs.start_making(work, key, kept(make))
    return flow.Wait(job, st.empty()) if job else None


def ask_closer(work: shelf.Work, key: str, make: MakePlan) -> flow.Wait | None:
    """What takes long is done only where somebody wants it; the plan made before stays on the page meanwhile."""
    job = jobs.under_way(work, key)
    if job is None:
        st.caption(
            f"The parts can lie closer. That takes up to {CLOSER_S} s and may save a sheet, or leave more of the last "
            "one whole. It is done once for these parts and sheets, and then kept."
        )
        if flow.pressed("Pack the parts closer", "closer"):
            work.keep_plan(key)
            job = jobs.start_aside(work, key, kept(make))
    return flow.Wait(job, st.empty()) if job else None


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
    # Two rows of two, which a phone shows in this order.
    left, right = st.columns(2)
    width = left.number_input("Width (mm)", 20.0, 4000.0, 1000.0, 10.0, format="%.0f")
    height = right.number_input("Height (mm)", 20.0, 4000.0, 500.0, 10.0, format="%.0f")
    left, right = st.columns(2)
    thickness = left.number_input("Thickness (mm)", 0.5, 200.0, 6.0, 1.0, format="%.1f")
    count = right.number_input("How many you have", 0, 999, 1)
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


def closer_key(planned: str) -> str:
    return hashlib.sha256(f"closer {planned} {CLOSER_S}".encode("ascii")).hexdigest()


def plan_of(project: Project, sheets: tuple[str, ...], terms: Terms) -> MakePlan:
    def make(tell: jobs.Tell | None) -> Planned:
        return Planned(project, extract.foam_plan(project, sheets, *terms, progress=tell))

    return make


def closer_of(make: MakePlan, sheets: tuple[str, ...]) -> MakePlan:
    """The same plan, packed closer, with a line on what that was good for."""

    def make_closer(tell: jobs.Tell | None) -> Planned:
        plain = make(tell)
        plan = extract.closer_foam_plan(plain.plan, sheets, CLOSER_S, tell)
        return Planned(plain.project, plan, foam_words.closer_line(plain.plan, plan))

    return make_closer


def kept(make: MakePlan) -> jobs.Make:
    """Writes down all that the page shows of the plan and hands out, so that it need never be made again."""

    def keep(folder: Path, tell: jobs.Tell | None) -> None:
        planned = make(tell)
        plan = planned.plan
        for name, content in extract.foam_files(planned.project, plan).items():
            (folder / name).write_bytes(content)
        for sheet in plan.sheets:
            (folder / f"sheet-{sheet.number}.svg").write_text(extract.foam_view(sheet), "utf-8")
        told = {
            "gain": planned.gain,
            "lines": foam_words.plan_lines(plan),
            "sheets": [[foam_words.sheet_line(sheet), foam_words.place_rows(sheet)] for sheet in plan.sheets],
            "said": [doubt.message for doubt in plan.doubts],
        }
        (folder / PLAN).write_text(json.dumps(told), "utf-8")

    return keep


def show_plan(folder: Path, plan: Mapping[str, Any]) -> None:
    for message in plan["said"]:
        st.warning(words.plain(str(message)))
    if plan.get("gain"):
        st.write(f"**{words.plain(str(plan['gain']))}**")
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
