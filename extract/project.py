"""The project file (.truepeel): everything that work can go on from, in this version or a later one.

A zip, format "truepeel-project/2", of
- ``document.json``: format, units, program, date, settings, photo names, the corrections to the tracing by hand, and
  the history: which steps were done with which answers, and which state each left behind;
- ``states/<hash>.json``: the pieces and frames of those states, each once under the hash of its own text, so that a
  step which changes one piece of sixty keeps one piece more;
- ``report.json`` and other findings of the tracing, and ``photos/<number>``: the pictures as they came.

All values are immutable. Undo gives the very text back that was there before.
"""

from __future__ import annotations

import contextlib
import glob
import hashlib
import re
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path, PurePath
from typing import Any

import shapely

from extract import __version__
from extract.build import Build, Outcome, Piece
from extract.doors import CannotContinue, Doubt, TraceSettings, Tracing
from extract.files import unwritable, write_whole
from extract.keep.bundle import MOST_FILE, Rule, damaged, packed, unpacked
from extract.keep.first import traced_in
from extract.keep.text import (
    MOST_PIECES,
    MOST_TEXT,
    Spoilt,
    dumped,
    frame_values,
    loaded,
    piece_values,
    read_frame,
    read_piece,
)
from extract.pattern.pieces import build_from
from extract.steps import answered, apply, step_named

FORMAT, VERSION = "truepeel-project", 2
DOCUMENT, REPORT = "document.json", "report.json"
TRACED = "trace"
"""The step of a moment that came from the tracing."""
MOST_MOMENTS = 200
"""As many steps can be undone; an evening's work, and the file stays small."""
_MOST_STATES_BYTES = 48 << 20
_PACKED_BYTES = 8 << 20
"""A longer history is left unpacked: saving stays quick, and disk is cheap."""
_MOST_STATE_AT_ONCE = 32 << 20
_STALE_S = 3600.0
_MOST_CORRECTIONS = 20_000
_MOST_PHOTOS, _MOST_DOUBTS = 50, 50
_RULES = (
    Rule(re.compile(r"document\.json"), 8 << 20, 8 << 20),
    Rule(re.compile(r"(?!document)[a-z][a-z0-9-]{0,40}\.(json|npz)"), 64 << 20, 128 << 20),
    Rule(re.compile(r"states/[0-9a-f]{32}\.json"), 4 << 20, 2 * _MOST_STATES_BYTES),
    Rule(re.compile(r"photos/[0-9]{1,3}(\.[A-Za-z0-9]{1,8})?"), 256 << 20, 768 << 20),
)
_BROKEN = (ValueError, KeyError, TypeError, IndexError, AttributeError, ArithmeticError, shapely.errors.ShapelyError)

Correction = Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class Moment:
    """One state of the history: the step that led to it, and the keys of what it is made of."""

    step: str
    answers: Mapping[str, Any]
    frame: str
    pieces: tuple[str, ...]
    corrections: str


@dataclass(frozen=True, eq=False)
class Project:
    """A build with its history and where it came from. ``states`` holds the texts of all moments by their key;
    ``findings`` the tracing's files by name ("report.json", …); ``photos`` pairs of name and bytes."""

    build: Build
    corrections: tuple[Correction, ...] = ()
    moments: tuple[Moment, ...] = ()
    now: int = 0
    states: Mapping[str, bytes] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    date: str = ""
    photos: tuple[tuple[str, bytes], ...] = ()
    findings: Mapping[str, bytes] = field(default_factory=dict)


def new_project(
    build: Build,
    settings: Mapping[str, Any] | None = None,
    date: str = "",
    photos: Sequence[tuple[str, bytes]] = (),
    findings: Mapping[str, bytes] | None = None,
    corrections: Sequence[Correction] = (),
) -> Project:
    """A project whose history begins with ``build``."""
    bare = Project(build, (), (), 0, {}, dict(settings or {}), date, tuple(photos), dict(findings or {}))
    return _recorded(bare, build, corrections, TRACED, {})


