"""Maps in millimetres drawn over the photo: how sure every place is, and how high the shell stands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from extract.camera.flatten import px_on_shell, spread_map
from extract.camera.project import mm_from_px
from extract.camera.relief import plan_points
from extract.doors import Array, Mask, Tracing
from extract.geometry.relief import height_at
from extract.sureness import edge_sd_mm, point_sds_mm

Picture = npt.NDArray[np.uint8]
Picture32 = npt.NDArray[np.float32]

LONG_SIDE_PX = 1600
NODE_PX = 20
"""A map is computed every so many pixels; between them it is as smooth as what it shows."""

TINT_SHARE = 0.72
SCALE_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)

# Cividis (Nuñez, Anderton & Renslow, PLOS ONE 13(7):e0199239, 2018) looks the same to all common kinds of colour
# vision and grows evenly lighter, so it also reads in grey.
TINTS = cv2.COLORMAP_CIVIDIS


@dataclass(frozen=True)
class Legend:
    """``title`` above the scale; its ends in mm and the step between its marks."""

    title: str
    low: float
    high: float
    step: float


def sure_jpg(tracing: Tracing) -> bytes:
    """JPEG of the photo with the ± of every place of the shell: 1 σ, camera, cards, height and the typical line
    together."""
    line = float(np.median([edge_sd_mm(s, tracing) for s in tracing.strokes] or [tracing.silhouette.sigma_mm]))

    def sigma(points: Array) -> Array:
        return np.asarray(np.hypot(point_sds_mm(tracing, points), line), float)

    return _drawn(tracing, sigma, "How far a line may be off (± one standard deviation), mm", from_zero=True)


def height_jpg(tracing: Tracing) -> bytes | None:
    """JPEG of the photo with the shell's height above the cards; None where no second photo told it."""
    relief = tracing.relief
    if relief is None:
        return None
    return _drawn(
        tracing, lambda points: height_at(relief, points), "Height above the scale cards, mm", from_zero=False
    )


def _drawn(tracing: Tracing, values: Callable[[Array], Array], title: str, from_zero: bool) -> bytes:
    picture, scale = _paled(tracing)
    shell = _shell(tracing, picture.shape[:2], scale)
    level = _levels(tracing, values, shell, scale)
    seen = level[shell]
    legend = _legend(title, 0.0 if from_zero else float(np.percentile(seen, 1)), float(np.percentile(seen, 99)))
    share = np.clip((level - legend.low) / (legend.high - legend.low), 0, 1)
    tint = np.asarray(cv2.applyColorMap(np.rint(share * 255).astype(np.uint8), TINTS), np.uint8)
    mixed = cv2.addWeighted(tint, TINT_SHARE, picture, 1 - TINT_SHARE, 0)
    picture[shell] = mixed[shell]
    return _jpeg(_with_legend(picture, legend))


def _paled(tracing: Tracing) -> tuple[Picture, float]:
    """The photo, reduced, in grey."""
    photo = tracing.photos[tracing.read_from]
    scale = min(1.0, LONG_SIDE_PX / max(photo.size_px))
    small = cv2.resize(photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), cv2.COLOR_GRAY2BGR), np.uint8), scale


def _shell(tracing: Tracing, shape: tuple[int, int], scale: float) -> Mask:
    """Which pixels of the reduced photo show the shell."""
    camera, shell = tracing.cameras[tracing.read_from], np.zeros(shape, np.uint8)
    rings = [(px_on_shell(camera, tracing.relief, r) + 0.5) * scale - 0.5 for r in tracing.silhouette.rings_mm]
    cv2.fillPoly(shell, [np.round(ring * 16).astype(np.int32) for ring in rings], 1, shift=4)
    return shell > 0


def _levels(tracing: Tracing, values: Callable[[Array], Array], shell: Mask, scale: float) -> Picture32:
    """The value at every pixel of the shell, straight between nodes."""
    camera, (height, width) = tracing.cameras[tracing.read_from], shell.shape
    rows, columns = (np.arange(0, count + NODE_PX, NODE_PX) for count in (height, width))
    x, y = (axis.ravel() for axis in np.meshgrid(columns.astype(float), rows.astype(float)))
    near = cv2.dilate(shell.astype(np.uint8), np.ones((2 * NODE_PX + 1,) * 2, np.uint8)) > 0
    used = near[np.minimum(y, height - 1).astype(int), np.minimum(x, width - 1).astype(int)]
    at = np.column_stack([x, y])[used]
    places = mm_from_px(camera, (at + 0.5) / scale - 0.5)
    if tracing.relief is not None:
        places = plan_points(camera, tracing.relief, places)
    nodes = np.zeros(len(x), np.float32)
    nodes[used] = values(places)
    whole = spread_map(np.dstack([nodes.reshape(len(rows), len(columns))] * 2), (width, height), NODE_PX)
    return whole[0]


def _legend(title: str, low: float, high: float) -> Legend:
    """Ends on round marks, four to eight of them."""
    span = max(high - low, 0.02)
    step = next((s for s in SCALE_STEPS if span / s <= 6), SCALE_STEPS[-1])
    first, last = np.floor(low / step) * step, np.ceil(high / step) * step
    return Legend(title, float(first), float(max(last, first + step)), step)


def _with_legend(picture: Picture, legend: Legend) -> Picture:
    """The picture with a scale below it, as wide as half of it."""
    height, width = picture.shape[:2]
    unit = width / 1600
    strip = np.full((round(120 * unit), width, 3), 255, np.uint8)
    left, right, top, bottom = (round(v * unit) for v in (40, 40 + 760, 52, 80))
    ramp = np.tile(np.linspace(0, 255, right - left).astype(np.uint8), (bottom - top, 1))
    strip[top:bottom, left:right] = cv2.applyColorMap(ramp, TINTS)
    canvas = Image.fromarray(np.vstack([picture, strip])[..., ::-1])
    pen = ImageDraw.Draw(canvas)
    font = ImageFont.load_default(size=round(26 * unit))
    pen.text((left, height + round(12 * unit)), legend.title, fill="black", font=font)
    for mark in np.arange(legend.low, legend.high + legend.step / 2, legend.step):
        x = left + (right - left) * (mark - legend.low) / (legend.high - legend.low)
        pen.line([(x, height + bottom), (x, height + bottom + 6 * unit)], fill="black", width=max(1, round(2 * unit)))
        words = f"{mark:.{0 if legend.step >= 1 else 1 if legend.step >= 0.1 else 2}f}"
        pen.text((x, height + bottom + 8 * unit), words, fill="black", font=font, anchor="mt")
    return np.asarray(canvas, np.uint8)[..., ::-1]


def _jpeg(picture: Picture) -> bytes:
    out = BytesIO()
    Image.fromarray(np.ascontiguousarray(picture[..., ::-1])).save(out, "JPEG", quality=86)
    return out.getvalue()
