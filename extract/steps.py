"""All steps that change a build, by name, and doing one: answers checked, the result proven sound.

The command line, the page and the project file all come through here.
"""

from __future__ import annotations

import difflib
import math
import pkgutil
from collections.abc import Iterator, Mapping
from functools import lru_cache
from importlib import import_module
from typing import Any

import extract.pattern
import extract.shapes
from extract.build import Build, Outcome, Piece, Question, Step
from extract.doors import CannotContinue
from extract.geometry.runs import piece_named, run_from, runs_from, sound_outlines

_MOST_MM = 100_000.0
_MOST_DEG = 3600.0
_MOST_COUNT = 10_000
_MOST_TEXT = 4_000
_MOST_POINTS = 10_000
_YES, _NO = ("yes", "true", "on", "1"), ("no", "false", "off", "0")
_NOUNS = {
    "length": "a length in millimetres",
    "angle": "an angle in degrees",
    "count": "a whole number",
    "share": "a share from 0 to 1",
    "flag": "yes or no",
    "points": "points as x,y x,y …",
    "seam": "the number of a seam",
}


@lru_cache(maxsize=1)
def all_steps() -> Mapping[str, Step]:
    """Every step by its name: those that the modules of the pattern and shapes rooms list in ``STEPS``."""
    return {step.name: step for step in _steps()}


def step_named(name: str) -> Step:
    """The step of that name; CannotContinue where there is none."""
    for step in _steps():
        if step.name == name:
            return step
    steps = all_steps()
    near = difflib.get_close_matches(name, steps, n=3)
    advice = f"Did you mean {' or '.join(near)}?" if near else f"There are: {', '.join(sorted(steps))}."
    raise _refused(f"There is no step “{_shown(name)}”.", advice)


def apply(build: Build, name: str, answers: Mapping[str, Any]) -> Outcome:
    """The build after step ``name``. Numbers, words and yes/no may come as text, as on the command line.

    Raises CannotContinue for an unknown step, an answer that does not serve, or a step that cannot be done; the given
    build stays as it was.
    """
    step = step_named(name)
    outcome = step.run(build, **answered(build, step, answers))
    _check_sound(build, outcome.build)
    return outcome


def answered(build: Build, step: Step, answers: Mapping[str, Any]) -> dict[str, Any]:
    """Every question of ``step`` answered in plain JSON values, defaults put in. Raises CannotContinue."""
    asked = {question.name: question for question in step.asks}
    for given in answers:
        if given not in asked:
            known = ", ".join(asked) or "nothing"
            raise _refused(f"The step {step.name} does not ask for “{_shown(given)}”.", f"It asks for: {known}.")
    return {name: _answer(build, step, question, answers.get(name)) for name, question in asked.items()}


def _steps() -> Iterator[Step]:
    """One module after the other, so that a step loads no more than those before it."""
    for room in (extract.pattern, extract.shapes):
        for module in sorted(info.name for info in pkgutil.iter_modules(room.__path__, f"{room.__name__}.")):
            yield from getattr(import_module(module), "STEPS", ())


def _answer(build: Build, step: Step, question: Question, given: Any) -> Any:
    if given is None or (given == question.default and type(given) is type(question.default)):
        if question.default is None:
            raise _refused(f"The step {step.name} needs “{question.name}”: {question.says}.", "Say that, too.")
        return question.default
    try:
        return _READERS[question.kind](build, question, given)
    except ValueError:
        wanted = _NOUNS.get(question.kind, f"one of {', '.join(question.choices)}" if question.choices else "text")
        raise _refused(
            f"“{_shown(given)}” does not serve for “{question.name}” of the step {step.name}.", f"It takes {wanted}."
        ) from None


def _number(given: Any, most: float, unit: str = "") -> float:
    if isinstance(given, bool) or not isinstance(given, int | float | str):
        raise ValueError
    value = float(given.strip().removesuffix(unit).replace(",", ".")) if isinstance(given, str) else float(given)
    if not (math.isfinite(value) and abs(value) <= most):
        raise ValueError
    return value


def _length(build: Build, question: Question, given: Any) -> float:
    return _number(given, _MOST_MM, "mm")


