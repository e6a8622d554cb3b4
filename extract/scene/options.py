"""What a scene may be like, and the kinds of scene we make."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

TABLES = (
    "melamine",
    "gingham",
    "planks",
    "kraft",
    "mat",
    "newspaper",
    "tiles",
    "dark-cloth",
    "grey",
)
PRESETS = ("easy", "typical", "multi-card", "two-colour", "curled", "hard")

Range = tuple[float, float]


@dataclass(frozen=True)
class SceneOptions:
    """Lengths in mm, angles in degrees. ``*_rate`` counts per 100 mm of line; a Range is drawn from evenly."""

    preset: str = "typical"
    length_mm: float = 430.0
    pieces: int = 1
    aspect: float = 0.7
    darts: int = 4
    dart_half_mm: Range = (0.6, 12.0)
    ragged_mm: float = 0.15
    curves: int = 3
    straights: int = 1
    branches: int = 3
    blobs: int = 1
    polygons: int = 1
    rings: int = 1
    ticks: int = 8
    seam_colour: str | None = None
    seams: int = 0
    ghosts: int = 0
    notes: int = 0
    ink_width_mm: Range = (1.4, 2.2)
    ink_cover: Range = (0.89, 0.975)
    fade: float = 0.06
    gap_rate: float = 0.15
    gap_mm: Range = (0.8, 2.0)
    unclosed: float = 0.4
    end_slip_mm: float = 0.8
    jitter_mm: float = 0.25
    tape_albedo: float = 0.22
    tape_contrast: float = 0.12
    strips: int = 12
    creases: int = 45
    crease_mm: float = 0.16
    dent_mm: float = 0.4
    dimple_mm: float = 0.012
    scrim_mm: float = 0.008
    curl_mm: float = 0.0
    curl_width_mm: float = 45.0
    table: str = "melamine"
    cards: tuple[str, ...] = ("A4",)
    bow_mm: float = 0.0
    tilt_deg: float = 15.0
    focal_35mm: float = 26.0
    k1: float = 0.0
    k2: float = 0.0
    slack: float = 1.08
    glare: float = 0.0
    hand_shadow: bool = False
    clutter: int = 2
    card_covered: bool = False
    noise: float = 1.0
    paper_white: float = 0.7
    orientation: int = 1
    quality: int = 90


def options_for(preset: str, rng: np.random.Generator) -> SceneOptions:
    """Draw one scene's options. Raises ValueError for a preset that is not in ``PRESETS``."""
    if preset not in PRESETS:
        raise ValueError(f"No preset is called {preset!r}; there are {', '.join(PRESETS)}.")
    common = _typical(rng)
    return replace({"typical": _same}.get(preset, _CHANGES.get(preset, _same))(common, rng), preset=preset)


def _typical(rng: np.random.Generator) -> SceneOptions:
    return SceneOptions(
        length_mm=rng.uniform(340, 500),
        aspect=rng.uniform(0.6, 0.8),
        darts=int(rng.integers(3, 7)),
        dart_half_mm=(0.6, rng.choice([5.0, 10.0, 18.0])),
        ragged_mm=rng.uniform(0.12, 0.4),
        curves=int(rng.integers(2, 5)),
        straights=int(rng.integers(0, 3)),
        branches=int(rng.integers(2, 5)),
        blobs=int(rng.integers(0, 3)),
        polygons=int(rng.integers(0, 2)),
        rings=int(rng.integers(0, 3)),
        ticks=int(rng.integers(5, 12)),
        ghosts=int(rng.integers(0, 2)),
        fade=rng.uniform(0.02, 0.08),
        tape_albedo=rng.uniform(0.15, 0.34),
        tape_contrast=rng.uniform(0.03, 0.2),
        strips=int(rng.integers(9, 17)),
        creases=int(rng.integers(30, 60)),
        dent_mm=rng.uniform(0.25, 0.6),
        table=str(rng.choice(TABLES[:-1])),
        tilt_deg=rng.uniform(8, 26),
        focal_35mm=rng.uniform(23.8, 28.2),
        k1=rng.uniform(-0.05, 0.05),
        k2=rng.uniform(-0.02, 0.02),
        slack=rng.uniform(1.02, 1.2),
        hand_shadow=bool(rng.random() < 0.4),
        clutter=int(rng.integers(0, 4)),
        noise=rng.uniform(0.7, 1.2),
        paper_white=rng.uniform(0.5, 0.88),
        orientation=int(rng.choice([1, 1, 1, 3, 6, 8])),
        quality=int(rng.integers(86, 94)),
    )


def _same(common: SceneOptions, rng: np.random.Generator) -> SceneOptions:
    return common


def _easy(common: SceneOptions, rng: np.random.Generator) -> SceneOptions:
    return replace(
        common,
        length_mm=rng.uniform(300, 420),
        darts=int(rng.integers(2, 5)),
        branches=2,
        ticks=5,
        ghosts=0,
        ink_width_mm=(1.7, 2.5),
        ink_cover=(0.94, 0.98),
        fade=0.01,
        gap_rate=0.0,
        unclosed=0.0,
        end_slip_mm=0.2,
        tape_contrast=0.03,
        strips=6,
        creases=18,
        dent_mm=0.15,
        tilt_deg=rng.uniform(5, 13),
        hand_shadow=False,
        clutter=int(rng.integers(0, 2)),
        noise=0.6,
        table=str(rng.choice(["melamine", "planks", "kraft", "mat", "tiles"])),
        cards=("A4",) if rng.random() < 0.6 else ("A4", "small"),
    )


def _multi_card(common: SceneOptions, rng: np.random.Generator) -> SceneOptions:
    sets = [("A4", "A4"), ("A4", "small"), ("small",) * 4, ("A4", "A4", "small", "small"), ("Letter", "small", "small")]
    return replace(common, cards=sets[int(rng.integers(len(sets)))])


def _two_colour(common: SceneOptions, rng: np.random.Generator) -> SceneOptions:
    cards = ("A4",) if rng.random() < 0.5 else ("A4", "A4")
    return replace(common, seam_colour=str(rng.choice(["red", "blue"])), seams=int(rng.integers(2, 4)), cards=cards)


def _curled(common: SceneOptions, rng: np.random.Generator) -> SceneOptions:
    return replace(common, curl_mm=rng.uniform(2.5, 6.0), curl_width_mm=rng.uniform(30, 50), ragged_mm=0.5)


def _hard(common: SceneOptions, rng: np.random.Generator) -> SceneOptions:
    return replace(
        common,
        ink_width_mm=(1.0, 1.6),
        ink_cover=(0.8, 0.94),
        fade=0.09,
        gap_rate=0.4,
        gap_mm=(1.0, 3.5),
        end_slip_mm=1.5,
        ghosts=int(rng.integers(1, 4)),
        notes=int(rng.integers(0, 3)),
        tape_contrast=rng.uniform(0.15, 0.35),
        strips=18,
        creases=90,
        crease_mm=0.3,
        dent_mm=rng.uniform(0.6, 1.0),
        dimple_mm=0.025,
        scrim_mm=0.016,
        tilt_deg=rng.uniform(22, 35),
        glare=rng.uniform(0.5, 1.0),
        hand_shadow=True,
        card_covered=bool(rng.random() < 0.5),
        noise=1.6,
        bow_mm=rng.uniform(0.0, 1.5),
        table=str(rng.choice(TABLES)),
        cards=("A4",) if rng.random() < 0.4 else ("A4", "small"),
    )


_CHANGES = {"easy": _easy, "multi-card": _multi_card, "two-colour": _two_colour, "curled": _curled, "hard": _hard}
