"""The frozen values of a build, from the traced panels to the knife: what ``extract.doors`` is for the tracing.

Axes and units as there: millimetres, x right, y down, seen on the face that the marker drew on. Angles are degrees in
names that end in ``_deg``. Everything is immutable; a step takes a build and gives a new one.

A **piece** is one shape of the build as designed: its edges in order, its holes and details, its stock, how many are
cut. The **parts** of ``extract.doors`` are what is printed and cut: a piece that comes as a pair gives two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

from extract.doors import Curve, Doubt, Part

Use = Literal["score", "burn", "tick", "centre", "note", "reference"]
"""What a line inside a piece is for: scored or burned in, matched to its partner, the line of symmetry, read only."""
Face = Literal["inside", "middle", "outside"]
Copies = Literal["one", "pair", "centre"]
"""``pair``: a left and a right one, the second mirrored; ``centre``: one that lies on the line of symmetry."""
Asks = Literal[
    "length", "angle", "count", "share", "piece", "run", "runs", "seam", "stock", "choice", "text", "flag", "points"
]


@dataclass(frozen=True)
class Stock:
    """A sheet material. ``neutral`` is the share of the thickness, from the inside of a bend, where the length stays:
    0.5 until measured."""

    name: str
    thickness_mm: float
    neutral: float = 0.5


@dataclass(frozen=True)
class Finish:
    """How an edge is cut: leaning ``lean_deg`` from square (0), so that the ``longer`` face reaches the drawn line."""

    lean_deg: float = 0.0
    longer: Literal["face", "back"] = "face"


@dataclass(frozen=True, eq=False)
class Edge:
    """One open stretch of a piece's outline between two corners. ``id`` is a short word of its own within the piece and
    survives every step that keeps the edge."""

    id: str
    curve: Curve
    finish: Finish = Finish()


@dataclass(frozen=True, eq=False)
class Hole:
    """A closed curve cut out of a piece, running against the outline. ``fixed`` keeps its size when the piece is
    resized."""

    id: str
    curve: Curve
    fixed: bool = True


@dataclass(frozen=True, eq=False)
class Detail:
    """A line on a piece that is not cut through; ``text`` is printed beside it (a tick's number, a note)."""

    id: str
    use: Use
    curve: Curve
    text: str = ""
    colour: str = "black"


@dataclass(frozen=True, eq=False)
class Piece:
    """One shape of the build. ``edges`` follow one another and close: each starts where the last one ended, the whole
    turning x towards y (clockwise to the eye). ``forward_deg`` is the direction that points to the wearer's front, from
    x towards y; ``up`` the side of the foam that lies up when it is cut. ``sigma_mm`` 1 σ of the traced shape."""

    id: str
    name: str
    edges: tuple[Edge, ...]
    holes: tuple[Hole, ...] = ()
    details: tuple[Detail, ...] = ()
    stock: str = ""
    copies: Copies = "one"
    count: int = 1
    up: Literal["face", "back"] = "face"
    forward_deg: float | None = None
    notes: str = ""
    sigma_mm: float = 0.0


@dataclass(frozen=True)
class Run:
    """Edges of one piece that follow one another along its outline, in outline order. As text: ``p3:a`` or
    ``p3:a+b``."""

    piece: str
    edges: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.piece}:{'+'.join(self.edges)}"


@dataclass(frozen=True)
class Seam:
    """Two runs that get glued together. ``against``: the second is walked backwards, as between neighbours, so that the
    start of the first meets the end of the second. ``ticks`` are equal fractions of arc length, measured along the
    first. ``layers_mm`` is by how much the second is meant to be longer than the first because of the foam's thickness.
    """

    number: int
    first: Run
    second: Run
    against: bool = True
    ticks: tuple[float, ...] = ()
    layers_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Build:
    """Everything one costume part is cut from. ``face`` says which face of the foam the shell stands for; ``measures``
    the wearer's in mm by name ("head circumference")."""

    name: str
    pieces: tuple[Piece, ...] = ()
    seams: tuple[Seam, ...] = ()
    stocks: tuple[Stock, ...] = ()
    face: Face = "inside"
    measures: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Figure:
    """A number that a step changed or found: ``what`` in plain words ("length of the edge"), with its unit ("mm", "°",
    "mm²", "%" or ""), ``before`` (None where there was none) and ``after``; ``where`` names piece, run or seam."""

    what: str
    unit: str
    before: float | None
    after: float | None
    where: str = ""


