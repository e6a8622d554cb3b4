"""Marker lines as a hand means them and as it draws them, and the panels they bound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from scipy.interpolate import CubicSpline
from shapely import LineString, Polygon, unary_union
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize, substring

from extract.doors import Array
from extract.scene.noise import normals, resampled, wander
from extract.scene.options import SceneOptions
from extract.scene.shell import Shell

STEP_MM = 0.8
"""Spacing of points along a drawn line: chords stay within 0.01 mm of a bend of 8 mm radius."""


@dataclass(frozen=True, eq=False)
class Ink:
    """One drawn line: ``points`` is the exact centre line with the hand's jitter, ``meant`` what the hand meant.

    ``gaps`` are arc lengths left bare, ``ends`` what the line runs to, ``flush`` whether the cut edge
    goes right through that end, ``extra`` more for the truth file.
    """

    kind: str
    colour: str
    width_mm: float
    closed: bool
    points: Array
    meant: Array
    gaps: tuple[tuple[float, float], ...] = ()
    ends: tuple[str, str] | None = None
    cover: float = 0.92
    flush: tuple[bool, bool] = (False, False)
    extra: dict[str, object] = field(default_factory=dict)

    @property
    def length_mm(self) -> float:
        return self.path.length

    @property
    def path(self) -> LineString:
        return LineString(np.vstack([self.points, self.points[:1]]) if self.closed else self.points)


@dataclass(frozen=True, eq=False)
class Panel:
    outline: Polygon

    @property
    def area_mm2(self) -> float:
        return self.outline.area


def make_lines(shell: Shell, options: SceneOptions, rng: np.random.Generator) -> tuple[Ink, ...]:
    """Panel lines, branches, closed shapes, rings and seams on a shell, in the order a maker draws them."""
    lines: list[Ink] = []
    for kind, count in (("panel", options.curves), ("straight", options.straights)):
        for _ in range(count):
            lines += _first_that_fits(lines, partial(_across, shell, kind, options, rng))
    for _ in range(options.branches):
        lines += _first_that_fits(lines, partial(_branch, shell, lines, options, rng))
    shapes = [("closed", options.blobs), ("closed_straight", options.polygons), ("ring", options.rings)]
    for kind, count in shapes:
        for _ in range(count):
            lines += _loop(shell, lines, kind, options, rng)
    for _ in range(options.seams):
        lines += _across(shell, "seam", options, rng)
    return tuple(lines)


def make_ticks(shell: Shell, lines: tuple[Ink, ...], options: SceneOptions, rng: np.random.Generator) -> list[Ink]:
    """Short marks across black lines, clear of junctions and of each other."""
    ticks: list[Ink] = []
    black = [i for i, line in enumerate(lines) if line.colour == "black" and line.length_mm > 50]
    inner = shell.outline.buffer(-6)
    for _ in range(40 * options.ticks):
        if len(ticks) >= options.ticks or not black:
            break
        i = int(rng.choice(black))
        tick = _tick(lines[i], i, options, rng)
        near = tick.path.buffer(6)
        others = [line.path for j, line in enumerate(lines) if j != i] + [other.path for other in ticks]
        if inner.contains(tick.path) and not any(near.intersects(other) for other in others):
            ticks.append(tick)
    return ticks


def make_ghosts(shell: Shell, options: SceneOptions, rng: np.random.Generator) -> list[Ink]:
    """Lines rubbed out with spirit: wide, very faint."""
    ghosts = [line for _ in range(options.ghosts) for line in _across(shell, "ghost", options, rng)]
    return [Ink("ghost", "black", 2.6, False, g.points, g.meant, cover=float(rng.uniform(0.05, 0.14))) for g in ghosts]


def panels(outline: Polygon, lines: tuple[Ink, ...], reach_mm: float = 4.0) -> list[Panel]:
    """Faces of the cut edge and the lines, largest first.

    A line's end that stops short of what it means to meet is carried on straight for up to ``reach_mm``; whatever
    dangles bounds nothing.
    """
    edges = [outline.exterior] + [_reaching(line, reach_mm) for line in lines]
    faces = polygonize(unary_union(edges))
    kept = [face for face in faces if face.area > 1 and outline.contains(face.representative_point())]
    return [Panel(face) for face in sorted(kept, key=lambda face: -face.area)]


def _reaching(line: Ink, reach_mm: float) -> LineString:
    if line.closed:
        return line.path
    points = line.points
    head, tail = points[0] - points[min(3, len(points) - 1)], points[-1] - points[max(-4, -len(points))]
    first = points[0] + reach_mm * head / np.linalg.norm(head)
    last = points[-1] + reach_mm * tail / np.linalg.norm(tail)
    return LineString(np.vstack([first, points, last]))


def jittered(points: Array, amount_mm: float, rng: np.random.Generator, closed: bool = False) -> Array:
    """Push a line sideways by a hand's slow drift and quick shake."""
    count = len(points)
    push = amount_mm * (0.9 * wander(rng, count, 60 / STEP_MM) + 0.3 * wander(rng, count, 12 / STEP_MM))
    if closed:
        share = np.arange(count) / count
        push = push - share * (push[-1] - push[0])
    return points + normals(points, closed) * push[:, None]


