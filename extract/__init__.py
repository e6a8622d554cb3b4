"""Truepeel's engine: photo of a marked foil-and-tape shell in, true-scale pattern out.

This is the front door; pages and commands use nothing behind it. Heavy libraries load when first needed.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

from extract import libraries
from extract.doors import (
    CannotContinue,
    Doubt,
    HandRectangle,
    Panel,
    Part,
    Pattern,
    Progress,
    Stroke,
    TraceSettings,
    Tracing,
)
from extract.files import check_folder, write_whole

if TYPE_CHECKING:
    from extract.build import CutSheet, FoamPlan, Outcome, Step
    from extract.look import Look
    from extract.project import Project
    from extract.seeing import Source, Table

PAPERS = ("A4", "A3", "Letter", "Tabloid")
FAMILIES = ("A4", "Letter", "small")

__all__ = [
    "FAMILIES",
    "PAPERS",
    "CannotContinue",
    "Doubt",
    "HandRectangle",
    "Panel",
    "Part",
    "Pattern",
    "Progress",
    "Stroke",
    "TraceSettings",
    "Tracing",
    "all_steps",
    "asymmetry",
    "asymmetry_svg",
    "build_view",
    "cards_pdf",
    "change",
    "check_correction",
    "check_folder",
    "check_printer_by_bars",
    "check_printer_by_photo",
    "closer_foam_plan",
    "complete_project",
    "correct_project",
    "corrected",
    "demo_photo",
    "drawing",
    "empty_project",
    "explain",
    "foam_files",
    "foam_plan",
    "foam_view",
    "followed",
    "look_at",
    "look_over",
    "open_project",
    "open_reading",
    "pages_view",
    "photo_files",
    "photo_maps",
    "print_files",
    "project_bytes",
    "read_project",
    "redo",
    "save_project",
    "see_table",
    "start_project",
    "trace",
    "trace_table",
    "undo",
    "warm_up",
    "with_pictures",
    "write_outputs",
    "write_surface",
    "write_whole",
]


def warm_up() -> None:
    """Loads what a first photo needs, about a second's work, before one is given."""
    libraries.warm_up()


def see_table(sources: Sequence[Source], settings: TraceSettings, progress: Progress | None = None) -> Table:
    """Photos (paths, or pairs of name and bytes) of one table with their cards and cameras, for the first look and the
    tracing; those that cannot serve with their reason. Raises CannotContinue without a photo or such a file."""
    from extract.seeing import see_table as run

    libraries.warm_up_beside()
    return run(sources, settings, progress)


def look_over(table: Table, advise: bool = True) -> Look:
    """What can be said before any line is read; ``advise`` adds, in a second, how true the cards make it."""
    from extract.look import look_over as run

    return run(table, advise)


def trace(sources: Sequence[Source], settings: TraceSettings, progress: Progress | None = None) -> Tracing:
    """Photos (paths, or pairs of name and bytes) of one table to a tracing. Raises CannotContinue."""
    return trace_table(see_table(sources, settings, progress), progress)


def trace_table(table: Table, progress: Progress | None = None) -> Tracing:
    """The same from a table that was seen. Raises CannotContinue."""
    from extract.pipeline import trace_table as run

    return run(table, progress)


def write_outputs(
    tracing: Tracing, folder: Path, corrections: Sequence[Mapping[str, Any]] = (), before: Tracing | None = None
) -> tuple[Path, ...]:
    """Writes all output files, each whole or not at all; ``corrections`` led to the tracing from the one ``before``.
    Raises CannotContinue when the folder cannot be written."""
    from extract.output import write_outputs as write

    return write(tracing, folder, corrections, before)


def write_surface(tracing: Tracing, folder: Path) -> Tracing:
    """Writes what correcting by hand needs: reading.json, flat.jpg and its frame, flat.json; returns what they hold."""
    from extract.surface import write_surface as write

    return write(tracing, folder)


def open_reading(content: bytes) -> Tracing:
    """The tracing that reading.json holds, without pictures and panels. Raises CannotContinue where it is damaged."""
    from extract.reading import read_reading

    return read_reading(content)


def with_pictures(tracing: Tracing, sources: Sequence[bytes]) -> Tracing:
    """The tracing with its photos' pixels again. Raises CannotContinue."""
    from extract.reading import with_pictures as fill

    return fill(tracing, sources)


