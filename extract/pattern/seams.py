"""Seams: joined and parted, and their two sides made to agree by easing or trimming one."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from extract.build import Build, Figure, Outcome, Piece, Question, Run, Seam, Step
from extract.doors import Array, Curve, Doubt
from extract.geometry.arc import stretch
from extract.geometry.curve import curve_length
from extract.geometry.reshape import bulged, furthest_move, scaled_to, with_ends
from extract.geometry.runs import piece_named, refused, run_curve, run_edges, run_from, with_edges, with_piece
from extract.geometry.slits import kept_when_glued, run_length
from extract.pattern.changes import outcome, seam_gap
from extract.pattern.fit import FINE, fit_of

_EQUAL_MM = 1e-6


def seam_numbered(build: Build, number: int) -> Seam:
    """The seam of that number; CannotContinue where there is none."""
    for seam in build.seams:
        if seam.number == number:
            return seam
    known = ", ".join(str(seam.number) for seam in build.seams) or "none yet"
    raise refused(f"There is no seam {number}.", f"The seams are: {known}.")


def with_seam(build: Build, seam: Seam) -> Build:
    """The build with ``seam`` in place of the one of the same number, or added."""
    if any(old.number == seam.number for old in build.seams):
        return replace(build, seams=tuple(seam if old.number == seam.number else old for old in build.seams))
    return replace(build, seams=(*build.seams, seam))


def free_number(build: Build) -> int:
    """The next seam number."""
    return max((seam.number for seam in build.seams), default=0) + 1


def sew(build: Build, first: str, second: str, against: bool = True) -> Outcome:
    """Makes two runs a seam. CannotContinue for a run with itself, or an edge that has its seam already."""
    a, b = run_from(build, first), run_from(build, second)
    if a.piece == b.piece and set(a.edges) & set(b.edges):
        raise refused("An edge cannot be sewn to itself.", "Name two runs that share no edge.")
    for run in (a, b):
        taken = _seam_on(build, run)
        if taken is not None:
            raise refused(f"An edge of {run} is in seam {taken.number} already.", "Take that seam out first (unseam).")
    seam = Seam(free_number(build), a, b, against)
    after = with_seam(build, seam)
    return Outcome(after, fit_figures(after, seam), fit_doubts(after, seam))


def unsew(build: Build, seam: int) -> Outcome:
    """Takes a seam out; the pieces stay."""
    old = seam_numbered(build, seam)
    after = replace(build, seams=tuple(one for one in build.seams if one is not old))
    return Outcome(after, (Figure("seams", "", len(build.seams), len(after.seams)),))


def ease(build: Build, seam: int, side: str = "longer", ends: str = "nearest") -> Outcome:
    """Makes both sides of a seam agree by reshaping one evenly, or both half-way.

    ``ends`` "kept": the run bows more or less over its chord. "moved": it is scaled about its middle (an end that both
    sides share, as a slit's point, stays), and the edges beside it follow with their shape kept. "nearest": whichever
    moves the outline less.
    """
    one = seam_numbered(build, seam)
    gap = seam_gap(build, one.first, one.second, one.layers_mm)
    shares = {"first": (1.0, 0.0), "second": (0.0, 1.0), "both": (0.5, 0.5)}
    share = shares.get(side) or ((0.0, 1.0) if gap > 0 else (1.0, 0.0))
    after, moves = build, []
    sides = (one.first, one.second, share[0] * gap), (one.second, one.first, -share[1] * gap)
    for run, other, change in sides:
        if abs(change) > _EQUAL_MM:
            after, moved = _eased(after, run, change, ends, _shared_ends(after, run, other))
            moves.append(Figure("furthest the edge moved", "mm", None, moved, str(run)))
    return outcome(build, after, "Easing", (*fit_figures(after, one), *moves), fit_doubts(after, one))


def trim(build: Build, seam: int, end: str = "end") -> Outcome:
    """Shortens the longer side of a seam at its "start", its "end" or "both", in its own outline's order; the edge
    beside it follows with its shape kept. CannotContinue at an end that both sides share."""
    one = seam_numbered(build, seam)
    gap = seam_gap(build, one.first, one.second, one.layers_mm)
    run = one.second if gap > 0 else one.first
    if abs(gap) <= _EQUAL_MM:
        raise refused(f"Both sides of seam {seam} agree already.", "There is nothing to trim.")
    share = {"start": (1.0, 0.0), "end": (0.0, 1.0), "both": (0.5, 0.5)}[end]
    shared = _shared_ends(build, run, one.first if run is one.second else one.second)
    if any(cut and both for cut, both in zip(share, shared, strict=True)):
        raise refused(f"{run} would be trimmed where the other side's end is.", "Trim the other end, or ease the seam.")
    after = _trimmed(build, run, abs(gap) * share[0], abs(gap) * share[1])
    return outcome(build, after, "Trimming", fit_figures(after, one), fit_doubts(after, one))


def fit_figures(build: Build, seam: Seam) -> tuple[Figure, ...]:
    """Both lengths, their mismatch in mm and %, and where most of it lies."""
    row = fit_of(build, seam)
    name = f"seam {seam.number}"
    found = [
        Figure("length of the first side", "mm", None, row.first_mm, row.first),
        Figure("length of the second side", "mm", None, row.second_mm, row.second),
        Figure("second side longer than meant", "mm", None, row.mismatch_mm, name),
        Figure("second side longer than meant", "%", None, 100 * row.share, name),
    ]
    if row.worst is not None:
        part = f"{name}, from {row.worst.start_mm:.0f} to {row.worst.end_mm:.0f} mm along {row.first}"
        found.append(Figure("of this lies here", "mm", None, row.worst.difference_mm, part))
    return tuple(found)


def fit_doubts(build: Build, seam: Seam) -> tuple[Doubt, ...]:
    """A doubt unless the seam's fit is fine."""
    row = fit_of(build, seam, where=False)
    if row.verdict == FINE:
        return ()
    text = (
        f"Seam {seam.number}: the sides differ by {abs(row.mismatch_mm):.1f} mm ({abs(row.share):.1%}): {row.verdict}."
    )
    return (Doubt("seam-lengths-differ", text),)


def lengthened(build: Build, seam: Seam, length_mm: float) -> Build:
    """The build with the seam's second side reshaped evenly to ``length_mm`` as it is glued, whichever way moves the
    outline less."""
    run = seam.second
    change = length_mm - run_length(build, run)
    shared = _shared_ends(build, run, seam.first)
    return _eased(build, run, change, "nearest", shared)[0] if abs(change) > _EQUAL_MM else build


def with_run(build: Build, run: Run, curve: Curve) -> Build:
    """The build with ``curve``, of as many segments, in place of the run's own; the edges on either side follow."""
    piece = piece_named(build, run.piece)
    edges = run_edges(piece, run)
    bounds = np.cumsum([0, *(len(edge.curve.controls) for edge in edges)])
    parts = [Curve(curve.controls[a:b], curve.straight[a:b], False) for a, b in pairwise(bounds)]
    return with_piece(build, with_run_curves(piece, run, parts))


def with_run_curves(piece: Piece, run: Run, parts: list[Curve]) -> Piece:
    """The piece with new curves on the run's edges; the edges on either side follow with their shape kept."""
    fresh = dict(zip(run.edges, parts, strict=True))
    start, end = parts[0].controls[0, 0], parts[-1].controls[-1, 3]
    order = [edge.id for edge in piece.edges]
    before, after = order[order.index(run.edges[0]) - 1], order[(order.index(run.edges[-1]) + 1) % len(order)]
    edges = []
    for edge in piece.edges:
        curve = fresh.get(edge.id, edge.curve)
        if edge.id not in fresh:
            new_start: Array = end if edge.id == after else curve.controls[0, 0]
            new_end: Array = start if edge.id == before else curve.controls[-1, 3]
            if (new_start != curve.controls[0, 0]).any() or (new_end != curve.controls[-1, 3]).any():
                curve = with_ends(curve, new_start, new_end)
        edges.append(edge if curve is edge.curve else replace(edge, curve=curve))
    return with_edges(piece, edges)


def _seam_on(build: Build, run: Run) -> Seam | None:
    for seam in build.seams:
        for side in (seam.first, seam.second):
            if side.piece == run.piece and set(side.edges) & set(run.edges):
                return seam
    return None


def _shared_ends(build: Build, run: Run, other: Run) -> tuple[bool, bool]:
    """Whether the run's start, and its end, is an end of the other run, too."""
    order = [edge.id for edge in piece_named(build, run.piece).edges]
    before = order[order.index(run.edges[0]) - 1]
    after = order[(order.index(run.edges[-1]) + 1) % len(order)]
    same = run.piece == other.piece
    return same and before in other.edges, same and after in other.edges


def _eased(build: Build, run: Run, change_mm: float, ends: str, shared: tuple[bool, bool]) -> tuple[Build, float]:
    """The build with the run ``change_mm`` longer, ends that are shared left alone, and how far it moved at most."""
    curve, whole = run_curve(build, run), run_length(build, run)
    if whole + change_mm <= 0:
        raise refused(f"Nothing of {run} would be left.", "Ease the other side.")
    plain = all(kept_when_glued(build, run))
    kept = bulged(curve, whole + change_mm) if plain and ends != "moved" else None
    if ends == "kept" and kept is None:
        raise refused(
            f"{run} has too little bow to take the difference with its ends kept.",
            "Let its ends move, or ease the other side.",
        )
    about = {(False, False): 0.5, (True, False): 0.0, (False, True): 1.0}.get(shared)
    free = about is not None and ends != "kept"
    moved = scaled_to(curve, curve_length(curve) * (1 + change_mm / whole), about or 0.0) if free else None
    trials = [trial for trial in (kept, moved) if trial is not None]
    if not trials:
        raise refused(f"Both ends of {run} are the other side's, too.", "Widen or trim the piece instead.")
    best = min(trials, key=lambda trial: furthest_move(curve, trial))
    return with_run(build, run, best), furthest_move(curve, best)


def _trimmed(build: Build, run: Run, at_start: float, at_end: float) -> Build:
    piece = piece_named(build, run.piece)
    parts = [edge.curve for edge in run_edges(piece, run)]
    for k, cut in ((0, (at_start, 0.0)), (-1, (0.0, at_end))):
        length = curve_length(parts[k])
        if sum(cut) >= length - 1e-3:
            raise refused(f"The end edge of {run} is shorter than what is to be cut off.", "Ease the seam instead.")
        if sum(cut):
            parts[k] = stretch(parts[k], cut[0], length - cut[1])
    return with_piece(build, with_run_curves(piece, run, parts))


_NUMBER = Question("seam", "seam", "Which seam")

STEPS = (
    Step(
        "seam",
        "Sew two runs of edges together",
        (
            Question("first", "run", "One side"),
            Question("second", "run", "The other side"),
            Question("against", "flag", "The sides run against one another, as between neighbours", True),
        ),
        sew,
    ),
    Step("unseam", "Take a seam out", (_NUMBER,), unsew),
    Step(
        "ease",
        "Ease a seam until both sides agree",
        (
            _NUMBER,
            Question("side", "choice", "Which side gives", "longer", ("longer", "first", "second", "both")),
            Question("ends", "choice", "What its ends do", "nearest", ("nearest", "kept", "moved")),
        ),
        ease,
    ),
    Step(
        "trim-seam",
        "Trim the longer side of a seam",
        (_NUMBER, Question("end", "choice", "At which of its ends", "end", ("start", "end", "both"))),
        trim,
    ),
)