def drawn(
    kind: str,
    colour: str,
    meant: Array,
    shell: Shell,
    options: SceneOptions,
    rng: np.random.Generator,
    ends: tuple[str, str] = ("edge", "edge"),
    width_mm: float | None = None,
) -> list[Ink]:
    """Draw one open line: jitter it, cut it where the shell is cut, let its ends slip, leave gaps."""
    meant = resampled(meant, STEP_MM)
    hand = jittered(meant, options.jitter_mm, rng)
    width = width_mm or float(rng.uniform(*options.ink_width_mm))
    cover = float(rng.uniform(*options.ink_cover))
    kept = LineString(hand).intersection(shell.outline)
    pieces = [piece for piece in getattr(kept, "geoms", [kept]) if piece.length > 8]
    pieces.sort(key=lambda piece: LineString(hand).project(piece.interpolate(0.5, normalized=True)))
    lines = []
    for i, piece in enumerate(pieces):
        of_piece = (ends[0] if i == 0 else "edge", ends[1] if i == len(pieces) - 1 else "edge")
        path, flush = _slipped(piece, of_piece, options, rng)
        points = resampled(np.asarray(path.coords), STEP_MM)
        gaps = _gaps(path.length, options, rng)
        lines.append(Ink(kind, colour, width, False, points, meant, gaps, of_piece, cover, flush))
    return lines


def drawn_loop(
    kind: str, meant: Array, options: SceneOptions, rng: np.random.Generator, extra: dict[str, object] | None = None
) -> Ink:
    """Draw one closed line; now and then the hand stops short of where it began."""
    meant = resampled(meant, STEP_MM, closed=True)
    points = jittered(meant, options.jitter_mm * 0.8, rng, closed=True)
    length = LineString(np.vstack([points, points[:1]])).length
    gaps = _gaps(length, options, rng)
    if rng.random() < options.unclosed:
        gaps = (*gaps, (length - float(rng.uniform(*options.gap_mm)), length))
    width, cover = float(rng.uniform(*options.ink_width_mm)), float(rng.uniform(*options.ink_cover))
    return Ink(kind, "black", width, True, points, meant, gaps, None, cover, extra=extra or {})


def _slipped(
    piece: LineString, ends: tuple[str, str], options: SceneOptions, rng: np.random.Generator
) -> tuple[LineString, tuple[bool, bool]]:
    points = np.asarray(piece.coords)
    cut = []
    for end, inward in zip(ends, (points[1] - points[0], points[-2] - points[-1]), strict=True):
        slip = 0.0 if rng.random() < 0.4 else float(rng.uniform(-options.end_slip_mm, options.end_slip_mm))
        cut.append(max(slip, 0.0))
        if end == "junction" and slip < 0:
            past = slip * inward / np.linalg.norm(inward)
            points = np.vstack([points[0] + past, points]) if len(cut) == 1 else np.vstack([points, points[-1] + past])
    path = LineString(points)
    flush = (ends[0] == "edge" and cut[0] == 0, ends[1] == "edge" and cut[1] == 0)
    return substring(path, cut[0], path.length - cut[1]), flush


