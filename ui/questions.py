"""What a step asks, as boxes on the page, and the answers as the engine reads them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from ui import words
from ui.build_words import edge_names, piece_name

NO_MATERIAL = "None yet; add a material first"
UNITS = {"length": "mm", "angle": "°"}
GROUPS: dict[str, tuple[str, ...]] = {
    "What a piece is": ("name", "notes", "stock", "cut-from", "copies", "up", "forward", "remove"),
    "Left and right": ("mirror", "unfold", "symmetry", "even-halves", "copy-half"),
    "Seams": ("seam", "unseam", "ease", "trim-seam", "ticks", "ticks-all"),
    "Thickness of the foam": ("face", "neutral", "thickness", "bend"),
    "Edges: room and width": ("gap", "overlap", "allowance", "kerf", "widen", "widen-through", "finish"),
    "Relief cuts and darts": ("close-slit", "dart-row"),
    "Lines and holes": ("line", "line-use", "line-away", "hole", "hole-away", "space-out"),
    "New pieces from numbers": ("dome", "skirt", "strip", "centre-strip"),
    "Body and size": ("body-check", "resize"),
}


CHOICES = {
    ("how", "one"): "single",
    ("how", "pair"): "a left and right pair",
    ("how", "centre"): "on the centre line",
    ("how", "moved"): "moved as it is",
    ("how", "parallel"): "set off evenly",
    ("side", "face"): "the drawn face",
    ("side", "back"): "the back",
    ("side", "longer"): "the longer one",
    ("side", "first"): "the first side",
    ("side", "second"): "the second side",
    ("side", "both"): "both sides",
    ("longer", "face"): "the drawn face",
    ("longer", "back"): "the back",
    ("source", "even"): "evenly spaced",
    ("source", "drawn"): "where you drew them",
}
"""Answers whose words for the command line are short, in a maker's words."""


def ask(question: Any, seen: Mapping[str, Any], known: Mapping[str, Any], key: str) -> Any:
    """One question's box; ``seen`` is the build in plain values, ``known`` the answers before this one. None where
    an answer is needed and not given yet."""
    label = words.plain(question.says)
    match question.kind:
        case "flag":
            return st.checkbox(label, bool(question.default), key=key)
        case "count":
            return st.number_input(label, min_value=0, value=question.default, step=1, key=key)
        case "length" | "angle" | "share":
            unit = UNITS.get(question.kind, "")
            return st.number_input(f"{label} ({unit})" if unit else label, value=_float(question.default), key=key)
        case "choice":
            names = {each: CHOICES.get((question.name, each), str(each)) for each in question.choices}
            return _choice(label, question.choices, question.default, key, names)
        case "piece":
            names = {piece["id"]: piece_name(piece) for piece in seen["pieces"]}
            return _choice(
                label, [*(["all"] if question.default == "all" else []), *names], question.default, key, names
            )
        case "seam":
            sides = {
                s["number"]: f"{s['number']}: {s['first']['run']} with {s['second']['run']}" for s in seen["seams"]
            }
            return _choice(label, list(sides), question.default, key, sides)
        case "stock":
            return _choice(label, [s["name"] for s in seen["stocks"]], question.default, key, none=NO_MATERIAL)
        case "points":
            return st.text_input(f"{label} (mm: x,y x,y …)", key=key, placeholder="120,40 160,40") or None
        case "run" | "runs":
            return _run(label, seen, question, key)
    return _text(label, seen, question, known, key)


def _float(value: Any) -> float | None:
    return None if value is None else float(value)


def _choice(
    label: str,
    choices: Sequence[Any],
    default: Any,
    key: str,
    names: Mapping[Any, str] | None = None,
    none: str = "There is none yet",
) -> Any:
    if default == "":
        choices, names = ["", *choices], {**(names or {}), "": "none"}
    first = list(choices).index(default) if default in choices else None
    return st.selectbox(
        label,
        choices,
        first,
        format_func=lambda each: (names or {}).get(each, str(each)),
        key=key,
        placeholder="Choose one" if choices else none,
    )


def _run(label: str, seen: Mapping[str, Any], question: Any, key: str) -> Any:
    names = edge_names(seen["pieces"])
    # A run is edges that follow one another, a rim one turn: all edges there are would be neither.
    every = question.kind == "runs" and question.default is None
    chosen = st.multiselect(
        label, list(names), format_func=names.__getitem__, key=key, placeholder="Choose edges", select_all=every
    )
    if not chosen:
        return question.default
    return [*chosen] if question.kind == "runs" else joined_run(chosen)


def _where(label: str, seen: Mapping[str, Any], question: Any, key: str) -> Any:
    """Whole pieces, or edges of them, or all there is where none are chosen and that is the default."""
    names = {piece["id"]: f"{piece_name(piece)}, all of it" for piece in seen["pieces"]} | edge_names(seen["pieces"])
    chosen = st.multiselect(
        label,
        list(names),
        format_func=names.__getitem__,
        key=key,
        placeholder="All pieces" if question.default == "all" else "Choose pieces or edges",
        select_all=False,
    )
    if not chosen:
        return question.default
    if question.default == "all":
        return " ".join(chosen)
    return joined_run(chosen) if ":" in chosen[0] else chosen[0]


def joined_run(edges: Sequence[str]) -> str:
    """ "p3:a" and "p3:b" as the run "p3:a+b"; edges of two pieces stay apart, for the engine to refuse."""
    pieces = dict.fromkeys(edge.partition(":")[0] for edge in edges)
    return " ".join(
        f"{piece}:{'+'.join(edge.partition(':')[2] for edge in edges if edge.partition(':')[0] == piece)}"
        for piece in pieces
    )


def _text(label: str, seen: Mapping[str, Any], question: Any, known: Mapping[str, Any], key: str) -> Any:
    piece = next((each for each in seen["pieces"] if each["id"] == known.get("piece")), None)
    if piece and question.name in ("line", "hole"):
        return _choice(label, _inside(piece, question.name), question.default, key)
    if question.name == "where":
        return _where(label, seen, question, key)
    default = question.default
    return st.text_input(label, default if isinstance(default, str) else "", key=key) or default


def _inside(piece: Mapping[str, Any], what: str) -> list[str]:
    return [each["id"] for each in piece["details" if what == "line" else "holes"]]
