"""The first step: scale cards, photos of the shell, what the ruler said, and what the photo gave."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import streamlit as st

import extract
from ui import builds, corner_setting, flow, jobs, share, shelf, uploads, words
from ui.drawings import for_screen
from ui.refusal import Refusal, refusal_for

HOW_TO = """
1. Slit the peeled shell until it lies flat on a table, marker lines up; a fresh blade, away from your hand.
2. Lay a printed scale card on each side of it, flat and wholly in the picture; two give a far truer scale than one.
3. Stand 0.5 to 1.3 m away with the light from the side, and look down as squarely as you can.
4. Take the photo with the phone's main camera (no zoom), then bring it here as it is: JPEG, HEIC, PNG, TIFF or WebP.
"""
OVERLAY = "The lines and panels found, on the photo"
# The command line's words for these doubts name options; the page has boxes.
DOUBTS = {
    "bars-not-measured": "The card's bars were not measured, so the printer's own stretch is a guess that is part of "
    "the ±. Lay a ruler along both bars and fill in what it says under “What you measured”.",
    "tip-near-line": "A cut ends so close to a line that it is a guess whether it parts the panels there. The next "
    "step shows where, and asks.",
    "edge-unsure": "Some of the cut edge hardly differs from the table. The next step shows where, and asks.",
}
PHONE_SECONDS = 3.0
CODE_PX = 280
COLOURS = (None, "black", "blue", "red", "green", "purple")


@st.cache_data(show_spinner=False)
def cards_pdf(family: str, numbers: tuple[int, ...]) -> bytes:
    return extract.cards_pdf(family, numbers)


def show(work: shelf.Work) -> flow.Wait | None:
    left, right = st.columns([2, 3], gap="large")
    with left:
        show_photos(work)
        progress = st.empty()
        settings = ask_settings(work)
        read_at_once(work, settings)
        # Asked before the outcome is shown: what ends or comes to light in between still runs the page anew.
        job = flow.running(work)
        known = job.news if job else 0
        if job is None:
            ask_to_trace(work, settings)
        place = st.empty()
        if not work.photos():
            with place.container():
                show_beginnings(work)
    with right:
        show_outcome(work, settings)
    if work.photos():
        # On a phone, where columns lie one below the other, what was found comes before them.
        show_beginnings(work)
    return flow.Wait(job, progress, known) if job else None


def show_beginnings(work: shelf.Work) -> None:
    show_cards()
    show_phone(work)
    show_saved(work)


def show_cards() -> None:
    with st.expander("Print scale cards"):
        st.write(
            "Print them at 100\u00a0% (no fit to page) on stiff paper. Then lay a ruler along both bars of a card and "
            "note what it says; you are asked for it under “What you measured”."
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


def take_photos(work: shelf.Work, box: str) -> None:
    """Puts photos that were just given on the shelf, and has them read."""
    if box != f"add{st.session_state['batch']}":
        return  # that box is gone, and so are its files, which Streamlit takes for one more change
    given = st.session_state[box]
    try:
        for file in given:
            work.add_photo(file.name, file.getvalue())
        jobs.start(work, work.settings())
    except extract.CannotContinue as error:
        st.session_state["shelf-full"] = refusal_for(error)
    uploads.forget(given)
    st.session_state["batch"] += 1


def show_photos(work: shelf.Work) -> None:
    st.header("Photo of the shell", anchor=False)
    # A fresh key empties the box, so what lies on the shelf is shown once.
    box = f"add{st.session_state.setdefault('batch', 0)}"
    st.file_uploader(
        "Add one or more photos of the same shell",
        accept_multiple_files=True,
        key=box,
        on_change=take_photos,
        args=(work, box),
    )
    if "shelf-full" in st.session_state:
        flow.show_refusal(st.session_state.pop("shelf-full"))
    for photo in work.photos():
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(f"{photo.name}, {words.file_size(work.photo_size(photo))}")
            st.button(
                f"Remove {words.plain(photo.name)}",
                key=f"drop-{photo.digest}",
                type="tertiary",
                on_click=work.drop_photo,
                args=(photo.digest,),
            )
    # What falls away with the first photo has places of its own, or it would stay, faded, until the work is done.
    place = st.empty()
    if not work.photos():
        place.button("Try the moth-lantern shell", on_click=try_demo, args=(work,))


def try_demo(work: shelf.Work) -> None:
    shell = extract.demo_photo()
    work.add_photo(shell.name, shell.read_bytes())
    jobs.start(work, work.settings())


def show_saved(work: shelf.Work) -> None:
    """Going on with a project file, on this machine or another."""
    with st.expander("Go on with a saved project"):
        st.write("Its photos, corrections and pieces take the place of what is on this page.")
        turn = st.session_state.setdefault("project-turn", 0)
        given = st.file_uploader("Project file (.truepeel)", key=f"project{turn}")
        if given is None or not flow.pressed("Open it here", "open-project"):
            return
        try:
            builds.take_in(work, given.getvalue())
        except extract.CannotContinue as error:
            flow.show_refusal(refusal_for(error))
            return
        uploads.forget([given])
        st.session_state["project-turn"] += 1
        st.session_state["known"] = work.settings()
        st.rerun()


def show_phone(work: shelf.Work) -> None:
    """Taking the photo with the phone itself, straight into this work."""
    with st.expander("Take the photo with your phone"):
        where = share.address()
        if where is None:
            st.write(
                "Start the page with **truepeel page --share**, and this shows a code that opens it on a phone in your "
                "home network. Until then nobody but this machine can reach it."
            )
        elif flow.pressed("Show a code for the phone", "show-code"):
            st.session_state["phone"] = f"{where}?key={share.keys.give(work.token)}"
        if where and "phone" in st.session_state:
            show_code(work, st.session_state["phone"])


@st.fragment(run_every=PHONE_SECONDS)
def show_code(work: shelf.Work, link: str) -> None:
    known = st.session_state.setdefault("photos-known", len(work.photos()))
    if len(work.photos()) != known:
        st.session_state["photos-known"] = len(work.photos())
        st.rerun()
    st.image(share.code_png(link), width=CODE_PX, alt="Code for the phone's camera")
    st.code(link, language=None, wrap_lines=True)
    st.caption(
        "Point the phone's camera at the code. It works once, for ten minutes, and only on your home network. What is "
        "sent there is not encrypted, so do this on a network you trust. Use the phone's own camera app when it asks "
        "for a photo: it takes a far sharper one than a browser can."
    )


def ask_settings(work: shelf.Work) -> extract.TraceSettings:
    """The maker's answers, kept as they are given."""
    st.header("What you measured", anchor=False)
    known = flow.known(work)
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
    with st.expander("Seldom needed"):
        height = st.number_input("Top of the shell above the table (mm)", 0.0, 50.0, known.height_mm, 0.1, "%.1f")
        colour = st.selectbox(
            "Lines to cut along",
            COLOURS,
            COLOURS.index(known.cut_colour) if known.cut_colour in COLOURS else 0,
            format_func=lambda name: name or "the darkest marker",
        )
    settings = replace(
        work.settings(), bar_long_mm=bar_long, bar_short_mm=bar_short, height_mm=height, cut_colour=colour
    )
    work.keep_settings(settings)
    return settings


