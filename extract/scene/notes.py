"""Handwriting: single-stroke letters that bound nothing."""

from __future__ import annotations

import numpy as np
from shapely import LineString, MultiLineString, unary_union

from extract.doors import Array
from extract.scene.lines import Ink, jittered
from extract.scene.noise import resampled
from extract.scene.options import SceneOptions
from extract.scene.shell import Shell

_LETTERS: dict[str, list[list[tuple[float, float]]]] = {
    "T": [[(0, 1), (0.7, 1)], [(0.35, 1), (0.35, 0)]],
    "O": [[(0.35, 1), (0.08, 0.75), (0.05, 0.3), (0.35, 0), (0.62, 0.3), (0.62, 0.75), (0.37, 1.0)]],
    "P": [[(0.05, 0), (0.05, 1), (0.5, 0.95), (0.6, 0.72), (0.45, 0.5), (0.06, 0.48)]],
    "L": [[(0.05, 1), (0.05, 0), (0.55, 0.02)]],
    "R": [[(0.05, 0), (0.05, 1), (0.5, 0.92), (0.55, 0.68), (0.4, 0.5), (0.06, 0.48)], [(0.3, 0.48), (0.6, 0)]],
    "U": [[(0.05, 1), (0.05, 0.3), (0.3, 0), (0.6, 0.25), (0.6, 1)]],
    "1": [[(0.1, 0.75), (0.35, 1), (0.35, 0)]],
    "2": [[(0.05, 0.75), (0.3, 1), (0.58, 0.75), (0.45, 0.45), (0.05, 0), (0.62, 0.02)]],
    "3": [[(0.08, 0.9), (0.4, 1), (0.55, 0.75), (0.3, 0.55), (0.58, 0.3), (0.35, 0), (0.05, 0.12)]],
    "^": [[(0.35, 0), (0.35, 1.3)], [(0.1, 1.0), (0.35, 1.3), (0.6, 1.0)]],
}
_WORDS = ("TOP", "L1", "R2", "UP^", "L3", "^")


def make_notes(shell: Shell, lines: tuple[Ink, ...], options: SceneOptions, rng: np.random.Generator) -> list[Ink]:
    """Words in free room, each letter stroke a note of its own."""
    notes: list[Ink] = []
    inner = shell.outline.buffer(-8)
    x0, y0, x1, y1 = shell.outline.bounds
    taken = unary_union([line.path.buffer(6) for line in lines])
    for _ in range(options.notes):
        for _ in range(40):
            middle = np.array([rng.uniform(x0, x1), rng.uniform(y0, y1)])
            strokes = word(str(rng.choice(_WORDS)), middle, rng.uniform(9, 16), rng.uniform(-0.5, 0.5))
            box = MultiLineString([LineString(s) for s in strokes]).convex_hull.buffer(2)
            if inner.contains(box) and not box.intersects(taken):
                notes += written(strokes, options, rng)
                taken = unary_union([taken, box])
                break
    return notes


def word(text: str, start: Array, height_mm: float, turn: float) -> list[Array]:
    """Strokes (N, 2) of ``text`` beginning at ``start``, its base line turned by ``turn`` radians."""
    move = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    strokes = []
    for i, letter in enumerate(text):
        for stroke in _LETTERS[letter]:
            strokes.append(start + (np.array(stroke) + np.array([0.95 * i, 0])) * height_mm @ move)
    return strokes


def written(strokes: list[Array], options: SceneOptions, rng: np.random.Generator) -> list[Ink]:
    """Strokes as a hand writes them."""
    width = float(rng.uniform(*options.ink_width_mm)) * 0.8
    notes = []
    for stroke in strokes:
        meant = resampled(stroke, 0.6)
        notes.append(Ink("note", "black", width, False, jittered(meant, options.jitter_mm, rng), meant))
    return notes
