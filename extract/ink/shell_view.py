"""Small pictures of the table for the search of the shell: shrinking, card cover, averages that skip what is hidden."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from extract.doors import Bytes, FlatView, Mask

Image = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class TableView:
    """The flat view made small. ``lab`` (H, W, 3) float32 CIE L*a*b* with card paper as white; ``grain`` (H, W) its
    fine texture as the logarithm of the lightness that changes within 2 mm; ``seen`` where the photo saw the table,
    ``cards`` where cards lie."""

    flat: FlatView
    lab: Image
    grain: Image
    seen: Mask
    cards: Mask

    @property
    def free(self) -> Mask:
        return self.seen & ~self.cards


def shrink(flat: FlatView, mm_per_px: float) -> FlatView:
    """The flat view with pixels of about ``mm_per_px``, averaged over their area.

    The factor is a whole number, so that both axes shrink exactly alike; a rest at the right and lower rim is cut off.
    """
    step = max(1, round(mm_per_px / flat.mm_per_px))
    if step == 1:
        return flat
    height, width = (side // step for side in flat.valid.shape)
    pixels = flat.pixels[: height * step, : width * step]
    seen = flat.valid[: height * step, : width * step].astype(np.uint8) * 255
    shift = (step - 1) / 2 * flat.mm_per_px
    return FlatView(
        np.asarray(cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA), np.uint8),
        step * flat.mm_per_px,
        (flat.origin_mm[0] + shift, flat.origin_mm[1] + shift),
        cv2.resize(seen, (width, height), interpolation=cv2.INTER_AREA) > 250,
        flat.card_outlines_mm,
    )


def crop(flat: FlatView, low_mm: npt.ArrayLike, high_mm: npt.ArrayLike) -> FlatView:
    """The part of the view between two corners, clipped to the view; shares its memory."""
    height, width = flat.valid.shape
    low = np.clip(np.floor(flat.px_from_mm(np.asarray(low_mm))), 0, (width - 1, height - 1)).astype(int)
    high = np.clip(np.ceil(flat.px_from_mm(np.asarray(high_mm))) + 1, low + 1, (width, height)).astype(int)
    origin = flat.mm_from_px(low)
    window = (slice(low[1], high[1]), slice(low[0], high[0]))
    return replace(
        flat, pixels=flat.pixels[window], valid=flat.valid[window], origin_mm=(float(origin[0]), float(origin[1]))
    )


def card_cover(flat: FlatView, margin_mm: float) -> Mask:
    """Where the cards lie, grown by ``margin_mm``."""
    cover = np.zeros(flat.valid.shape, np.uint8)
    for outline in flat.card_outlines_mm:
        cv2.fillPoly(cover, [np.round(flat.px_from_mm(outline) * 16).astype(np.int32)], 1, shift=4)
    return grow(cover.astype(bool), margin_mm / flat.mm_per_px)


def disc(radius_px: float) -> Bytes:
    size = 2 * max(1, round(radius_px)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def grow(mask: Mask, radius_px: float) -> Mask:
    return cv2.dilate(mask.astype(np.uint8), disc(radius_px)).astype(bool) if radius_px >= 0.5 else mask


def erode(mask: Mask, radius_px: float) -> Mask:
    """Shrink a mask; what lies outside the picture counts as outside the mask."""
    if radius_px < 0.5:
        return mask
    return cv2.erode(mask.astype(np.uint8), disc(radius_px), borderType=cv2.BORDER_CONSTANT, borderValue=0).astype(bool)


def local_mean(image: Image, where: Mask, sd_px: float) -> Image:
    """Gaussian mean over the pixels of ``where`` only (normalised convolution)."""
    weight = where.astype(np.float32)
    share = cv2.GaussianBlur(weight, (0, 0), sd_px)
    stack = weight if image.ndim == 2 else weight[..., None]
    mean = cv2.GaussianBlur(image * stack, (0, 0), sd_px)
    return np.asarray(mean / np.maximum(share if image.ndim == 2 else share[..., None], 1e-3), np.float32)


def card_white(flat: FlatView) -> Image:
    """BGR of the cards' paper: the white that lightness and greyness are judged by. White is (255, 255, 255) when no
    card is in view."""
    on_card = flat.pixels[card_cover(flat, 0.0) & flat.valid]
    if len(on_card) < 20:
        return np.full(3, 255, np.float32)
    light = on_card.astype(np.float32).sum(1)
    return np.maximum(np.median(on_card[light >= np.percentile(light, 70)], axis=0), 40).astype(np.float32)


def lab_of(pixels: Bytes, white: Image) -> Image:
    """CIE L*a*b* (float32) after scaling each channel by the paper white, with headroom for glare above it."""
    headroom = np.float32(0.75)
    scaled = pixels.astype(np.float32) * (headroom / white)
    return np.asarray(cv2.cvtColor(np.minimum(scaled, 1.0), cv2.COLOR_BGR2Lab), np.float32)


def ready() -> None:
    """Has OpenCV make its tables for L*a*b* now: a sixth of a second that the first picture of a process costs."""
    lab_of(np.zeros((1, 1, 3), np.uint8), np.ones(3, np.float32))


def table_view(flat: FlatView, white: Image, margin_mm: float) -> TableView:
    """Colours, texture and cover of a flat view of about 1 mm per pixel; cards are taken ``margin_mm`` larger."""
    lab = lab_of(flat.pixels, white)
    seen, cards = erode(flat.valid, 1), card_cover(flat, margin_mm)
    detail = np.abs(lab[..., 0] - local_mean(lab[..., 0], flat.valid, 2 / flat.mm_per_px))
    return TableView(flat, lab, np.log(detail + 0.3), seen, cards)


def coarser(view: TableView, factor: int) -> TableView:
    """The view with ``factor`` x ``factor`` pixels averaged into one."""
    flat = shrink(view.flat, factor * view.flat.mm_per_px)
    height, width = flat.valid.shape
    trim = slice(height * factor), slice(width * factor)

    def mean(image: Image) -> Image:
        return np.asarray(cv2.resize(image[trim], (width, height), interpolation=cv2.INTER_AREA), np.float32)

    cards = mean(view.cards.astype(np.float32)) > 0.01
    return TableView(flat, mean(view.lab), mean(view.grain), erode(flat.valid, 1), cards)


def window_of(view: TableView, low_mm: npt.ArrayLike, high_mm: npt.ArrayLike) -> TableView:
    """The part of the view between two corners."""
    flat = crop(view.flat, low_mm, high_mm)
    left, top = np.round(view.flat.px_from_mm(np.asarray(flat.origin_mm))).astype(int)
    here = slice(top, top + flat.valid.shape[0]), slice(left, left + flat.valid.shape[1])
    return TableView(flat, view.lab[here], view.grain[here], view.seen[here], view.cards[here])
