"""The dark cut face behind a shadow as light as the tape, on painted strips whose sides are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from extract.ink.silhouette_face import meeting, with_shadow

STEP_MM = 0.2
ALONG = np.arange(-2.0, 32.0, STEP_MM)
ACROSS = np.arange(-8.0, 8.0 + 1e-6, STEP_MM)
TRUE = np.array([[-2.4, 0.1], [2.4, -0.1]])
"""Sides of a cut 4.8 mm wide at its base and 24 mm deep."""
SHADOW_MM = 0.8


def strip(face_drop: float, crease_drop: float = 0.0) -> np.ndarray:
    """CIE L*a*b* of tape at 55, table at 85 from SHADOW_MM inside the left side on, and the dark face on that side."""
    fine = np.arange(ACROSS[0] - 0.1, ACROSS[-1] + 0.1, 0.02)
    left, right = (side[0] + side[1] * ALONG[:, None] for side in TRUE)
    open_here = right > left
    light = np.where((fine > left + SHADOW_MM) & (fine < right), 85.0, 55.0)
    light = np.where(open_here & (np.abs(fine - left) < 0.15), 55.0 - face_drop, light)
    light = np.where(np.abs(fine - left + 3.0) < 0.15, 55.0 - crease_drop, light)
    light = gaussian_filter(light, (0, 0.2 / 0.02))
    seen = np.stack([np.interp(ACROSS, fine, row) for row in light])
    noise = np.random.default_rng(5).normal(0, 1.0, (*seen.shape, 3))
    return (np.stack([seen, 0 * seen, 0 * seen], axis=-1) + noise).astype(np.float32)


def lit_wedge() -> np.ndarray:
    return TRUE + np.array([[SHADOW_MM, 0.0], [0.0, 0.0]])


def test_the_side_behind_a_shadow_is_put_on_the_cut_face() -> None:
    assert meeting(TRUE) == pytest.approx(24.0)
    assert meeting(lit_wedge()) == pytest.approx(20.0)
    found = with_shadow(strip(12.0), ALONG, ACROSS, lit_wedge())
    far = np.array([8.0, 18.0])
    assert found[0, 0] + found[0, 1] * far == pytest.approx(TRUE[0, 0] + TRUE[0, 1] * far, abs=0.15)
    assert found[1] == pytest.approx(TRUE[1])
    assert meeting(found) == pytest.approx(24.0, abs=1.5)


@pytest.mark.parametrize(("face_drop", "crease_drop"), [(0.0, 0.0), (12.0, 12.0)], ids=("no line", "a crease as dark"))
def test_without_a_plain_face_the_sides_stay(face_drop: float, crease_drop: float) -> None:
    """A crease as dark, 3 mm beside the cut, says that such lines are nothing special here."""
    assert np.array_equal(with_shadow(strip(face_drop, crease_drop), ALONG, ACROSS, lit_wedge()), lit_wedge())


def test_sides_without_a_shadow_stay() -> None:
    """The dark face lies on the side itself: nearer than a quarter of a millimetre it moves nothing."""
    assert np.array_equal(with_shadow(strip(12.0), ALONG, ACROSS, TRUE), TRUE)
