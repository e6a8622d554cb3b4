"""The command line: exit status, one reason with one advice, never a traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pypdf
import pytest

import extract
from ui import command


def outcome(capsys: pytest.CaptureFixture[str], *argv: object) -> tuple[int, str, str]:
    status = command.main([str(word) for word in argv])
    said = capsys.readouterr()
    return status, said.out, said.err


@pytest.mark.parametrize(
    "argv", [["--help"], ["card", "--help"], ["trace", "--help"], ["page", "--help"], ["demo", "-h"]]
)
def test_help_is_there(capsys: pytest.CaptureFixture[str], argv: list[str]) -> None:
    status, out, err = outcome(capsys, *argv)
    assert (status, err) == (0, "")
    assert out.startswith("usage: truepeel")


def test_version_is_the_packages(capsys: pytest.CaptureFixture[str]) -> None:
    from importlib.metadata import version

    assert outcome(capsys, "--version") == (0, f"truepeel {version('truepeel')}\n", "")


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        ([], "COMMAND"),
        (["draw"], "'draw'"),
        (["trace", "a.jpg"], "--out"),
        (["trace", "--out", "x"], "PHOTO"),
        (["trace", "a.jpg", "--out", "x", "--bar-long", "long"], "'long' is no length in millimetres"),
        (["trace", "a.jpg", "--out", "x", "--bar-long", "nan"], "'nan' is no length in millimetres"),
        (["trace", "a.jpg", "--out", "x", "--bar-short", "0"], "a scale bar is longer than nothing"),
        (["trace", "a.jpg", "--out", "x", "--height=-1"], "'-1' is no length in millimetres"),
        (["trace", "a.jpg", "--out", "x", "--paper", "A5"], "Choose one of A4, A3, Letter, Tabloid."),
        (["card", "--out", "c.pdf", "--family", "A3"], "'A3'"),
        (["card", "--out", "c.pdf", "--numbers", "3-1"], "'3-1' names no cards"),
        (["card", "--out", "c.pdf", "--numbers", "10"], "'10' names no cards"),
        (["page", "--port", "80"], "'80' is no port"),
    ],
)
def test_a_wrong_word_is_named(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, argv: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err = outcome(capsys, *argv)
    assert (status, out) == (2, "")
    assert err.startswith("truepeel: ")
    assert said in err
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_cards_are_written_whole(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "new" / "cards.pdf"
    status, said, _ = outcome(capsys, "card", "--family", "small", "--numbers", "0,2-3", "--out", out)
    assert status == 0
    assert str(out) in said
    assert out.read_bytes() == extract.cards_pdf("small", [0, 2, 3])
    assert len(pypdf.PdfReader(out).pages) >= 1
    assert [path.name for path in out.parent.iterdir()] == ["cards.pdf"]


def test_answers_reach_the_tracing(door: Any, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, _, _ = outcome(
        capsys,
        *("trace", "a.jpg", "b.heic", "--out", tmp_path, "--bar-long", "240,5", "--bar-short", "180.2mm"),
        *("--height", "1.5", "--paper", "letter", "--cut-colour", "red", "--pairs"),
    )
    assert status == 0
    sources, settings = door.seen[0]
    assert sources == [Path("a.jpg"), Path("b.heic")]
    assert settings == extract.TraceSettings(240.5, 180.2, 1.5, "Letter", "red", True)


def test_unasked_answers_stay_the_defaults(door: Any, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    outcome(capsys, "trace", "a.jpg", "--out", tmp_path)
    assert door.seen[0][1] == extract.TraceSettings()


def test_it_says_what_was_found(door: Any, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, out, err = outcome(capsys, "trace", "a.jpg", "--out", tmp_path / "new")
    assert status == 0
    assert out.splitlines()[0] == "2 panels from 2 cards."
    for line in (
        "  A4 card 0: 40 corners, fit to 0.11 px",
        "  panel 1  123.5 cm²  512.3 mm  ± 0.13 mm",
        "  panel 2    8.5 cm²  120.0 mm  ± 0.20 mm",
        f"  {tmp_path / 'new' / 'pattern.pdf'}",
    ):
        assert line in out.splitlines()
    assert err.splitlines() == [
        "truepeel: note: All cards lie on one side; a card on each side is truer.",
        "truepeel: note: Give --bar-long and --bar-short.",
    ]


def test_a_terminal_sees_progress(
    door: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    _, out, err = outcome(capsys, "trace", "a.jpg", "--out", tmp_path)
    assert " 30%  finding the cards" in err
    assert "finding the cards" not in out


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [
        (extract.CannotContinue("cards", "No card.", "Lay one down."), 2, "No card. Lay one down."),
        (MemoryError(), 2, "There is not enough memory for this photo."),
        (FileNotFoundError(2, "No such file or directory", "a.jpg"), 2, "There is no file a.jpg."),
        (PermissionError(13, "Permission denied", "a.jpg"), 2, "The system refused (a.jpg: Permission denied)."),
        (OSError(28, "No space left on device"), 2, "The system refused (No space left on device)."),
        (KeyboardInterrupt(), 130, "Stopped. No half-written file was left behind."),
        (ValueError("inner workings"), 1, "a fault of its own (ValueError)"),
    ],
)
def test_every_error_ends_in_a_sentence(
    door: Any, capsys: pytest.CaptureFixture[str], tmp_path: Path, error: BaseException, status: int, said: str
) -> None:
    door.fail = error
    got, out, err = outcome(capsys, "trace", "a.jpg", "--out", tmp_path)
    assert (got, out) == (status, "")
    assert said in err
    assert err.strip().startswith("truepeel: ")
    assert "Traceback" not in err
    assert "inner workings" not in err


def test_a_traceback_is_for_those_who_ask(
    door: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("TRUEPEEL_DEBUG", "1")
    door.fail = ValueError("inner workings")
    status, _, err = outcome(capsys, "trace", "a.jpg", "--out", tmp_path)
    assert status == 1
    assert "Traceback" in err
    assert "inner workings" in err


def test_help_loads_nothing_heavy(root: Path) -> None:
    asked = "import sys; from ui.command import main; main(['--help']); print([m for m in sys.modules if m in HEAVY])"
    code = asked.replace("HEAVY", "('cv2', 'scipy', 'streamlit', 'numpy')")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_reader_that_leaves_is_no_fault(root: Path) -> None:
    done = subprocess.run(
        f'"{sys.executable}" -m ui.command --help | true', shell=True, capture_output=True, text=True, cwd=root
    )
    assert done.stderr == ""
