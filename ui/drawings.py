"""Drawings that the engine makes, on the page."""

from __future__ import annotations

import base64
from html import escape

import streamlit as st


def show_svg(drawing: str, told: str) -> None:
    """The drawing as a picture; ``told`` says in words what it shows. An address of its own, since Streamlit cleans
    drawings out of a page's HTML."""
    content = base64.b64encode(drawing.encode()).decode()
    st.html(f'<img class="drawing" alt="{escape(told, quote=True)}" src="data:image/svg+xml;base64,{content}">')
