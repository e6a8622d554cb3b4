"""The demonstration's own scene: one half of the moth-lantern's head from a village puppet theatre, on a workbench.

A flattened dome with a brow line, the eye's and the antenna's rings, a wing collar and a lantern pane.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline
from shapely import Point, Polygon

from extract.cards.design import card_design
from extract.doors import Array
from extract.scene.layout import LaidCard, place_camera
from extract.scene.light import Light
from extract.scene.lines import Ink, drawn, drawn_loop, tick_at, until_it_meets
from extract.scene.make import PHONE_PX, Scene, key_points, taken
from extract.scene.options import SceneOptions
from extract.scene.pieces import Piece, outlines_of
from extract.scene.render import Setting
from extract.scene.shell import Dart, Shell, finished_shell

NAME = "moth-lantern"
SEED = 7

_OPTIONS = SceneOptions(
    preset=NAME,
    length_mm=450,
    ragged_mm=0.22,
    ink_width_mm=(1.7, 2.1),
    ink_cover=(0.93, 0.975),
    fade=0.04,
    gap_rate=0.12,
    gap_mm=(0.9, 2.0),
    unclosed=0.5,
    end_slip_mm=0.6,
    jitter_mm=0.25,
    tape_albedo=0.27,
    tape_contrast=0.13,
    strips=15,
    creases=40,
    dent_mm=0.35,
    table="planks",
    focal_35mm=25.7,
    tilt_deg=15,
    k1=0.021,
    k2=-0.008,
    slack=1.0,
    clutter=2,
    noise=0.8,
    paper_white=0.8,
    quality=89,
)

_EDGE = (  # sides of the body between its corners, each a curve through these points
    ((-214, -86), (-80, -124), (40, -142), (118, -152)),
    ((118, -152), (146, -164), (178, -146)),
    ((178, -146), (214, -154), (248, -124)),
    ((248, -124), (214, -76), (206, -20)),
    ((206, -20), (196, 62), (150, 124), (60, 156), (-40, 158), (-130, 124), (-192, 62), (-222, -10), (-214, -86)),
)
_DARTS = (  # apex, mouth, half width at the mouth
    ((76, 106), (97, 149), 5.0),
    ((163, 16), (206, 22), 6.5),
    ((-82, 114), (-97, 141), 4.0),
    ((-160, -30), (-221, -38), 8.0),
    ((18, -98), (24, -141), 3.5),
)
_BROW = ((-236, 22), (-130, 52), (-10, 38), (100, -4), (226, -52))
_TEMPLE = ((-10, 38), (18, 100), (30, 176))
_SNOUT = ((-108, 48), (-104, -20), (-76, -140))
_COLLAR = ((104, -6), (98, -70), (66, -170))
_WING = ((99, -60), (160, -92), (240, -100))
_FOREHEAD = ((14, 84), (-70, 88), (-150, 76), (-214, 62))
_COPIED = ((-230, -56), (-120, -72), (0, -74), (62, -96), (140, -120), (180, -170))
_PANE = ((124, 84), (152, 62), (138, 34), (108, 54))
_EYE = ((-2, -28), 22.5)
_ANTENNA = ((66, 64), 11.0)
_TICKS = (  # line, share of its length, mm
    (0, 0.16, 11.0),
    (0, 0.5, 12.0),
    (0, 0.78, 10.0),
    (1, 0.35, 11.0),
    (2, 0.3, 12.0),
    (2, 0.75, 10.0),
    (3, 0.22, 11.0),
    (4, 0.5, 10.0),
    (5, 0.4, 12.0),
)

_CARDS = (
    ("A4", 0, (-352, 18), np.pi / 2 + 0.045),
    ("A4", 1, (74, -292), 0.03),
    ("small", 0, (-196, -262), -0.09),
)


def moth_lantern(size_px: tuple[int, int] = PHONE_PX) -> Scene:
    """The scene behind the demonstration; only the pixels depend on ``size_px``."""
    rng = np.random.default_rng(SEED)
    of_shell, of_lines, of_layout, of_picture = rng.spawn(4)
    darts = tuple(Dart(np.array(apex, float), np.array(mouth, float), half) for apex, mouth, half in _DARTS)
    shell = finished_shell(_body(), darts, _OPTIONS, of_shell)
    lines = _lines(shell, of_lines)
    ticks = tuple(_tick(lines, index, share, length, of_lines) for index, share, length in _TICKS)
    cards = tuple(LaidCard(card_design(f, n), np.array(at, float), turn, 0.0) for f, n, at, turn in _CARDS)
    pieces = (Piece(shell, lines, ticks, (), ()),)
    camera = place_camera(key_points(outlines_of(pieces), cards), _OPTIONS, size_px, of_layout, np.pi / 2 + 0.03)
    light = Light(np.array([330.0, 780.0, 900.0]), np.array([0.96, 1.0, 1.05]))
    return taken(Setting(_OPTIONS, pieces, cards, camera, light), NAME, SEED, of_picture)


def _body() -> Polygon:
    return Polygon(np.vstack([_curve(side)[:-1] for side in _EDGE]))


def _curve(points: tuple[tuple[float, float], ...]) -> Array:
    """A smooth curve through points, by chord length."""
    knots = np.array(points, float)
    at = np.r_[0, np.cumsum(np.hypot(*np.diff(knots, axis=0).T))]
    return np.asarray(CubicSpline(at, knots)(np.linspace(0, at[-1], 400)))


def _lines(shell: Shell, rng: np.random.Generator) -> tuple[Ink, ...]:
    lines = drawn("panel", "black", _curve(_BROW), shell, _OPTIONS, rng)
    for way in (_TEMPLE, _SNOUT, _COLLAR, _WING, _FOREHEAD):
        run, end = _fitted(_curve(way), shell, lines)
        lines += drawn("shared", "black", run, shell, _OPTIONS, rng, ("junction", end))
    lines.append(drawn_loop("closed_straight", np.array(_PANE, float), _OPTIONS, rng, {"corners_design": list(_PANE)}))
    for (x, y), radius in (_EYE, _ANTENNA):
        turn = np.linspace(0, 2 * np.pi, 240, endpoint=False) + rng.uniform(0, 6)
        ring = np.array([x, y]) + radius * np.c_[np.cos(turn), np.sin(turn)]
        lines.append(drawn_loop("ring", ring, _OPTIONS, rng, {"center": [x, y], "radius": radius}))
    return (*lines, *drawn("seam", "red", _curve(_COPIED), shell, _OPTIONS, rng))


def _fitted(run: Array, shell: Shell, lines: list[Ink]) -> tuple[Array, str]:
    """``run`` moved to start on the nearest line and ended at the line or edge it meets."""
    start = Point(run[0])
    host = min((line.path for line in lines if not line.closed), key=start.distance)
    move = np.array(host.interpolate(host.project(start)).coords[0]) - run[0]
    kept, end = until_it_meets(run + move * np.linspace(1, 0, len(run))[:, None], shell, lines)
    return (run if kept is None else kept), end


def _tick(lines: tuple[Ink, ...], index: int, share: float, length_mm: float, rng: np.random.Generator) -> Ink:
    line = lines[index]
    return tick_at(line, index, share * line.length_mm, length_mm, _OPTIONS, rng)