def project_of(tracing: Tracing, findings: Mapping[str, bytes], corrections: Sequence[Correction] = ()) -> Project:
    """The project that a tracing starts; ``corrections`` are those that led to it. Without the photos where the tracing
    does not carry them."""
    names = [photo.name for photo in tracing.photos] if tracing.sources else []
    photos = tuple(zip(names, tracing.sources, strict=True))
    return new_project(build_of(tracing), asdict(tracing.settings), tracing.pattern.date, photos, findings, corrections)


def build_of(tracing: Tracing) -> Build:
    """The build as the tracing leaves it."""
    name = PurePath(tracing.photos[tracing.read_from].name).stem
    return build_from(tracing.panels, tracing.strokes, name, tracing.settings.pairs)


def changed(project: Project, step: str, answers: Mapping[str, Any]) -> tuple[Project, Outcome]:
    """The project after a step, and what the step tells. Raises CannotContinue; what was undone is then gone for good
    only if the step could be done."""
    outcome = apply(project.build, step, answers)
    if outcome.build is project.build:  # it only told something
        return project, outcome
    said = answered(project.build, step_named(step), answers)  # defaults too: a later version may have others
    return _recorded(project, outcome.build, project.corrections, step, said), outcome


def corrected(project: Project, corrections: Sequence[Correction], traced: Build) -> tuple[Project, tuple[Doubt, ...]]:
    """The project with other ``corrections`` to its tracing, which now gives the build ``traced``: the steps done so
    far are done again on it, and those that no longer can be are told."""
    doubts = []
    build = traced
    for moment in project.moments[: project.now + 1]:
        if moment.step == TRACED:
            continue
        try:
            build = apply(build, moment.step, moment.answers).build
        except CannotContinue as no:
            doubts.append(Doubt("step-lost", f"The step {moment.step} no longer fits: {no.reason}"))
    return _recorded(project, build, corrections, TRACED, {}), tuple(doubts)


def undone(project: Project) -> Project:
    """One step back. Raises CannotContinue at the beginning."""
    if project.now <= 0:
        raise CannotContinue("project", "There is nothing to undo.", "This is how the tracing left it.")
    return _at(project, project.now - 1)


def redone(project: Project) -> Project:
    """One undone step forward again. Raises CannotContinue when nothing was undone."""
    if project.now >= len(project.moments) - 1:
        raise CannotContinue("project", "There is nothing to redo.", "This is the last step.")
    return _at(project, project.now + 1)


def project_bytes(project: Project) -> bytes:
    """The project file's content; the same project gives the same bytes."""
    names = [f"photos/{n}{_suffix(name)}" for n, (name, _) in enumerate(project.photos, start=1)]
    document = {
        "format": f"{FORMAT}/{VERSION}",
        "units": "mm",
        "program": f"truepeel {__version__}",
        "date": project.date,
        "settings": dict(project.settings),
        "photos": names,
        "photo_names": [name for name, _ in project.photos],
        "report": REPORT,
        "corrections": [dict(one) for one in project.corrections],
        "now": project.now,
        "moments": [asdict(moment) for moment in project.moments],
    }
    entries = {DOCUMENT: dumped(document), **project.findings}
    entries |= {f"states/{key}.json": text for key, text in project.states.items()}
    entries |= {name: content for name, (_, content) in zip(names, project.photos, strict=True)}
    loose = sum(map(len, project.states.values())) > _PACKED_BYTES
    return packed(entries, lambda name: name.startswith("photos/") or (loose and name.startswith("states/")))


def save_project(project: Project, path: Path) -> Path:
    """Writes the file whole: at every moment the path holds the old project or all of the new one. Raises
    CannotContinue when it cannot be written."""
    try:
        saved = write_whole(path, project_bytes(project))
        _sweep(path)
    except OSError as error:
        raise unwritable(path.parent, error) from error
    return saved


def _sweep(path: Path) -> None:
    """Takes away what saves of this file left beside it when the power went, once nobody can still be writing it."""
    for left in path.parent.glob(f".{glob.escape(path.name)}.*"):
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime > _STALE_S:
                left.unlink()


