"""How far the picture is smeared on the table, from the edges of the cards' chess squares.

Across an edge the light rises as the integral of the line spread (ISO 12233:2017, slanted-edge method: the pixels
near the edge, ordered by their distance from it, sample that rise many times finer than the pixel grid). Its variance
is that of the picture's point spread along the edge's normal, so the two edge directions of a card give two of the
spread's three numbers. The third, the correlation, shows where two edges cross: for a normal spread the light there
is Sheppard's quadrant probability, 1/4 + asin(correlation) / 2π for the two white quadrants each (Sheppard 1899,
"On the application of the theory of error"). A picture smeared along a diagonal differs from one out of focus in
that alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtr

from extract.camera.project import stroke_jacobian
from extract.doors import Array, Blur, Doubt, Photo, PlacedCard, PlaneCamera


@dataclass(frozen=True)
class BlurSettings:
    """``edges``: so many of a card's edges each way are sampled; more add time and no truth. ``reach_rims``: how far to
    both sides of an edge is looked, in widths of the white rim between square and marker; a wide spread reaches over
    the rim, so the marker's black border beyond it (0.8 rims wide) is part of the model. ``middle``: the part of an
    edge away from its ends. ``bin_px``: a quarter pixel, as ISO 12233 takes it. ``thin_mm``, ``least_contrast``: the
    thinnest line that is to be read, and the share of its contrast that reading it needs. ``motion_ratio``: a spread
    this much longer than wide is no matter of focus."""

    edges: int = 14
    reach_rims: float = 1.4
    middle: tuple[float, float] = (0.2, 0.8)
    bin_px: float = 0.25
    thin_mm: float = 1.0
    least_contrast: float = 0.7
    motion_ratio: float = 1.6


def measure_blur(photo: Photo, camera: PlaneCamera, settings: BlurSettings | None = None) -> Blur | None:
    """1 σ of the picture's spread on the table, the pixel's own width included, mean over the cards; None where no
    card shows edges enough."""
    settings = settings or BlurSettings()
    spreads = [_card_spread(photo, camera, card, settings) for card in camera.cards]
    found = [spread for spread in spreads if spread is not None]
    if not found:
        return None
    values, vectors = np.linalg.eigh(np.mean(found, axis=0))
    across, along = np.sqrt(np.maximum(values, 0.0))
    return Blur(float(along), float(across), math.atan2(vectors[1, 1], vectors[0, 1]) % math.pi)


def _card_spread(photo: Photo, camera: PlaneCamera, card: PlacedCard, settings: BlurSettings) -> Array | None:
    """(2, 2) variance mm² of the spread in the plane frame, from one card."""
    table_from_card = _turn(card.angle_rad)
    sd_mm = []
    for axis in (0, 1):
        edges = _edges(card, axis)
        rise = _rise(photo, card, edges[:: max(1, len(edges) // settings.edges)], axis, settings)
        sd_px = _spread_px(*rise) if rise is not None else None
        if sd_px is None:
            return None
        sd_mm.append(sd_px / _px_per_mm_across(camera, card, axis, table_from_card))
    shared = _correlation(photo, card) * sd_mm[0] * sd_mm[1]
    spread = np.array([[sd_mm[0] ** 2, shared], [shared, sd_mm[1] ** 2]])
    return np.asarray(table_from_card @ spread @ table_from_card.T, float)


def _turn(angle: float) -> Array:
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def _edges(card: PlacedCard, axis: int) -> list[tuple[int, int, bool]]:
    """Pairs of neighbouring chess corners with an edge between them across which ``axis`` runs, and whether the white
    square lies on its far side along that axis."""
    side = card.sighting.design.square_mm
    cells = np.round(card.sighting.corners_mm / side).astype(int)
    index = {(int(x), int(y)): i for i, (x, y) in enumerate(cells)}
    found = []
    for (x, y), i in index.items():
        j = index.get((x, y + 1) if axis == 0 else (x + 1, y))
        if j is not None:
            # squares are black where column and row add up to an even number; the far one starts at (x, y)
            found.append((i, j, (x + y) % 2 == 1))
    return found


def _rise(
    photo: Photo, card: PlacedCard, edges: Sequence[tuple[int, int, bool]], axis: int, settings: BlurSettings
) -> tuple[Array, Array, float] | None:
    """Distances from the edge in widths of the white rim and the mean light there, 0 black to 1 white, over all
    edges; the rim's width in pixels."""
    design, corners = card.sighting.design, card.sighting.corners_px
    rim_mm = (design.square_mm - design.marker_mm) / 2
    parts = []
    for i, j, white_beyond in edges:
        ahead = np.array([1.0, 0.0]) if axis == 0 else np.array([0.0, 1.0])
        beyond = _toward(card, i, ahead if white_beyond else -ahead)
        if beyond is not None:
            parts.append(_edge_samples(photo, corners[i], corners[j], beyond * rim_mm, settings))
    if len(parts) < 2:
        return None
    at, light = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
    rim_px = float(np.mean([p[2] for p in parts]))
    bins = np.floor(at * rim_px / settings.bin_px).astype(int)
    bins -= bins.min()
    count = np.bincount(bins)
    full = count >= 0.3 * np.median(count)
    return np.bincount(bins, at)[full] / count[full], np.bincount(bins, light)[full] / count[full], rim_px


