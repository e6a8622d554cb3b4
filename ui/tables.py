"""Tables on the page: side by side on a desk, one row under another on a phone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

import streamlit as st


def show_table(rows: Sequence[Mapping[str, str]], told: str) -> None:
    """The rows, letter for letter; ``told`` says to a screen reader what they are. Columns with nothing in them are
    left out. Streamlit's own tables read Markdown: an edge "p1:a:" would be a little picture, a name a link."""
    st.html(table_html(rows, told))


def table_html(rows: Sequence[Mapping[str, str]], told: str) -> str:
    """A table that stays one to screen readers where its rows are laid out as blocks."""
    columns = [name for name in (rows[0] if rows else ()) if any(row[name] for row in rows)]
    head = "".join(f'<th role="columnheader" scope="col">{escape(name)}</th>' for name in columns)
    body = "".join(f'<tr role="row">{_cells(row, columns)}</tr>' for row in rows)
    return (
        f'<table class="figures" role="table" aria-label="{escape(told, quote=True)}">'
        f'<thead role="rowgroup"><tr role="row">{head}</tr></thead><tbody role="rowgroup">{body}</tbody></table>'
    )


def _cells(row: Mapping[str, str], columns: Sequence[str]) -> str:
    first, *others = columns
    cells = "".join(
        f'<td role="cell" data-label="{escape(name, quote=True)}">{escape(row[name])}</td>' for name in others
    )
    label = escape(first, quote=True)
    return f'<th role="rowheader" scope="row" data-label="{label}">{escape(row[first])}</th>{cells}'
