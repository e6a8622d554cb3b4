"""A table with cards and a phone above it, in numbers only; every pixel comes from OpenCV's own projectPoints."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import brentq

from extract.camera.printer import RULER_SD_MM, SAME_PRINTER
from extract.camera.solve import SolveSettings
from extract.cards import find
from extract.cards.design import card_design
from extract.doors import Array, CardDesign, CardSighting, Lens, Photo, PlacedCard, PlaneCamera, TraceSettings
from extract.geometry.scalecard import bar_lengths_mm, board_size_mm, chess_corners_mm

A4 = CardDesign("A4", 0, (9, 6), 30.0, 22.0, 0, (297.0, 210.0))
A4_ONE = CardDesign("A4", 1, (9, 6), 30.0, 22.0, 27, (297.0, 210.0))
SMALL = CardDesign("small", 0, (5, 4), 20.0, 15.0, 500, (120.0, 100.0))

SIZE_PX = (4032, 3024)
FOCAL_PX = 26.0 / np.hypot(36, 24) * np.hypot(*SIZE_PX)
"""A 26 mm equivalent, the main camera of many phones (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Phone:
    """Truth of one picture. The camera hangs ``distance_mm`` from ``aim_mm`` on the table, tilted by ``tilt_deg``
    towards ``bearing_deg`` and rolled by ``roll_deg``."""

    focal_px: float = FOCAL_PX
    distortion: tuple[float, float] = (0.0, 0.0)
    centre_px: tuple[float, float] = ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2)
    distance_mm: float = 650.0
    aim_mm: tuple[float, float] = (0.0, 100.0)
    tilt_deg: float = 20.0
    bearing_deg: float = 30.0
    roll_deg: float = 10.0
    tangential: tuple[float, float] = (0.0, 0.0)

    def pose(self) -> tuple[Array, Array]:
        """Rotation and shift, camera_from_table (z down, away from the camera)."""
        bearing, tilt, roll = np.radians([self.bearing_deg, self.tilt_deg, self.roll_deg])
        axis = np.array([-np.sin(bearing), np.cos(bearing), 0.0]) * tilt
        rotation = cv2.Rodrigues(np.array([0, 0, roll]))[0] @ cv2.Rodrigues(axis)[0]
        return rotation, np.array([0, 0, self.distance_mm]) - rotation @ [*self.aim_mm, 0]

    def sees(self, points_mm: Array, height_mm: float = 0.0) -> Array:
        """(N, 2) pixels of table points (N, 2) lying ``height_mm`` above the cards, or of points (N, 3)."""
        points = np.asarray(points_mm, float)
        if points.shape[1] == 2:
            points = np.column_stack([points, np.full(len(points), -height_mm)])
        rotation, shift = self.pose()
        x, y = self.centre_px
        matrix = np.array([[self.focal_px, 0, x], [0, self.focal_px, y], [0, 0, 1]])
        lens = (*self.distortion, *self.tangential)
        pixels, _ = cv2.projectPoints(points, cv2.Rodrigues(rotation)[0], shift, matrix, lens)
        return np.asarray(pixels, float).reshape(-1, 2)


@dataclass(frozen=True, eq=False)
class Lying:
    """A card on the table: its frame turned and shifted; ``bulge_mm`` lifts it along u², uv and v², ``lift_mm`` as a
    whole. ``arch_mm`` bends the paper to a circle about its short axis, that much higher in the middle than at the
    ends, which touch the table; ``curl_mm`` rolls up its lower right corner to that height, from a diagonal 90 mm
    before it."""

    design: CardDesign
    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_rad: float = 0.0
    bulge_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    stretch: tuple[float, float] = (1.0, 1.0)
    lift_mm: float = 0.0
    arch_mm: float = 0.0
    curl_mm: float = 0.0

    def corners_on_table(self) -> Array:
        """(N, 3) mm, z down."""
        nominal, centre = chess_corners_mm(self.design), np.array(board_size_mm(self.design)) / 2
        u, v = ((nominal - centre) / (max(self.design.paper_mm) / 2)).T
        a, b, c = self.bulge_mm
        bulge = a * u**2 + b * u * v + c * v**2
        flat, arch = _arched(nominal * self.stretch, centre[0], self.design.paper_mm[0], self.arch_mm)
        flat, curl = _curled(flat, np.array(self.design.paper_mm) / 2 + centre, self.curl_mm)
        cos, sin = np.cos(self.angle_rad), np.sin(self.angle_rad)
        turned = flat @ np.array([[cos, sin], [-sin, cos]]) + (self.x_mm, self.y_mm)
        return np.column_stack([turned, -(bulge - bulge.mean() + self.lift_mm + arch + curl)])