def _toward(card: PlacedCard, i: int, way: Array) -> Array | None:
    """Photo pixels per mm of card along ``way`` near corner ``i``, from the nearest other corner on that line."""
    mm, px = card.sighting.corners_mm, card.sighting.corners_px
    off = mm - mm[i]
    on_line = (np.abs(off @ [way[1], way[0]]) < 1e-6) & (np.abs(off @ way) > 1e-6)
    if not on_line.any():
        return None
    near = np.flatnonzero(on_line)[np.abs(off[on_line] @ way).argmin()]
    return np.asarray((px[near] - px[i]) / float(off[near] @ way), float)


def _edge_samples(
    photo: Photo, start: Array, end: Array, rim_px: Array, settings: BlurSettings
) -> tuple[Array, Array, float]:
    """Distance from the edge, in rims towards ``rim_px``, and light (0 to 1) of every pixel near its middle; the rim's
    width across the edge in pixels."""
    along = end - start
    length = float(np.linalg.norm(along))
    unit = along / length
    normal = np.array([-unit[1], unit[0]])
    normal = normal * np.sign(normal @ rim_px)
    rim = float(normal @ rim_px)
    depth = settings.reach_rims * rim
    first, last = (start + share * along for share in settings.middle)
    corners = np.array([first + normal * depth, first - normal * depth, last + normal * depth, last - normal * depth])
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, photo.size_px)
    light = _linear(photo, low, high)
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    off = np.stack([x, y], axis=-1) - start
    way, across = off @ unit / length, off @ normal
    inside = (np.abs(across) <= depth) & (way >= settings.middle[0]) & (way <= settings.middle[1])
    at, light = across[inside] / rim, light[inside]
    dark, bright = (np.median(light[part]) if part.any() else np.nan for part in (at < -1, np.abs(at - 0.5) < 0.2))
    return at, (light - dark) / max(float(bright - dark), 1e-6), rim


def _linear(photo: Photo, low: Array, high: Array) -> Array:
    """Light of the pixels of a box, the tone curve of a picture file undone (sRGB, IEC 61966-2-1)."""
    grey = cv2.cvtColor(photo.pixels[low[1] : high[1], low[0] : high[0]], cv2.COLOR_BGR2GRAY)
    return _TONE[grey]


def _tone_table() -> Array:
    level = np.arange(256) / 255
    return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)


_TONE = _tone_table()


def _spread_px(at_rims: Array, light: Array, rim_px: float) -> float | None:
    """1 σ of the normal distribution by which black square, white rim and black border are smoothed best."""
    sound = np.isfinite(light)
    if sound.sum() < 12:
        return None
    start = np.array([0.0, 1.0, 0.0, 1.0, 1.0 / rim_px])
    fit = least_squares(lambda p: _normal_rise(at_rims[sound], *p) - light[sound], start)
    return abs(float(fit.x[4])) * rim_px if fit.success else None


def _normal_rise(at: Array, dark: float, bright: float, square: float, border: float, sd: float) -> Array:
    sd = max(abs(sd), 1e-3)
    return np.asarray(dark + (bright - dark) * (ndtr((at - square) / sd) - ndtr((at - border) / sd)), float)