def read_at_once(work: shelf.Work, settings: extract.TraceSettings) -> None:
    """Photos are read as soon as they lie here. Once there are lines, answers that change them wait for the button."""
    key = jobs.key_for(work, settings)
    if not work.photos() or key == work.asked() or jobs.result(work, key) is not None:
        return
    found = flow.found(work)
    if found.report is None or are_others(work, found.report):
        jobs.start(work, settings)


def are_others(work: shelf.Work, report: Mapping[str, Any]) -> bool:
    """Whether the report tells of other photos than lie here now."""
    return [photo["file"] for photo in report["photos"]] != [photo.name for photo in work.photos()]


def ask_to_trace(work: shelf.Work, settings: extract.TraceSettings) -> None:
    known = jobs.result(work, jobs.key_for(work, settings)) is not None
    if flow.pressed(
        "Trace again" if known else "Trace the pattern",
        "trace",
        type="secondary" if known else "primary",
        disabled=not work.photos(),
        width="stretch",
    ):
        jobs.start(work, settings)
        st.rerun()


def show_outcome(work: shelf.Work, settings: extract.TraceSettings) -> None:
    """What these photos and settings give, or what was asked for last, or what a first look says, or how to begin."""
    found = flow.found(work)
    begun = work.photos() or found.outcome is not None
    st.header("What was found" if begun else "For a good photo", anchor=False)
    advice = st.empty()
    if not found.current:
        st.info("Photos or answers have changed since; trace once more to bring this up to date.")
    if isinstance(found.outcome, Refusal):
        flow.show_refusal(found.outcome)
        offer_corners(work, settings)
    elif found.outcome is not None:
        if are_others(work, found.outcome):
            look_first(work, settings)
        show_reading(found.outcome, work.result(found.key))
        builds.foresee(work, found.key, files=True)
    elif not begun:
        advice.markdown(HOW_TO)
    else:
        look_first(work, settings)


