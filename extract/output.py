"""The files of one run: rendered in memory, written whole or not at all."""

from __future__ import annotations

import json
from pathlib import Path

from extract.doors import Tracing
from extract.files import check_folder, unwritable, write_whole
from extract.overlay import overlay_jpg
from extract.pattern.printed import parts_of
from extract.project import Project, project_bytes, project_of
from extract.report import report
from extract.sheet import pattern_dxf, pattern_pdf, pattern_svg


def render_outputs(tracing: Tracing) -> dict[str, bytes]:
    """All output files of a tracing by name."""
    found = json.dumps(report(tracing), ensure_ascii=False, separators=(",", ":")).encode()
    pattern = tracing.pattern
    return {
        "pattern.pdf": pattern_pdf(pattern, tracing.settings.paper),
        "pattern.svg": pattern_svg(pattern).encode(),
        "pattern.dxf": pattern_dxf(pattern),
        "overlay.jpg": overlay_jpg(tracing),
        "pattern.truepeel": project_bytes(project_of(tracing, {"report.json": found})),
        "report.json": found,
    }


def print_files(project: Project, paper: str | None = None) -> dict[str, bytes]:
    """PDF, SVG and DXF of a project's build as it stands. ``paper`` is that of the project's settings when None."""
    photo = ", ".join(name for name, _ in project.photos)
    pattern = parts_of(project.build, photo or project.build.name, project.date)
    return {
        "pattern.pdf": pattern_pdf(pattern, paper or str(project.settings.get("paper", "A4"))),
        "pattern.svg": pattern_svg(pattern).encode(),
        "pattern.dxf": pattern_dxf(pattern),
    }


def write_outputs(tracing: Tracing, folder: Path) -> tuple[Path, ...]:
    """Writes all files into ``folder``, made if need be; returns their paths.

    Each file is written beside its place and moved there when whole, so an interrupted run leaves what was there.
    Raises CannotContinue when the folder cannot be written.
    """
    check_folder(folder)
    files = render_outputs(tracing)
    try:
        return tuple(write_whole(folder / name, content) for name, content in files.items())
    except OSError as error:
        raise unwritable(folder, error) from error
