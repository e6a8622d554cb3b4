"""A build in plain sentences and rows, from plain values; the command line and the page say the same."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

FACES = {"inside": "the inside", "middle": "the middle", "outside": "the outside"}
LINE_USES = {"reference": "guide"}
USES = {"one": "", "pair": "left and right", "centre": "on the centre line"}


def figure_line(figure: Any) -> str:
    """ "p3:b: length of the edge 121.30 → 131.30 mm (+10.00)"."""
    where = f"{figure.where}: " if figure.where else ""
    before, after = (None if value is None else amount(value, figure.unit) for value in (figure.before, figure.after))
    if before is None or after is None or before == after:
        return f"{where}{figure.what} {after if after is not None else f'{before} → none'}"
    change = "" if figure.unit == "" else f" ({_signed(figure.after - figure.before)})"
    return f"{where}{figure.what} {before} → {after}{change}"


def amount(value: float, unit: str) -> str:
    # What rounds to nothing has no sign.
    number = f"{round(value, 2) + 0.0:.2f}" if unit else f"{value:.4g}"
    return f"{number}{'' if unit in ('°', '') else ' '}{unit}"


def look_lines(seen: dict[str, Any]) -> list[str]:
    """The whole build, for a terminal."""
    count = len(seen["pieces"])
    name = seen["name"] or "Build"
    lines = [
        f"{name}: {_counted(count, 'piece')}, {_counted(seen['parts'], 'part')} to cut, "
        f"{_counted(len(seen['seams']), 'seam')}. The shell stands for {FACES[seen['face']]} of the foam."
    ]
    lines += [f"  {s['name']}: {s['thickness']:g} mm, neutral layer at {s['neutral']:g}" for s in seen["stocks"]]
    lines += ["", *table(_piece_rows(seen["pieces"]))]
    lines += ["", *(_edge_line(piece) for piece in seen["pieces"])]
    if seen["seams"]:
        lines += ["", *table(_seam_rows(seen["seams"]))]
    return lines


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows in columns two blanks apart; a cell that starts with a digit or sign stands to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return ["  ".join(_padded(cell, width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _padded(cell: str, width: int) -> str:
    return cell.rjust(width) if cell[:1].isdigit() or cell[:1] in "+-−" else cell.ljust(width)


def _piece_rows(pieces: Iterable[dict[str, Any]]) -> list[list[str]]:
    rows = [["piece", "name", "size mm", "area cm²", "around mm", "cut", "material"]]
    for piece in pieces:
        size = " × ".join(f"{side:.0f}" for side in piece["size"])
        cut = f"{piece['count']} {USES[piece['copies']]}".strip() + (", back up" if piece["up"] == "back" else "")
        area, around = f"{piece['area'] / 100:.1f}", f"{piece['perimeter']:.1f}"
        rows.append([piece["id"], piece["name"], size, area, around, cut, piece["stock"] or "–"])
    return rows


def inside_of(piece: dict[str, Any]) -> list[str]:
    """Holes and lines of a piece, lines by the drawing surface's words for what they are for."""
    uses = [(LINE_USES.get(detail["use"], detail["use"]), detail["id"]) for detail in piece["details"]]
    return [*(f"hole {hole['id']}" for hole in piece["holes"]), *(f"{use} {name}" for use, name in uses)]


def _edge_line(piece: dict[str, Any]) -> str:
    edges = ", ".join(
        f"{e['id']} {e['length']:.1f}" + (f" at {e['lean']:g}°" if e["lean"] else "") for e in piece["edges"]
    )
    inside = inside_of(piece)
    return f"{piece['id']} edges: {edges}" + (f"; inside: {', '.join(inside)}" if inside else "")


def _seam_rows(seams: Iterable[dict[str, Any]]) -> list[list[str]]:
    rows = [["seam", "first", "mm", "second", "mm", "meant", "off mm", "off %", "fit", "where", "ticks"]]
    for seam in seams:
        worst = seam["worst"]
        where = "" if worst is None else f"{worst['from']:.0f} to {worst['to']:.0f} mm: {worst['by']:+.2f}"
        rows.append(
            [
                f"{seam['number']}",
                seam["first"]["run"],
                f"{seam['first']['length']:.2f}",
                seam["second"]["run"],
                f"{seam['second']['length']:.2f}",
                _signed(seam["layers"]) if seam["layers"] else "",
                _signed(seam["mismatch"]),
                _signed(100 * seam["share"]),
                seam["verdict"],
                where,
                " ".join(map(str, seam["ticks"])),
            ]
        )
    return rows


