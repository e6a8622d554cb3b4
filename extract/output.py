"""The files of one run: rendered in memory, written whole or not at all."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import asdict
from pathlib import Path, PurePath

from extract.doors import Tracing
from extract.files import check_folder, unwritable, write_whole
from extract.overlay import overlay_jpg
from extract.report import report
from extract.sheet import pattern_dxf, pattern_pdf, pattern_svg

PROJECT_DATE = (1980, 1, 1, 0, 0, 0)
"""Zip entries carry the earliest date the format knows, so that the same run gives the same bytes."""


def render_outputs(tracing: Tracing) -> dict[str, bytes]:
    """All output files of a tracing by name."""
    found = json.dumps(report(tracing), ensure_ascii=False, separators=(",", ":")).encode()
    pattern = tracing.pattern
    return {
        "pattern.pdf": pattern_pdf(pattern, tracing.settings.paper),
        "pattern.svg": pattern_svg(pattern).encode(),
        "pattern.dxf": pattern_dxf(pattern),
        "overlay.jpg": overlay_jpg(tracing),
        "pattern.truepeel": _project(tracing, found),
        "report.json": found,
    }


def _project(tracing: Tracing, found: bytes) -> bytes:
    """A zip with a versioned document, the report and the photos as they came."""
    document = {
        "format": "truepeel-project/1",
        "units": "mm",
        "settings": asdict(tracing.settings),
        "photos": [f"photos/{n + 1}{PurePath(p.name).suffix}" for n, p in enumerate(tracing.photos)],
        "photo_names": [p.name for p in tracing.photos],
        "report": "report.json",
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as bundle:
        _add(bundle, "document.json", json.dumps(document, ensure_ascii=False, indent=1).encode(), zipfile.ZIP_DEFLATED)
        _add(bundle, "report.json", found, zipfile.ZIP_DEFLATED)
        for name, source in zip(document["photos"], tracing.sources, strict=True):
            _add(bundle, name, source, zipfile.ZIP_STORED)
    return out.getvalue()


def _add(bundle: zipfile.ZipFile, name: str, content: bytes, how: int) -> None:
    bundle.writestr(zipfile.ZipInfo(name, PROJECT_DATE), content, how)


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
