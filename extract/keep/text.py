"""A build as JSON values and back, every number to the last bit.

Reading trusts nothing: kinds, counts, ranges and names are looked at, and an outline must close. A value that does not
serve raises Spoilt with a few words for the sentence that tells of it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any, get_args

import numpy as np

from extract.build import Build, Copies, Detail, Edge, Face, Finish, Hole, Piece, Run, Seam, Stock, Use
from extract.doors import Curve

MOST_MM = 1e6
"""A kilometre: whatever is larger is no costume."""
MOST_PIECES, MOST_SEAMS, MOST_STOCKS, MOST_MEASURES = 2_000, 10_000, 200, 500
MOST_EDGES, MOST_HOLES, MOST_CUBICS = 2_000, 5_000, 20_000
MOST_TEXT = 4_000
_MEETING_MM = 1e-6
_SIDES = ("face", "back")


class Spoilt(ValueError):  # noqa: N818 - reads as what it says
    """Something in a file that cannot be; says what in a few words."""


def dumped(value: Any) -> bytes:
    """JSON as UTF-8, the same for the same value. Raises ValueError for what JSON cannot say."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True, allow_nan=False).encode()


def loaded(content: bytes) -> Any:
    """Strict JSON: no NaN, no infinity, no bottomless nesting. Raises ValueError."""
    try:
        return json.loads(content.decode(), parse_constant=_no_number)
    except (RecursionError, UnicodeDecodeError) as error:
        raise Spoilt("text that cannot be read") from error


def _no_number(word: str) -> float:
    raise Spoilt(f"{word} in place of a number")


def piece_values(piece: Piece) -> dict[str, Any]:
    return {
        "id": piece.id,
        "name": piece.name,
        "edges": [
            {
                "id": edge.id,
                "curve": _curve_values(edge.curve),
                "lean_deg": edge.finish.lean_deg,
                "longer": edge.finish.longer,
            }
            for edge in piece.edges
        ],
        "holes": [{"id": h.id, "curve": _curve_values(h.curve), "fixed": h.fixed} for h in piece.holes],
        "details": [
            {"id": d.id, "use": d.use, "curve": _curve_values(d.curve), "text": d.text, "colour": d.colour}
            for d in piece.details
        ],
        "stock": piece.stock,
        "copies": piece.copies,
        "count": piece.count,
        "up": piece.up,
        "forward_deg": piece.forward_deg,
        "notes": piece.notes,
        "sigma_mm": piece.sigma_mm,
    }


def frame_values(build: Build) -> dict[str, Any]:
    """Everything of the build but its pieces."""
    return {
        "name": build.name,
        "seams": [
            {
                "number": seam.number,
                "first": str(seam.first),
                "second": str(seam.second),
                "against": seam.against,
                "ticks": list(seam.ticks),
                "layers_mm": seam.layers_mm,
            }
            for seam in build.seams
        ],
        "stocks": [{"name": s.name, "thickness_mm": s.thickness_mm, "neutral": s.neutral} for s in build.stocks],
        "face": build.face,
        "measures": dict(build.measures),
    }


def _curve_values(curve: Curve) -> dict[str, Any]:
    """Controls eight numbers a cubic; ``kinds`` has an L for a straight one, a C for a curved one."""
    kinds = "".join("L" if straight else "C" for straight in curve.straight)
    return {"controls": curve.controls.reshape(-1, 8).tolist(), "kinds": kinds, "closed": curve.closed}


def read_piece(value: Any) -> Piece:
    """The piece of ``piece_values``. Raises Spoilt, or KeyError and the like."""
    edges = tuple(
        Edge(
            _word(edge["id"]),
            _read_curve(edge["curve"], closed=False),
            Finish(_number(edge["lean_deg"], 90.0), _one_of(edge["longer"], _SIDES)),
        )
        for edge in _list(value["edges"], MOST_EDGES)
    )
    holes = tuple(
        Hole(_word(hole["id"]), _read_curve(hole["curve"], closed=True), _flag(hole["fixed"]))
        for hole in _list(value["holes"], MOST_HOLES)
    )
    details = tuple(_read_detail(detail) for detail in _list(value["details"], MOST_HOLES))
    _check_closed([edge.curve for edge in edges])
    for things in (edges, holes, details):
        _check_unlike([thing.id for thing in things])
    forward = value["forward_deg"]
    return Piece(
        id=_word(value["id"]),
        name=_text(value["name"]),
        edges=edges,
        holes=holes,
        details=details,
        stock=_text(value["stock"]),
        copies=_one_of(value["copies"], get_args(Copies)),
        count=_whole(value["count"], 1, 10_000),
        up=_one_of(value["up"], _SIDES),
        forward_deg=None if forward is None else _number(forward, 3600.0),
        notes=_text(value["notes"]),
        sigma_mm=_number(value["sigma_mm"], MOST_MM, 0.0),
    )


def _read_detail(value: Any) -> Detail:
    return Detail(
        _word(value["id"]),
        _one_of(value["use"], get_args(Use)),
        _read_curve(value["curve"]),
        _text(value["text"]),
        _text(value["colour"]),
    )


