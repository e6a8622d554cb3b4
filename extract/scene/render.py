"""Light every surface of the setting and lay one over the other as the camera sees them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby, pairwise

import cv2
import numpy as np
import numpy.typing as npt
from shapely import LineString, MultiPoint, MultiPolygon, Polygon, unary_union
from shapely import buffer as shapely_buffer

from extract.cards.design import black_rectangles_mm
from extract.doors import Array, Bytes
from extract.geometry.scalecard import bar_lengths_mm, board_size_mm, paper_outline_mm
from extract.scene import sensor
from extract.scene.clutter import Thing, pen_on, scatter, shadow_on_table
from extract.scene.coverage import Patch, patch, rings_of
from extract.scene.layout import LaidCard
from extract.scene.light import AMBIENT, Light, falling_off
from extract.scene.lines import Ink
from extract.scene.noise import field, resampled
from extract.scene.optics import NodeGrid, Optics
from extract.scene.options import SceneOptions
from extract.scene.pieces import Piece
from extract.scene.shell import Shell
from extract.scene.tables import make_table
from extract.scene.tape import Surface, make_surface, stood_up

Plate = npt.NDArray[np.float32]

PAPER = 0.82
"""Reflectance of office paper (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Setting:
    """All that stands before the camera, in world millimetres. ``raster_mm``: step of the pieces' and the table's own
    rasters, if not the one that suits the camera."""

    options: SceneOptions
    pieces: tuple[Piece, ...]
    cards: tuple[LaidCard, ...]
    camera: Optics
    light: Light
    raster_mm: float | None = None


def photograph(setting: Setting, rng: np.random.Generator) -> Bytes:
    """The upright picture (H, W, 3) BGR. ``rng`` makes tape, table, clutter and noise."""
    of_table, of_tape, of_clutter, of_ink, of_noise = rng.spawn(5)
    camera, options = setting.camera, setting.options
    picture = _table(setting, of_table)
    for piece in setting.pieces:
        _cast_shadow(picture, _shell_shadow(piece.shell, setting.light), camera, 0.5, 0.5 + 0.25 * options.curl_mm)
    for card in setting.cards:
        _lay_card(picture, card, setting)
    rims = [Polygon(camera.pixels(_rim(piece.shell, 0.0))) for piece in setting.pieces]
    papers = [MultiPoint(camera.pixels(card.world(_paper_edge(card)))).convex_hull for card in setting.cards]
    things = scatter(options.clutter, camera, setting.light, [*rims, *papers], of_clutter)
    if options.card_covered:
        things += pen_on(setting.cards[-1].footprint(), camera, setting.light, MultiPolygon(rims), of_clutter)
    for thing in things:
        _lay_thing(picture, thing, setting)
    for piece in setting.pieces:
        _lay_piece(picture, piece, setting, of_tape, of_ink)
    whole = NodeGrid(slice(0, camera.size_px[1]), slice(0, camera.size_px[0]))
    nodes, shape = whole.nodes_px()
    edges = np.vstack([piece.shell.outline.exterior.coords[::50] for piece in setting.pieces])
    usual = float(np.median(setting.light.strength(edges)))
    gain = falling_off(camera, nodes) * options.paper_white / (PAPER * usual)
    picture *= whole.spread(gain, shape)[..., None]
    return sensor.developed(picture, options.noise, of_noise)


def _table(setting: Setting, rng: np.random.Generator) -> Plate:
    camera, light = setting.camera, setting.light
    table = make_table(setting.options.table, raster_mm(setting), rng)
    grid = NodeGrid(slice(0, camera.size_px[1]), slice(0, camera.size_px[0]))
    nodes, shape = grid.nodes_px()
    xy = camera.on_surface(nodes, lambda p: np.zeros(len(p)))
    wave = [table.waves_mm * field(rng, shape, shape[1] / 7).ravel() for _ in range(2)]
    turn = rng.uniform(0, 2 * np.pi)
    x = (xy[:, 0] * np.cos(turn) - xy[:, 1] * np.sin(turn) + wave[0]) / table.mm_per_px
    y = -(xy[:, 0] * np.sin(turn) + xy[:, 1] * np.cos(turn) + wave[1]) / table.mm_per_px
    size = table.colour.shape[0]
    x, y = (v - np.floor(v.min() / size) * size for v in (x, y))
    picture = cv2.remap(
        table.colour, grid.spread(x, shape), grid.spread(y, shape), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
    )
    slope = light.mirror_slope(xy, camera)
    shine = table.gloss * (0.25 * _lobe(slope, 0.16) + 0.1 * _lobe(slope, 0.35))
    strength = light.strength(xy)
    picture *= grid.spread(strength, shape)[..., None] * light.tint.astype(np.float32)
    picture += grid.spread(shine * strength, shape)[..., None]
    return picture


def _lobe(slope: Array, width: float) -> Array:
    return np.exp(-np.sum(slope**2, axis=-1) / (2 * width**2))


def raster_mm(setting: Setting) -> float:
    """Raster step that keeps pace with the photo's pixels at the first piece."""
    if setting.raster_mm is not None:
        return setting.raster_mm
    camera, ring = setting.camera, np.asarray(setting.pieces[0].shell.outline.exterior.coords)
    span = np.linalg.norm(np.ptp(ring, axis=0))
    seen = np.linalg.norm(np.ptp(camera.pixels(np.c_[ring, np.zeros(len(ring))]), axis=0))
    return max(0.12, float(span / seen) * 0.9)


def _cast_shadow(picture: Plate, ring: Array, camera: Optics, depth: float, soft_mm: float) -> None:
    """Darken the table under ``ring`` (N, 3), blurred by ``soft_mm``."""
    scale = camera.focal_px / camera.place_mm[2]
    sigma = max(0.4, soft_mm * scale / 2)
    shade = patch([camera.pixels(ring)], camera.size_px, margin_px=int(3 * sigma) + 1)
    if shade is not None:
        picture[shade.box] *= 1 - np.float32(depth) * cv2.GaussianBlur(shade.cover, (0, 0), sigma)[..., None]


def _rim(shell: Shell, drop_mm: float) -> Array:
    ring = np.asarray(shell.outline.exterior.coords)[:-1]
    return np.c_[ring, np.maximum(shell.top(ring) - drop_mm, 0)]


def _shell_shadow(shell: Shell, light: Light) -> Array:
    rim = _rim(shell, 0.0)
    toward = light.toward(rim[:, :2])
    return np.c_[rim[:, :2] - toward[:, :2] / toward[:, 2:] * rim[:, 2:], np.zeros(len(rim))]


def _paper_edge(card: LaidCard) -> Array:
    corners = paper_outline_mm(card.design)
    sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    return np.vstack([resampled(np.array(side), 8)[:-1] for side in sides])


def _lay_card(picture: Plate, card: LaidCard, setting: Setting) -> None:
    camera, light = setting.camera, setting.light
    edge = card.world(_paper_edge(card))
    toward = light.toward(edge[:, :2])
    fall = np.c_[edge[:, :2] - toward[:, :2] / toward[:, 2:] * edge[:, 2:], np.zeros(len(edge))]
    _cast_shadow(picture, fall, camera, 0.35, 0.3 + card.bow_mm)
    paper = patch([camera.pixels(edge)], camera.size_px)
    if paper is None:
        return
    rows = paper.box[0].start, paper.box[1].start
    ink = _print_cover(card, camera, rows, paper.cover.shape)
    strength = _strength(paper, camera, light)
    lit = (PAPER * (1 - 0.968 * ink) * strength)[..., None] * light.tint.astype(np.float32)
    cover = paper.cover[..., None]
    picture[paper.box] += cover * (lit - picture[paper.box])


def _print_cover(card: LaidCard, camera: Optics, corner: tuple[int, int], shape: tuple[int, int]) -> Plate:
    """What share of each pixel of the box is printed black."""
    boxes = black_rectangles_mm(card.design)
    boxes = np.vstack([boxes, _scale_bars(card)])
    x, y, w, h = boxes.T
    rings = np.stack([np.c_[x, y], np.c_[x + w, y], np.c_[x + w, y + h], np.c_[x, y + h]], axis=1)
    seen = camera.pixels(card.world(rings.reshape(-1, 2))).reshape(-1, 4, 2)
    whole = np.zeros(shape, np.float32)
    printed = patch([ring - corner[::-1] for ring in seen], (shape[1], shape[0]))
    if printed is not None:
        whole[printed.box] = printed.cover
    return np.maximum(whole, _lettering(card, camera, corner, shape))


def _scale_bars(card: LaidCard) -> Array:
    """The two bars outside the board as rectangles: a line and its end marks."""
    long, short = bar_lengths_mm(card.design)
    width, height = board_size_mm(card.design)
    left, top = (width - long) / 2, height + 4.0
    bars = [(left, top, long, 0.4), (left, top - 1.5, 0.3, 3.4), (left + long - 0.3, top - 1.5, 0.3, 3.4)]
    side, upper = -4.5, (height - short) / 2
    bars += [(side, upper, 0.4, short), (side - 1.5, upper, 3.4, 0.3), (side - 1.5, upper + short - 0.3, 3.4, 0.3)]
    return np.array(bars)


def _lettering(card: LaidCard, camera: Optics, corner: tuple[int, int], shape: tuple[int, int]) -> Plate:
    """The card's name and what to do with the bars, in the margin below the board."""
    step = 0.1
    width, height = board_size_mm(card.design)
    long, short = bar_lengths_mm(card.design)
    strip = np.zeros((round(5 / step), round(width / step)), np.uint8)
    text = (
        f"Scale card {card.design.family} no. {card.design.number}   bars {long:.0f} and {short:.0f} mm: measure both"
    )
    size = min(0.85, strip.shape[1] / cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 1, 2)[0][0])
    cv2.putText(strip, text, (2, 36), cv2.FONT_HERSHEY_SIMPLEX, size, 255, 2, cv2.LINE_AA)
    corners = np.array([[0, height + 5.5], [width, height + 5.5], [width, height + 10.5], [0, height + 10.5]])
    seen = camera.pixels(card.world(corners)) - corner[::-1]
    frame = np.array([[0, 0], [strip.shape[1], 0], [strip.shape[1], strip.shape[0]], [0, strip.shape[0]]]) - 0.5
    move = cv2.getPerspectiveTransform(frame.astype(np.float32), seen.astype(np.float32))
    soft = cv2.GaussianBlur(strip, (0, 0), max(0.4, step * camera.place_mm[2] / camera.focal_px / step))
    return cv2.warpPerspective(soft, move, shape[::-1]).astype(np.float32) / 255