@dataclass(frozen=True, eq=False)
class Outcome:
    """What a step gave. A step that cannot be done raises CannotContinue and changes nothing."""

    build: Build
    figures: tuple[Figure, ...] = ()
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class Question:
    """One thing a step asks: ``says`` is the label in plain words, ``default`` None where an answer is needed."""

    name: str
    kind: Asks
    says: str
    default: Any = None
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Step:
    """An operation on a build. ``run(build, **answers)`` takes plain JSON values (numbers, words, lists; runs as text)
    under the questions' names, so that the command line, the page and the project file say the same."""

    name: str
    says: str
    asks: tuple[Question, ...]
    run: Callable[..., Outcome]


@dataclass(frozen=True)
class SheetStock:
    """A size of foam sheet: ``count`` of them lie there already, more can be bought at ``price`` each (None: unknown,
    in the maker's own money)."""

    width_mm: float
    height_mm: float
    thickness_mm: float
    count: int = 0
    price: float | None = None

    @property
    def name(self) -> str:
        return f"{self.width_mm:g} × {self.height_mm:g} × {self.thickness_mm:g} mm"


@dataclass(frozen=True, eq=False)
class PlacedPart:
    """A part on a sheet: turned by ``turn_deg`` (x towards y) about the origin, then moved by ``shift_mm``, so that its
    box has its upper left corner ``corner_mm`` from the sheet's; ``copy`` counts from 1 among its equals."""

    part: Part
    copy: int
    turn_deg: float
    shift_mm: tuple[float, float]
    corner_mm: tuple[float, float]
    size_mm: tuple[float, float]


@dataclass(frozen=True, eq=False)
class CutSheet:
    """One sheet with all that is cut from it; ``owned`` where it lies there already."""

    number: int
    stock: SheetStock
    owned: bool
    placed: tuple[PlacedPart, ...]

    @property
    def used_share(self) -> float:
        """Area of the parts over area of the sheet, 0 to 1."""
        return sum(item.part.area_mm2 for item in self.placed) / (self.stock.width_mm * self.stock.height_mm)

    @property
    def reach_mm(self) -> float:
        """How far parts reach from the sheet's left edge."""
        return max((item.corner_mm[0] + item.size_mm[0] for item in self.placed), default=0.0)


@dataclass(frozen=True, eq=False)
class FoamPlan:
    """Every part of a pattern on a sheet. ``gap_mm`` is kept between parts, kerf included, ``edge_mm`` to the sheet's
    edge; ``grain`` says that parts were turned by half a turn at most; ``closer_s`` in how many seconds it was made
    closer, 0 where it was not."""

    name: str
    sheets: tuple[CutSheet, ...]
    gap_mm: float
    edge_mm: float
    kerf_mm: float = 0.0
    grain: bool = False
    doubts: tuple[Doubt, ...] = ()
    closer_s: float = 0.0

    @property
    def to_buy(self) -> tuple[tuple[SheetStock, int], ...]:
        """How many of which size to buy, in the order of the plan."""
        bought = [sheet.stock for sheet in self.sheets if not sheet.owned]
        return tuple((stock, bought.count(stock)) for stock in dict.fromkeys(bought))

    @property
    def waste_share(self) -> float:
        """Share of the sheets' area that is no part, 0 to 1."""
        whole = sum(sheet.stock.width_mm * sheet.stock.height_mm for sheet in self.sheets)
        return 1 - sum(item.part.area_mm2 for sheet in self.sheets for item in sheet.placed) / whole if whole else 0.0