def _px_per_mm_across(camera: PlaneCamera, card: PlacedCard, axis: int, table_from_card: Array) -> float:
    """How many pixels an edge moves along its own normal when it moves 1 mm on the card."""
    middle = card.sighting.corners_mm.mean(axis=0) @ table_from_card.T + (card.x_mm, card.y_mm)
    px_from_card = stroke_jacobian(camera, middle[None])[1][0][:, :2] @ table_from_card
    edge = px_from_card[:, 1 - axis] / np.linalg.norm(px_from_card[:, 1 - axis])
    return abs(float(edge[0] * px_from_card[1, axis] - edge[1] * px_from_card[0, axis]))


def _correlation(photo: Photo, card: PlacedCard) -> float:
    """Of the spread along the card's x and y, from the light at the chess corners. Both kinds of corner are set
    against each other, so that ink that has run, or a tone curve of its own, falls out."""
    design, corners = card.sighting.design, card.sighting
    d = 0.6 * (design.square_mm - design.marker_mm) / 2
    excess: dict[bool, list[float]] = {True: [], False: []}
    for i, (x, y) in enumerate(np.round(corners.corners_mm / design.square_mm).astype(int)):
        right, down = _toward(card, i, np.array([1.0, 0.0])), _toward(card, i, np.array([0.0, 1.0]))
        if right is None or down is None:
            continue
        quadrants = np.array([right + down, -right - down, right - down, down - right]) * d
        lights = _light_at(photo, corners.corners_px[i] + np.vstack([np.zeros(2), quadrants]))
        alike, unlike = lights[1:3].mean(), lights[3:].mean()
        if abs(alike - unlike) > 0.02:
            excess[bool((x + y) % 2)].append(float((lights[0] - unlike) / (alike - unlike)) - 0.5)
    if not excess[True] or not excess[False]:
        return 0.0
    # the light is 1/2 + asin(correlation) / π of the way from the quadrants that change sign to those that do not
    mean = (np.median(excess[True]) + np.median(excess[False])) / 2
    return float(np.sin(np.pi * np.clip(mean, -0.5, 0.5)))


def _light_at(photo: Photo, points_px: Array) -> Array:
    at = points_px.astype(np.float32)
    seen = cv2.remap(photo.pixels, at[:, :1], at[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    grey = cv2.cvtColor(seen, cv2.COLOR_BGR2GRAY)
    return _TONE[grey].ravel()


def blur_doubt(photo: Photo, blur: Blur | None, settings: BlurSettings | None = None) -> Doubt | None:
    """What to do about a picture too blurred to read thin lines in; None for one that is sharp enough."""
    settings = settings or BlurSettings()
    if blur is None or _contrast(blur.along_mm, settings) >= settings.least_contrast:
        return None
    kept = 100 * _contrast(blur.along_mm, settings)
    line = f"a {settings.thin_mm:g} mm line across it keeps {kept:.0f} % of its contrast"
    if blur.along_mm > settings.motion_ratio * blur.across_mm:
        # a steady movement over a length L spreads by L / √12
        moved = math.sqrt(12 * (blur.along_mm**2 - blur.across_mm**2))
        then = math.hypot(blur.across_mm, moved / 3 / math.sqrt(12))
        return Doubt(
            "photo-moved",
            f"The camera moved while {photo.name} was taken, by about {moved:.1f} mm on the table: edges are spread by "
            f"{blur.along_mm:.2f} mm one way and {blur.across_mm:.2f} mm the other (1 σ), and {line}. Hold still, "
            "elbows on something, with the self-timer; three times the light would shorten the exposure and bring "
            f"{blur.along_mm:.2f} to {then:.2f} mm.",
        )
    return Doubt(
        "photo-unsharp",
        f"{photo.name} is out of focus: edges are spread by {blur.along_mm:.2f} mm (1 σ), and {line}. Wipe the lens, "
        "touch the shell on the screen to focus there, and go no nearer than the phone can focus.",
    )


def _contrast(sd_mm: float, settings: BlurSettings) -> float:
    """Share of a line's contrast left in its middle when it is spread by ``sd_mm``."""
    return math.erf(settings.thin_mm / (2 * math.sqrt(2) * max(sd_mm, 1e-6)))