def _strength(area: Patch, camera: Optics, light: Light) -> Plate:
    grid = NodeGrid(area.rows, area.columns)
    nodes, shape = grid.nodes_px()
    return grid.spread(light.strength(camera.on_surface(nodes, lambda p: np.zeros(len(p)))), shape)


def _lay_thing(picture: Plate, thing: Thing, setting: Setting) -> None:
    camera = setting.camera
    _cast_shadow(picture, shadow_on_table(thing, setting.light), camera, 0.5, 0.8 + 0.25 * thing.height_mm)
    for face in thing.faces:
        seen = patch([camera.pixels(face.ring)], camera.size_px)
        if seen is not None:
            cover = seen.cover[..., None]
            picture[seen.box] += cover * (face.colour.astype(np.float32) - picture[seen.box])


def _lay_piece(
    picture: Plate, piece: Piece, setting: Setting, of_tape: np.random.Generator, of_ink: np.random.Generator
) -> None:
    shell, camera = piece.shell, setting.camera
    wall = patch([camera.pixels(_rim(shell, 0.45))], camera.size_px)
    top = patch([camera.pixels(_rim(shell, 0.0))], camera.size_px)
    if wall is None or top is None:
        return
    strength = _strength(wall, camera, setting.light)
    picture[wall.box] += wall.cover[..., None] * (0.09 * strength[..., None] - picture[wall.box])
    surface = make_surface(shell, setting.options, raster_mm(setting), of_tape)
    looks = _seen_surface(surface, shell, top, setting, of_ink)
    bare, spark, warmth, uneven = (looks[..., i] for i in range(4))
    clear = _ink_transmission(top, piece, setting, uneven)
    tint = np.stack([1 - 0.05 * warmth, np.ones_like(warmth), 1 + 0.05 * warmth], axis=-1)
    shine = spark * (0.35 + 0.65 * clear.mean(axis=-1))
    lit = bare[..., None] * tint * clear * setting.light.tint.astype(np.float32) + shine[..., None]
    picture[top.box] += top.cover[..., None] * (lit - picture[top.box])