def _gaps(length: float, options: SceneOptions, rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    gaps: list[tuple[float, float]] = []
    for _ in range(rng.poisson(options.gap_rate * length / 100)):
        start = float(rng.uniform(8, max(length - 12, 8.1)))
        stop = start + float(rng.uniform(*options.gap_mm))
        if stop < length - 6 and all(stop < a - 10 or start > b + 10 for a, b in gaps):
            gaps.append((start, stop))
    return tuple(sorted(gaps))


def _first_that_fits(lines: list[Ink], propose: Callable[[], list[Ink]]) -> list[Ink]:
    """The first of a few proposals that keeps a hand's distance from the lines already there."""
    for _ in range(12):
        proposal = propose()
        if proposal and not _crowds(proposal, lines):
            return proposal
    return []


def _crowds(proposal: list[Ink], lines: list[Ink]) -> bool:
    """True where a line runs beside another for more than a crossing's worth, or three meet in nearly one spot: no
    maker draws what cannot be told apart."""
    paths = [line.path for line in lines]
    near = unary_union([path.buffer(7) for path in paths])
    for line in proposal:
        shared = line.path.intersection(near)
        if any(part.length > 26 for part in getattr(shared, "geoms", [shared])):
            return True
        crossings = [hit for path in paths for hit in _points_of(line.path.intersection(path))]
        if any(sum(path.distance(hit) < 9 for path in paths) > 1 for hit in crossings):
            return True
    return False


def _across(shell: Shell, kind: str, options: SceneOptions, rng: np.random.Generator) -> list[Ink]:
    """A line from edge to edge, curved or with corners."""
    ring = shell.outline.convex_hull.buffer(12).exterior
    at = rng.uniform(0, 1)
    ends = [np.array(ring.interpolate(s % 1, normalized=True).coords[0]) for s in (at, at + rng.uniform(0.32, 0.68))]
    span = ends[1] - ends[0]
    side = np.array([-span[1], span[0]])
    inner = int(rng.integers(1, 3))
    knots = [ends[0] + span * (i + 1) / (inner + 1) + side * rng.uniform(-0.14, 0.14) for i in range(inner)]
    control = np.array([ends[0], *knots, ends[1]])
    meant = (
        control if kind == "straight" else CubicSpline(np.linspace(0, 1, len(control)), control)(np.linspace(0, 1, 400))
    )
    colour = (options.seam_colour or "red") if kind == "seam" else "black"
    return drawn(kind, colour, meant, shell, options, rng)


def _branch(shell: Shell, lines: list[Ink], options: SceneOptions, rng: np.random.Generator) -> list[Ink]:
    """A line that starts on another one and runs to whatever it meets first."""
    open_lines = [line for line in lines if not line.closed and line.length_mm > 70]
    if not open_lines:
        return []
    host = open_lines[int(rng.integers(len(open_lines)))].path
    s = rng.uniform(0.15, 0.85) * host.length
    start, ahead = (np.array(host.interpolate(t).coords[0]) for t in (s, s + 1))
    turn = rng.choice([-1, 1]) * rng.uniform(0.85, 1.9)
    heading = np.arctan2(*(ahead - start)[::-1]) + turn
    bend = rng.uniform(-0.004, 0.004)
    steps = np.arange(0, 700, STEP_MM)
    angle = heading + bend * np.minimum(steps, 200)
    run = start + np.cumsum(np.c_[np.cos(angle), np.sin(angle)] * STEP_MM, axis=0)
    meant, end = until_it_meets(np.vstack([start, run]), shell, lines)
    if meant is None or LineString(meant).length < 40:
        return []
    return drawn("shared", "black", meant, shell, options, rng, ends=("junction", end))


def until_it_meets(run: Array, shell: Shell, lines: list[Ink]) -> tuple[Array | None, str]:
    """``run`` up to the first black line or cut edge it meets, and which of the two ("junction", "edge") that is; None
    if it meets nothing."""
    path = LineString(run)
    others = unary_union([line.path for line in lines if line.colour == "black"])
    best, end = np.inf, "edge"
    for target, name in ((others, "junction"), (shell.outline.exterior, "edge")):
        for hit in _points_of(path.intersection(target)):
            s = path.project(hit)
            if 8 < s < best:
                best, end = s, name
    if not np.isfinite(best):
        return None, end
    return np.asarray(substring(path, 0, best + (6 if end == "edge" else 0)).coords), end


def _points_of(crossing: BaseGeometry) -> list[BaseGeometry]:
    parts = getattr(crossing, "geoms", [crossing])
    return [part for part in parts if part.geom_type == "Point"]


def _loop(shell: Shell, lines: list[Ink], kind: str, options: SceneOptions, rng: np.random.Generator) -> list[Ink]:
    """A closed shape in free room."""
    x0, y0, x1, y1 = shell.outline.bounds
    inner = shell.outline.buffer(-5)
    taken = unary_union([line.path.buffer(5) for line in lines]) if lines else Polygon()
    for _ in range(60):
        centre = np.array([rng.uniform(x0, x1), rng.uniform(y0, y1)])
        meant, extra = _loop_shape(kind, centre, rng)
        body = Polygon(meant)
        if inner.contains(body) and not body.intersects(taken):
            return [drawn_loop(kind, meant, options, rng, extra)]
    return []


def _loop_shape(kind: str, centre: Array, rng: np.random.Generator) -> tuple[Array, dict[str, object]]:
    if kind == "closed_straight":
        count = int(rng.integers(4, 6))
        angle = np.sort((np.arange(count) + rng.uniform(-0.25, 0.25, count)) / count) * 2 * np.pi + rng.uniform(0, 6)
        corners = centre + rng.uniform(26, 42) * np.c_[np.cos(angle), 0.8 * np.sin(angle)]
        return corners, {"corners_design": corners.round(3).tolist()}
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False) + rng.uniform(0, 6)
    if kind == "ring":
        radius = rng.uniform(9, 20)
        ring = centre + radius * np.c_[np.cos(angle), np.sin(angle)]
        return ring, {"center": centre.round(3).tolist(), "radius": round(float(radius), 3)}
    swell = rng.uniform(26, 36) * (1 + 0.12 * np.cos(2 * angle + 1) + 0.07 * np.cos(3 * angle + rng.uniform(0, 6)))
    return centre + np.c_[swell * np.cos(angle), 0.8 * swell * np.sin(angle)], {}


