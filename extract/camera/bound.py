"""How well any method could measure a given table: the Cramér–Rao bound of the scene's own geometry.

Corner noise is white; lens, bulge and printer are unknown within what is known beforehand, which makes it the bound of
van Trees (Detection, Estimation, and Modulation Theory I, 1968, sec. 2.4.3) rather than that of free unknowns.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from extract.camera.bundle import Table, information
from extract.camera.known import SolveSettings, key_of, paper_of, prior_of, sight_of
from extract.camera.printer import known_prints
from extract.camera.project import PARAMETERS
from extract.camera.uncertainty import shape_sd_mm
from extract.doors import Array, PlaneCamera, TraceSettings


def bounded(
    camera: PlaneCamera,
    stated_focal_px: float | None = None,
    settings: TraceSettings | None = None,
    known: SolveSettings | None = None,
) -> PlaneCamera:
    """The camera with the least covariance that any unbiased solve of its ``cards`` can have, and the bias that no
    solve can lessen. ``stated_focal_px`` is the EXIF focal length, if the photo has one."""
    settings, known = settings or TraceSettings(), known or SolveSettings()
    prints = known_prints([card.sighting.design for card in camera.cards], settings, known.printer_sd)
    sights = tuple(
        sight_of(0, replace(card.sighting, sd_px=card.sighting.sd_px / math.sqrt(card.weight)), prints)
        for card in camera.cards
    )
    flat = np.zeros(4)
    places = {
        sight.card: np.array([card.x_mm, card.y_mm, card.angle_rad, *flat])
        for sight, card in zip(sights, camera.cards, strict=True)
    }
    prior = prior_of(camera.size_px, stated_focal_px, known)
    paper = paper_of([card.sighting.design for card in camera.cards], prints, known)
    frame = min(key_of(card.sighting.design) for card in camera.cards)
    known_of_all = information(sights, (prior,), Table((camera,), places), frame, paper)
    scale = 1 / np.sqrt(np.diag(known_of_all))
    least = np.linalg.inv(known_of_all * np.outer(scale, scale)) * np.outer(scale, scale)
    return replace(camera, covariance=least[:PARAMETERS, :PARAMETERS], bias=(paper.scale_sd(), known.height_sd_mm))


def shape_bound_mm(
    camera: PlaneCamera,
    points_mm: Array,
    stated_focal_px: float | None = None,
    settings: TraceSettings | None = None,
    known: SolveSettings | None = None,
) -> float:
    """Least 1 σ of the shape of points (N, 2), any rigid motion removed, that the cards' corners allow; the common
    scale of the print and the strokes' height, which no corner shows, left out."""
    return shape_sd_mm(replace(bounded(camera, stated_focal_px, settings, known), bias=(0.0, 0.0)), points_mm)