def _seen_surface(surface: Surface, shell: Shell, top: Patch, setting: Setting, rng: np.random.Generator) -> Plate:
    """Diffuse light, shine, warmth and ink unevenness of the shell in the photo's pixels, (rows, columns, 4)."""
    camera = setting.camera
    diffuse, shine = _shaded(stood_up(surface, shell), setting)
    shape = surface.height.shape
    mm = surface.mm_per_px
    uneven = 0.6 * field(rng, shape, 22 / mm) + 0.3 * field(rng, shape, 4 / mm) + 0.3 * field(rng, shape, 0.7 / mm)
    layers = cv2.merge([diffuse, shine, surface.warmth, uneven])
    grid = NodeGrid(top.rows, top.columns)
    nodes, coarse = grid.nodes_px()
    at = surface.px(camera.on_surface(nodes, shell.top))
    x, y = grid.spread(at[:, 0], coarse), grid.spread(at[:, 1], coarse)
    return cv2.remap(layers, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def _shaded(surface: Surface, setting: Setting) -> tuple[Plate, Plate]:
    """Diffuse light and shine of the surface raster: Lambert, and two lobes of mirroring slopes (satin and glint)."""
    light, camera, glare = setting.light, setting.camera, setting.options.glare
    rows, columns = surface.height.shape
    grid = NodeGrid(slice(0, rows), slice(0, columns))
    nodes, shape = grid.nodes_px()
    xy = nodes * surface.mm_per_px + surface.origin
    toward, mirror, strength = light.toward(xy), light.mirror_slope(xy, camera), light.strength(xy)
    gx, gy = surface.slopes()
    lean_x, lean_y = (grid.spread(toward[:, i] / toward[:, 2], shape) for i in (0, 1))
    facing = np.maximum(1 - gx * lean_x - gy * lean_y, 0) / np.sqrt(1 + gx * gx + gy * gy)
    power = grid.spread(strength, shape)
    diffuse = surface.albedo * power * (np.float32(AMBIENT) + np.float32(1 - AMBIENT) * facing)
    off = (gx - grid.spread(mirror[:, 0], shape)) ** 2 + (gy - grid.spread(mirror[:, 1], shape)) ** 2
    satin = np.float32(0.08 + 0.1 * glare) * np.exp(off * np.float32(-1 / (2 * 0.22**2)))
    glint = np.float32(0.35 + 0.2 * glare) * np.exp(off * np.float32(-1 / (2 * 0.075**2)))
    return diffuse.astype(np.float32), (power * (satin + glint)).astype(np.float32)


_PIGMENT = {"black": (0.055, 0.05, 0.05), "red": (0.1, 0.06, 0.8), "blue": (0.7, 0.2, 0.06)}
"""Share of light marker ink lets through, BGR, where it covers fully."""


def _ink_transmission(top: Patch, piece: Piece, setting: Setting, uneven: Plate) -> Plate:
    """What the ink lets through (rows, columns, 3)."""
    clear = np.ones((*top.cover.shape, 3), np.float32)
    corner = np.array([top.columns.start, top.rows.start])
    drawn = (*piece.ghosts, *piece.lines, *piece.ticks, *piece.notes)
    for _, pieces in groupby(drawn, key=lambda line: id(line.meant)):
        stroke = list(pieces)
        rings = rings_of(_inked(stroke))
        seen = [setting.camera.pixels(np.c_[ring, piece.shell.top(ring)]) - corner for ring in rings]
        area = patch(seen, (top.cover.shape[1], top.cover.shape[0])) if seen else None
        if area is None:
            continue
        thick = np.clip(stroke[0].cover - setting.options.fade * uneven[area.box], 0.03, 0.985) * area.cover
        pigment = np.array(_PIGMENT[stroke[0].colour], np.float32)
        clear[area.box] *= 1 - thick[..., None] * (1 - pigment)
    return clear


def _inked(stroke: list[Ink]) -> list[Polygon]:
    """The area one stroke of the pen covers, in all its pieces: a ribbon that swells and shrinks a little."""
    ribbon = [part for line in stroke for part in (*_ribbon(line), *_carried_over_edge(line))]
    whole = unary_union(ribbon)
    return [part for part in getattr(whole, "geoms", [whole]) if part.geom_type == "Polygon"]


def _ribbon(line: Ink) -> list[Polygon]:
    wobble = np.random.default_rng(int(abs(line.points[0, 0] * 1000)) + len(line.points))
    path = np.asarray(line.path.coords)
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(path, axis=0).T))]
    bits = []
    for start, stop in _inked_spans(line):
        for a, b in pairwise(np.linspace(start, stop, max(2, round((stop - start) / 3.0) + 1))):
            at = np.r_[a, along[(along > a) & (along < b)], b]
            bits.append(LineString(np.c_[np.interp(at, along, path[:, 0]), np.interp(at, along, path[:, 1])]))
    widths = line.width_mm * (1 + 0.05 * np.clip(wobble.standard_normal(len(bits)), -2, 2))
    return list(shapely_buffer(bits, widths / 2, quad_segs=6))


def _inked_spans(line: Ink) -> list[tuple[float, float]]:
    """Arc lengths the pen's middle travels; its round tip leaves the gaps bare to their full length."""
    spans, at = [], 0.0
    for start, stop in line.gaps:
        spans.append((at, start - line.width_mm / 2))
        at = stop + line.width_mm / 2
    spans.append((at, line.length_mm))
    return [(a, b) for a, b in spans if b - a > 0.2]


def _carried_over_edge(line: Ink) -> list[Polygon]:
    """A line that was cut with the edge ends at the edge itself, not in a round tip."""
    tips = []
    for flush, tip, inner in zip(line.flush, line.points[[0, -1]], line.points[[2, -3]], strict=True):
        if flush:
            beyond = tip + (tip - inner) / np.linalg.norm(tip - inner) * 0.75 * line.width_mm
            tips.append(LineString([tip, beyond]).buffer(line.width_mm / 2, cap_style="flat"))
    return tips
