"""The page: from the photo to the printed pattern in a browser on the maker's own machine.

It asks, shows and hands out; every figure comes from report.json and every picture from ``extract``.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

import extract
from ui import jobs, shelf, words
from ui.refusal import Refusal

HOW_TO = """
1. Lay the peeled, slit shell flat on a table, marker lines up.
2. Lay a card on each side of it, flat and wholly in the picture; two cards give a far truer scale than one.
3. Stand 0.5 to 1.3 m away with the light from the side, and look down as squarely as you can.
4. Take the photo with the phone's main camera (no zoom), then bring it here as it is: JPEG, HEIC, PNG, TIFF or WebP.
"""
OVERLAY = "The lines and panels found, on the photo"
# The command line's words for these doubts name options; the page has boxes.
DOUBTS = {
    "bars-not-measured": "The card's bars were not measured, so the printer's own stretch is a guess that is part of "
    "the ±. Lay a ruler along both bars and fill in what it says under 3.",
}
COLOURS = (None, "black", "blue", "red", "green", "purple")
POLL_SECONDS = 0.25


@st.cache_data(show_spinner=False)
def cards_pdf(family: str, numbers: tuple[int, ...]) -> bytes:
    return extract.cards_pdf(family, numbers)


def visitor() -> shelf.Work:
    """This visitor's work, by the token in the address; a new one where there is none."""
    token = st.query_params.get("work", "")
    work = shelf.open_work(token)
    if work is None:
        if token:
            st.session_state["lost"] = True
        shelf.sweep()
        work = shelf.new_work()
        st.query_params["work"] = work.token
    return work


def show_cards() -> None:
    st.header("1 · Scale cards", anchor=False)
    with st.expander("Print scale cards"):
        st.write(
            "Print them at 100 % (no fit to page) on stiff paper. Then lay a ruler along both bars of a card and note "
            "what it says; you are asked for it below."
        )
        family = st.selectbox("Size of the cards", extract.FAMILIES, key="family")
        numbers = st.multiselect(
            "Their numbers", range(10), default=(0, 1, 2, 3), key="numbers", help="No number twice on one table."
        )
        if numbers:
            st.download_button(
                "Scale cards (PDF)",
                cards_pdf(family, tuple(sorted(numbers))),
                f"scale-cards-{family}.pdf",
                "application/pdf",
                on_click="ignore",
            )


def show_photos(work: shelf.Work) -> None:
    st.header("2 · Photo of the shell", anchor=False)
    # A fresh key empties the box, so what lies on the shelf is shown once.
    batch = st.session_state.setdefault("batch", 0)
    given = st.file_uploader("Add one or more photos of the same shell", accept_multiple_files=True, key=f"add{batch}")
    if given:
        for file in given:
            work.add_photo(file.name, file.getvalue())
        st.session_state["batch"] += 1
        st.rerun()
    for photo in work.photos():
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(f"{photo.name}, {len(work.photo_bytes(photo)) / 1e6:.1f} MB")
            if st.button(f"Remove {words.plain(photo.name)}", key=f"drop-{photo.digest}", type="tertiary"):
                work.drop_photo(photo.digest)
                st.rerun()
    if not work.photos() and st.button("Try the moth-lantern shell"):
        shell = extract.demo_photo()
        work.add_photo(shell.name, shell.read_bytes())
        jobs.start(work, work.settings())
        st.rerun()


def ask_settings(work: shelf.Work) -> extract.TraceSettings:
    """The maker's answers, kept as they are given."""
    st.header("3 · What you measured", anchor=False)
    # A default that changed from run to run would be another box to Streamlit, and take the keyboard's place in it.
    known = st.session_state.setdefault("known", work.settings())
    left, right = st.columns(2)
    with left:
        bar_long = st.number_input(
            "Long bar (mm)", 10.0, 400.0, known.bar_long_mm, 0.1, "%.1f", placeholder="not measured"
        )
    with right:
        bar_short = st.number_input(
            "Short bar (mm)", 10.0, 400.0, known.bar_short_mm, 0.1, "%.1f", placeholder="not measured"
        )
    st.caption("As your ruler says on the printed card. Left empty, the printer is taken at its word.")
    pairs = st.checkbox("Add the mirrored twin of every panel, marked L and R", known.pairs)
    paper = st.selectbox(
        "Paper to print on", extract.PAPERS, extract.PAPERS.index(known.paper) if known.paper in extract.PAPERS else 0
    )
    with st.expander("Seldom needed"):
        height = st.number_input("Top of the shell above the table (mm)", 0.0, 50.0, known.height_mm, 0.1, "%.1f")
        colour = st.selectbox(
            "Lines to cut along",
            COLOURS,
            COLOURS.index(known.cut_colour) if known.cut_colour in COLOURS else 0,
            format_func=lambda name: name or "the darkest marker",
        )
    settings = extract.TraceSettings(bar_long, bar_short, height, paper, colour, pairs)
    work.keep_settings(settings)
    return settings