def _arched(points: Array, middle: float, length: float, rise: float) -> tuple[Array, Array]:
    """Points of a sheet bent to a circle without stretching, and their heights above the table."""
    if not rise:
        return points, np.zeros(len(points))
    half = brentq(lambda angle: length / 2 / angle * (1 - np.cos(angle)) - rise, 1e-6, 1.5)
    radius = length / 2 / half
    angle = (points[:, 0] - middle) / radius
    bent = np.column_stack([middle + radius * np.sin(angle), points[:, 1]])
    return bent, radius * (np.cos(angle) - np.cos(half))


def _curled(points: Array, tip: Array, rise: float, reach: float = 90.0) -> tuple[Array, Array]:
    """Points of a sheet whose corner ``tip`` rolls up to height ``rise`` on a circle, and their heights."""
    if not rise:
        return points, np.zeros(len(points))
    across = np.array([1.0, 1.0]) / np.sqrt(2)
    past = np.maximum(0.0, (points - tip) @ across + reach)
    angle = brentq(lambda angle: reach / angle * (1 - np.cos(angle)) - rise, 1e-6, 1.5)
    radius = reach / angle
    drawn = radius * np.sin(past / radius) - past
    return points + drawn[:, None] * across, radius * (1 - np.cos(past / radius))


Shoot = Callable[..., tuple[Photo, tuple[CardSighting, ...]]]


def shoot(
    phone: Phone,
    cards: tuple[Lying, ...],
    noise_px: float = 0.0,
    rng: np.random.Generator | None = None,
    stated: bool = True,
) -> tuple[Photo, tuple[CardSighting, ...]]:
    """The photo (without its picture) and what a perfect finder would report, with noise where asked."""
    rng = rng or np.random.default_rng(0)
    sightings = []
    for card in cards:
        seen = phone.sees(card.corners_on_table())
        seen = seen + rng.normal(0, noise_px, seen.shape) if noise_px else seen
        sightings.append(CardSighting(card.design, seen, chess_corners_mm(card.design), max(noise_px, 0.05)))
    blank = np.broadcast_to(np.zeros((1, 1, 3), np.uint8), (SIZE_PX[1], SIZE_PX[0], 3))
    return Photo("table.jpg", blank, "", FOCAL_PX if stated else None), tuple(sightings)


def rigid_residual_mm(found: Array, truth: Array) -> Array:
    """(N,) distances left after the best turn and shift (Kabsch 1976)."""
    a, b = found - found.mean(axis=0), truth - truth.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    turn = u @ np.diag([1, np.sign(np.linalg.det(u @ vt))]) @ vt
    return np.linalg.norm(a @ turn - b, axis=1)


LAYOUTS = {
    "one small card": (("small", 0, -1.0),),
    "one A4 card": (("A4", 0, -1.0),),
    "A4 and small, far sides": (("A4", 0, -1.0), ("small", 0, 1.0)),
    "two A4, far sides": (("A4", 0, -1.0), ("A4", 0, 1.0)),
    "four small, corners": (("small", -1, -1.0), ("small", 1, -1.0), ("small", -1, 1.0), ("small", 1, 1.0)),
    "four A4 round": (("A4", 0, -1.0), ("A4", 0, 1.0), ("A4", -1, 0.0), ("A4", 1, 0.0)),
}
"""Family and side of the shell (-1, 0, 1 across and down) of every card."""

