"""Setting by hand the corners of a card or of any rectangle of known size, where no card could be read."""

from __future__ import annotations

import base64
from dataclasses import replace
from pathlib import Path

import streamlit as st

import extract
from ui import flow, shelf

FOLDER = Path(__file__).with_name("corners")
SIZES: dict[str, tuple[float, float] | None] = {
    "the checkered field of an A4 card": (270.0, 180.0),
    "the checkered field of a Letter card": (240.0, 180.0),
    "the checkered field of a small card": (100.0, 80.0),
    "a sheet of A4 paper": (297.0, 210.0),
    "a sheet of Letter paper": (279.4, 215.9),
    "another rectangle": None,
}
SURE_MM = {"printed": 0.4, "paper": 2.0, "own": 0.5}
"""1 σ of a side: a field printed at 100 % stretches by 0.15 %; ISO 216 lets a sheet's sides stray by 2 mm; a ruler read
at both ends (common practice, no source)."""
LEAST_PX = 400
"""A picture smaller than that shows no rectangle whose corners a finger could set truly enough to measure by."""
START = [[0.3, 0.3], [0.7, 0.3], [0.7, 0.7], [0.3, 0.7]]

_corners = st.components.v2.component(
    "truepeel.corners",
    html=(FOLDER / "corners.html").read_text("utf-8"),
    css=(FOLDER / "corners.css").read_text("utf-8"),
    js=(FOLDER / "corners.js").read_text("utf-8"),
)


def of(work: shelf.Work, digest: str) -> extract.HandRectangle | None:
    """The rectangle set in that photo, if one was."""
    return next((one for one in work.settings().by_hand if one.photo == digest), None)


def keep(work: shelf.Work, digest: str, rectangle: extract.HandRectangle | None) -> None:
    """Keep the rectangle of that photo, or forget it."""
    settings = work.settings()
    others = tuple(one for one in settings.by_hand if one.photo != digest)
    work.keep_settings(replace(settings, by_hand=(*others, rectangle) if rectangle else others))


def ask(work: shelf.Work, photo: shelf.StoredPhoto, size_px: tuple[int, int], picture: bytes) -> None:
    """The photo with four corners to drag, what they belong to, and the button that takes them."""
    st.write(
        "**No card read? Set the corners yourself.** Drag 1 to 4 onto the corners of a card's checkered field, or of "
        "any flat rectangle on the table whose sides you know, one after the other round it, a long side first."
    )
    name = f"corners-{photo.digest}"
    set_so_far = (st.session_state.get(name) or {}).get("corners") or START
    _corners(
        key=name,
        data={"picture": f"data:image/jpeg;base64,{base64.b64encode(picture).decode()}", "corners": set_so_far},
        on_corners_change=lambda: None,
    )
    size, sd = ask_size(photo.digest)
    if flow.pressed("Use these corners", f"use-{photo.digest}", type="primary"):
        corners = tuple((x * size_px[0] - 0.5, y * size_px[1] - 0.5) for x, y in set_so_far)
        keep(work, photo.digest, extract.HandRectangle(photo.digest, size, sd, corners))
        st.rerun()


def ask_size(digest: str) -> tuple[tuple[float, float], float]:
    """Both sides in mm, the one from corner 1 to corner 2 first, and how well they are known."""
    what = st.selectbox("They are the corners of", list(SIZES), key=f"what-{digest}")
    size = SIZES[what]
    if size:
        return size, SURE_MM["paper" if "sheet" in what else "printed"]
    left, right = st.columns(2)
    with left:
        width = st.number_input("From 1 to 2 (mm)", 20.0, 3000.0, 300.0, 1.0, "%.1f", key=f"width-{digest}")
    with right:
        height = st.number_input("From 2 to 3 (mm)", 20.0, 3000.0, 200.0, 1.0, "%.1f", key=f"height-{digest}")
    return (width, height), SURE_MM["own"]


def show(work: shelf.Work, photo: shelf.StoredPhoto) -> None:
    """What was set, and a way to take it back."""
    rectangle = of(work, photo.digest)
    if rectangle is None:
        return
    width, height = rectangle.size_mm
    st.write(f"Scale set by hand: a rectangle of {width:.1f} × {height:.1f} mm.")
    st.button("Forget these corners", key=f"forget-{photo.digest}", on_click=keep, args=(work, photo.digest, None))
