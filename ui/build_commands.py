"""The commands that work on a saved project: change, look, print, foam."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ui.arguments import length, progress_line, seconds

if TYPE_CHECKING:
    import extract

_HELP_PROJECT = "a .truepeel file, as trace and the page write it"


def add_to(parts: Any) -> None:
    """Adds the commands to the program's own."""
    change = parts.add_parser("change", help="do one step on a saved project, or undo it")
    change.add_argument("project", type=Path, metavar="PROJECT", help=_HELP_PROJECT)
    change.add_argument("step", nargs="?", metavar="STEP", help="which step; left out: all steps and what they ask")
    change.add_argument("answers", nargs="*", metavar="NAME=VALUE", help="its answers, such as piece=p3 count=2")
    change.add_argument("--new", action="store_true", help="begin PROJECT anew, for shapes made from numbers alone")
    back = change.add_mutually_exclusive_group()
    back.add_argument("--undo", action="store_true", help="take the last step back")
    back.add_argument("--redo", action="store_true", help="do the step again that was taken back")
    change.set_defaults(run=_change)

    look = parts.add_parser("look", help="show a saved project's pieces, edges and seams")
    look.add_argument("project", type=Path, metavar="PROJECT", help=_HELP_PROJECT)
    look.add_argument("--halves", metavar="PIECE", help="draw how the halves of this piece differ, instead")
    look.add_argument("--out", type=Path, metavar="FILE", help="the SVG to write with --halves")
    look.set_defaults(run=_look)

    paper = parts.add_parser("print", help="write a saved project's PDF, SVG and DXF")
    paper.add_argument("project", type=Path, metavar="PROJECT", help=_HELP_PROJECT)
    paper.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the files")
    paper.add_argument("--paper", metavar="PAPER", help="A4, A3, Letter or Tabloid (as the project says, else A4)")
    paper.add_argument("--packed", action="store_true", help="pack the PDF's parts on pages, none cut that fits on one")
    paper.set_defaults(run=_print)

    foam = parts.add_parser("foam", help="lay a saved project's parts on foam sheets, and say what to buy")
    foam.add_argument("project", type=Path, metavar="PROJECT", help=_HELP_PROJECT)
    foam.add_argument(
        "--sheet",
        action="append",
        required=True,
        metavar="WxHxT[:N][@PRICE]",
        help="a size of sheet in mm, how many are there and what one costs: 1000x500x6:2@8.50; may be said again",
    )
    foam.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the cutting plan")
    foam.add_argument("--gap", type=length, default=3.0, metavar="MM", help="between parts, besides the kerf (3)")
    foam.add_argument("--kerf", type=length, default=0.0, metavar="MM", help="width of the cut itself (0, a knife's)")
    foam.add_argument("--edge", type=length, default=5.0, metavar="MM", help="to the sheet's edge (5)")
    foam.add_argument("--grain", action="store_true", help="turn parts by half a turn at most")
    foam.add_argument(
        "--closer",
        type=seconds,
        default=0.0,
        metavar="SECONDS",
        help="pack the parts closer for so long, 30 say: may save a sheet; another run may find another way (0)",
    )
    foam.add_argument("--paper", metavar="PAPER", help="A4, A3, Letter or Tabloid (as the project says, else A4)")
    foam.set_defaults(run=_foam)


def _change(told: argparse.Namespace) -> int:
    import extract
    from ui import build_words

    if not told.step and not (told.undo or told.redo):
        print("\n".join(build_words.step_lines(extract.all_steps().values())))
        return 0
    if told.step and (told.undo or told.redo):
        raise extract.CannotContinue(
            "project", "A step cannot be done and undone in one breath.", "Give the step, or --undo, or --redo."
        )
    project = _begun(told) if told.new else extract.open_project(told.project)
    if told.step:
        after, outcome = extract.change(project, told.step, _answers(told.answers))
        for figure in outcome.figures:
            print(build_words.figure_line(figure))
        for doubt in outcome.doubts:
            print(f"truepeel: note: {doubt.message}", file=sys.stderr)
        if after is project:
            print("Nothing was changed.")
            return 0
        extract.save_project(after, told.project)
        print(f"Did “{told.step}”. Saved {told.project}.")
        return 0
    step = project.moments[project.now if told.undo else min(project.now + 1, len(project.moments) - 1)].step
    project = extract.undo(project) if told.undo else extract.redo(project)
    extract.save_project(project, told.project)
    print(f"{'Took back' if told.undo else 'Did again'} “{step}”. Saved {told.project}.")
    return 0


def _begun(told: argparse.Namespace) -> extract.Project:
    """An empty project; never in the place of one that is there."""
    import extract

    if told.project.exists():
        raise extract.CannotContinue(
            "project",
            f"There is a file {told.project} already.",
            "Leave --new out to go on with it, or choose a new name.",
        )
    return extract.empty_project(told.project.stem)


def _answers(words: list[str]) -> dict[str, str]:
    import extract

    answers: dict[str, str] = {}
    for word in words:
        name, equals, value = word.partition("=")
        if not equals or not name:
            raise extract.CannotContinue(
                "project", f"“{word}” is no answer.", "Write it as name=value, such as piece=p3; quote what has blanks."
            )
        if name in answers:
            raise extract.CannotContinue("project", f"“{name}” is answered twice.", "Say it once.")
        answers[name] = value
    return answers


def _look(told: argparse.Namespace) -> int:
    import extract
    from ui import build_words

    project = extract.open_project(told.project)
    if told.halves:
        return _draw_halves(project, told)
    print("\n".join(build_words.look_lines(extract.look_at(project))))
    done = [moment.step for moment in project.moments[1 : project.now + 1]]
    print(f"\nSteps done: {', '.join(done) or 'none'}." + _more(len(project.moments) - 1 - project.now))
    return 0


def _draw_halves(project: extract.Project, told: argparse.Namespace) -> int:
    import extract

    if told.out is None:
        raise extract.CannotContinue("project", "The picture of the halves needs a file.", "Add --out halves.svg.")
    found = extract.asymmetry(project, told.halves)
    extract.write_whole(told.out, extract.asymmetry_svg(project, told.halves).encode())
    print(f"The halves differ by up to {found['most']:.1f} mm. Wrote {told.out}.")
    return 0


def _more(undone: int) -> str:
    return f" Taken back: {undone}." if undone else ""


def _print(told: argparse.Namespace) -> int:
    import extract

    extract.check_folder(told.out)
    files = extract.print_files(extract.open_project(told.project), told.paper, told.packed)
    for name, content in files.items():
        print(f"Wrote {extract.write_whole(told.out / name, content)}.")
    return 0


def _foam(told: argparse.Namespace) -> int:
    import extract
    from ui import foam_words

    extract.check_folder(told.out)
    project = extract.open_project(told.project)
    show = progress_line()
    try:
        grid = extract.foam_plan(project, told.sheet, told.gap, told.kerf, told.edge, told.grain, show)
        plan = extract.closer_foam_plan(grid, told.sheet, told.closer, show)
    finally:
        if show:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
    print("\n".join(foam_words.plan_lines(plan)))
    if told.closer:
        print(foam_words.closer_line(grid, plan))
    for doubt in plan.doubts:
        print(f"truepeel: note: {doubt.message}", file=sys.stderr)
    for name, content in extract.foam_files(project, plan, told.paper).items():
        print(f"Wrote {extract.write_whole(told.out / name, content)}.")
    return 0