TILTS_DEG = ((2.0, 13.0), (13.0, 24.0), (24.0, 35.0))
SHELL_MM = (500.0, 350.0)


@dataclass(frozen=True, eq=False)
class Drawn:
    """One table drawn from what the solve says is known beforehand, and what a finder would report of it.
    ``outline_mm`` and ``points_mm`` (N, 2) are true places in the frame of the lowest card; ``*_px`` where they are
    seen; ``height_mm`` how far they truly lie above the cards."""

    phone: Phone
    cards: tuple[Lying, ...]
    photo: Photo
    sightings: tuple[CardSighting, ...]
    settings: TraceSettings
    outline_mm: Array
    outline_px: Array
    points_mm: Array
    points_px: Array
    corner_sd_px: float
    height_mm: float


def draw_table(
    layout: str,
    tilt_deg: tuple[float, float],
    rng: np.random.Generator,
    known: SolveSettings | None = None,
    measured: bool = False,
    noise_px: tuple[float, float] = (0.05, 0.13),
    tangential_sd: float = 0.0,
) -> Drawn:
    """Everything the solve calls uncertain is drawn from its stated spread: lens, bulge, printer, the reading of the
    ruler where bars are ``measured``, height, and corner noise within ``noise_px``, the range found on rendered
    photos (tests/cards). The noise stated is the finder's own estimate. ``tangential_sd`` of p1 and p2 is what the
    solve knows nothing of."""
    known = known or SolveSettings()
    stretches = _stretches(sorted({family for family, *_ in LAYOUTS[layout]}), known, rng)
    cards = tuple(
        _lay(family, side, i, known, stretches[family], rng) for i, (family, *side) in enumerate(LAYOUTS[layout])
    )
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    outline = np.column_stack([np.cos(angle), np.sin(angle)]) * SHELL_MM / 2 * (1 + 0.1 * np.cos(3 * angle))[:, None]
    points = rng.uniform(-0.45, 0.45, (12, 2)) * SHELL_MM
    phone = _stand(np.vstack([outline, *(c.corners_on_table()[:, :2] for c in cards)]), tilt_deg, known, rng)
    if tangential_sd:
        p1, p2 = tangential_sd * rng.normal(size=2)
        phone = replace(phone, tangential=(float(p1), float(p2)))
    height = 0.6 + known.height_sd_mm * rng.normal()
    sd, sightings = rng.uniform(*noise_px), []
    for card in cards:
        seen = phone.sees(card.corners_on_table())
        seen = seen + sd * rng.normal(size=seen.shape)
        nominal = chess_corners_mm(card.design)
        sightings.append(CardSighting(card.design, seen, nominal, np.nan))
    bars = np.array(bar_lengths_mm(cards[0].design)) * cards[0].stretch + RULER_SD_MM * rng.normal(size=2)
    told = TraceSettings(bar_long_mm=float(bars[0]), bar_short_mm=float(bars[1])) if measured else TraceSettings()
    blank = np.broadcast_to(np.zeros((1, 1, 3), np.uint8), (SIZE_PX[1], SIZE_PX[0], 3))
    seen_px = [phone.sees(place, height - known.paper_mm) for place in (outline, points)]
    true_mm = [_in_frame(cards[0], place) for place in (outline, points)]
    photo = Photo("table.jpg", blank, "", FOCAL_PX)
    rest = true_mm[1], seen_px[1], float(sd), height - known.paper_mm
    return Drawn(phone, cards, photo, find.noise_px(sightings), told, true_mm[0], seen_px[0], *rest)


