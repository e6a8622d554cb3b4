"""The files of one run: rendered in memory, written whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from extract.build import FoamPlan
from extract.doors import Pattern, Progress, Tracing
from extract.files import check_folder, unwritable, write_whole
from extract.foam import pack_closer, plan_foam, sheet_from
from extract.geometry.runs import piece_named
from extract.maps import height_jpg, sure_jpg
from extract.overlay import overlay_jpg
from extract.packing import CORNER_MM, packed
from extract.pattern.fit import fit_table
from extract.pattern.mirror import asymmetry_map
from extract.pattern.printed import parts_of
from extract.project import Correction, Project, doubts_of, project_bytes, project_of
from extract.reading import READING, reading_json
from extract.report import report
from extract.sheet import pattern_dxf, pattern_pdf, pattern_svg
from extract.sheet.buildsheet import SeamRow, build_sheet_pdf
from extract.sheet.foamplan import foam_plan_pdf
from extract.sheet.halves_map import halves_svg
from extract.sheet.pages_view import pages_view

_ROUND = 720
"""Places round an outline at which its halves are compared for a picture."""


def render_outputs(
    tracing: Tracing, corrections: Sequence[Correction] = (), before: Tracing | None = None
) -> dict[str, bytes]:
    """All output files of a tracing by name. ``corrections`` are those that led to it from the tracing ``before``, so
    that the project file can go on from what was read."""
    pattern = tracing.pattern
    with ThreadPoolExecutor(1) as beside:
        on_photo = beside.submit(lambda: photo_files(tracing) | photo_maps(tracing))
        drawn = {
            "pattern.pdf": pattern_pdf(pattern, tracing.settings.paper),
            "pattern.svg": pattern_svg(pattern).encode(),
            "pattern.dxf": pattern_dxf(pattern),
        }
        files = on_photo.result()
    findings = {"report.json": files["report.json"], READING: reading_json(before or tracing)}
    return {**drawn, "pattern.truepeel": project_bytes(project_of(tracing, findings, corrections)), **files}


def photo_files(tracing: Tracing) -> dict[str, bytes]:
    """What was found on the photos: the report, and the picture that shows it."""
    with ThreadPoolExecutor(1) as beside:
        overlay = beside.submit(overlay_jpg, tracing)
        told = json.dumps(report(tracing), ensure_ascii=False, separators=(",", ":")).encode()
        return {"overlay.jpg": overlay.result(), "report.json": told}


def photo_maps(tracing: Tracing) -> dict[str, bytes]:
    """How sure every place on the photo is, and where several photos told it, how high the shell stands there."""
    heights = height_jpg(tracing)
    return {"sure.jpg": sure_jpg(tracing), **({"height.jpg": heights} if heights else {})}


def print_files(project: Project, paper: str | None = None, pack: bool = False) -> dict[str, bytes]:
    """PDF, SVG and DXF of a project's build as it stands, and its build sheet. ``paper`` is that of the project's
    settings when None. With ``pack`` the PDF has its parts packed on pages; SVG and DXF leave them in place."""
    pattern, paper = _pattern_of(project), _paper_of(project, paper)
    pages = pattern_pdf(packed(pattern, paper), paper, CORNER_MM) if pack else pattern_pdf(pattern, paper)
    return {
        "pattern.pdf": pages,
        "pattern.svg": pattern_svg(pattern).encode(),
        "pattern.dxf": pattern_dxf(pattern),
        "build-sheet.pdf": build_sheet_pdf(pattern, _seam_rows(project), project.build.name, paper),
    }


def asymmetry_svg(project: Project, piece: str, line: str = "") -> str:
    """How the halves of a piece differ about its best axis, or a line drawn on it, as a picture."""
    found = asymmetry_map(project.build, piece, line, _ROUND)
    name = piece_named(project.build, piece).name
    return halves_svg(f"Piece {name}", found["points"], found["by"], np.array(found["axis"]), found["most"])


def pages_of(project: Project, paper: str | None, pack: bool) -> tuple[str, int]:
    """SVG of the pages that ``print_files`` would print, and how many they are besides the guide page."""
    pattern, paper = _pattern_of(project), _paper_of(project, paper)
    return pages_view(packed(pattern, paper), paper, CORNER_MM) if pack else pages_view(pattern, paper)


def plan_project(
    project: Project,
    sheets: Sequence[str],
    gap_mm: float,
    kerf_mm: float,
    edge_mm: float,
    grain: bool,
    progress: Progress | None = None,
) -> FoamPlan:
    """The project's parts on the foam sheets that ``sheets`` describe ("1000x500x6:2@8.50")."""
    stock = [sheet_from(text) for text in sheets]
    return plan_foam(_pattern_of(project), stock, gap_mm, kerf_mm, edge_mm, grain, progress)


def closer_plan(plan: FoamPlan, sheets: Sequence[str], seconds: float, progress: Progress | None = None) -> FoamPlan:
    """The plan made closer within so many seconds on the sheets it was made for."""
    return pack_closer(plan, [sheet_from(text) for text in sheets], seconds, progress)


def plan_files(project: Project, plan: FoamPlan, paper: str | None = None) -> dict[str, bytes]:
    """The cutting plan to print."""
    return {"foam-plan.pdf": foam_plan_pdf(plan, _paper_of(project, paper), project.date)}


def _pattern_of(project: Project) -> Pattern:
    photo = ", ".join(name for name, _ in project.photos)
    return parts_of(project.build, photo or project.build.name, project.date, doubts_of(project))


def _paper_of(project: Project, paper: str | None) -> str:
    return paper or str(project.settings.get("paper", "A4"))


def _seam_rows(project: Project) -> list[SeamRow]:
    return [
        SeamRow(row.number, row.first, row.second, row.first_mm, row.second_mm, row.mismatch_mm, row.verdict)
        for row in fit_table(project.build, where=False)
    ]


def write_outputs(
    tracing: Tracing, folder: Path, corrections: Sequence[Correction] = (), before: Tracing | None = None
) -> tuple[Path, ...]:
    """Writes all files (see ``render_outputs``) into ``folder``, made if need be; returns their paths.

    Each file is written beside its place and moved there when whole, so an interrupted run leaves what was there.
    Raises CannotContinue when the folder cannot be written.
    """
    check_folder(folder)
    files = render_outputs(tracing, corrections, before)
    try:
        # Each waits until it lies on the disk for good.
        with ThreadPoolExecutor(len(files)) as beside:
            return tuple(beside.map(lambda name: write_whole(folder / name, files[name]), files))
    except OSError as error:
        raise unwritable(folder, error) from error
