"""Does it fit? Inner girth, length and breadth of a build against the wearer's, before anything is cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import pi

from extract.build import Build, Figure, Outcome, Piece, Question, Step
from extract.doors import Doubt
from extract.geometry.runs import piece_named, refused, runs_from
from extract.geometry.slits import run_length
from extract.pattern.people import BODY_PARTS, MEASURES, SOURCE, circumference_of_hat, hat_sizes
from extract.pattern.thickness import SHARES

LEAST_MM = 10.0
"""Room on each side for padding, below which a side is flagged (common practice: 10 to 20 mm, no source)."""
_GROUPS = ("mean of men", "mean of women", "only what I measured")


@dataclass(frozen=True)
class Girth:
    """Round the rim: as drawn, how far outside the inner face that layer lies, and on the inner face."""

    drawn_mm: float
    layer_mm: float

    @property
    def inner_mm(self) -> float:
        return self.drawn_mm - 2 * pi * self.layer_mm


def rim_girth(build: Build, rim: str | Sequence[str]) -> Girth:
    """Girth of the ``rim``, runs that make one whole turn together, relief cuts glued shut; a pair's count twice.

    A layer d outside another is 2π d longer over a whole turn, whatever its shape (parallel curves).
    """
    runs = runs_from(build, rim)
    pieces = [piece_named(build, run.piece) for run in runs]
    drawn = sum(_times(piece) * run_length(build, run) for piece, run in zip(pieces, runs, strict=True))
    return Girth(drawn, max(_layer_mm(build, piece) for piece in pieces))


def _times(piece: Piece) -> int:
    return 2 if piece.copies == "pair" else 1


def _layer_mm(build: Build, piece: Piece) -> float:
    """How far the drawn layer of the piece lies outside its inner face; 0 where its thickness is not known."""
    thickness = next((stock.thickness_mm for stock in build.stocks if stock.name == piece.stock), 0.0)
    return SHARES[build.face] * thickness


@dataclass(frozen=True)
class _Pair:
    """One thing compared: what the build has inside and what the body has, mm; None where it is not known. ``sides``
    turns the difference into room per side."""

    word: str
    inner: float | None
    body: float | None
    sides: float
    source: str

    @property
    def room(self) -> float | None:
        return None if self.inner is None or self.body is None else (self.inner - self.body) / self.sides


def body_check(
    build: Build,
    part: str = "head",
    rim: str | Sequence[str] = "",
    inner_girth: float = 0.0,
    inner_length: float = 0.0,
    inner_breadth: float = 0.0,
    girth: float = 0.0,
    length: float = 0.0,
    breadth: float = 0.0,
    hat: str = "",
    others: str = "mean of men",
    ease: float = LEAST_MM,
) -> Outcome:
    """Compares the build's inside with the body; all in mm, 0 for what is not known.

    The inner girth is the ``rim`` measured on the build, or given. The body's measures come from the answers, else from
    the build's own, else from ``others`` (and then a doubt says so). What is given is kept with the build. ``ease`` is
    the room wanted on every side. A girth is never worked out from a length and a breadth: real heads exceed that
    ellipse by 16 mm on average (men) or 29 mm (women), and by 6 to 49 mm one by one.
    """
    if min(inner_girth, inner_length, inner_breadth, girth, length, breadth, ease) < 0:
        raise refused("A measure cannot be less than nothing.", "Leave out what you do not know.")
    if hat:
        girth = girth or _from_hat(hat, part)
    found = rim_girth(build, rim) if rim else None
    build = _keeping(build, part, {"circumference": girth, "length": length, "breadth": breadth})
    inner = {"circumference": inner_girth or (found.inner_mm if found else 0.0), "length": inner_length}
    inner["breadth"] = inner_breadth
    pairs = [_pair(build, part, word, inner[word], others) for word in ("circumference", "length", "breadth")]
    if all(pair.inner is None for pair in pairs):
        raise refused(
            "Nothing of the build is known that could be compared.",
            "Name the edges that make its rim, or measure its inner girth, length and breadth.",
        )
    figures = [figure for pair in pairs for figure in _compared(pair, ease)]
    if found and found.layer_mm:
        figures.insert(0, Figure("girth as drawn and on the inner face", "mm", found.drawn_mm, found.inner_mm, part))
    doubts = _doubts(build, part, pairs, ease, found)
    if hat:
        doubts.append(Doubt("from-a-hat", "A hat size tells the girth to within 5 mm at best. Measure it if you can."))
    return Outcome(build, (*figures, *_hat_figures(build, part)), tuple(doubts))


def _from_hat(hat: str, part: str) -> float:
    circumference = circumference_of_hat(hat)
    if part != "head" or circumference is None:
        raise refused(f"“{hat[:40]}” is no hat size.", "Write it as in US 7 1/8, UK 7 or EU 57, for a head only.")
    return circumference


def _keeping(build: Build, part: str, said: dict[str, float]) -> Build:
    fresh = {f"{part} {word}": value for word, value in said.items() if value > 0}
    return replace(build, measures={**build.measures, **fresh}) if fresh else build


def _pair(build: Build, part: str, word: str, inner: float, others: str) -> _Pair:
    name = f"{part} {word}"
    sides = 2 * pi if word == "circumference" else 2.0
    own = build.measures.get(name)
    if own is not None:
        return _Pair(word, inner or None, own, sides, "")
    group = others.removeprefix("mean of ")
    spread = MEASURES.get(name, {}).get(group)
    return _Pair(word, inner or None, spread.mean if spread else None, sides, others if spread else "")


def _compared(pair: _Pair, ease: float) -> list[Figure]:
    """The body with its ease against the inside, then the room on each side; nothing where one is not known."""
    if pair.inner is None or pair.body is None or pair.room is None:
        return []
    word = "girth" if pair.word == "circumference" else pair.word
    of_whom = f" ({pair.source})" if pair.source else ""
    wanted = pair.body + pair.sides * ease
    return [
        Figure(f"{word}: of the body{of_whom}, and inside the build", "mm", pair.body, pair.inner, word),
        Figure(f"{word}: wanted with ease, and inside the build", "mm", wanted, pair.inner, word),
        Figure(f"{word}: room on each side", "mm", ease, pair.room, word),
    ]


def _hat_figures(build: Build, part: str) -> tuple[Figure, ...]:
    circumference = build.measures.get("head circumference")
    if part != "head" or circumference is None:
        return ()
    sizes = hat_sizes(circumference)
    return tuple(
        Figure(f"hat size {system}", "", None, size, "head")
        for system, size in (("US", sizes.us), ("UK", sizes.uk), ("EU", sizes.eu))
    )


def _doubts(build: Build, part: str, pairs: Sequence[_Pair], ease: float, found: Girth | None) -> list[Doubt]:
    doubts = []
    for pair in pairs:
        word = "girth" if pair.word == "circumference" else pair.word
        if pair.room is not None and pair.room < LEAST_MM:
            doubts.append(
                Doubt(
                    f"tight-{word}",
                    f"By its {word} the build leaves {pair.room:.1f} mm on each side of the {part}, less than "
                    f"{LEAST_MM:.0f} mm. Resize it, or try it on before you cut all parts.",
                )
            )
        elif pair.room is not None and pair.room < ease:
            missing = f"{ease - pair.room:.1f} mm on each side are missing to the ease you asked for."
            doubts.append(Doubt(f"little-ease-{word}", f"By its {word}, {missing}"))
        if pair.source and pair.inner is not None:
            doubts.append(
                Doubt("not-your-measure", f"The {part}'s {word} is the {pair.source}, not the wearer's: {SOURCE}.")
            )
    if pairs[0].inner is None:
        words = "The inner girth was not compared: it does not follow from length and breadth. Name the rim's edges."
        doubts.append(Doubt("girth-not-compared", words))
    if found and found.layer_mm == 0 and build.face != "inside":
        words = f"The shell stands for the {build.face} of the foam, but the rim's pieces have no stock yet, so its "
        doubts.append(Doubt("thickness-left-out", words + "thickness was left out of the inner girth."))
    return doubts


STEPS: tuple[Step, ...] = (
    Step(
        "body-check",
        "Check whether it fits",
        (
            Question("part", "choice", "Which part of the body?", "head", BODY_PARTS),
            Question("rim", "runs", "Edges that make one turn around it (none: give the girth)", ""),
            Question("inner_girth", "length", "Inside the build: girth (0: from the rim)", 0.0),
            Question("inner_length", "length", "Inside the build: front to back (0: not known)", 0.0),
            Question("inner_breadth", "length", "Inside the build: side to side (0: not known)", 0.0),
            Question("girth", "length", "Of the wearer: girth (0: not measured)", 0.0),
            Question("length", "length", "Of the wearer: front to back (0: not measured)", 0.0),
            Question("breadth", "length", "Of the wearer: side to side (0: not measured)", 0.0),
            Question("hat", "text", "Or the wearer's hat size, as in US 7 1/8", ""),
            Question("others", "choice", "For what was not measured, compare with", "mean of men", _GROUPS),
            Question("ease", "length", "Room wanted on each side", LEAST_MM),
        ),
        body_check,
    ),
)