def truth_camera(drawn: Drawn, corner_sd_px: float) -> PlaneCamera:
    """The true camera in the frame of the lowest card with the cards as they lie, for bounds."""
    phone, first = drawn.phone, drawn.cards[0]
    turn, shift = phone.pose()
    cos, sin = np.cos(first.angle_rad), np.sin(first.angle_rad)
    table_from_frame = np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]])
    placed = []
    for card, sighting in zip(drawn.cards, drawn.sightings, strict=True):
        x, y = _in_frame(first, np.array([[card.x_mm, card.y_mm]]))[0]
        seen = replace(sighting, sd_px=corner_sd_px)
        placed.append(PlacedCard(seen, float(x), float(y), card.angle_rad - first.angle_rad, 0.0))
    return PlaneCamera(
        Lens(phone.focal_px, phone.centre_px, *phone.distortion),
        SIZE_PX,
        turn @ table_from_frame,
        turn @ np.array([first.x_mm, first.y_mm, 0]) + shift,
        drawn.settings.height_mm - 0.1,
        tuple(placed),
        np.zeros((11, 11)),
    )


def _in_frame(first: Lying, points_mm: Array) -> Array:
    cos, sin = np.cos(first.angle_rad), np.sin(first.angle_rad)
    return (points_mm - (first.x_mm, first.y_mm)) @ np.array([[cos, -sin], [sin, cos]])


def _stretches(families: list[str], known: SolveSettings, rng: np.random.Generator) -> dict[str, Array]:
    """What one printer does to all families alike, and to each besides."""
    common = np.sqrt(SAME_PRINTER) * rng.normal(size=2)
    own = np.sqrt(1 - SAME_PRINTER) * rng.normal(size=(len(families), 2))
    return {family: 1 + known.printer_sd * (common + stray) for family, stray in zip(families, own, strict=True)}


def _lay(
    family: str, side: list[float], number: int, known: SolveSettings, stretch: Array, rng: np.random.Generator
) -> Lying:
    design = card_design(family, number)
    paper = np.array(design.paper_mm)
    upright = side[1] == 0
    turn = np.pi / 2 * upright + 0.08 * rng.normal() + np.pi * rng.integers(2)
    reach = np.array(SHELL_MM) / 2 + (paper[::-1] if upright else paper) / 2 + rng.uniform(10, 35)
    # corner cards stand beside the shell, level with its ends
    middle = np.array(side) * np.where([abs(side[0]) == 1 and abs(side[1]) == 1, False], 0.75, 1.0) * reach
    middle = middle + rng.uniform(-25, 25, 2) * (1 - np.abs(np.array(side)))
    cos, sin = np.cos(turn), np.sin(turn)
    origin = middle - np.array([[cos, -sin], [sin, cos]]) @ (np.array(board_size_mm(design)) / 2)
    bulge, lift = known.bulge_sd_mm * rng.normal(size=3), known.lift_sd_mm * rng.normal()
    return Lying(design, float(origin[0]), float(origin[1]), float(turn), tuple(bulge), tuple(stretch), float(lift))


def _stand(in_view_mm: Array, tilt_deg: tuple[float, float], known: SolveSettings, rng: np.random.Generator) -> Phone:
    """A phone held as near as shows everything, half a metre away or more."""
    middle = (np.array(SIZE_PX) - 1) / 2
    centre = middle + known.centre_sd * np.hypot(*SIZE_PX) * rng.normal(size=2)
    aim = (in_view_mm.min(axis=0) + in_view_mm.max(axis=0)) / 2
    phone = Phone(
        FOCAL_PX * (1 + known.stated_focal_sd * rng.normal()),
        (known.k1_sd * rng.normal(), known.k2_sd * rng.normal()),
        (float(centre[0]), float(centre[1])),
        480.0,
        (float(aim[0]), float(aim[1])),
        rng.uniform(*tilt_deg),
        rng.uniform(0, 360),
        float(rng.choice([0, 90]) + rng.normal(0, 6)),
    )
    while not _all_seen(phone, in_view_mm):
        phone = replace(phone, distance_mm=phone.distance_mm * 1.04)
    return phone


def _all_seen(phone: Phone, points_mm: Array) -> bool:
    # judged without the lens: one that folds its rim inwards would seem to show what it cannot
    seen = replace(phone, distortion=(0.0, 0.0)).sees(points_mm)
    return bool((seen > 0.03 * SIZE_PX[0]).all() and (seen < np.array(SIZE_PX) - 0.03 * SIZE_PX[0]).all())
