"""What lies on the table of the maker's work: one marked shell, or several pieces of one lying apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import MultiPolygon, unary_union
from shapely.affinity import translate

from extract.doors import Array
from extract.scene.lines import Ink, make_ghosts, make_lines, make_ticks
from extract.scene.notes import make_notes
from extract.scene.options import SceneOptions
from extract.scene.shell import Dart, Relief, Shell, make_shell

APART_MM = (15.0, 45.0)
"""Free table between two pieces: nearer, a hand would push them apart (common practice, no source)."""
_SHARE = (0.48, 0.7)
"""A piece's length to that of a shell in one."""
_STRIDE_MM = 1.0


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece and what is drawn on it."""

    shell: Shell
    lines: tuple[Ink, ...]
    ticks: tuple[Ink, ...]
    ghosts: tuple[Ink, ...]
    notes: tuple[Ink, ...]


def make_pieces(
    options: SceneOptions, of_shell: np.random.Generator, of_lines: np.random.Generator
) -> tuple[Piece, ...]:
    """``options.pieces`` pieces, ``APART_MM`` from one another, round the middle of the table."""
    if options.pieces <= 1:
        return (_drawn_on(make_shell(options, of_shell), options, of_lines),)
    each = [_of_a_piece(options, of_shell) for _ in range(options.pieces)]
    shells = _laid_apart([make_shell(one, of_shell) for one in each], of_shell)
    return tuple(_drawn_on(shell, one, of_lines) for shell, one in zip(shells, each, strict=True))


def outlines_of(pieces: Sequence[Piece]) -> MultiPolygon:
    """The cut edges of all pieces."""
    return MultiPolygon([piece.shell.outline for piece in pieces])


def _drawn_on(shell: Shell, options: SceneOptions, rng: np.random.Generator) -> Piece:
    lines = make_lines(shell, options, rng)
    ticks = tuple(make_ticks(shell, lines, options, rng))
    ghosts = tuple(make_ghosts(shell, options, rng))
    return Piece(shell, lines, ticks, ghosts, tuple(make_notes(shell, (*lines, *ticks), options, rng)))


def _of_a_piece(options: SceneOptions, rng: np.random.Generator) -> SceneOptions:
    """A smaller shell that bears its share of cuts and lines, lying this way or that."""
    length, aspect = options.length_mm * rng.uniform(*_SHARE), rng.uniform(0.65, 0.95)
    if rng.random() < 0.5:
        length, aspect = length * aspect, 1 / aspect
    few = {name: -(-getattr(options, name) // options.pieces) for name in ("darts", "curves", "branches", "ticks")}
    rare = {name: getattr(options, name) // options.pieces for name in ("straights", "blobs", "polygons", "rings")}
    return replace(options, length_mm=length, aspect=aspect, **few, **rare)


def _laid_apart(shells: Sequence[Shell], rng: np.random.Generator) -> list[Shell]:
    """Each slid out from the middle until it is clear of those before it."""
    laid: list[Shell] = []
    first = rng.uniform(0, 2 * np.pi)
    for index, shell in enumerate(shells):
        angle = first + index * np.pi * rng.uniform(0.55, 0.8)
        toward, clear_mm = np.array([np.cos(angle), np.sin(angle)]), rng.uniform(*APART_MM)
        taken = unary_union([other.outline for other in laid])
        far = 0.0
        while laid and translate(shell.outline, *(far * toward)).distance(taken) < clear_mm:
            far += _STRIDE_MM
        laid.append(_moved(shell, far * toward))
    middle = np.array(unary_union([shell.outline for shell in laid]).envelope.centroid.coords[0])
    return [_moved(shell, -middle) for shell in laid]


def _moved(shell: Shell, shift: Array) -> Shell:
    x, y = map(float, shift)
    relief = shell.relief
    return Shell(
        translate(shell.outline, x, y),
        tuple(Dart(dart.apex + shift, dart.mouth + shift, dart.half_mm) for dart in shell.darts),
        Relief((relief.origin[0] + x, relief.origin[1] + y), relief.step_mm, relief.values),
    )
