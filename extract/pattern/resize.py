"""A whole build made larger or smaller, by a factor or to a wearer's girth. Foam keeps its thickness, and holes, ticks
and gaps may keep their size."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from math import pi

import numpy as np

from extract.build import Build, Detail, Edge, Figure, Hole, Outcome, Piece, Question, Step
from extract.doors import Array, Curve, Doubt
from extract.geometry.curve import curve_at, curve_length, nearest_parameters, transformed
from extract.geometry.offset import offset_ring
from extract.geometry.runs import checked, outline_of, refused, runs_from, with_edges
from extract.pattern.body import rim_girth

_LEAST, _MOST = 0.2, 5.0
_PLAIN = 0.1
"""A change by more than this is worth a second look: a wrong measure is likelier than a head of another size."""
_KEPT = ("tick", "note")
_LAYERS_MM = 0.05


def resize(
    build: Build,
    factor: str = "",
    girth: float = 0.0,
    rim: str | Sequence[str] = "",
    ease: float = 0.0,
    keep_holes: bool = True,
    keep_ticks: bool = True,
    gap: float = 0.0,
    gap_edges: str | Sequence[str] = "",
) -> Outcome:
    """Every piece scaled by ``factor`` ("1.05" or "105 %"), or so that the inner girth of ``rim`` becomes ``girth``.

    Girths are compared on the inner face; the foam's thickness does not scale, so the layer that is drawn gets the
    factor (girth + 2π·ease + 2π d) / (girth now + 2π d), d its way from the inner face. ``keep_holes`` leaves holes
    marked as fixed at their size, ``keep_ticks`` ticks and notes; both move along. The ``gap_edges`` are set back so
    that a gap of ``gap`` mm to their neighbours stays what it is. All lengths in mm.
    """
    if bool(factor) == (girth > 0):
        raise refused("A new size is a factor or a girth.", "Say one of the two.")
    before = rim_girth(build, rim) if rim else None
    if girth > 0 and before is None:
        raise refused("A new girth needs to know the old one.", "Name the edges that make one turn around the rim.")
    if before is not None and girth > 0:
        by = (girth + 2 * pi * (ease + before.layer_mm)) / before.drawn_mm
    else:
        by = _factor(factor)
    if not _LEAST <= by <= _MOST:
        raise refused(f"That would make everything {by:.2f} times as large.", "Check the figures and their units.")
    off = _set_back(build, gap, gap_edges, by)
    pieces = tuple(_resized(piece, by, keep_holes, keep_ticks, off.get(piece.id, {})) for piece in build.pieces)
    after = replace(build, pieces=pieces)
    figures = [Figure("factor", "", 1.0, by)]
    if before is not None:
        figures.append(
            Figure("inner girth of the rim", "mm", before.inner_mm, rim_girth(after, rim).inner_mm, str(rim))
        )
    figures += [_outline_figure(old, new, by, old.id in off) for old, new in zip(build.pieces, pieces, strict=True)]
    return Outcome(after, tuple(figures), tuple(_doubts(build, by)))


def _factor(text: str) -> float:
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(%?)\s*", text)
    if match is None:
        raise refused(f"“{text[:40]}” is no factor.", "Write it as in 1.05 or 105 %.")
    return float(match[1].replace(",", ".")) / (100.0 if match[2] else 1.0)


def _set_back(build: Build, gap: float, edges: str | Sequence[str], by: float) -> dict[str, dict[str, float]]:
    """By piece and edge: how far out it must go so that a scaled gap comes back to what it was, half on each side."""
    if not gap or not edges:
        return {}
    far: dict[str, dict[str, float]] = {}
    for run in runs_from(build, edges):
        far.setdefault(run.piece, {}).update(dict.fromkeys(run.edges, gap * (by - 1) / 2))
    return far


def _resized(piece: Piece, by: float, keep_holes: bool, keep_ticks: bool, off: dict[str, float]) -> Piece:
    outline = outline_of(piece)
    edges = [replace(edge, curve=_scaled(edge.curve, by)) for edge in piece.edges]
    holes = tuple(replace(hole, curve=_hole(hole, by, keep_holes)) for hole in piece.holes)
    details = tuple(replace(detail, curve=_detail(detail, outline, by, keep_ticks)) for detail in piece.details)
    fresh = with_edges(
        replace(piece, holes=holes, details=details, sigma_mm=piece.sigma_mm * by), _moved(piece, edges, off)
    )
    # Scaling alone makes nothing cross, and holes that stay small in a larger piece lie where they lay.
    return checked(fresh, "The new size") if off or (by < 1 and piece.holes) else fresh


def _moved(piece: Piece, edges: list[Edge], off: dict[str, float]) -> list[Edge]:
    if not off:
        return edges
    curves = offset_ring([edge.curve for edge in edges], [off.get(edge.id, 0.0) for edge in edges])
    kept = [replace(edge, curve=curve) for edge, curve in zip(edges, curves, strict=True) if curve is not None]
    if len(kept) < len(edges):
        raise refused(f"The gap would swallow an edge of piece {piece.id}.", "Leave that edge out.")
    return kept


def _scaled(curve: Curve, by: float) -> Curve:
    return transformed(curve, np.array([[by, 0.0, 0.0], [0.0, by, 0.0]]))


def _shifted(curve: Curve, anchor: Array, by: float) -> Curve:
    """The curve moved as its ``anchor`` moves, and not scaled."""
    return transformed(curve, np.c_[np.eye(2), (by - 1) * anchor])


def _hole(hole: Hole, by: float, keep: bool) -> Curve:
    if not (keep and hole.fixed):
        return _scaled(hole.curve, by)
    controls = hole.curve.controls
    return _shifted(hole.curve, (controls.min(axis=(0, 1)) + controls.max(axis=(0, 1))) / 2, by)


def _detail(detail: Detail, outline: Curve, by: float, keep: bool) -> Curve:
    """A tick keeps the end that lies on the outline there, a note its middle."""
    curve = detail.curve
    if not (keep and detail.use in _KEPT) or not len(curve.controls):
        return _scaled(curve, by)
    ends = np.stack([curve.controls[0, 0], curve.controls[-1, 3]])
    if detail.use == "note":
        return _shifted(curve, ends.mean(axis=0), by)
    away = np.linalg.norm(curve_at(outline, nearest_parameters(outline, ends)) - ends, axis=1)
    return _shifted(curve, ends[int(np.argmin(away))], by)


def _outline_figure(old: Piece, new: Piece, by: float, moved: bool) -> Figure:
    before = curve_length(outline_of(old))
    after = curve_length(outline_of(new)) if moved else by * before
    return Figure("length around the piece", "mm", before, after, old.id)


def _doubts(build: Build, by: float) -> list[Doubt]:
    doubts = []
    if abs(by - 1) > _PLAIN:
        words = f"Everything becomes {100 * by:.1f} % of what it was. Check the measures once more before you cut."
        doubts.append(Doubt("large-change", words))
    layered = [seam for seam in build.seams if abs(seam.layers_mm * (by - 1)) > _LAYERS_MM]
    if layered:
        numbers = ", ".join(str(seam.number) for seam in layered)
        words = f"Seams {numbers} have length added for the foam's thickness, which does not scale. "
        doubts.append(Doubt("layers-scaled", words + "Set it anew with the step thickness."))
    return doubts


STEPS: tuple[Step, ...] = (
    Step(
        "resize",
        "Make everything larger or smaller",
        (
            Question("factor", "text", "By which factor? (as in 1.05 or 105 %; none: to a girth)", ""),
            Question("girth", "length", "To which girth of the wearer? (0: by a factor)", 0.0),
            Question("rim", "runs", "Edges that make one turn around the rim", ""),
            Question("ease", "length", "Room on each side, on top of the girth", 0.0),
            Question("keep_holes", "flag", "Do holes keep their size?", True),
            Question("keep_ticks", "flag", "Do ticks and notes keep their size?", True),
            Question("gap", "length", "Gap between neighbours that stays (0: none)", 0.0),
            Question("gap_edges", "runs", "Edges along that gap", ""),
        ),
        resize,
    ),
)
