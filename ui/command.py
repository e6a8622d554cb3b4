"""The program ``truepeel`` on the command line.

Exit status: 0 done, 2 the input cannot serve (one reason, one advice), 130 stopped by Ctrl-C, 1 a fault of our own.
A traceback is shown only with TRUEPEEL_DEBUG=1 in the environment.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from ui import build_commands
from ui.arguments import length, progress_line

if TYPE_CHECKING:
    import extract

DONE, OWN_FAULT, CANNOT_SERVE, STOPPED = 0, 1, 2, 130


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        first = message[:1].upper() + message[1:]
        self.exit(CANNOT_SERVE, f"truepeel: {first}. Say '{self.prog} --help' for what can be said.\n")


class _Version(argparse.Action):
    """Looks the version up when asked, not at every start."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        import extract

        print(f"truepeel {extract.__version__}")
        parser.exit(DONE)


def _bar(text: str) -> float:
    value = length(text)
    if value == 0:
        raise argparse.ArgumentTypeError("a scale bar is longer than nothing")
    return value


def _numbers(text: str) -> tuple[int, ...]:
    """Card numbers such as "0-3" or "0,2,5-6", each from 0 to 9."""
    numbers: list[int] = []
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d)(?:\s*-\s*(\d))?\s*", part)
        if not match or int(match[2] or match[1]) < int(match[1]):
            raise argparse.ArgumentTypeError(f"'{text}' names no cards; cards are numbered 0 to 9, as in 0-3 or 0,2,5")
        numbers.extend(range(int(match[1]), int(match[2] or match[1]) + 1))
    return tuple(sorted(set(numbers)))


def _port(text: str) -> int:
    if not (text.isdecimal() and 1024 <= int(text) <= 65_535):
        raise argparse.ArgumentTypeError(f"'{text}' is no port; a port is a number from 1024 to 65535")
    return int(text)


def build_parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="truepeel", description="A true-scale pattern from a photo of a marked foil-and-tape shell.")
    parser.add_argument("--version", action=_Version, nargs=0, help="say which version this is")
    parts = parser.add_subparsers(dest="part", required=True, metavar="COMMAND")

    card = parts.add_parser("card", help="write scale cards to print at true scale")
    card.add_argument("--family", choices=("A4", "Letter", "small"), default="A4", help="size of the cards (A4)")
    card.add_argument("--numbers", type=_numbers, default=(0, 1, 2, 3), metavar="0-3", help="which cards (0-3)")
    card.add_argument("--out", type=Path, required=True, metavar="FILE", help="the PDF to write")
    card.set_defaults(run=_card)

    trace = parts.add_parser("trace", help="turn photos of one shell into a pattern")
    trace.add_argument("photos", nargs="+", type=Path, metavar="PHOTO", help="JPEG, PNG, TIFF, WebP or HEIC")
    trace.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the pattern")
    trace.add_argument("--bar-long", type=_bar, metavar="MM", help="the cards' long bar as your ruler says")
    trace.add_argument("--bar-short", type=_bar, metavar="MM", help="the cards' short bar as your ruler says")
    trace.add_argument("--height", type=length, metavar="MM", help="the shell's top above the table (0.6)")
    trace.add_argument("--paper", metavar="PAPER", help="A4, A3, Letter or Tabloid (A4)")
    trace.add_argument("--cut-colour", metavar="C", help="colour of the lines to cut along (the darkest)")
    trace.add_argument("--pairs", action="store_true", help="add the mirrored twin of every panel, marked L and R")
    trace.add_argument("--explain", type=Path, metavar="DIR", help="also write one picture per step, with a legend")
    trace.set_defaults(run=_trace)

    check = parts.add_parser("check-printer", help="say what your printer does to a card, and what to set")
    check.add_argument("photo", nargs="?", type=Path, metavar="PHOTO", help="a fresh card with a ruler along a side")
    check.add_argument("--family", choices=("A4", "Letter", "small"), default="A4", help="size of the card (A4)")
    check.add_argument("--bar-long", type=_bar, metavar="MM", help="its long bar as your ruler says")
    check.add_argument("--bar-short", type=_bar, metavar="MM", help="its short bar as your ruler says")
    check.add_argument(
        "--diagonals",
        type=_bar,
        nargs=2,
        metavar="MM",
        help="corner to corner of its chess area, falling and rising to the right",
    )
    check.add_argument("--ruler", type=length, metavar="MM", help="thickness of the ruler in the photo (0.5)")
    check.set_defaults(run=_check_printer)

    build_commands.add_to(parts)

    page = parts.add_parser("page", help="the same in a browser, on this machine only unless told")
    _page_arguments(page)
    page.set_defaults(run=_page)

    demo = parts.add_parser("demo", help="see the moth-lantern shell traced")
    _page_arguments(demo)
    demo.add_argument("--no-page", type=Path, metavar="DIR", help="write the demo's files there, open nothing")
    demo.set_defaults(run=_demo)
    return parser


