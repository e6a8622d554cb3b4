"""From a ridge raster to branches: runs of crest points between places where lines meet or end."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage
from skimage.morphology import remove_small_holes, skeletonize

from extract.doors import Array, Mask
from extract.ink.darkness import Image

NEIGHBOURS = ((-1, 0), (0, 1), (1, 0), (0, -1), (-1, -1), (-1, 1), (1, 1), (1, -1))


@dataclass(frozen=True, eq=False)
class Branch:
    """A run of points from node ``start`` to node ``end`` (-1 where it ends free); a loop has ``closed`` set and no
    nodes."""

    points_px: Array
    start: int
    end: int
    closed: bool = False


def strong_ridges(ridge: Image, low: float, high: float, hole_px: int) -> Mask:
    """Pixels over ``low`` that hang together with one over ``high``; holes of up to ``hole_px`` are filled, since the
    ridge dips where strokes cross."""
    labels, _ = ndimage.label(ridge > low, np.ones((3, 3)))
    keep = np.zeros(int(labels.max()) + 1, bool)
    keep[np.unique(labels[ridge > high])] = True
    keep[0] = False
    return remove_small_holes(keep[labels], max_size=hole_px)


def trace_branches(mask: Mask) -> list[Branch]:
    """Thins the mask and walks it."""
    thin = skeletonize(mask)
    degree = cv2.filter2D(thin.astype(np.uint8), -1, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT) - thin
    node_labels, _ = ndimage.label(thin & (degree > 2), np.ones((3, 3)))
    walks = _walk(thin, node_labels)
    return [_branch(walk, node_labels) for walk in walks if len(walk) > 1]


def _walk(thin: Mask, node_labels: np.ndarray) -> list[list[tuple[int, int]]]:
    """Chains of pixels, each from a node or free end to the next; loops repeat their first pixel."""
    pixels = {(int(r), int(c)) for r, c in np.argwhere(thin)}
    at_node = {p for p in pixels if node_labels[p]}
    plain = pixels - at_node

    def next_to(p: tuple[int, int], among: set[tuple[int, int]]) -> list[tuple[int, int]]:
        return [q for dr, dc in NEIGHBOURS if (q := (p[0] + dr, p[1] + dc)) in among]

    walks, seen = [], set()

    def follow(start: tuple[int, int], chain: list[tuple[int, int]]) -> None:
        here = start
        while True:
            chain.append(here)
            seen.add(here)
            ahead = [q for q in next_to(here, plain) if q not in seen]
            if not ahead:
                break
            here = ahead[0]
        ends = [q for q in next_to(chain[-1], at_node) if len(chain) > 2 or q != chain[0]]
        walks.append(chain + ends[:1])

    for node in sorted(at_node):
        for first in next_to(node, plain):
            if first not in seen:
                follow(first, [node])
    for tip in sorted(p for p in plain if p not in seen and len(next_to(p, plain)) == 1):
        if tip not in seen:
            follow(tip, [])
    for rest in sorted(plain):
        if rest not in seen:
            chain: list[tuple[int, int]] = []
            follow(rest, chain)
            walks[-1] = [*chain, chain[0]] if len(chain) > 8 else chain
    return walks


def _branch(walk: list[tuple[int, int]], node_labels: np.ndarray) -> Branch:
    closed = walk[0] == walk[-1] and not node_labels[walk[0]]
    points = np.array(walk[:-1] if closed else walk, float)[:, ::-1]
    return Branch(points, int(node_labels[walk[0]]) - 1, int(node_labels[walk[-1]]) - 1, closed)
