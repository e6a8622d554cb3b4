"""Pictures with exact masks for training the edge reader: scenes of our own generator seen square from above, half of
them with the table exchanged for an invented one, shells and light varied beyond what the generator does.

What a shell is made of is known (grey tape, creases, marker lines); what tables there are is not. So invented tables
are drawn from families of texture without number (noise of any grain and direction, stripes, checks, grids, print) in
any colour, often in the shell's own grey, and cuts are added down to 0.8 mm wide.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial import cKDTree
from table_textures import invented_table

from extract.doors import FlatView
from extract.ink.shell_view import card_white
from extract.ink.silhouette_table import table_likeness
from extract.ink.silhouette_tint import tint_likeness
from extract.scene.noise import field

MM_PER_PX = 0.5
FINER = 2
"""The photo is resampled this much finer and then averaged, as the flat view of a real photo is."""

FAR_PX = 40
"""Table this far off the shell stands for the picture's rim."""

NARROW_PX = 13
"""Gaps up to so wide are narrow cuts."""

NODES = 8
"""The camera is asked on a grid this coarse; between its nodes the lens bends next to nothing."""


@dataclass(frozen=True, eq=False)
class Scene:
    """A whole scene as bytes: ``value`` (H, W, 3) sRGB with card paper at 191; ``shell`` (H, W) share of the pixel that
    is shell, of 255; ``ring`` (N, 2) its outline in pixels; ``colour`` (3,) the shell's median, 0 to 1;
    ``likeness`` (H, W, 5) to the table in colour, texture and tint, 1 to 255 for -1 to 1."""

    value: np.ndarray
    shell: np.ndarray
    ring: np.ndarray
    colour: np.ndarray
    likeness: np.ndarray

    @cached_property
    def cuts(self) -> np.ndarray:
        """The part of the ring (M, 2) that runs along narrow cuts."""
        narrow = cv2.dilate(narrow_gaps((self.shell > 127).astype(np.uint8)), np.ones((5, 5), np.uint8))
        column, row = (np.clip(np.round(self.ring[:, i]).astype(int), 0, narrow.shape[1 - i] - 1) for i in (0, 1))
        return self.ring[narrow[row, column] > 0]


@dataclass(frozen=True, eq=False)
class Sample:
    """Part of a scene, with values and shares as float32 from 0 to 1; without its ``likeness`` where the table's is
    told otherwise."""

    value: np.ndarray
    shell: np.ndarray
    ring: np.ndarray
    colour: np.ndarray
    likeness: np.ndarray | None


@dataclass(frozen=True, eq=False)
class Above:
    """A generated scene from above: ``truth`` as told, the ``picture``, what is ``seen`` (H, W, 3) of it in bytes, and
    where the picture reaches (``inside``); ``corner_mm`` is its left and top."""

    truth: dict
    picture: np.ndarray
    seen: np.ndarray
    inside: np.ndarray
    corner_mm: tuple[float, float]
    mm_per_px: float

    def place(self, points: np.ndarray) -> np.ndarray:
        """Points (N, 2) of the table in pixels."""
        left, top = self.corner_mm
        offset = np.stack([points[:, 0] - left, top - points[:, 1]], axis=1) * (FINER / self.mm_per_px)
        return (offset - (FINER - 1) / 2) / FINER