def _page_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", type=_port, metavar="N", help="port to listen on (the first free one from 8501)")
    parser.add_argument("--no-browser", action="store_true", help="only say where the page is")
    parser.add_argument("--share", action="store_true", help="let a phone on the home network open it, by key")


def _card(told: argparse.Namespace) -> int:
    import extract

    told.out.parent.mkdir(parents=True, exist_ok=True)
    extract.write_whole(told.out, extract.cards_pdf(told.family, told.numbers))
    print(f"Wrote {told.out}. Print it at 100 % (no fit to page), then measure both bars with a ruler.")
    return DONE


def _check_printer(told: argparse.Namespace) -> int:
    import extract

    bars = told.bar_long is not None or told.bar_short is not None
    lines = []
    if told.photo:
        lines += extract.check_printer_by_photo(told.photo, told.ruler)
    if bars or not told.photo:
        diagonals = tuple(told.diagonals) if told.diagonals else None
        lines += extract.check_printer_by_bars(told.family, told.bar_long, told.bar_short, diagonals)
    print("\n".join([*lines, "± is one standard deviation (1 σ)."]))
    return DONE


def _paper(name: str) -> str:
    import extract

    for paper in extract.PAPERS:
        if paper.lower() == name.lower():
            return paper
    raise extract.CannotContinue(
        "paper", f"'{name}' is no paper Truepeel knows.", f"Choose one of {', '.join(extract.PAPERS)}."
    )


def _settings(told: argparse.Namespace) -> extract.TraceSettings:
    import extract

    said = {
        "bar_long_mm": told.bar_long,
        "bar_short_mm": told.bar_short,
        "height_mm": told.height,
        "paper": _paper(told.paper) if told.paper else None,
        "cut_colour": told.cut_colour,
    }
    return extract.TraceSettings(pairs=told.pairs, **{key: value for key, value in said.items() if value is not None})


def _write(photos: Sequence[Path], settings: extract.TraceSettings, folder: Path, explained: Path | None = None) -> int:
    import extract
    from ui import words

    extract.check_folder(folder)
    show = progress_line()
    try:
        tracing = extract.trace(photos, settings, show)
        files = extract.write_outputs(tracing, folder)
        if explained:
            files += extract.explain(tracing, explained)
    finally:
        if show:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
    report = json.loads((folder / "report.json").read_text("utf-8"))
    print("\n".join(words.summary_lines(report, [str(file) for file in files])))
    for line in words.warning_lines(report):
        print(f"truepeel: note: {line}", file=sys.stderr)
    return DONE


def _trace(told: argparse.Namespace) -> int:
    return _write(told.photos, _settings(told), told.out, told.explain)


def _page(told: argparse.Namespace) -> int:
    from ui import server

    return server.run(_port_for(told), not told.no_browser, shared=told.share)


def _port_for(told: argparse.Namespace) -> int:
    from ui import server

    port = server.free_port(told.port or server.FIRST_PORT)
    if told.port and port != told.port:
        print(f"truepeel: note: port {told.port} is taken, so {port} it is.", file=sys.stderr)
    return port


def _demo(told: argparse.Namespace) -> int:
    import extract

    if told.no_page:
        return _write([extract.demo_photo()], extract.TraceSettings(), told.no_page)
    from ui import server, shelf
    from ui.jobs import trace_now

    shelf.sweep()
    work = shelf.new_work()
    photo = extract.demo_photo()
    work.add_photo(photo.name, photo.read_bytes())
    trace_now(work, work.settings(), progress_line())
    return server.run(_port_for(told), not told.no_browser, work.token, told.share)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the program; returns the exit status and never raises."""
    for stream in (sys.stdout, sys.stderr):
        # An old console's letters may lack ±; a question mark is better than an end.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        told = build_parser().parse_args(argv)
        return int(told.run(told))
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else DONE
    except KeyboardInterrupt:
        print("\ntruepeel: Stopped. No half-written file was left behind.", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # Whoever read our output has gone; the interpreter would complain once more at its end.
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except Exception as error:
        return _refuse(error)


def _refuse(error: Exception) -> int:
    from ui.refusal import is_own_fault, refusal_for

    if os.environ.get("TRUEPEEL_DEBUG"):
        import traceback

        traceback.print_exc()
    refusal = refusal_for(error)
    print(f"truepeel: {refusal.reason} {refusal.advice}", file=sys.stderr)
    return OWN_FAULT if is_own_fault(error) else CANNOT_SERVE


if __name__ == "__main__":
    sys.exit(main())
