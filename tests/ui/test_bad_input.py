"""Input that cannot serve: each kind ends with status 2 and its own sentence, and nothing is written.

The cards in these pictures are drawn by OpenCV's own board generator, not by ours.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from ui import command

Picture = npt.NDArray[np.uint8]
PX_PER_MM = 4.0
WIDE, HIGH = 2800, 2000


def table() -> Picture:
    """A plain wooden-brown table with some grain."""
    grain = np.random.default_rng(5).normal(0, 4, (HIGH, WIDE, 1))
    return np.clip(np.array([90, 130, 170]) + grain, 0, 255).astype(np.uint8)


def card(number: int = 0) -> Picture:
    """An A4 card as paper: 9 × 6 squares of 30 mm in the middle of 297 × 210 mm."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    ids = np.arange(27 * number, 27 * number + 27)
    board = cv2.aruco.CharucoBoard((9, 6), 30.0, 22.0, dictionary, ids)
    chess = board.generateImage((int(270 * PX_PER_MM), int(180 * PX_PER_MM)))
    paper = np.full((int(210 * PX_PER_MM), int(297 * PX_PER_MM)), 250, np.uint8)
    top, left = (paper.shape[0] - chess.shape[0]) // 2, (paper.shape[1] - chess.shape[1]) // 2
    paper[top : top + chess.shape[0], left : left + chess.shape[1]] = chess
    return cv2.cvtColor(paper, cv2.COLOR_GRAY2BGR)


def lay(picture: Picture, thing: Picture, left: int, top: int) -> Picture:
    picture[top : top + thing.shape[0], left : left + thing.shape[1]] = thing
    return picture


def shell(picture: Picture, lines: bool = True, middle: tuple[int, int] = (2000, 1350)) -> Picture:
    """A grey oval of 300 × 240 mm, with a cross of marker lines from edge to edge."""
    half = int(150 * PX_PER_MM), int(120 * PX_PER_MM)
    cv2.ellipse(picture, middle, half, 0, 0, 360, (150, 150, 150), -1)
    if lines:
        x, y = middle
        cv2.line(picture, (x - half[0], y), (x + half[0], y), (25, 25, 25), 7)
        cv2.line(picture, (x, y - half[1]), (x, y + half[1]), (25, 25, 25), 7)
    return picture


def good() -> Picture:
    return shell(lay(table(), card(), 60, 60))


def png(picture: Picture) -> bytes:
    return cv2.imencode(".png", picture)[1].tobytes()


def huge() -> bytes:
    """251 megapixels in a few kilobytes."""
    import io

    into = io.BytesIO()
    Image.new("1", (15_850, 15_850)).save(into, "PNG")
    return into.getvalue()


def slanted(tilt_deg: float) -> bytes:
    """The card as a pinhole camera (focal length 3000 px) sees it from 0.9 m, tilted by so much, no shell beside it."""
    across, down = 297 / 2, 210 / 2
    corners_mm = np.array([[-across, -down, 0], [across, -down, 0], [across, down, 0], [-across, down, 0]])
    lens = np.array([[3000, 0, WIDE / 2], [0, 3000, HIGH / 2], [0, 0, 1.0]])
    turn, shift = np.array([np.radians(tilt_deg), 0, 0]), np.array([0, 0, 900.0])
    seen, _ = cv2.projectPoints(corners_mm, turn, shift, lens, None)
    paper = card()
    flat = np.array([[0, 0], [paper.shape[1], 0], [paper.shape[1], paper.shape[0]], [0, paper.shape[0]]], np.float32)
    view = cv2.getPerspectiveTransform(flat, seen.reshape(4, 2).astype(np.float32))
    picture = cv2.warpPerspective(
        paper, view, (WIDE, HIGH), table(), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_TRANSPARENT
    )
    return png(np.asarray(picture, np.uint8))


def far_away(factor: float) -> bytes:
    """A card that takes up next to nothing of the picture."""
    thing = cv2.resize(card(), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    picture = np.ascontiguousarray(table()[: HIGH // 2, : WIDE // 2])
    return png(lay(picture, np.asarray(thing, np.uint8), 60, 60))


CASES: dict[str, tuple[Callable[[], bytes], str]] = {
    "nothing in it": (lambda: b"", "is empty"),
    "not an image": (lambda: b"Dear puppeteer, the moth's wings are done.", "not a picture"),
    "cut short": (lambda: cv2.imencode(".jpg", good())[1].tobytes()[:60_000], "damaged or cut short"),
    "over 250 megapixels": (huge, "megapixels"),
    "no card": (lambda: png(shell(table())), "No scale card was found"),
    "the same card twice": (lambda: png(lay(lay(table(), card(), 60, 60), card(), 1400, 900)), "twice"),
    "mirrored": (lambda: png(np.ascontiguousarray(good()[:, ::-1])), "mirrored"),
    "card seen too steeply": (lambda: slanted(65), "slant"),
    "card too small": (lambda: far_away(0.16), "too small"),
    "no shell": (lambda: png(lay(table(), card(), 60, 60)), "cannot find a shell"),
    "nothing drawn": (lambda: png(shell(lay(table(), card(), 60, 60), lines=False)), "no marker lines"),
    "shell outside the picture": (
        lambda: png(shell(lay(table(), card(), 60, 60), middle=(WIDE - 150, 1350))),
        "out of the picture",
    ),
}


def refused(capsys: pytest.CaptureFixture[str], *argv: object) -> str:
    """The one line said when the input cannot serve."""
    status = command.main([str(word) for word in argv])
    out, err = capsys.readouterr()
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert err.startswith("truepeel: ")
    assert "Traceback" not in err
    reason, _, advice = err.removeprefix("truepeel: ").strip().partition(". ")
    assert reason
    assert advice.endswith(".")
    return err


@pytest.mark.parametrize("case", CASES)
def test_bad_input_is_refused_in_words(capsys: pytest.CaptureFixture[str], tmp_path: Path, case: str) -> None:
    make, said = CASES[case]
    photo, out = tmp_path / "shell.jpg", tmp_path / "out"
    photo.write_bytes(make())
    assert said in refused(capsys, "trace", photo, "--out", out)
    assert not out.exists() or not list(out.iterdir())


def test_the_same_picture_without_the_fault_serves(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """So each refusal above is for its own fault, not for something the pictures have in common."""
    photo = tmp_path / "shell.png"
    photo.write_bytes(png(good()))
    assert command.main(["trace", str(photo), "--out", str(tmp_path / "out")]) == 0
    assert capsys.readouterr().out.startswith("4 panels from 1 card.")


def test_a_missing_file_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert "no file" in refused(capsys, "trace", tmp_path / "gone.jpg", "--out", tmp_path / "out")


def test_a_folder_is_no_photo(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert str(tmp_path) in refused(capsys, "trace", tmp_path, "--out", tmp_path / "out")


def test_every_refusal_has_its_own_sentence() -> None:
    assert len({said for _, said in CASES.values()}) == len(CASES)


def test_an_output_folder_that_cannot_be(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A file stands where the folder should be made; rights would not stop an administrator's run."""
    photo = tmp_path / "shell.png"
    photo.write_bytes(png(good()))
    assert "cannot take the files" in refused(capsys, "trace", photo, "--out", photo / "out")


def test_a_card_file_that_cannot_be(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    assert "file" in refused(capsys, "card", "--out", tmp_path / "file" / "cards.pdf")


def test_a_bar_no_ruler_can_say(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    photo = tmp_path / "shell.png"
    photo.write_bytes(png(good()))
    assert "bar" in refused(capsys, "trace", photo, "--out", tmp_path / "out", "--bar-long", "2")
