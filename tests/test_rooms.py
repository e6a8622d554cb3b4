"""Imports point one way: doors ← geometry ← every room ← the assembly ← extract ← ui.

The rules are read from the syntax tree, so an import inside a function or under TYPE_CHECKING counts as well.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

OPEN_TO_ALL = ("extract.doors", "extract.build", "extract.geometry")
# The scene maker draws printed cards, so it reads their design.
GUESTS = {"extract.scene": ("extract.cards.design",)}
# What runs the rooms in order and puts what they found into files; no room may lean on these.
ASSEMBLY = (
    "extract",
    "extract.pipeline",
    "extract.clock",
    "extract.libraries",
    "extract.seeing",
    "extract.rework",
    "extract.correction",
    "extract.reading",
    "extract.surface",
    "extract.look",
    "extract.scale",
    "extract.project",
    "extract.explain",
    "extract.steps",
    "extract.check_printer",
    "extract.together",
    "extract.sureness",
    "extract.maps",
    "extract.packing",
    "extract.output",
    "extract.overlay",
    "extract.report",
    "extract.__main__",
)
PAGE_LIBRARIES = ("streamlit",)


def imported_names(tree: ast.AST, module: str, is_package: bool) -> Iterator[str]:
    """Full dotted names a module asks for; ``from a import b`` gives ``a.b``."""
    package = module if is_package else module.rpartition(".")[0]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*parts, base] if base else parts)
            yield from (f"{base}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Call) and _called(node.func) in ("import_module", "__import__") and node.args:
            target = node.args[0]
            if isinstance(target, ast.Constant) and isinstance(target.value, str):
                yield target.value


def _called(function: ast.expr) -> str:
    if isinstance(function, ast.Attribute):
        return function.attr
    return function.id if isinstance(function, ast.Name) else ""


def within(name: str, *packages: str) -> bool:
    return any(name == package or name.startswith(package + ".") for package in packages)


def room_of(module: str) -> str:
    """The first two names: ``extract.cards`` for ``extract.cards.find``."""
    return ".".join(module.split(".")[:2])


def allowed(importer: str, name: str, front_door: frozenset[str]) -> bool:
    """Whether ``importer`` may ask for ``name``; ``front_door`` holds the modules that lie behind ``extract``."""
    if not within(name, "extract", "ui"):
        return within(importer, "ui") or not within(name, *PAGE_LIBRARIES)
    if within(importer, "ui"):
        return within(name, "ui") or not within(name, *front_door)
    if importer == "extract.build":
        return within(name, "extract.doors")
    if within(name, "ui") or importer == "extract.doors":
        return False
    if within(importer, "extract.geometry"):
        return within(name, *OPEN_TO_ALL)
    if importer in ASSEMBLY:
        return True
    room = room_of(importer)
    return within(name, room, *OPEN_TO_ALL, *GUESTS.get(room, ()))


def modules(root: Path) -> dict[str, Path]:
    """Dotted name of every module of ours below ``root``, with its file."""
    found = {}
    for top in ("extract", "ui"):
        for path in sorted((root / top).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def violations(root: Path) -> list[str]:
    """Every import that runs against the flow, as "importer → imported"."""
    files = modules(root)
    front_door = frozenset(name for name in files if name.startswith("extract."))
    return [
        f"{module} → {name}"
        for module, path in files.items()
        for name in imported_names(ast.parse(path.read_text("utf-8")), module, path.name == "__init__.py")
        if not allowed(module, name, front_door)
    ]


def test_every_import_follows_the_flow(root: Path) -> None:
    assert len(modules(root)) > 10, "the tree was not found, so nothing was checked"
    assert violations(root) == []


HOUSE = {
    "extract/__init__.py": "from extract.pipeline import trace\nfrom extract.doors import Doubt\n",
    "extract/doors.py": "import numpy as np\n",
    "extract/pipeline.py": "from extract import cards, camera\n",
    "extract/geometry/__init__.py": "",
    "extract/geometry/planar.py": "from extract.doors import Curve\nfrom .curve import split\n",
    "extract/geometry/curve.py": "import scipy\n",
    "extract/cards/__init__.py": "from .find import find_cards\n",
    "extract/cards/find.py": "from ..geometry import planar\nfrom extract.cards import design\n",
    "extract/cards/design.py": "from extract.doors import CardDesign\n",
    "extract/camera/__init__.py": "",
    "extract/scene/__init__.py": "from extract.cards.design import design\n",
    "ui/__init__.py": "",
    "ui/app.py": "import streamlit as st\nimport extract\nfrom extract import Doubt\nfrom ui import shelf\n",
    "ui/shelf.py": "import json\n",
}


def build(root: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
    return root


def test_a_house_in_order_passes(tmp_path: Path) -> None:
    assert violations(build(tmp_path, HOUSE)) == []


@pytest.mark.parametrize(
    ("file", "source", "found"),
    [
        ("extract/camera/solve.py", "from extract.cards import find\n", "extract.camera.solve → extract.cards.find"),
        ("extract/camera/solve.py", "from ..cards.design import design\n", "extract.cards.design.design"),
        ("extract/camera/solve.py", "def late():\n    import extract.cards.find\n", "→ extract.cards.find"),
        ("extract/camera/solve.py", "from extract import trace\n", "extract.camera.solve → extract.trace"),
        ("extract/scene/draw.py", "from extract.cards import find\n", "extract.scene.draw → extract.cards.find"),
        ("extract/geometry/more.py", "from extract.cards import design\n", "extract.geometry.more → extract.cards"),
        ("extract/camera/solve.py", "from extract.report import report\n", "→ extract.report.report"),
        ("extract/doors.py", "from extract.geometry import planar\n", "extract.doors → extract.geometry.planar"),
        ("extract/cards/print.py", "from importlib import import_module\nimport_module('ui.app')\n", "→ ui.app"),
        ("extract/cards/print.py", "import streamlit as st\n", "extract.cards.print → streamlit"),
        ("extract/pipeline.py", "from ui import shelf\n", "extract.pipeline → ui.shelf"),
        ("ui/draw.py", "from extract.geometry.planar import area\n", "ui.draw → extract.geometry.planar.area"),
        ("ui/draw.py", "from extract import doors\n", "ui.draw → extract.doors"),
        ("ui/draw.py", "import extract.pipeline\n", "ui.draw → extract.pipeline"),
    ],
)
def test_a_planted_violation_is_found(tmp_path: Path, file: str, source: str, found: str) -> None:
    wrong = violations(build(tmp_path, HOUSE | {file: source}))
    assert len(wrong) == 1
    assert found in wrong[0]