def open_project(path: Path) -> Project:
    """Reads a project file. Raises CannotContinue for one that is missing, damaged, hostile or of a later version."""
    try:
        if path.is_dir() or (path.exists() and not path.is_file()):
            raise CannotContinue("project", f"{path} is no file.", "Choose a file whose name ends in .truepeel.")
        with path.open("rb") as source:
            content = source.read(MOST_FILE + 1)
    except FileNotFoundError:
        raise CannotContinue("project", f"There is no file {path}.", "Check the name and try again.") from None
    except OSError as error:
        why = error.strerror or "it cannot be read"
        raise CannotContinue("project", f"{path} cannot be read: {why}.", "Choose another file.") from error
    return read_project(content)


def read_project(content: bytes) -> Project:
    """The project in a file's content. Raises CannotContinue, as ``open_project``."""
    entries = unpacked(content, _RULES)
    try:
        document = loaded(entries[DOCUMENT])
        version = _version(document["format"])
        return (_read_first if version == 1 else _read)(document, entries)
    except _BROKEN as error:
        raise _told(error) from error


def _told(error: Exception) -> CannotContinue:
    what = f": {error}" if isinstance(error, Spoilt) else ""
    return damaged(f"The project file is damaged{what}.")


def doubts_of(project: Project) -> tuple[Doubt, ...]:
    """The doubts that the tracing's report tells; none where there is no report, or one that cannot be read."""
    try:
        warnings = loaded(project.findings[REPORT])["warnings"]
        return tuple(Doubt(str(w["code"])[:60], str(w["message"])[:MOST_TEXT]) for w in warnings[:_MOST_DOUBTS])
    except _BROKEN:
        return ()


def _version(name: Any) -> int:
    match = re.fullmatch(rf"{FORMAT}/([1-9][0-9]{{0,5}})", name)
    if not match:
        raise CannotContinue("project", "This is no Truepeel project.", "Choose a file whose name ends in .truepeel.")
    if int(match[1]) > VERSION:
        raise CannotContinue(
            "project",
            f"The project is from a later version of Truepeel (format {match[1]}; this one reads up to {VERSION}).",
            "Install the newest version and open it there.",
        )
    return int(match[1])


def _read(document: Mapping[str, Any], entries: Mapping[str, bytes]) -> Project:
    states = {name[7:-5]: text for name, text in entries.items() if name.startswith("states/")}
    if any(_key(text) != key for key, text in states.items()):
        raise Spoilt("a state is not what it was")
    moments = tuple(_read_moment(value, states) for value in document["moments"][: MOST_MOMENTS + 1])
    now = document["now"]
    if type(now) is not int or not 0 <= now < len(moments) == len(document["moments"]):
        raise Spoilt("a history without a present")
    findings = {name: text for name, text in entries.items() if "/" not in name and name != DOCUMENT}
    bare = Project(Build(""), (), moments, now, states, _settings(document), str(document["date"])[:40], (), findings)
    return replace(_at(bare, now), photos=_photos(document, entries))


def _read_first(document: Mapping[str, Any], entries: Mapping[str, bytes]) -> Project:
    """Version 1 kept no build: it is made anew from the report's panels and strokes."""
    settings, photos = _settings(document), _photos(document, entries)
    name = PurePath(photos[0][0]).stem if photos else ""
    panels, strokes = traced_in(loaded(entries[REPORT]))
    build = build_from(panels, strokes, name, settings.get("pairs") is True)
    return new_project(build, settings, "", photos, {REPORT: entries[REPORT]})


def _read_moment(value: Mapping[str, Any], states: Mapping[str, bytes]) -> Moment:
    answers = value["answers"]
    moment = Moment(
        str(value["step"])[:60], dict(answers), value["frame"], tuple(value["pieces"]), value["corrections"]
    )
    if len(moment.pieces) > MOST_PIECES or not states.keys() >= {moment.frame, moment.corrections, *moment.pieces}:
        raise Spoilt("a state is missing")
    return moment


