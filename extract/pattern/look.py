"""A build told in plain values: its pieces with their edges, its seams and materials. For the command line and the
page, which hold no geometry."""

from __future__ import annotations

from typing import Any

from extract.build import Build, Piece
from extract.geometry.curve import curve_length
from extract.geometry.runs import outline_of, piece_area, shape_of
from extract.pattern.fit import FitRow, fit_table
from extract.pattern.labels import parts_of_piece
from extract.pattern.printed import tick_numbers

_CHORD_MM = 0.1


def look_at(build: Build) -> dict[str, Any]:
    """JSON-ready: lengths in mm, areas in mm², angles in degrees; the worst seam comes first."""
    numbers = tick_numbers(build)
    ticks = {seam.number: len(seam.ticks) for seam in build.seams}
    return {
        "name": build.name,
        "face": build.face,
        "stocks": [{"name": s.name, "thickness": s.thickness_mm, "neutral": s.neutral} for s in build.stocks],
        "measures": dict(build.measures),
        "pieces": [_piece(piece) for piece in build.pieces],
        "seams": [_seam(row, [numbers[row.number, k] for k in range(ticks[row.number])]) for row in fit_table(build)],
        "parts": sum(parts_of_piece(piece) for piece in build.pieces),
    }


def _piece(piece: Piece) -> dict[str, Any]:
    left, top, right, bottom = shape_of(piece, _CHORD_MM).bounds
    return {
        "id": piece.id,
        "name": piece.name,
        "size": [right - left, bottom - top],
        "area": piece_area(piece),
        "perimeter": curve_length(outline_of(piece)),
        "sigma": piece.sigma_mm,
        "edges": [
            {"id": e.id, "length": curve_length(e.curve), "lean": e.finish.lean_deg, "longer": e.finish.longer}
            for e in piece.edges
        ],
        "holes": [{"id": hole.id, "around": curve_length(hole.curve)} for hole in piece.holes],
        "details": [{"id": d.id, "use": d.use, "text": d.text, "length": curve_length(d.curve)} for d in piece.details],
        "stock": piece.stock,
        "copies": piece.copies,
        "count": piece.count,
        "up": piece.up,
        "forward": piece.forward_deg,
        "notes": piece.notes,
    }


def _seam(row: FitRow, ticks: list[int]) -> dict[str, Any]:
    worst = row.worst
    return {
        "number": row.number,
        "first": {"run": row.first, "length": row.first_mm},
        "second": {"run": row.second, "length": row.second_mm},
        "layers": row.layers_mm,
        "mismatch": row.mismatch_mm,
        "share": row.share,
        "verdict": row.verdict,
        "worst": None if worst is None else {"from": worst.start_mm, "to": worst.end_mm, "by": worst.difference_mm},
        "ticks": ticks,
    }