def from_above(photo_file: Path, margin_mm: float, mm_per_px: float, blocks: int = 1) -> tuple[Above, np.ndarray]:
    """A generated scene around its shell, in whole blocks of pixels, and the shell's ring (N, 2) in mm."""
    truth = json.loads(photo_file.with_name(f"{photo_file.stem}.truth.json").read_text())
    picture = cv2.imread(str(photo_file), cv2.IMREAD_COLOR)  # upright: OpenCV minds EXIF
    rest = truth["sheet"]["rest_z_mm"]
    ring = seen_ring(truth, rest)
    low, high = ring.min(0) - margin_mm, ring.max(0) + margin_mm
    step = mm_per_px / FINER
    columns, rows = (int((high - low)[i] / mm_per_px / blocks) * blocks * FINER for i in (0, 1))
    nodes = [low[0] + np.arange(0, columns + NODES, NODES) * step, high[1] - np.arange(0, rows + NODES, NODES) * step]
    x, y = np.meshgrid(*nodes)
    pixels = project(truth, np.stack([x, y, np.full_like(x, rest)], axis=-1).reshape(-1, 3)).reshape(*x.shape, 2)
    spread = np.array([[1 / NODES, 0, 0], [0, 1 / NODES, 0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    fine = cv2.warpAffine(pixels.astype(np.float32), spread, (columns, rows), flags=flags)
    size = columns // FINER, rows // FINER
    seen = cv2.resize(cv2.remap(picture, fine, None, cv2.INTER_LINEAR), size, interpolation=cv2.INTER_AREA)
    inside = ((fine > 0) & (fine < np.array(picture.shape[1::-1]) - 1)).all(-1)[::FINER, ::FINER]
    return Above(truth, picture, seen, inside, (float(low[0]), float(high[1])), mm_per_px), ring


def read_scene(photo_file: Path, margin_mm: float = 70.0) -> Scene:
    """One generated scene from above, around its shell."""
    above, ring = from_above(photo_file, margin_mm, MM_PER_PX)
    ring_px = above.place(ring)
    value = np.minimum(above.seen.astype(np.float32) * (0.75 / paper(above)), 1.0).astype(np.float32)
    shell = coverage([ring_px], value.shape[:2])
    colour = np.median(value[shell > 0.99][::50], axis=0)
    far = cv2.distanceTransform((shell < 0.01).astype(np.uint8), cv2.DIST_L2, 3) > FAR_PX
    likeness = likenesses(value, far)
    stored = (np.round(part * 255).astype(np.uint8) for part in (value, shell, likeness / 2 + 0.5))
    seen, cover, alike = stored
    return Scene(seen, cover, ring_px, colour, alike)


def project(truth: dict, points: np.ndarray) -> np.ndarray:
    camera = truth["camera"]
    lens = np.array(camera["dist_k1_k2_p1_p2_k3"], float)
    turn = cv2.Rodrigues(np.array(camera["R_world_to_cam"]))[0]
    shift = np.array(camera["t_world_to_cam_mm"])
    return np.asarray(cv2.projectPoints(points, turn, shift, np.array(camera["K"]), lens)[0], float).reshape(-1, 2)


def seen_ring(truth: dict, rest: float) -> np.ndarray:
    """Where the outline is seen on the plane z = rest."""
    exact = np.array(truth["silhouette"]["exact_points"])
    nearest = cKDTree(truth["silhouette"]["points"]).query(exact)[1]
    return seen_on(truth, rest, exact, np.array(truth["silhouette"]["z"])[nearest])


def seen_on(truth: dict, rest: float, points: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Where points (N, 2) at heights z (N,) are seen on the plane z = rest: what stands up is seen shifted away from
    the camera."""
    eye = np.array(truth["camera"]["position_mm"])
    return np.asarray(eye[:2] + (points - eye[:2]) * (eye[2] - rest) / (eye[2] - z[:, None]), float)


def paper(above: Above) -> np.ndarray:
    """BGR of the cards' paper."""
    truth, picture = above.truth, above.picture
    outlines = [project(truth, card) for card in card_corners(truth)]
    return card_white(FlatView(picture, 1.0, (0.0, 0.0), np.ones(picture.shape[:2], bool), tuple(outlines)))


def card_corners(truth: dict) -> list[np.ndarray]:
    """Corners (4, 3) of the cards in mm."""
    return [np.c_[np.array(card["outline_mm"])[:, :2], np.full(4, card["z_mm"])] for card in truth["cards"]]


def coverage(rings: list[np.ndarray], shape: tuple[int, ...], finer: int = 4) -> np.ndarray:
    """Share of every pixel inside the rings."""
    fine = np.zeros((shape[0] * finer, shape[1] * finer), np.uint8)
    at = [np.round(((ring + 0.5) * finer - 0.5) * 16).astype(np.int32) for ring in rings]
    cv2.fillPoly(fine, at, 1, shift=4)
    return cv2.resize(fine.astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_AREA)


def narrow_gaps(shell: np.ndarray) -> np.ndarray:
    """Where table (0) lies between shell (1) close on both sides."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (NARROW_PX, NARROW_PX))
    return cv2.morphologyEx(shell, cv2.MORPH_CLOSE, disc) - shell


def window(scene: Scene, side: int, rng: np.random.Generator) -> Sample:
    """A square of the scene, mostly round a place on the outline, often of a narrow cut."""
    along = scene.cuts if len(scene.cuts) and rng.random() < 0.4 else scene.ring
    middle = along[rng.integers(len(along))] + rng.normal(0, side / 6, 2)
    if rng.random() < 0.2:
        middle = rng.uniform(0, 1, 2) * scene.shell.shape[::-1]
    x, y = (int(np.clip(middle[i] - side / 2, 0, max(0, scene.shell.shape[1 - i] - side))) for i in (0, 1))
    ring = scene.ring - (x, y)
    here = slice(y, y + side), slice(x, x + side)
    value, shell, likeness = (
        part[here].astype(np.float32) / 255 for part in (scene.value, scene.shell, scene.likeness)
    )
    inside = ((ring > 0) & (ring < shell.shape[::-1])).all(1)
    if rng.random() < 0.4:
        value = value * drawn(shell, rng)
    return Sample(value, shell, ring[inside], scene.colour, 2 * likeness - 1)


def drawn(
    shell: np.ndarray,
    rng: np.random.Generator,
    pigments: np.ndarray | None = None,
    finer: int = 1,
    curl: float = 0.3,
) -> np.ndarray:
    """What a few more strokes, bent at most so much, let through of the shell's light, in one of the ``pigments``
    (N, 3) or in any colour, on pixels so much ``finer`` than MM_PER_PX."""
    through = np.ones((*shell.shape, 3), np.float32)
    for _ in range(rng.integers(1, 5)):
        ink = np.zeros(shell.shape, np.uint8)
        steps = np.cumsum(rng.normal(0, 0.05) + rng.normal(0, 0.06, 60).cumsum()) * curl + rng.uniform(0, 2 * np.pi)
        way = finer * np.stack([np.cos(steps), np.sin(steps)], axis=1)
        path = rng.uniform(0, 1, 2) * shell.shape[::-1] + 9 * np.cumsum(way, axis=0)
        at = np.round((path - 4.5 * way[0] * 60) * 16).astype(np.int32)
        cv2.polylines(ink, [at], False, 255, int(rng.integers(2 * finer, 5 * finer + 1)), cv2.LINE_AA, shift=4)
        soft = cv2.GaussianBlur(ink, (0, 0), 0.5 * finer).astype(np.float32) / 255
        cover = soft * shell * rng.uniform(0.6, 1.0)
        if pigments is not None:
            pigment = pigments[rng.integers(len(pigments))]
        else:
            pigment = rng.uniform(0.1, 1.0, 3) if rng.random() < 0.7 else np.full(3, rng.uniform(0.1, 0.4))
        through *= 1 - cover[..., None] * (1 - pigment.astype(np.float32))
    return through


def on_invented_table(
    sample: Sample, rng: np.random.Generator, most_cuts: int = 3, mm_per_px: float = MM_PER_PX
) -> Sample:
    """The sample's shell, a little trimmed and cut a few times more, on an invented table with its shadow."""
    shape = sample.shell.shape
    # trimmed by half a pixel, so that nothing of the old table is left round it
    cover = np.clip((cv2.GaussianBlur(sample.shell, (0, 0), 0.8) - 0.78) * 4 + 0.5, 0, 1)
    inwards = _inwards(sample.shell)
    for _ in range(rng.integers(0, most_cuts + 1) if len(sample.ring) else 0):
        cover = cover * (1 - _random_cut(sample.ring, inwards, shape, rng, mm_per_px))
    bare = table = invented_table(rng, shape, sample.colour)
    if rng.random() < 0.85:
        turn, far = rng.uniform(0, 2 * np.pi), rng.uniform(0, 1.5) / mm_per_px
        move = np.array([[1, 0, far * np.cos(turn)], [0, 1, far * np.sin(turn)]])
        shade = cv2.GaussianBlur(cv2.warpAffine(cover, move, shape[::-1]), (0, 0), rng.uniform(0.25, 1.5) / mm_per_px)
        table = table * (1 - rng.uniform(0.1, 0.6) * shade[..., None])
    value = cv2.GaussianBlur(
        _varied_shell(sample, rng) * cover[..., None] + table * (1 - cover[..., None]), (0, 0), 0.2 / mm_per_px
    )
    likeness = None if sample.likeness is None else rim_likeness(value, bare, rng)
    return Sample(value.astype(np.float32), cover.astype(np.float32), sample.ring, sample.colour, likeness)


def _inwards(shell: np.ndarray) -> np.ndarray:
    """The way (H, W, 2) from each place towards more shell."""
    wide = cv2.GaussianBlur(shell, (0, 0), 20)
    return np.stack([cv2.Sobel(wide, -1, 1, 0), cv2.Sobel(wide, -1, 0, 1)], axis=-1)


def _varied_shell(sample: Sample, rng: np.random.Generator) -> np.ndarray:
    kind = rng.random()
    if kind < 0.1:  # bare tape without a drawing
        grain = 1 + 0.05 * field(rng, sample.shell.shape, 12) + 0.02 * field(rng, sample.shell.shape, 2)
        return np.clip(sample.colour * grain[..., None], 0, 1)
    if kind < 0.3:  # another contrast
        wide = cv2.GaussianBlur(sample.value, (0, 0), 25)
        return np.clip(wide + rng.uniform(0.5, 1.5) * (sample.value - wide), 0, 1)
    return sample.value


def _random_cut(
    ring: np.ndarray, inwards: np.ndarray, shape: tuple[int, int], rng: np.random.Generator, mm_per_px: float
) -> np.ndarray:
    """Cover of a V-shaped cut or slit from the outline inwards."""
    at = ring[rng.integers(len(ring))]
    column, row = at.astype(int)
    inwards = inwards[row, column] + 1e-9
    turn = rng.normal(0, 0.4)
    inwards = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ (inwards / np.hypot(*inwards))
    depth, mouth = rng.uniform(20, 120) / mm_per_px, np.exp(rng.uniform(np.log(0.8), np.log(16))) / mm_per_px
    side = np.array([-inwards[1], inwards[0]])
    tip, far = at + depth * inwards, at - 12 * inwards
    blunt = 0.5 * mouth if rng.random() < 0.3 else 0.0
    corners = [tip + blunt * side, far + mouth / 2 * side, far - mouth / 2 * side, tip - blunt * side]
    return coverage([np.array(corners)], shape)


def patch(sample: Sample, side: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """The middle of a sample turned, scaled, lit and photographed anew: the network's input (side, side, 8) and the
    shell's share."""
    scale = np.exp(rng.uniform(-0.12, 0.12))
    turn = rng.uniform(0, 2 * np.pi) if rng.random() < 0.5 else rng.integers(4) * np.pi / 2
    flip = rng.choice([-1, 1])
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag([flip, 1]) / scale
    middle = np.array(sample.shell.shape[::-1]) / 2
    move = np.c_[turned, middle - turned @ np.full(2, side / 2)]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    value, shell, likeness = (
        cv2.warpAffine(part, move, (side, side), flags=flags, borderMode=cv2.BORDER_REFLECT_101)
        for part in (sample.value, sample.shell, sample.likeness)
    )
    return np.dstack([photographed(value, rng), likeness]), shell


def rim_likeness(value: np.ndarray, table: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Likeness of ``value`` to ``table`` (H, W, 3), a picture of table alone, seen in a little other light."""
    ramp = np.linspace(1, np.exp(rng.normal(0, 0.1)), len(table)) * np.exp(rng.normal(0, 0.04))
    both = np.vstack([value, table * ramp[:, None, None]])
    # a picture's colours are noisier than its lightness, and in coarser grains
    speckle = cv2.GaussianBlur(rng.normal(0, 1, both.shape).astype(np.float32), (0, 0), 1.0)
    both = both + rng.normal(0, 0.005, both.shape) + rng.uniform(0, 0.02) * both * speckle
    both = np.clip(both, 0, 1).astype(np.float32)
    known = np.zeros(both.shape[:2], bool)
    known[len(value) :] = True
    return likenesses(both, known)[: len(value)]


def likenesses(value: np.ndarray, table: np.ndarray) -> np.ndarray:
    """All that the network is told of how each pixel resembles the ``table``."""
    return np.dstack([*table_likeness(value, table), *tint_likeness(value, table, MM_PER_PX)])


def photographed(value: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    shape = value.shape[:2]
    gain = np.exp(rng.normal(0, 0.12)) * (1 + rng.normal(0, 0.02, 3))
    light = 1 + rng.uniform(0, 0.08) * field(rng, shape, rng.uniform(300, 900))
    value = np.maximum(value, 0) ** np.exp(rng.normal(0, 0.08)) * gain * light[..., None]
    if rng.random() < 0.3:
        value = cv2.GaussianBlur(value, (0, 0), rng.uniform(0.3, 0.9))
    elif rng.random() < 0.3:
        soft = cv2.GaussianBlur(value, (0, 0), 1.0)
        value = value + rng.uniform(0.2, 0.8) * (value - soft)
    value = value + rng.normal(0, rng.uniform(0.002, 0.02), value.shape)
    return np.clip(value, 0, 1).astype(np.float32)