def corrected(tracing: Tracing, corrections: Sequence[Mapping[str, Any]]) -> Tracing:
    """The tracing with the maker's corrections done and its panels cut anew. Raises CannotContinue."""
    from extract.rework import rework as run

    return run(tracing, corrections)


def check_correction(correction: Any) -> None:
    """Raises CannotContinue where that is no correction."""
    from extract.correction import checked

    checked(correction)


def followed(picture: bytes, frame: Mapping[str, float], points_mm: Sequence[Sequence[float]]) -> list[list[float]]:
    """Places set by hand on flat.jpg joined along the ink there, in mm; straight where there is no ink."""
    from extract.surface import followed as follow

    return follow(picture, frame, points_mm)


def drawing(tracing: Tracing) -> dict[str, Any]:
    """Lines, panels and corners for the drawing surface, JSON-ready, in mm."""
    from extract.surface import drawing as draw

    return draw(tracing)


def empty_project(name: str) -> Project:
    """A project without pieces, for shapes that start from numbers."""
    from extract.build import Build
    from extract.project import new_project

    return new_project(Build(name))


def start_project(tracing: Tracing, corrections: Sequence[Mapping[str, Any]] = ()) -> Project:
    """The project that a tracing starts, without its photos; ``corrections`` are those that led to it."""
    from dataclasses import replace

    from extract.project import project_of

    return replace(project_of(tracing, {}, corrections), photos=())


def correct_project(
    project: Project, tracing: Tracing, corrections: Sequence[Mapping[str, Any]]
) -> tuple[Project, tuple[Doubt, ...]]:
    """The project after other corrections, which now give ``tracing``: its steps done again, those that cannot told."""
    from extract.project import build_of, corrected

    return corrected(project, corrections, build_of(tracing))


def complete_project(project: Project, photos: Sequence[tuple[str, bytes]], findings: Mapping[str, bytes]) -> Project:
    """The project with its photos (name, content) and findings ("report.json", "reading.json"), to hand on as one."""
    from dataclasses import replace

    return replace(project, photos=tuple(photos), findings=dict(findings))


def open_project(path: Path) -> Project:
    """The project in a .truepeel file. Raises CannotContinue for one that is damaged, hostile or of a later version."""
    from extract.project import open_project as opened

    return opened(path)


def read_project(content: bytes) -> Project:
    """The same from the file's content."""
    from extract.project import read_project as read

    return read(content)


def project_bytes(project: Project) -> bytes:
    """The content of the project's file."""
    from extract.project import project_bytes as content

    return content(project)


def save_project(project: Project, path: Path) -> Path:
    """Writes the project's file whole or not at all. Raises CannotContinue when it cannot be written."""
    from extract.project import save_project as save

    return save(project, path)


def all_steps() -> Mapping[str, Step]:
    """Every step that changes a build, by name, with what it asks."""
    from extract.steps import all_steps as steps

    return steps()


def change(project: Project, step: str, answers: Mapping[str, Any]) -> tuple[Project, Outcome]:
    """The project after a step, and the numbers that changed. Raises CannotContinue; the project stays as it was."""
    from extract.project import changed

    return changed(project, step, answers)


def undo(project: Project) -> Project:
    """One step back. Raises CannotContinue at the beginning."""
    from extract.project import undone

    return undone(project)


def redo(project: Project) -> Project:
    """The step forward again that was taken back last. Raises CannotContinue when there is none."""
    from extract.project import redone

    return redone(project)


def look_at(project: Project) -> dict[str, Any]:
    """The build in plain values: pieces with their edges, seams, materials; mm, mm² and degrees."""
    from extract.pattern.look import look_at as look

    return look(project.build)


def build_view(project: Project, lit: Collection[str] = (), measured: str = "") -> str:
    """SVG of the build for the screen: pieces, edges' letters, seams by colour and number; ``lit`` pieces stand out,
    and the ``measured`` one has a grid of millimetres."""
    from extract.pattern.printed import laid_out
    from extract.sheet.build_view import build_view as draw

    return draw(project.build, laid_out(project.build), lit, measured)


def asymmetry(project: Project, piece: str, line: str = "") -> dict[str, Any]:
    """By how many mm a piece sticks out further on either side of an axis, in plain values. Raises CannotContinue."""
    from extract.pattern.mirror import asymmetry_map

    return asymmetry_map(project.build, piece, line)