def _settings(document: Mapping[str, Any]) -> dict[str, Any]:
    settings = document["settings"]
    plain = str | int | float | bool | None
    scalars = [value for name, value in settings.items() if name != "by_hand"]
    if len(settings) > 100 or not all(isinstance(value, plain) for value in scalars):
        raise Spoilt("settings that are none")
    rectangles = settings.get("by_hand", [])
    if not isinstance(rectangles, list) or len(rectangles) > _MOST_PHOTOS:
        raise Spoilt("settings that are none")
    TraceSettings.from_plain({"by_hand": rectangles})
    return dict(settings)


def _photos(document: Mapping[str, Any], entries: Mapping[str, bytes]) -> tuple[tuple[str, bytes], ...]:
    names = [str(name)[:200] for name in document["photo_names"]]
    if len(names) > _MOST_PHOTOS:
        raise Spoilt("more photos than anyone takes")
    return tuple((name, entries[place]) for name, place in zip(names, document["photos"], strict=True))


def _at(project: Project, now: int) -> Project:
    """The project as it was at moment ``now``; pieces that are the same then as now are the same values."""
    moment, known = project.moments[now], _known_pieces(project)
    keys = [moment.frame, moment.corrections, *moment.pieces]
    try:
        if sum(len(project.states[key]) for key in keys) > _MOST_STATE_AT_ONCE:
            raise Spoilt("a state of absurd size")
        pieces = [known.get(key) or read_piece(loaded(project.states[key])) for key in moment.pieces]
        build = read_frame(loaded(project.states[moment.frame]), pieces)
        corrections = tuple(_read_corrections(loaded(project.states[moment.corrections])))
    except _BROKEN as error:
        raise _told(error) from error
    return replace(project, build=build, corrections=corrections, now=now)


def _known_pieces(project: Project) -> dict[str, Piece]:
    if not (project.moments and project.build.pieces):
        return {}
    return dict(zip(project.moments[project.now].pieces, project.build.pieces, strict=True))


def _read_corrections(values: Any) -> Iterable[Correction]:
    if not isinstance(values, list) or len(values) > _MOST_CORRECTIONS:
        raise Spoilt("corrections that are none")
    if not all(isinstance(value, dict) for value in values):
        raise Spoilt("corrections that are none")
    return values


def _recorded(
    project: Project, build: Build, corrections: Sequence[Correction], step: str, answers: Mapping[str, Any]
) -> Project:
    """The project at a new moment after the present one; what had been undone is dropped, and so is what lies too far
    back."""
    keys = {id(piece): key for key, piece in _known_pieces(project).items()}
    fresh: dict[str, bytes] = {}
    pieces = tuple(keys.get(id(piece)) or _put(fresh, piece_values(piece)) for piece in build.pieces)
    plain = [dict(one) for one in corrections]
    moment = Moment(step, dict(answers), _put(fresh, frame_values(build)), pieces, _put(fresh, plain))
    moments = (*project.moments[: project.now + 1], moment)[-MOST_MOMENTS:]
    states = {**project.states, **fresh}
    moments, states = _within_bounds(moments, states)
    return replace(project, build=build, corrections=tuple(plain), moments=moments, now=len(moments) - 1, states=states)


def _within_bounds(
    moments: tuple[Moment, ...], states: Mapping[str, bytes]
) -> tuple[tuple[Moment, ...], dict[str, bytes]]:
    """The last moments whose states take no more than the file may hold, and those states."""
    kept: dict[str, bytes] = {}
    size, first = 0, len(moments)
    for index in range(len(moments) - 1, -1, -1):
        moment = moments[index]
        new = {key: states[key] for key in (moment.frame, moment.corrections, *moment.pieces) if key not in kept}
        size += sum(map(len, new.values()))
        if size > _MOST_STATES_BYTES and index < len(moments) - 1:
            break
        kept |= new
        first = index
    return moments[first:], kept


def _put(states: dict[str, bytes], value: Any) -> str:
    text = dumped(value)
    key = _key(text)
    states[key] = text
    return key


def _key(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()[:32]


def _suffix(name: str) -> str:
    suffix = PurePath(name).suffix
    return suffix if re.fullmatch(r"\.[A-Za-z0-9]{1,8}", suffix) else ""