def ask_to_trace(work: shelf.Work, settings: extract.TraceSettings) -> None:
    known = jobs.result(work, jobs.key_for(work, settings)) is not None
    if st.button(
        "Trace again" if known else "Trace the pattern",
        type="secondary" if known else "primary",
        disabled=not work.photos(),
        width="stretch",
    ):
        jobs.start(work, settings)


def show_outcome(work: shelf.Work, settings: extract.TraceSettings) -> None:
    """What these photos and settings give, or what was asked for last, or how to begin."""
    st.header("4 · Pattern", anchor=False)
    shown = jobs.key_for(work, settings)
    found = jobs.result(work, shown)
    asked = work.asked()
    if found is None and asked and work.photos():
        shown, found = asked, failure(work) or jobs.result(work, asked)
        if found and asked != jobs.key_for(work, settings):
            st.info("Photos or answers have changed since; trace once more to bring this up to date.")
    if isinstance(found, Refusal):
        show_refusal(found)
    elif found is None:
        st.write("It will appear here. For a good photo:")
        st.markdown(HOW_TO)
    else:
        show_pattern(found, work.result(shown))


def running(work: shelf.Work) -> jobs.Job | None:
    """The tracing under way for this visitor."""
    asked = work.asked()
    job = jobs.last(work, asked) if asked else None
    return job if job and not job.over.is_set() else None


def failure(work: shelf.Work) -> Refusal | None:
    """Why the last tracing could not even write down how it ended."""
    asked = work.asked()
    job = jobs.last(work, asked) if asked else None
    return job.failed if job else None


def watch(job: jobs.Job, place: DeltaGenerator) -> None:
    """Follow a tracing to its end, then run the page anew."""
    bar = place.progress(job.share, "Tracing")
    while not job.over.wait(POLL_SECONDS):
        bar.progress(job.share, f"{job.doing[:1].upper()}{job.doing[1:]} · {job.share:.0%}")
    st.rerun()


def show_refusal(refusal: Refusal) -> None:
    st.error(f"**{words.plain(refusal.reason)}** {words.plain(refusal.advice)}")


def show_pattern(report: Mapping[str, Any], folder: Path) -> None:
    st.write(f"**{words.headline(report)}.** Print at 100 %, and measure the check lines on the first page.")
    for line in words.warning_lines(report, DOUBTS):
        st.warning(words.plain(line))
    show_downloads(folder)
    overlay = folder / "overlay.jpg"
    if overlay.is_file():
        st.image(overlay.read_bytes(), OVERLAY, "stretch", alt=f"{OVERLAY}: {words.headline(report)}")
    st.subheader("Panels", anchor=False)
    st.table(words.panel_rows(report), hide_index=True, border="horizontal")
    st.caption(f"{words.plane_line(report)}. {words.SIGMA_NOTE}")
    st.subheader("Cards", anchor=False)
    st.markdown("\n".join(f"- {words.plain(line)}" for line in words.card_lines(report)))


def show_downloads(folder: Path) -> None:
    first = next(iter(words.FILES))
    with st.container(horizontal=True):
        for name, (label, media) in words.FILES.items():
            path = folder / name
            if path.is_file():
                kind: Literal["primary", "secondary"] = "primary" if name == first else "secondary"
                st.download_button(label, path.read_bytes(), name, media, key=name, on_click="ignore", type=kind)


def show_cautions() -> None:
    st.header("Before you cut, glue or wear", anchor=False)
    st.markdown("\n".join(f"- {words.plain(line)}" for line in words.CAUTIONS))


def main() -> None:
    st.set_page_config("Truepeel", layout="wide")
    st.html(Path(__file__).with_name("page.css"))
    work = visitor()
    st.title("Truepeel", anchor=False)
    st.write("A photo of the marked, peeled shell beside a printed scale card becomes a pattern at true scale.")
    if st.session_state.pop("lost", False):
        st.info(
            f"The work of that address is no longer here (it is kept for {shelf.KEEP_DAYS} days). This is a new start."
        )
    left, right = st.columns([2, 3], gap="large")
    with left:
        show_cards()
        show_photos(work)
        settings = ask_settings(work)
        ask_to_trace(work, settings)
        below_button = st.empty()
    # Asked before the outcome is shown: a tracing that ends in between still runs the page anew.
    job = running(work)
    with right:
        show_outcome(work, settings)
    show_cautions()
    if job:
        watch(job, below_button)


try:
    main()
except OSError as error:
    from ui.refusal import refusal_for

    show_refusal(refusal_for(error))
