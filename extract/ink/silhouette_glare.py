"""Glare on a smooth table, which is as bright as glare on tape: tape shows its weave and its creases there."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from extract.doors import Mask
from extract.ink.shell_view import Image, erode, grow, local_mean
from extract.ink.silhouette_net import CLIP, ShellMap

ABOUT_MM, SMOOTH = 1.5, 2.0
"""What varies by less so far about a place (grey levels of a byte, standard deviation) is smooth. Tape in
glare is nowhere over as much as a table is."""

LIGHTER, AS_PAPER = 1.25, 0.97
"""So much lighter than the shell usually is, and as light as card paper, tape would lie in glare."""

BARE_MM = 8.0
"""Smooth table in glare is wider than twice that somewhere."""

LIKE, REACH_MM = 4.0, 3.0
"""What is so near such table, and hardly lighter or darker, belongs to it: close to an edge nothing is smooth."""

BESIDE_MM, WITHIN = 4.0, 0.95
"""A smooth place of which, with so much around it, such a share is likely shell is a burnt-out part of one."""


def off_bare_glare(shell: ShellMap, white: Image) -> ShellMap:
    """The map, with table for certain where what it takes for shell is smooth although it would lie in glare; ``white``
    is the BGR of card paper."""
    bare = bare_glare(shell, white)
    return replace(shell, odds=np.where(bare, np.float32(-CLIP), shell.odds)) if bare.any() else shell


def bare_glare(shell: ShellMap, white: Image) -> Mask:
    """Where (H, W) that is so, with all smooth table that goes on from there."""
    px = 1 / shell.flat.mm_per_px
    likely, light = shell.odds > 0, shell.flat.pixels[..., 1].astype(np.float32)
    bright = (light > AS_PAPER * white[1]) & shell.flat.valid
    nowhere = np.zeros_like(likely)
    if not (_core(bright, px) & likely).any():
        return nowhere
    smooth = _roughness(light, ABOUT_MM * px) < SMOOTH
    usual = np.median(light[likely & ~smooth]) if (likely & ~smooth).any() else np.inf
    glaring = bright & (light > LIGHTER * usual)
    core = _core(smooth & glaring, px) & likely
    if not core.any():
        return nowhere
    _, labels = cv2.connectedComponents((smooth & glaring).astype(np.uint8), connectivity=4)
    bare = (labels > 0) & np.isin(labels, np.unique(labels[core]))
    alike = np.abs(light - local_mean(light, bare, REACH_MM * px)) < LIKE
    bare |= erode(grow(bare, REACH_MM * px) & alike & glaring, 1)
    return bare & ~_within_shell(bare, likely, px)


def _core(mask: Mask, px: float) -> Mask:
    """What lies so deep in a mask."""
    return np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) > BARE_MM * px, bool)


def _roughness(light: Image, radius_px: float) -> Image:
    """Standard deviation within a square about each pixel, but for what changes evenly over it."""
    size = (2 * round(radius_px) + 1,) * 2
    return np.asarray(np.sqrt(cv2.sqrBoxFilter(light - cv2.blur(light, size), cv2.CV_32F, size)), np.float32)


def _within_shell(bare: Mask, likely: Mask, px: float) -> Mask:
    """Those of the places that are likely shell nearly all over and all round."""
    near = grow(bare, BESIDE_MM * px)
    count, labels = cv2.connectedComponents(near.astype(np.uint8), connectivity=4)
    shell = np.bincount(labels[near & likely], minlength=count)
    return np.asarray((shell > WITHIN * np.bincount(labels.ravel(), minlength=count))[labels], bool)