def _tick(line: Ink, index: int, options: SceneOptions, rng: np.random.Generator) -> Ink:
    s = rng.uniform(0.08, 0.92) * line.length_mm
    while any(a - 5 < s < b + 5 for a, b in line.gaps):
        s = rng.uniform(0.08, 0.92) * line.length_mm
    return tick_at(line, index, s, float(rng.uniform(8, 14)), options, rng)


def tick_at(
    line: Ink, index: int, s_mm: float, length_mm: float, options: SceneOptions, rng: np.random.Generator
) -> Ink:
    """A tick of ``length_mm`` across ``line`` at arc length ``s_mm``, nearly square to it."""
    here, ahead = (np.array(line.path.interpolate(t).coords[0]) for t in (s_mm - 0.5, s_mm + 0.5))
    cross = (here + ahead) / 2
    angle = np.arctan2(*(ahead - here)[::-1]) + np.pi / 2 + rng.normal(0, 0.12)
    along = np.array([np.cos(angle), np.sin(angle)])
    middle = cross + along * rng.uniform(-0.15, 0.15) * length_mm
    meant = resampled(np.array([middle - along * length_mm / 2, middle + along * length_mm / 2]), STEP_MM)
    bow = 0.15 * rng.normal() * np.sin(np.linspace(0, np.pi, len(meant)))
    points = meant + normals(meant) * bow[:, None]
    width, cover = float(rng.uniform(*options.ink_width_mm)) * 0.85, float(rng.uniform(*options.ink_cover))
    extra: dict[str, object] = {"crosses": index, "cross_point": cross.round(3).tolist()}
    return Ink("tick", "black", width, False, points, meant, cover=cover, extra=extra)