def read_frame(value: Any, pieces: Sequence[Piece]) -> Build:
    """The build of ``frame_values`` with its pieces. Raises Spoilt, or KeyError and the like."""
    _check_unlike([piece.id for piece in pieces])
    known = {piece.id: {edge.id for edge in piece.edges} for piece in pieces}
    seams = tuple(_read_seam(seam, known) for seam in _list(value["seams"], MOST_SEAMS))
    stocks = tuple(
        Stock(_text(s["name"]), _number(s["thickness_mm"], MOST_MM, 0.0), _number(s["neutral"], 1.0, 0.0))
        for s in _list(value["stocks"], MOST_STOCKS)
    )
    _check_unlike([str(seam.number) for seam in seams])
    _check_unlike([stock.name for stock in stocks])
    measures = value["measures"]
    if not isinstance(measures, dict) or len(measures) > MOST_MEASURES:
        raise Spoilt("measures that are none")
    return Build(
        name=_text(value["name"]),
        pieces=tuple(pieces),
        seams=seams,
        stocks=stocks,
        face=_one_of(value["face"], get_args(Face)),
        measures={_text(name): _number(length, MOST_MM) for name, length in measures.items()},
    )


def _read_seam(value: Any, known: dict[str, set[str]]) -> Seam:
    return Seam(
        number=_whole(value["number"], 0, 1_000_000),
        first=_read_run(value["first"], known),
        second=_read_run(value["second"], known),
        against=_flag(value["against"]),
        ticks=tuple(_number(t, 1.0, 0.0) for t in _list(value["ticks"], 10_000)),
        layers_mm=_number(value["layers_mm"], MOST_MM),
    )


def _read_run(value: Any, known: dict[str, set[str]]) -> Run:
    piece, _, edges = _text(value).partition(":")
    run = Run(piece, tuple(edges.split("+")))
    if piece not in known or not known[piece].issuperset(run.edges):
        raise Spoilt("a seam of edges that do not exist")
    return run


def _read_curve(value: Any, closed: bool | None = None) -> Curve:
    kinds, rows = value["kinds"], value["controls"]
    if not isinstance(kinds, str) or set(kinds) - {"L", "C"} or not 0 < len(kinds) <= MOST_CUBICS:
        raise Spoilt("a curve of unknown kind")
    if not isinstance(rows, list) or len(rows) != len(kinds):
        raise Spoilt("a curve that lacks numbers")
    if any(len(row) != 8 or not {float, int}.issuperset(map(type, row)) for row in rows):
        raise Spoilt("a curve that is not made of numbers")
    numbers = np.array(rows, float)
    if not (np.abs(numbers) <= MOST_MM).all():
        raise Spoilt("an outline of absurd size")
    around = _flag(value["closed"])
    if closed is not None and around != closed:
        raise Spoilt("a curve that should close or should not")
    curve = Curve(numbers.astype(float).reshape(-1, 4, 2), np.frombuffer(kinds.encode(), np.uint8) == ord("L"), around)
    _check_chain(curve.controls[:, 0], curve.controls[:, 3], around)
    return curve


def _check_closed(curves: Sequence[Curve]) -> None:
    if not curves:
        raise Spoilt("a piece without an outline")
    _check_chain(
        np.array([curve.controls[0, 0] for curve in curves]),
        np.array([curve.controls[-1, 3] for curve in curves]),
        True,
    )


def _check_chain(starts: np.ndarray, ends: np.ndarray, closed: bool) -> None:
    """Each start lies on the end before it, round and round where the chain is closed."""
    gap = np.abs(np.roll(starts, -1, axis=0) - ends)
    if not (gap if closed else gap[:-1]).max(initial=0.0) <= _MEETING_MM:
        raise Spoilt("an outline that does not close" if closed else "a line with a gap")


def _check_unlike(ids: Sequence[str]) -> None:
    if len(set(ids)) < len(ids):
        raise Spoilt("one name for two things")


def _list(value: Any, most: int) -> list[Any]:
    if not isinstance(value, list) or len(value) > most:
        raise Spoilt("a list that is none, or is far too long")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > MOST_TEXT:
        raise Spoilt("words that are none, or are far too long")
    value.encode()  # raises a ValueError for half a character, which no file takes
    return value


def _word(value: Any) -> str:
    text = _text(value)
    if not text or len(text) > 60 or set(text) & set(":+, ") or not text.isprintable():
        raise Spoilt("a name that cannot be one")
    return text


def _one_of(value: Any, choices: Sequence[str]) -> Any:
    if value not in choices:
        raise Spoilt("a word that has no meaning there")
    return value


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Spoilt("something in place of yes or no")
    return value


def _number(value: Any, most: float, least: float | None = None) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Spoilt("something in place of a number")
    low = -most if least is None else least
    if not low <= value <= most:
        raise Spoilt("a number of absurd size")
    return float(value)


def _whole(value: Any, least: int, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise Spoilt("something in place of a whole number")
    return value
