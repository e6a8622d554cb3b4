"""The command that lays a saved project's parts on foam."""

from __future__ import annotations

from pathlib import Path

import pypdf
import pytest

import extract
from extract.build import Build, Stock
from extract.project import new_project
from extract.steps import apply
from ui.command import main


@pytest.fixture(scope="module")
def lantern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A dome of six gores and two skirts' worth of strips, saved."""
    build = Build("moth-lantern", stocks=(Stock("foam 6", 6.0),))
    for step, answers in (
        ("dome", {"length": 210, "breadth": 165, "height": 130, "stock": "foam 6"}),
        ("strip", {"width": 12, "length": 75, "count": 8, "stock": "foam 6"}),
        ("skirt", {"run": "p1:c", "height": 40, "flare": 15}),
    ):
        build = apply(build, step, answers).build
    path = tmp_path_factory.mktemp("project") / "lantern.truepeel"
    return extract.save_project(new_project(build, date="2026-01-01"), path)


def test_says_what_to_buy_and_writes_the_plan(
    lantern: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "foam"
    assert main(["foam", str(lantern), "--sheet", "300x300x6:1", "--sheet", "400x500x6@4.5", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "300 × 300 × 6 mm, yours" in said
    assert "Buy 1 of 400 × 500 × 6 mm, 4.50 in all." in said
    assert "Waste" in said
    pages = pypdf.PdfReader(out / "foam-plan.pdf").pages
    assert "15 parts on" in " ".join(pages[0].extract_text().split())
    assert len(pages) == 3


def test_a_print_has_the_build_sheet_too(lantern: Path, tmp_path: Path) -> None:
    assert main(["print", str(lantern), "--out", str(tmp_path)]) == 0
    (page,) = pypdf.PdfReader(tmp_path / "build-sheet.pdf").pages
    text = " ".join(page.extract_text().split())
    for words in ("dome 1", "1 L + 1 R", "tangent convention", "p1:b – p2:a", "safety data sheet"):
        assert words in text


def test_parts_are_packed_on_pages_when_told(lantern: Path, tmp_path: Path) -> None:
    assert main(["print", str(lantern), "--packed", "--out", str(tmp_path)]) == 0
    packed = (tmp_path / "pattern.pdf").read_bytes()
    assert main(["print", str(lantern), "--out", str(tmp_path)]) == 0
    assert packed != (tmp_path / "pattern.pdf").read_bytes()


def test_parts_are_packed_closer_when_told(lantern: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["foam", str(lantern), "--sheet", "400x500x6", "--closer", "1,5s", "--out", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    (line,) = [line for line in said.splitlines() if line.startswith(("Packed closer", "No closer way"))]
    (page, *_) = pypdf.PdfReader(tmp_path / "foam-plan.pdf").pages
    text = " ".join(page.extract_text().split())
    assert ("packed closer for up to 1.5 s" in text) == line.startswith("Packed closer")
    assert ("grid of 2 mm" in text) == line.startswith("No closer way")


def test_no_time_to_pack_closer_gives_the_plain_plan(lantern: Path, tmp_path: Path) -> None:
    plans = []
    for more in ([], ["--closer", "0"]):
        assert main(["foam", str(lantern), "--sheet", "400x500x6", "--out", str(tmp_path), *more]) == 0
        plans.append((tmp_path / "foam-plan.pdf").read_bytes())
    assert plans[0] == plans[1]


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        (["--sheet", "1000x500x6", "--closer", "soon"], "no time in seconds"),
        (["--sheet", "1000x500x6", "--closer", "-3"], "no time in seconds"),
        (["--sheet", "100x100x6"], "too large for every sheet"),
        (["--sheet", "1000x500x2"], "Add a sheet of 6 mm"),
        (["--sheet", "big"], "is no sheet"),
        (["--sheet", "1000x500x6", "--gap", "wide"], "no length in millimetres"),
        (["--sheet", "1000x500x6", "--paper", "B7"], "no paper called"),
        ([], "--sheet"),
    ],
)
def test_what_cannot_serve(
    lantern: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], reason: str
) -> None:
    assert main(["foam", str(lantern), "--out", str(tmp_path), *more]) == 2
    assert reason in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
