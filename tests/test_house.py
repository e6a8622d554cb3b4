"""The set-up: what the README promises is what CI runs, and what is needed is what is pinned."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import ui.words


def commands(root: Path) -> list[str]:
    """The README's first indented block, comments left out."""
    lines = [line for line in (root / "README.md").read_text("utf-8").splitlines() if line.startswith("    ")]
    return [line.split("#")[0].strip() for line in lines[:2]]


def test_ci_runs_the_readmes_second_command(root: Path) -> None:
    demo, test = commands(root)
    assert demo.endswith(" demo")
    last = (root / ".ci" / "run").read_text("utf-8").strip().splitlines()[-1]
    assert last == f"exec {test}"


def test_the_set_up_knows_both_words(root: Path) -> None:
    done = subprocess.run(
        [sys.executable, root / ".ci" / "house.py", "sing"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    for command in commands(root):
        assert command in done.stdout


def pins(root: Path) -> dict[str, str]:
    lines = (root / "constraints.txt").read_text("utf-8").splitlines()
    found = [re.fullmatch(r"([\w.-]+)==([\w.]+)", line) for line in lines if line and not line.startswith("#")]
    assert all(found), "a line is no exact version"
    return {canonicalize_name(match[1]): match[2] for match in found if match}


def test_everything_needed_is_pinned_to_a_version_that_serves(root: Path) -> None:
    project = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))
    needed = project["project"]["dependencies"] + project["project"]["optional-dependencies"]["test"]
    wanted = [Requirement(line) for line in needed + project["build-system"]["requires"]]
    pinned = pins(root)
    assert len(wanted) > 10
    for one in wanted:
        assert one.specifier.contains(pinned[canonicalize_name(one.name)]), one


@pytest.mark.parametrize("path", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_into_the_tree_lead_somewhere(root: Path, path: str) -> None:
    targets = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", (root / path).read_text("utf-8"))
    assert [target for target in targets if not (root / target).exists()] == []


def test_the_readme_names_every_output(root: Path) -> None:
    text = (root / "README.md").read_text("utf-8")
    assert [name for name in ui.words.FILES if f"`{name}`" not in text] == []
