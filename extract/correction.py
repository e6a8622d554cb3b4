"""What a correction by hand may say.

A correction is a plain JSON object; ``do`` says what is done, lengths are mm in the plane frame:

    {"do": "delete", "stroke": "s3"}
    {"do": "join", "stroke": "s3", "with": "s5"}                     with itself: closed
    {"do": "split", "stroke": "s3", "at": [x, y], "new": "h1"}       the second half is called h1
    {"do": "draw", "new": "h2", "points": [[x, y], …], "closed": false, "meaning": "cut"}
    {"do": "move-point", "stroke": "s3", "from": [x, y], "to": [x, y], "reach": 15}
    {"do": "move-corner", "from": [x, y], "to": [x, y], "reach": 25}  all lines that meet there
    {"do": "meaning", "stroke": "s3", "meaning": "cut" | "reference" | "tick" | "note" | "hole"}
    {"do": "name", "at": [x, y], "name": "left wing"}                the panel that holds this point
    {"do": "edge-right", "at": [x, y]}                               the cut edge, a guess there, runs right
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from extract.doors import CannotContinue

Correction = Mapping[str, Any]

REACH_MM = (0.5, 500.0)
LONGEST_NAME = 80
MOST_POINTS = 20_000
FARTHEST_MM = 1e5
MEANINGS = ("cut", "reference", "tick", "note", "hole")


def checked(correction: Any) -> Correction:
    """The correction, if it is one. Raises CannotContinue."""
    try:
        wanted = _FIELDS[correction["do"]]
        sound = set(correction) <= {"do", *wanted} and all(_FITS[wanted[key]](correction[key]) for key in wanted)
    except (KeyError, TypeError):
        sound = False
    if not sound:
        raise CannotContinue(
            "rework", "One of the corrections cannot be understood.", "Take it back, or start again without it."
        )
    return dict(correction)


_FIELDS: dict[str, dict[str, str]] = {
    "delete": {"stroke": "word"},
    "join": {"stroke": "word", "with": "word"},
    "split": {"stroke": "word", "at": "place", "new": "word"},
    "draw": {"new": "word", "points": "places", "closed": "flag", "meaning": "meaning"},
    "move-point": {"stroke": "word", "from": "place", "to": "place", "reach": "reach"},
    "move-corner": {"from": "place", "to": "place", "reach": "reach"},
    "meaning": {"stroke": "word", "meaning": "meaning"},
    "name": {"at": "place", "name": "name"},
    "edge-right": {"at": "place"},
}


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < FARTHEST_MM


def _is_place(value: Any) -> bool:
    return isinstance(value, list | tuple) and len(value) == 2 and all(map(_is_number, value))


def _is_name(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST_NAME and (value.isprintable())


_FITS: dict[str, Callable[[Any], bool]] = {
    "word": lambda value: isinstance(value, str) and 0 < len(value) <= 40 and value.isprintable(),
    "name": _is_name,
    "place": _is_place,
    "places": lambda value: isinstance(value, list) and len(value) <= MOST_POINTS and all(map(_is_place, value)),
    "flag": lambda value: isinstance(value, bool),
    "meaning": lambda value: value in MEANINGS,
    "reach": lambda value: _is_number(value) and REACH_MM[0] <= value <= REACH_MM[1],
}