def piece_name(piece: dict[str, Any]) -> str:
    """ "p3 left wing"; the bare id where the maker gave no name."""
    return f"{piece['id']} {piece['name']}" if _has_name(piece) else str(piece["id"])


def _has_name(piece: dict[str, Any]) -> bool:
    return bool(piece["name"]) and piece["name"] != piece["id"].removeprefix("p")


def _in_brackets(piece: dict[str, Any]) -> str:
    return f" ({piece['name']})" if _has_name(piece) else ""


def edge_names(pieces: Iterable[dict[str, Any]]) -> dict[str, str]:
    """Every edge as "p3:a" with its length: "p3:a, 121.3 mm (left wing)"."""
    return {
        f"{piece['id']}:{edge['id']}": f"{piece['id']}:{edge['id']}, {edge['length']:.1f} mm{_in_brackets(piece)}"
        for piece in pieces
        for edge in piece["edges"]
    }


def fit_rows(seams: Iterable[dict[str, Any]]) -> list[dict[str, str]]:
    """How seams fit, for a table, in the order given (the worst first)."""
    return [
        {
            "Seam": str(seam["number"]),
            "Fit": seam["verdict"],
            "Off": f"{_signed(seam['mismatch'])} mm, {_signed(100 * seam['share'])} %",
            "Sides": f"{_side(seam['first'])} · {_side(seam['second'])}",
            "Meant to differ": f"{_signed(seam['layers'])} mm" if seam["layers"] else "",
            "Where": _where(seam["worst"]),
            "Ticks": " ".join(map(str, seam["ticks"])),
        }
        for seam in seams
    ]


def _side(side: dict[str, Any]) -> str:
    return f"{side['run']}, {side['length']:.2f} mm"


def _signed(value: float) -> str:
    """With its sign; what rounds to nothing has none."""
    return f"{value:+.2f}" if abs(value) >= 0.005 else "0.00"


def _where(worst: dict[str, Any] | None) -> str:
    return "" if worst is None else f"{worst['from']:.0f} to {worst['to']:.0f} mm: {worst['by']:+.2f} mm"


def piece_rows(pieces: Iterable[dict[str, Any]]) -> list[dict[str, str]]:
    """The pieces, for a table, every figure with its unit."""
    return [
        {
            "Piece": piece_name(piece),
            "Size": " × ".join(f"{side:.0f}" for side in piece["size"]) + " mm",
            "Area": f"{piece['area'] / 100:.1f} cm²",
            "Around": f"{piece['perimeter']:.1f} mm",
            "Outline": f"± {piece['sigma']:.2f} mm" if piece["sigma"] else "from numbers",
            "Cut": f"{piece['count']} {USES[piece['copies']]}".strip(),
            "Material": piece["stock"] or "not chosen",
            "Inside": ", ".join(inside_of(piece)),
        }
        for piece in pieces
    ]


def seams_first(figures: Iterable[Any]) -> list[Any]:
    """What a step tells of itself, then how it leaves the seams, the worst first, then all else in its order."""
    figures = list(figures)
    seams = [each for each in figures if each.where.startswith("seam ")]
    own = [each for each in figures if not each.where]
    others = [each for each in figures if each.where and each not in seams]
    return [*own, *sorted(seams, key=lambda each: -abs(each.after or 0.0)), *others]


def figure_rows(figures: Iterable[Any]) -> list[dict[str, str]]:
    """Numbers that a step changes or tells, for a table."""
    return [
        {
            "What": f"{figure.where}: {figure.what}" if figure.where else figure.what,
            "Before": "" if figure.before is None else _shown(figure.before, figure.unit),
            "After": "none" if figure.after is None else _shown(figure.after, figure.unit),
        }
        for figure in figures
    ]


def _shown(value: float, unit: str) -> str:
    """Areas in cm², as in every other table of the page."""
    return f"{value / 100:.1f} cm²" if unit == "mm²" else amount(value, unit)


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" + ("" if count == 1 else "s")


def step_lines(steps: Iterable[Any]) -> list[str]:
    """Every step with what it asks."""
    lines = []
    for step in steps:
        lines.append(f"{step.name}: {step.says}")
        lines += [f"    {question_line(question)}" for question in step.asks]
    return lines


def question_line(question: Any) -> str:
    choices = f" ({', '.join(question.choices)})" if question.choices else ""
    default = "" if question.default in (None, "") else f" [{question.default}]"
    needed = "" if question.default is not None else " (needed)"
    return f"{question.name}={question.kind}{needed}: {question.says}{choices}{default}"
