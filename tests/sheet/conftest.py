"""Patterns for the sheet room: known shapes to measure, and half a lantern dome with everything on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
import pytest

from extract.doors import Curve, Doubt, Mark, Part, Pattern
from extract.geometry.curve import circle_curve, curve_area, curve_length, joined, mirrored, polyline_curve
from extract.geometry.curve import reversed_curve as backwards

MakePart = Callable[..., Part]
MakePattern = Callable[..., Pattern]


def make_part(
    number: str,
    outline: Curve,
    label: tuple[float, float],
    room: float = 30.0,
    side: Literal["", "L", "R"] = "",
    holes: Sequence[Curve] = (),
    marks: Sequence[Mark] = (),
    sigma: float = 0.2,
) -> Part:
    area = abs(curve_area(outline)) - sum(abs(curve_area(hole)) for hole in holes)
    length = curve_length(outline)
    return Part(number, side, outline, tuple(holes), tuple(marks), area, length, sigma, label, room)


def make_pattern(*parts: Part, doubts: Sequence[Doubt] = (), photo: str = "lantern shell.jpg") -> Pattern:
    return Pattern(parts, photo, "2025-03-01", tuple(doubts))


def rectangle(left: float, top: float, width: float, height: float) -> Curve:
    corners = [(left, top), (left + width, top), (left + width, top + height), (left, top + height)]
    return polyline_curve(np.array(corners, float), closed=True)


def arc(start: tuple[float, float], end: tuple[float, float], bulge: float) -> Curve:
    """One cubic from start to end that leaves the chord by about ``bulge`` mm to its left."""
    a, b = np.array(start, float), np.array(end, float)
    across = np.array([b[1] - a[1], a[0] - b[0]]) / np.linalg.norm(b - a) * bulge * 4 / 3
    controls = np.array([[a, a + (b - a) * 0.3 + across, a + (b - a) * 0.7 + across, b]])
    return Curve(controls, np.array([False]), False)


def dome_half() -> tuple[Part, ...]:
    """Six parts of a flattened half dome: neighbours share their edges to the bit; slits part the lower row."""
    n = {
        "a": (20.0, 120.0), "b": (95.0, 40.0), "c": (190.0, 12.0), "d": (290.0, 60.0),
        "e": (12.0, 215.0), "f": (110.0, 160.0), "g": (200.0, 140.0), "h": (310.0, 165.0),
        "i": (30.0, 300.0), "j": (118.0, 285.0), "k": (212.0, 276.0), "l": (304.0, 262.0),
    }  # fmt: skip
    bulges = {
        "ab": 14, "bc": 9, "cd": 12, "ae": -6, "bf": 7, "cg": 4, "dh": 12, "ef": 8, "fg": -5, "gh": 9,
        "ei": -8, "fj": 3, "gk": -4, "hl": 6, "ij": -9, "jk": -7, "kl": -8,
    }  # fmt: skip
    edges = {name: arc(n[name[0]], n[name[1]], bulge) for name, bulge in bulges.items()}

    def ring(*names: str) -> Curve:
        return joined([edges[x] if x in edges else backwards(edges[x[::-1]]) for x in names], closed=True)

    def tick(x: float, y: float, dx: float, dy: float) -> Mark:
        return Mark("tick", "black", polyline_curve(np.array([(x, y), (x + dx, y + dy)])))

    cheek = arc((150, 75), (180, 120), -6), arc((35, 190), (100, 95), 10)
    note = polyline_curve(np.array([(250, 225), (250, 205), (246, 210), (250, 205), (254, 210)], float))
    return (
        make_part("1", ring("ab", "bf", "fe", "ea"), (62, 150), 32, "L", marks=[Mark("marker", "red", cheek[1])]),
        make_part(
            "2", ring("bc", "cg", "gf", "fb"), (140, 90), 30, "L",
            holes=[circle_curve((165, 50), 7)], marks=[Mark("marker", "blue", cheek[0]), tick(117, 155, 1, 9)],
        ),
        make_part("3", ring("cd", "dh", "hg", "gc"), (245, 105), 38, "L", marks=[tick(250, 158, -2, -8)]),
        make_part("4", ring("ef", "fj", "ji", "ie"), (66, 240), 34, "L", marks=[tick(60, 181, -2, 9)]),
        make_part(
            "5", ring("fg", "gk", "kj", "jf"), (160, 215), 34, "L",
            marks=[Mark("ring", "black", circle_curve((180, 250), 6)), tick(150, 156, 0, 8)],
        ),
        make_part(
            "6", ring("gh", "hl", "lk", "kg"), (265, 235), 24, "L",
            holes=[circle_curve((232, 180), 12)], marks=[Mark("note", "black", note)], sigma=0.34,
        ),
        make_part("7", circle_curve((345, 285), 7), (345, 285), 6.5, "L"),
    )  # fmt: skip


def mirrored_part(part: Part, axis: float) -> Part:
    marks = [Mark(mark.kind, mark.colour, mirrored(mark.curve, axis)) for mark in part.marks]
    holes = [mirrored(hole, axis) for hole in part.holes]
    label = (2 * axis - part.label_mm[0], part.label_mm[1])
    outline = mirrored(part.outline, axis)
    return make_part(part.number, outline, label, part.room_mm, "R", holes, marks, part.sigma_mm)


@pytest.fixture(scope="session")
def lantern() -> Pattern:
    """The half dome as left and right parts, with two doubts."""
    left = dome_half()
    doubts = [
        Doubt("one-card", "Only one scale card was found; a second one on the other side halves the error."),
        Doubt("gap-bridged", "A gap of 3 mm in the line between parts 2 and 3 was bridged."),
    ]
    return make_pattern(*left, *(mirrored_part(part, 368.0) for part in left), doubts=doubts)


@pytest.fixture(scope="session")
def part_of() -> MakePart:
    return make_part


@pytest.fixture(scope="session")
def pattern_of() -> MakePattern:
    return make_pattern