def _angle(build: Build, question: Question, given: Any) -> float:
    return _number(given, _MOST_DEG, "°")


def _count(build: Build, question: Question, given: Any) -> int:
    value = _number(given, _MOST_COUNT)
    if value != int(value) or value < 0:
        raise ValueError
    return int(value)


def _share(build: Build, question: Question, given: Any) -> float:
    value = _number(given, 1.0)
    if value < 0:
        raise ValueError
    return value


def _text(build: Build, question: Question, given: Any) -> str:
    if not isinstance(given, str) or len(given) > _MOST_TEXT:
        raise ValueError
    given.encode()  # half a character, as broken input may hold, cannot be written to a file
    return given


def _choice(build: Build, question: Question, given: Any) -> str:
    if given not in question.choices:
        raise ValueError
    return str(given)


def _flag(build: Build, question: Question, given: Any) -> bool:
    if isinstance(given, bool):
        return given
    word = str(given).strip().lower()
    if word not in _YES + _NO:
        raise ValueError
    return word in _YES


def _piece(build: Build, question: Question, given: Any) -> str:
    return piece_named(build, _text(build, question, given).strip()).id


def _run(build: Build, question: Question, given: Any) -> str:
    return str(run_from(build, _text(build, question, given)))


def _runs(build: Build, question: Question, given: Any) -> list[str]:
    words = [_text(build, question, one) for one in (given if isinstance(given, list) else [given])]
    given = words if isinstance(given, list) else words[0]
    return [str(run) for run in runs_from(build, given)]


def _seam(build: Build, question: Question, given: Any) -> int:
    number = _count(build, question, given)
    if all(seam.number != number for seam in build.seams):
        known = ", ".join(str(seam.number) for seam in build.seams) or "none yet"
        raise _refused(f"There is no seam {number}.", f"The seams are: {known}.")
    return number


def _stock(build: Build, question: Question, given: Any) -> str:
    name = _text(build, question, given).strip()
    if all(stock.name != name for stock in build.stocks):
        known = ", ".join(stock.name for stock in build.stocks) or "none yet"
        raise _refused(f"There is no stock “{_shown(name)}”.", f"The stocks are: {known}. The step sheet adds one.")
    return name


def _points(build: Build, question: Question, given: Any) -> list[list[float]]:
    pairs = [word.split(",") for word in given.split()] if isinstance(given, str) else given
    if not isinstance(pairs, list) or not 0 < len(pairs) <= _MOST_POINTS:
        raise ValueError
    if not all(isinstance(pair, list | tuple) and len(pair) == 2 for pair in pairs):
        raise ValueError
    return [[_number(x, _MOST_MM), _number(y, _MOST_MM)] for x, y in pairs]


_READERS = {
    "length": _length,
    "angle": _angle,
    "count": _count,
    "share": _share,
    "piece": _piece,
    "run": _run,
    "runs": _runs,
    "seam": _seam,
    "stock": _stock,
    "choice": _choice,
    "text": _text,
    "flag": _flag,
    "points": _points,
}


def _check_sound(before: Build, after: Build) -> None:
    """Refuses a result in which a piece that the step touched crosses itself, unless it did so before."""
    known = {id(piece) for piece in before.pieces}
    old = {piece.id: piece for piece in before.pieces}
    touched = [p for p in after.pieces if id(p) not in known and not _same_edges(old.get(p.id), p)]
    for piece, sound in zip(touched, sound_outlines(touched), strict=True):
        if not sound and (piece.id not in old or sound_outlines([old[piece.id]])[0]):
            raise _refused(
                f"That would make the outline of piece {piece.id} cross itself.",
                "Nothing was changed. Try smaller numbers.",
            )


def _same_edges(old: Piece | None, piece: Piece) -> bool:
    if old is None or len(old.edges) != len(piece.edges):
        return False
    return all(a.curve is b.curve for a, b in zip(old.edges, piece.edges, strict=True))


def _shown(value: Any) -> str:
    """A stranger's words as they may stand in a sentence."""
    text = "".join(sign if sign.isprintable() else "?" for sign in str(value))
    return text if len(text) <= 40 else f"{text[:39]}…"


def _refused(reason: str, advice: str) -> CannotContinue:
    return CannotContinue("pattern", reason, advice)
