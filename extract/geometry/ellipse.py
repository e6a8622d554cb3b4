"""Lengths along ellipses, by Legendre's integral of the second kind (Abramowitz and Stegun 17.2.8)."""

from __future__ import annotations

import numpy as np
from scipy.special import ellipeinc

from extract.doors import Array


def ellipse_ways(p_mm: float, q_mm: float, angle_rad: Array) -> Array:
    """Way along (p cos φ, q sin φ) from φ = 0 to each of ``angle_rad``, past a quarter turn too.

    The speed is √(p² sin²φ + q² cos²φ) = q √(1 − (1 − p²/q²) sin²φ), which is the integrand.
    """
    return np.asarray(q_mm * ellipeinc(angle_rad, 1 - (p_mm / q_mm) ** 2))
