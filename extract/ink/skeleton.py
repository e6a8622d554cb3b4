"""From a ridge raster to branches: runs of crest points between places where lines meet or end."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from skimage.morphology import skeletonize

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
    count, labels = cv2.connectedComponents((ridge > low).astype(np.uint8))
    keep = np.zeros(count, bool)
    keep[labels[ridge > high]] = True
    keep[0] = False
    strong = keep[labels]
    _, spaces, figures, _ = cv2.connectedComponentsWithStats((~strong).astype(np.uint8), connectivity=4)
    return np.asarray(strong | (figures[:, cv2.CC_STAT_AREA] <= hole_px)[spaces])


def trace_branches(mask: Mask) -> list[Branch]:
    """Thins the mask and walks it."""
    thin = skeletonize(mask)
    degree = cv2.filter2D(thin.astype(np.uint8), -1, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT) - thin
    _, nodes = cv2.connectedComponents((thin & (degree > 2)).astype(np.uint8))
    return [_branch(walk, nodes) for walk in _walk(thin, nodes) if len(walk) > 1]


def _walk(thin: Mask, node_labels: np.ndarray) -> list[list[int]]:
    """Chains of pixels, each from a node or free end to the next; loops repeat their first pixel. Pixels are places in
    the picture with a rim of one pixel, row by row."""
    width = thin.shape[1] + 2
    places = np.flatnonzero(np.pad(thin, 1))
    labels = np.pad(node_labels, 1).ravel()[places]
    at_node, plain = set(places[labels > 0].tolist()), set(places[labels == 0].tolist())
    around = [dr * width + dc for dr, dc in NEIGHBOURS]

    def next_to(p: int, among: set[int]) -> list[int]:
        return [p + step for step in around if p + step in among]

    walks: list[list[int]] = []
    seen: set[int] = set()

    def follow(start: int, chain: list[int]) -> None:
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
            chain: list[int] = []
            follow(rest, chain)
            walks[-1] = [*chain, chain[0]] if len(chain) > 8 else chain
    return walks


def _branch(walk: list[int], node_labels: np.ndarray) -> Branch:
    rows, columns = np.divmod(np.array(walk), node_labels.shape[1] + 2)
    rows, columns = rows - 1, columns - 1
    first, last = (int(node_labels[rows[k], columns[k]]) for k in (0, -1))
    closed = walk[0] == walk[-1] and not first
    points = np.stack([columns, rows], axis=1).astype(float)
    return Branch(points[:-1] if closed else points, first - 1, last - 1, closed)
