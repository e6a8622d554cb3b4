"""Flat views painted for the tests of the outline: a shell of exactly known shape on tables of several kinds."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter
from shapely import Polygon

from extract.doors import FlatView

MM_PER_PX = 0.25
SIZE_MM = (340.0, 250.0)
ORIGIN_MM = (-120.0, -100.0)
CARD = np.array([[-112.0, -92.0], [-12.0, -92.0], [-12.0, -30.0], [-112.0, -30.0]])
CENTRE = np.array([90.0, 60.0])


def wavy_ring(radius=(95.0, 75.0), waves=0.012, lobes=17):
    """A smooth closed outline with a hand's unsteadiness; dense enough to count as exact."""
    turn = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    stretch = 1 + waves * np.sin(lobes * turn) + 0.05 * np.cos(2 * turn + 0.4)
    return CENTRE + np.c_[radius[0] * np.cos(turn), radius[1] * np.sin(turn)] * stretch[:, None]


def with_cut(ring, angle_deg, mouth_mm, depth_mm):
    """The ring less a V-shaped cut; also the cut's tip."""
    way = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    side = np.array([-way[1], way[0]])
    at = ring[np.argmax((ring - CENTRE) @ way - 3 * abs((ring - CENTRE) @ side))]
    tip = at - depth_mm * way
    flare = 1 + 10 / depth_mm
    corners = [tip, at + 10 * way + flare * mouth_mm / 2 * side, at + 10 * way - flare * mouth_mm / 2 * side]
    return np.asarray(Polygon(ring).difference(Polygon(corners)).exterior.coords[:-1]), tip


def grid():
    width, height = (round(side / MM_PER_PX) for side in SIZE_MM)
    x, y = np.meshgrid(np.arange(width) * MM_PER_PX + ORIGIN_MM[0], np.arange(height) * MM_PER_PX + ORIGIN_MM[1])
    return x, y


def coverage(ring, shape, finer=6):
    """Share of each pixel inside a ring, from a raster ``finer`` times as fine."""
    points = (np.asarray(ring) - ORIGIN_MM) / MM_PER_PX
    fine = np.zeros((shape[0] * finer, shape[1] * finer), np.uint8)
    cv2.fillPoly(fine, [np.round(((points + 0.5) * finer - 0.5) * 16).astype(np.int32)], 1, shift=4)
    return cv2.resize(fine.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)


def speckle(rng, shape, sd_px, amount):
    raw = gaussian_filter(rng.normal(size=shape).astype(np.float32), sd_px)
    return amount * raw / raw.std()


def melamine(rng, x, y):
    return np.full((*x.shape, 3), (0.52, 0.54, 0.55)) * (1 + 0.25 * (x - 70) / 190)[..., None]


def gingham(rng, x, y):
    stripe = ((x + 0.2 * y) % 18 < 9).astype(float) + ((y - 0.2 * x) % 18 < 9)
    white, red = np.array([0.72, 0.74, 0.76]), np.array([0.05, 0.06, 0.42])
    return white + (red - white) * (stripe / 2)[..., None]


def planks(rng, x, y):
    grain = np.sin(0.9 * y + 3 * np.sin(0.02 * x) + speckle(rng, x.shape, (2, 40), 1.0))
    return np.array([0.10, 0.24, 0.42]) * (1 + 0.18 * grain)[..., None]


def mat(rng, x, y):
    lines = (np.minimum(x % 20, y % 20) < 0.9)[..., None]
    return np.where(lines, (0.55, 0.48, 0.42), np.array([0.30, 0.12, 0.05]))


def own_grey(rng, x, y):
    """A board as grey as the shell on it, a little smoother and warmer."""
    return np.array([0.19, 0.20, 0.21]) * (1 + speckle(rng, x.shape, 0.8, 0.02) + 0.1 * (x - 70) / 190)[..., None]


def dark_cloth(rng, x, y):
    return np.array([0.05, 0.06, 0.04]) * (1 + speckle(rng, x.shape, 2.0, 0.2))[..., None]


INKS = {"black": (0.012, 0.012, 0.012), "blue": (0.20, 0.06, 0.03), "red": (0.02, 0.02, 0.20)}
"""What light of each colour, B, G and R, inks leave on tape."""

TABLES = {table.__name__: table for table in (melamine, gingham, planks, mat, dark_cloth)}
HARD_TABLES = {own_grey.__name__: own_grey}


def shaded(light, ring, height_mm, lamp_deg, share=0.5, cut_face=0.04):
    """Light of a table on which a shell's rim stands ``height_mm`` high under a lamp at 40° from the side ``lamp_deg``:
    its shadow, soft over half its width as a window's, keeps ``share`` of the light; the lowest 0.25 mm of the rim
    shows as a dark cut face to a camera over the lamp's side."""
    away = -np.array([np.cos(np.radians(lamp_deg)), np.sin(np.radians(lamp_deg))])
    wide_mm = height_mm / np.tan(np.radians(40.0))
    fallen = gaussian_filter(coverage(ring + wide_mm * away, light.shape[:2]), 0.25 * wide_mm / MM_PER_PX)
    light = light * (1 - (1 - share) * fallen)[..., None]
    face = coverage(ring + 0.25 * away, light.shape[:2])[..., None]
    return light + face * (cut_face - light)


def paint(ring, table, strokes=(), shell=0.20, blur_px=0.8, noise=2.0, seed=1, card=CARD, shadow=None, **view):
    """A flat view of one ring or a list of them; ``strokes`` are (points, width_mm) in black, or with what light of
    each colour the ink leaves besides, drawn to beyond the shell's edge and cut off there; ``shadow`` (rim's height in
    mm, the lamp's side in degrees) of a single ring."""
    rng = np.random.default_rng(seed)
    x, y = grid()
    light = (TABLES | HARD_TABLES)[table](rng, x, y)
    tape = shell * (1 + speckle(rng, x.shape, 6.0, 0.05) + speckle(rng, x.shape, 1.2, 0.02))[..., None]
    for points, width_mm, *left in strokes:
        ink = np.zeros(x.shape, np.uint8)
        at = np.round((np.asarray(points, float) - ORIGIN_MM) / MM_PER_PX * 16).astype(np.int32)
        cv2.polylines(ink, [at], False, 1, round(width_mm / MM_PER_PX), shift=4)
        tape = np.where(ink[..., None] > 0, left[0] if left else 0.012, tape)
    if ring is not None:
        rings = ring if isinstance(ring, list) else [ring]
        light = shaded(light, ring, *shadow) if shadow else light
        share = sum(coverage(one, x.shape) for one in rings)[..., None]
        light = share * tape + (1 - share) * light
    inside = (x > card[0, 0]) & (x < card[2, 0]) & (y > card[0, 1]) & (y < card[2, 1])
    squares = ((x - card[0, 0]) // 12 + (y - card[0, 1]) // 12) % 2 == 0
    light = np.where(inside[..., None], np.where(squares, 0.02, 0.80)[..., None], light)
    light = np.clip(gaussian_filter(light, (blur_px, blur_px, 0)), 0, 1)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    pixels = np.clip(255 * value + rng.normal(0, noise, value.shape), 0, 255).astype(np.uint8)
    return FlatView(pixels, MM_PER_PX, ORIGIN_MM, view.get("valid", np.ones(x.shape, bool)), (card,))