def look_first(work: shelf.Work, settings: extract.TraceSettings) -> None:
    """The cards, outlined, and what would make the next photo better, while the shell still lies there."""
    key = jobs.key_for(work, settings)
    look = jobs.look(work, key)
    if look is not None:
        show_look(work, look, work.result(jobs.look_key(key)))


def show_look(work: shelf.Work, look: Mapping[str, Any], folder: Path) -> None:
    st.write(f"**{words.look_line(look)}**")
    for refusal in [look["refusal"], *(photo["refusal"] for photo in look["photos"])]:
        if refusal:
            flow.show_refusal(Refusal(**refusal))
    show_advice(look["said"])
    for photo, told in zip(work.photos(), look["photos"], strict=False):
        picture = folder / f"{photo.digest}.jpg"
        if picture.is_file():
            show_photo(work, photo, told, picture.read_bytes())


def offer_corners(work: shelf.Work, settings: extract.TraceSettings) -> None:
    """Where a tracing was refused: the photos without a card to be used, their corners to be set by hand."""
    key = jobs.key_for(work, settings)
    look = jobs.look(work, key) or {"photos": []}
    for photo, told in zip(work.photos(), look["photos"], strict=False):
        picture = work.result(jobs.look_key(key)) / f"{photo.digest}.jpg"
        if told["refusal"] and picture.is_file():
            show_photo(work, photo, told, picture.read_bytes())


def show_photo(work: shelf.Work, photo: shelf.StoredPhoto, told: Mapping[str, Any], picture: bytes) -> None:
    """The photo with its cards outlined, or with corners to set where none can be used."""
    corner_setting.show(work, photo)
    if told["refusal"] and told["size_px"] and min(told["size_px"]) >= corner_setting.LEAST_PX:
        corner_setting.ask(work, photo, (told["size_px"][0], told["size_px"][1]), picture)
        return
    caption = words.plain(words.cards_in(told))
    st.image(picture, caption, "stretch", alt=caption)


def told_once(report: Mapping[str, Any]) -> Mapping[str, Any]:
    """The report without the bars' own doubt where the gain of measuring them is told in figures."""
    warnings = report.get("warnings", ())
    gain = next((each for each in warnings if each["code"] == "ruler-advice"), None)
    if gain is None:
        return report
    others = [each for each in warnings if each["code"] != "bars-not-measured" and each is not gain]
    where = f"{gain['message']} Fill in what it says under “What you measured”."
    return {**report, "warnings": [*others, {**gain, "message": where}]}


def show_advice(lines: Sequence[str]) -> None:
    """One box for all, so that the photo below stays in sight."""
    told = [words.plain(line) for line in lines]
    if told:
        st.warning(told[0] if len(told) == 1 else "\n".join(f"- {line}" for line in told))


def show_reading(report: Mapping[str, Any], folder: Path) -> None:
    st.write(f"**{words.headline(report)}.** {words.plane_line(report)}. {words.SIGMA_NOTE}")
    flow.offer("lines", "Next: check the lines")
    show_advice(words.warning_lines(told_once(report), DOUBTS))
    overlay = folder / "overlay.jpg"
    if overlay.is_file():
        small = for_screen(overlay, overlay.stat().st_mtime_ns)
        st.image(small, OVERLAY, "stretch", alt=f"{OVERLAY}: {words.headline(report)}")
    st.caption("  \n".join(words.plain(line) for line in words.card_lines(report)))
