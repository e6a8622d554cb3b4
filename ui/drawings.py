"""Drawings and pictures that the engine makes, on the page."""

from __future__ import annotations

import base64
from functools import lru_cache
from html import escape
from io import BytesIO
from pathlib import Path

import streamlit as st
from PIL import Image

SCREEN_PX = 1460
"""Streamlit makes wider pictures smaller anew whenever they are shown."""


def show_svg(drawing: str, told: str) -> None:
    """The drawing as a picture; ``told`` says in words what it shows. An address of its own, since Streamlit cleans
    drawings out of a page's HTML."""
    content = base64.b64encode(drawing.encode()).decode()
    st.html(f'<img class="drawing" alt="{escape(told, quote=True)}" src="data:image/svg+xml;base64,{content}">')


@lru_cache(maxsize=32)
def for_screen(picture: Path, written: int) -> bytes:
    """JPEG of the picture as wide as the page shows it; ``written`` tells a renewed file from what it was."""
    out = BytesIO()
    with Image.open(picture) as opened:
        opened.thumbnail((SCREEN_PX, 4 * SCREEN_PX))
        opened.save(out, "JPEG", quality=90)
    return out.getvalue()
