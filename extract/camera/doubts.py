"""What the maker should know of the solve: cards that do not lie flat, corners that were left out, a focal length that
lies. Every sentence names the card and says by how much."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from extract.camera.bundle import Paper
from extract.camera.known import FAMILY_ORDER, SolveSettings, is_bent
from extract.camera.paper import bend_mm
from extract.doors import Array, CardDesign, Doubt, Mask, Photo, PlaneCamera
from extract.geometry.scalecard import board_size_mm

LIFTED = 0.8
"""Share of the missing corners' squared misses that heights must explain before the paper is said to stand up."""


@dataclass(frozen=True, eq=False)
class Verdict:
    """How one card in one photo fared: ``misses_px`` (N, 2) of all its corners, expected less seen; ``used`` (N,) those
    that counted; ``factor`` by how much its noise ``sd_px`` was raised; ``rise_px`` (N, 2) how far a corner moves in
    the picture when the paper stands 1 mm higher there; ``bulge_mm`` (3,)."""

    design: CardDesign
    photo: Photo
    corners_mm: Array
    misses_px: Array
    used: Mask
    sd_px: float
    factor: float
    rise_px: Array
    bulge_mm: Array

    @property
    def rms_px(self) -> float:
        """RMS distance of the corners that counted."""
        return math.sqrt(float((self.misses_px[self.used] ** 2).sum(axis=1).mean()))


def card_doubts(verdicts: Sequence[Verdict], known: SolveSettings) -> list[Doubt]:
    """Doubts about cards, in the order of the verdicts; a bend is told once, however many photos show it."""
    doubts, told = [], set()
    for verdict in verdicts:
        distrusted = verdict.factor**-2 < known.distrusted
        if distrusted or (is_bent(verdict.bulge_mm, known) and verdict.design not in told):
            told.add(verdict.design)
            doubts.append(_bent(verdict, known))
        if not verdict.used.all():
            doubts.append(_left_out(verdict))
    return doubts


def _bent(verdict: Verdict, known: SolveSettings) -> Doubt:
    bend, _ = bend_mm(verdict.design, verdict.bulge_mm)
    reasons = []
    if is_bent(verdict.bulge_mm, known):
        reasons.append(
            f"it is bent, its highest point about {bend:.1f} mm above its lowest, which was allowed for but costs "
            "certainty"
        )
    if verdict.factor**-2 < known.distrusted:
        reasons.append(
            f"its corners miss by {verdict.rms_px:.1f} pixels, {verdict.factor:.1f} times what the picture's sharpness "
            f"explains, so it was trusted {_percent(verdict.factor**-2)} % as much as a flat one"
        )
    return Doubt(
        "card-bent",
        f"The {verdict.design.name} in {verdict.photo.name} does not lie flat: {'; '.join(reasons)}. Tape it down and "
        "take the photo again.",
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f}" if share >= 0.01 else f"{100 * share:.1g}"


def _left_out(verdict: Verdict) -> Doubt:
    out = ~verdict.used
    count, far = int(out.sum()), float(np.hypot(*verdict.misses_px[out].T).max())
    lift = _lift_mm(verdict)
    why = f"as if the paper stood {lift:.1f} mm up there" if lift else "as misread or half covered ones are"
    corners = "One corner" if count == 1 else f"{count} corners"
    counts = "was" if count == 1 else "were"
    return Doubt(
        "card-corners",
        f"{corners} of {len(out)} of the {verdict.design.name} in {verdict.photo.name}, {_where(verdict, out)} as "
        f"printed, {counts} left out: off by up to {far:.1f} pixels where {verdict.sd_px:.2f} are usual, {why}.",
    )


def _lift_mm(verdict: Verdict) -> float | None:
    """Greatest height of the corners left out, if heights above the table explain how they miss; else None."""
    out = ~verdict.used
    misses, rise = -verdict.misses_px[out], verdict.rise_px[out]
    heights = (misses * rise).sum(axis=1) / np.maximum((rise**2).sum(axis=1), 1e-12)
    explained = float(((heights[:, None] * rise) ** 2).sum() / (misses**2).sum())
    return float(heights.max()) if explained > LIFTED and bool((heights > 0).all()) else None


def _where(verdict: Verdict, out: Mask) -> str:
    """The part of the board in which the corners lie, or "here and there"."""
    part = np.floor(3 * verdict.corners_mm[out] / board_size_mm(verdict.design)).astype(int).clip(0, 2)
    if (np.ptp(part, axis=0) > 1).any():
        return "here and there"
    column, row = np.rint(part.mean(axis=0)).astype(int)
    words = [("upper", "", "lower")[row], ("left", "", "right")[column]]
    return f"near its {' '.join(word for word in words if word) or 'middle'}" + (
        "" if column == row == 1 else " corner" if all(words) else " side"
    )


def print_doubts(paper: Paper, stretches: Mapping[int, Array], known: SolveSettings) -> list[Doubt]:
    """Doubts about families of cards that were not printed alike."""
    doubts, first = [], paper.families[0]
    for other in paper.families[1:]:
        both, apart = paper.of((first, other)), np.array([[-1.0, 0, 1, 0], [0, -1, 0, 1]])
        usual = np.sqrt(np.diag(apart @ both @ apart.T))
        found = stretches[other] - stretches[first]
        axis = int(np.argmax(np.abs(found) / usual))
        if abs(found[axis]) > known.unlike_sd * usual[axis]:
            doubts.append(_unlike(FAMILY_ORDER[first], FAMILY_ORDER[other], axis, float(found[axis])))
    return doubts


def _unlike(first: str, other: str, axis: int, share: float) -> Doubt:
    way, how = ("long", "short")[axis], "longer" if share > 0 else "shorter"
    return Doubt(
        "prints-differ",
        f"Along the {way} bar the {other} cards are printed about {100 * abs(share):.1f} % {how} than the {first} "
        "cards, as if by another printer or at another size. Print all in one go, or measure the larger cards' bars.",
    )


def focal_doubts(cameras: Sequence[PlaneCamera], photos: Sequence[Photo], known: SolveSettings) -> list[Doubt]:
    """Doubts about focal lengths that the cards contradict."""
    return [
        _odd_focal(camera, photo, photo.focal_hint_px)
        for camera, photo in zip(cameras, photos, strict=True)
        if photo.focal_hint_px and known.contradicts(camera, photo)
    ]


def _odd_focal(camera: PlaneCamera, photo: Photo, stated_px: float) -> Doubt:
    change = 100 * (camera.lens.focal_px / stated_px - 1)
    return Doubt(
        "focal-odd",
        f"{photo.name} states a focal length that its cards contradict by {change:+.0f} %; the cards were believed. "
        "Was the photo cropped or edited? Use the one straight from the camera.",
    )
