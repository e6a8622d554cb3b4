"""The drawing surface as a part of the page: joins its scripts, hands it the drawing, writes down what comes back."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import streamlit as st

import extract
from ui import corrections
from ui.shelf import Work

FOLDER = Path(__file__).with_name("surface")
SCRIPTS = ("view.js", "preview.js", "paint.js", "words.js", "acts.js", "board.js", "hands.js", "tag.js", "surface.js")


HELD = "picture-held"
MOST_TAPS = 40
"""Places of one line whose ink is followed, a tenth of a second each at most."""


def _script() -> str:
    """All scripts as the one module that Streamlit takes: their imports from one another fall away."""
    parts = [(FOLDER / name).read_text("utf-8") for name in SCRIPTS]
    joined = re.sub(r"^import [^;]*;\n", "", "\n".join(parts), flags=re.MULTILINE)
    return re.sub(r"^export (?!default)", "", joined, flags=re.MULTILINE)


_surface = st.components.v2.component(
    "truepeel.surface",
    html=(FOLDER / "surface.html").read_text("utf-8"),
    css=(FOLDER / "surface.css").read_text("utf-8"),
    js=_script(),
)


def show(work: Work, key: str) -> extract.Tracing:
    """The surface for the reading of that key; returns the tracing as corrected. Raises CannotContinue."""
    folder, name = work.result(key), f"surface-{key}"

    def write_down() -> None:
        acts = st.session_state[name].get("acts")
        if isinstance(acts, list):
            known = corrections.read(work, key).seen
            corrections.record(work, key, [_along_ink(act, folder, known) for act in acts])

    log = corrections.read(work, key)
    tracing = corrections.tracing(folder, log)
    picture = _picture(folder / "flat.jpg", (folder / "flat.jpg").stat().st_mtime_ns)
    # The browser says which picture it has, and keeps it while the maker is at another step.
    held = (st.session_state.get(name) or {}).get("picture", st.session_state.get(HELD, ""))
    st.session_state[HELD] = held
    data: dict[str, Any] = {
        "board": f"{work.token[:8]}-{key[:16]}",
        "frame": json.loads((folder / "flat.json").read_text("utf-8")),
        "pictureId": picture[0],
        # Sent until the browser says that it has it, so that an edit does not carry the photo each time.
        "picture": None if held == picture[0] else picture[1],
        "pictureHeld": held,
        "drawing": extract.drawing(tracing),
        "done": len(log.done),
        "undone": len(log.undone),
        "seen": list(log.seen),
    }
    _surface(
        key=name,
        data=data,
        on_acts_change=write_down,
        on_picture_change=lambda: None,
        on_look_change=lambda: None,
    )
    return tracing


def _along_ink(act: Any, folder: Path, known: Sequence[str]) -> Any:
    """The act with its drawn line led along the ink between the places tapped, where it asks for that."""
    wanted = isinstance(act, dict) and act.get("follow") is True and act.get("id") not in known
    if not wanted or not corrections.is_sound(act.get("correction")) or act["correction"]["do"] != "draw":
        return act
    drawn = act["correction"]
    places = [*drawn["points"], *(drawn["points"][:1] if drawn["closed"] else ())]
    if not 2 <= len(places) <= MOST_TAPS:
        return act
    frame = json.loads((folder / "flat.json").read_text("utf-8"))
    points = extract.followed((folder / "flat.jpg").read_bytes(), frame, places)
    return {**act, "correction": {**drawn, "points": points[:-1] if drawn["closed"] else points}}


@lru_cache(maxsize=8)
def _picture(path: Path, written: int) -> tuple[str, str]:
    """What the picture is known by, and the picture as an address that holds it whole."""
    content = path.read_bytes()
    return hashlib.sha256(content).hexdigest()[:16], f"data:image/jpeg;base64,{base64.b64encode(content).decode()}"