def asymmetry_svg(project: Project, piece: str, line: str = "") -> str:
    """The same as a picture in millimetres."""
    from extract.output import asymmetry_svg as draw

    return draw(project, piece, line)


def print_files(project: Project, paper: str | None = None, pack: bool = False) -> dict[str, bytes]:
    """The build's PDF (its parts packed with ``pack``), SVG, DXF and build sheet by name. Raises CannotContinue."""
    from extract.output import print_files as render

    return render(project, paper, pack)


def pages_view(project: Project, paper: str | None = None, pack: bool = False) -> tuple[str, int]:
    """SVG of the pages that ``print_files`` prints, and how many besides the guide page. Raises as it does."""
    from extract.output import pages_of

    return pages_of(project, paper, pack)


def photo_files(tracing: Tracing) -> dict[str, bytes]:
    """Report and picture of what was found on the photos, by name."""
    from extract.output import photo_files as render

    return render(tracing)


def photo_maps(tracing: Tracing) -> dict[str, bytes]:
    """Pictures of the ± and the heights on the photos, by name."""
    from extract.output import photo_maps as render

    return render(tracing)


def foam_plan(
    project: Project,
    sheets: Sequence[str],
    gap_mm: float = 3.0,
    kerf_mm: float = 0.0,
    edge_mm: float = 5.0,
    grain: bool = False,
    progress: Progress | None = None,
) -> FoamPlan:
    """The build's parts laid on foam sheets, written as in "1000x500x6:2@8.50": width, height and thickness in mm, how
    many are there, what one costs. Raises CannotContinue for what is no sheet and for parts that go on none."""
    from extract.output import plan_project

    return plan_project(project, sheets, gap_mm, kerf_mm, edge_mm, grain, progress)


def closer_foam_plan(
    plan: FoamPlan, sheets: Sequence[str], seconds: float, progress: Progress | None = None
) -> FoamPlan:
    """The plan with its parts packed closer on the ``sheets`` it was made for, so that fewer are bought or more of the
    last one stays whole; the plan itself where so many seconds brought nothing better. They are seconds of the clock:
    another run may give another plan."""
    from extract.output import closer_plan

    return closer_plan(plan, sheets, seconds, progress)


def foam_view(sheet: CutSheet) -> str:
    """SVG of one sheet of a foam plan, for the screen."""
    from extract.sheet.foam_view import foam_view as draw

    return draw(sheet)


def foam_files(project: Project, plan: FoamPlan, paper: str | None = None) -> dict[str, bytes]:
    """The foam plan's PDF by name."""
    from extract.output import plan_files

    return plan_files(project, plan, paper)


def explain(tracing: Tracing, folder: Path) -> tuple[Path, ...]:
    """Writes one picture per room with a legend. Raises CannotContinue when the folder cannot be written."""
    from extract.explain import explain as write

    return write(tracing, folder)


def cards_pdf(family: str, numbers: Sequence[int]) -> bytes:
    """Printable scale cards at true scale. Raises CannotContinue for a family or number that does not exist."""
    from extract.cards.design import card_design
    from extract.cards.print import cards_pdf as draw

    return draw([card_design(family, number) for number in numbers])


def check_printer_by_bars(
    family: str, long_mm: float | None, short_mm: float | None, diagonals_mm: tuple[float, float] | None = None
) -> list[str]:
    """What the printer does and what to set, from a ruler's word on a card's bars and, where measured, its diagonals
    (falling, rising). Raises CannotContinue for lengths no printed card can have."""
    from extract.check_printer import check_by_bars

    return check_by_bars(family, long_mm, short_mm, diagonals_mm)


def check_printer_by_photo(photo: Path, ruler_mm: float | None = None) -> list[str]:
    """The same from a photo of a printed card beside a ruler, ``ruler_mm`` thick. Raises CannotContinue."""
    from extract.check_printer import RULER_MM, check_by_photo

    return check_by_photo(photo, ruler_mm=RULER_MM if ruler_mm is None else ruler_mm)


def demo_photo() -> Path:
    """The photo of the moth-lantern shell that comes with the program."""
    return Path(__file__).parent / "scene" / "moth-lantern.jpg"
