"""What the camera tests share."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from invented_tables import A4, A4_ONE, FOCAL_PX, SIZE_PX, SMALL, Lying, Phone, Shoot, rigid_residual_mm, shoot

from extract.doors import Array, CardDesign


@dataclass(frozen=True)
class Bench:
    """What the camera tests share."""

    a4: CardDesign = A4
    a4_one: CardDesign = A4_ONE
    small: CardDesign = SMALL
    focal_px: float = FOCAL_PX
    size_px: tuple[int, int] = SIZE_PX
    phone: type[Phone] = Phone
    lying: type[Lying] = Lying
    shoot: Shoot = field(default=shoot)
    rigid_residual_mm: Callable[[Array, Array], Array] = field(default=rigid_residual_mm)


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench()
