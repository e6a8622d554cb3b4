"""Reading a ruler that lies on the table: how many of its millimetres go into one of the plane frame's.

Graduations are a wave. In a view from straight above its period is the same all along the ruler, so the ruler is where
small windows show the same strong period of about a millimetre, one behind the other; over the ruler's whole length
the period then follows from the phase (Rife & Boorstyn 1974: the frequency of one tone is best read where its Fourier
sum is largest, with an error that falls as the length to the power 3/2). That it is a scale of millimetres shows in
the longer marks at every fifth and tenth of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar

from extract.doors import Array, CannotContinue, FlatView

Image = npt.NDArray[np.float32]

_ADVICE = (
    "Lay a ruler with millimetre marks flat along a side of the card, marks upward and free of glare, both filling the "
    "picture, and photograph them from straight above; or type in what it says of both bars."
)


@dataclass(frozen=True)
class RulerSettings:
    """``per_mm``: graduations looked for in one mm of the plane frame; below lies a page fitted into another's rim
    (0.90), above an office printer never goes. ``window_mm``: wide enough to tell 1 mm from 1/32 in, small enough to
    lie on a narrow ruler. ``least_peak``: a window's strongest period over the median of its neighbours; noise reaches
    14 once in ten thousand windows. ``least_length_mm``: below it the period is no better than a ruler's reading.
    ``least_comb``: strength of periods of 10, 5 and 3⅓ graduations over those between. ``part_mm``: lengths whose
    phases are compared."""

    per_mm: tuple[float, float] = (0.88, 1.06)
    window_mm: float = 24.0
    least_peak: float = 40.0
    least_length_mm: float = 60.0
    least_comb: float = 3.0
    part_mm: float = 10.0


@dataclass(frozen=True, eq=False)
class RulerReading:
    """``per_mm`` graduations of one millimetre in a millimetre of the plane frame, with relative 1 σ ``sd``, between
    ``ends_mm`` (2, 2)."""

    per_mm: float
    sd: float
    ends_mm: Array


@dataclass(frozen=True, eq=False)
class _Window:
    middle_mm: Array
    wave: Array
    """Cycles per mm along x and y."""
    peak: float


def read_ruler(flat: FlatView, settings: RulerSettings | None = None) -> RulerReading:
    """The ruler with the strongest millimetre marks in the view. Raises ``CannotContinue`` where no such scale lies,
    or where evenly spaced lines are no millimetres."""
    settings = settings or RulerSettings()
    grey = _bare(flat)
    row = _best_row(_windows(flat, grey, settings), settings)
    if not row:
        raise CannotContinue("ruler", "No ruler with millimetre marks was found in the photo.", _ADVICE)
    strip = _levelled(flat, grey, row, settings)
    if np.ptp(strip.along_mm) < settings.least_length_mm:
        raise CannotContinue(
            "ruler", f"Only {np.ptp(strip.along_mm):.0f} mm of the ruler's marks can be read.", _ADVICE
        )
    per_mm = _tuned(strip)
    if _comb(strip, per_mm) < settings.least_comb:
        raise CannotContinue(
            "ruler",
            "Evenly spaced lines were found, but no longer marks at every fifth and tenth of them, so they may not be "
            "millimetres.",
            _ADVICE,
        )
    ends = strip.middle_mm + strip.along_mm[[0, -1], None] * strip.direction
    return RulerReading(per_mm, _phase_sd(strip, per_mm, settings) / per_mm, ends)


def _bare(flat: FlatView) -> Image:
    """Grey picture with slow changes taken out; cards and what the photo did not see are flat."""
    grey = cv2.cvtColor(flat.pixels, cv2.COLOR_BGR2GRAY).astype(np.float32)
    hidden = (~flat.valid).astype(np.uint8)
    for outline in flat.card_outlines_mm:
        cv2.fillPoly(hidden, [np.round(flat.px_from_mm(outline) * 16).astype(np.int32)], 1, shift=4)
    seen = (1 - hidden).astype(np.float32)
    smooth = 4.0 / flat.mm_per_px
    mean = cv2.GaussianBlur(grey * seen, (0, 0), smooth) / np.maximum(cv2.GaussianBlur(seen, (0, 0), smooth), 1e-3)
    return np.asarray((grey - mean) * seen, np.float32)


def _windows(flat: FlatView, grey: Image, settings: RulerSettings) -> list[_Window]:
    """Half overlapping windows that show a strong period."""
    size = round(settings.window_mm / flat.mm_per_px)
    shape = np.hanning(size).astype(np.float32)
    taper = shape[:, None] * shape
    wave = np.stack(np.meshgrid(np.fft.rfftfreq(size, flat.mm_per_px), np.fft.fftfreq(size, flat.mm_per_px)), axis=-1)
    per_mm = np.linalg.norm(wave, axis=2)
    wanted = (per_mm >= settings.per_mm[0] - 0.02) & (per_mm <= settings.per_mm[1] + 0.02)
    around = (per_mm >= 0.6) & (per_mm <= 1.4)
    found = []
    for top in range(0, grey.shape[0] - size + 1, size // 2):
        for left in range(0, grey.shape[1] - size + 1, size // 2):
            power = np.abs(np.fft.rfft2(grey[top : top + size, left : left + size] * taper)) ** 2
            usual = float(np.median(power[around]))
            best = int(power[wanted].argmax())
            peak = float(power[wanted][best]) / max(usual, 1e-6)
            if peak >= settings.least_peak and _stands_alone(power, wave, wave[wanted][best], settings):
                middle = flat.mm_from_px(np.array([left + size / 2, top + size / 2]))
                found.append(_Window(middle, _upward(wave[wanted][best]), peak))
    # a ruler fills some dozens of windows; of more, the weaker ones are another pattern
    return sorted(found, key=lambda window: -window.peak)[:120]


def _stands_alone(power: Array, wave: Array, best: Array, settings: RulerSettings) -> bool:
    """Whether a period is stronger than others in the same direction: a single edge, such as paper's, has them all."""
    per_mm = float(np.linalg.norm(best))
    along, aside = wave @ best / per_mm, wave @ [-best[1], best[0]] / per_mm
    apart = np.abs(np.abs(along) - per_mm)
    beside = (np.abs(aside) <= 2 / settings.window_mm) & (apart >= 3 / settings.window_mm) & (apart <= 0.4)
    return bool(power[beside].max() * settings.least_peak / 4 <= power.reshape(-1)[_index(wave, best)])


def _index(wave: Array, best: Array) -> int:
    return int(np.abs(wave - best).sum(axis=2).argmin())


def _upward(wave: Array) -> Array:
    """The one of the two opposite waves that points right, or down where it points neither way."""
    return wave if wave[0] > 1e-9 or (abs(wave[0]) <= 1e-9 and wave[1] > 0) else -wave


def _best_row(windows: list[_Window], settings: RulerSettings) -> list[_Window]:
    """The windows of one ruler, strongest first: alike in period and direction, one behind the other."""
    best: list[_Window] = []
    for one in windows:
        direction = one.wave / np.linalg.norm(one.wave)
        row = [other for other in windows if _in_row(one, other, direction, settings)]
        along = [float(other.middle_mm @ direction) for other in row]
        long = max(along) - min(along) + settings.window_mm >= settings.least_length_mm
        if long and sum(math.log(w.peak) for w in row) > sum(math.log(w.peak) for w in best):
            best = [one, *(other for other in row if other is not one)]
    return best


def _in_row(one: _Window, other: _Window, direction: Array, settings: RulerSettings) -> bool:
    off = other.middle_mm - one.middle_mm
    aside = abs(float(off[0] * direction[1] - off[1] * direction[0]))
    apart = min(np.linalg.norm(other.wave - one.wave), np.linalg.norm(other.wave + one.wave))
    return aside <= 0.75 * settings.window_mm and bool(apart <= 1.5 / settings.window_mm)


@dataclass(frozen=True, eq=False)
class _Strip:
    """A ruler turned level: ``light`` (rows across, columns along), where rows and columns lie along and across its
    ``direction`` from ``middle_mm``, its period so far, and how much each row says of the marks (rows,)."""

    light: Image
    along_mm: Array
    across_mm: Array
    middle_mm: Array
    direction: Array
    per_mm: float
    weights: Array


def _levelled(flat: FlatView, grey: Image, row: list[_Window], settings: RulerSettings) -> _Strip:
    """The strip along the ruler, cut to where its marks can be read. Marks stand square on a ruler, but they are too
    short to tell its direction well; the band they fill is as long as the ruler and tells it."""
    middles = np.array([window.middle_mm for window in row])
    per_mm = float(np.linalg.norm(row[0].wave))
    direction, middle = row[0].wave / per_mm, middles.mean(axis=0)
    reach = float(np.abs((middles - middle) @ direction).max()) + settings.window_mm
    for round_ in range(3):
        side = np.array([-direction[1], direction[0]])
        along = np.arange(-reach, reach, flat.mm_per_px)
        across = np.arange(-settings.window_mm / 2, settings.window_mm / 2, flat.mm_per_px)
        at = middle + along[None, :, None] * direction + across[:, None, None] * side
        place = flat.px_from_mm(at.reshape(-1, 2)).reshape(at.shape).astype(np.float32)
        light = np.asarray(cv2.remap(grey, place[..., 0], place[..., 1], cv2.INTER_CUBIC, borderValue=0), np.float32)
        band = _band(light, along, per_mm, settings)
        readable = _longest(band.sum(axis=0) > 0.25 * np.percentile(band.sum(axis=0), 80))
        heights = across @ band[:, readable] / band[:, readable].sum(axis=0)
        if round_ < 2:
            slope, offset = np.polyfit(along[readable], heights, 1)
            middle = middle + offset * side
            direction = (direction + slope * side) / math.hypot(1, slope)
    weights = band[:, readable].sum(axis=1)
    return _Strip(light[:, readable], along[readable], across, middle, direction, per_mm, weights / weights.max())


def _band(light: Image, along: Array, per_mm: float, settings: RulerSettings) -> Array:
    """Power of the marks' wave at every place of the strip, less that of the ground."""
    level = light * np.exp(-2j * np.pi * along * per_mm)
    smooth = settings.part_mm / 3 / float(along[1] - along[0])
    parts = [
        cv2.GaussianBlur(np.ascontiguousarray(part), (0, 0), smooth, sigmaY=0.5) for part in (level.real, level.imag)
    ]
    power = np.square(parts).sum(axis=0)
    return np.asarray(np.maximum(power - 4 * np.median(power, axis=0), 0.0) + 1e-9, float)


def _longest(readable: npt.NDArray[np.bool_]) -> slice:
    """The longest run of True."""
    edges = np.flatnonzero(np.diff(np.r_[0, readable.astype(int), 0])).reshape(-1, 2)
    start, stop = edges[np.ptp(edges, axis=1).argmax()]
    return slice(int(start), int(stop))


def _tuned(strip: _Strip) -> float:
    """The graduations per mm at which the Fourier sum of all rows is largest."""
    line = strip.weights @ strip.light * np.hanning(len(strip.along_mm))

    def strength(per_mm: float) -> float:
        return -abs(complex(line @ np.exp(-2j * np.pi * strip.along_mm * per_mm)))

    step = 0.25 / float(np.ptp(strip.along_mm))
    start = min(strip.per_mm + np.arange(-0.04, 0.04, step), key=strength)
    return float(minimize_scalar(strength, bounds=(start - step, start + step), options={"xatol": 1e-8}).x)


def _comb(strip: _Strip, per_mm: float) -> float:
    """Strength of the waves that longer marks at every fifth and tenth make, over that of the waves between."""
    taper = np.hanning(len(strip.along_mm))

    def power(shares: tuple[float, ...]) -> float:
        waves = np.exp(-2j * np.pi * strip.along_mm[:, None] * per_mm * np.array(shares))
        return float((np.abs(strip.light @ (taper[:, None] * waves)) ** 2).mean())

    return power((0.2, 0.3, 0.4, 0.6)) / max(power((0.25, 0.35, 0.45, 0.55)), 1e-9)


def _phase_sd(strip: _Strip, per_mm: float, settings: RulerSettings) -> float:
    """1 σ of the graduations per mm, from how far the phases of parts of the ruler stray from one straight line."""
    level = strip.weights @ strip.light * np.exp(-2j * np.pi * strip.along_mm * per_mm)
    parts = np.array_split(np.arange(len(level)), max(5, round(np.ptp(strip.along_mm) / settings.part_mm)))
    sums = np.array([level[part].sum() for part in parts])
    at = np.array([strip.along_mm[part].mean() for part in parts])
    stray = np.angle(sums * np.exp(-1j * np.angle(sums.sum()))) / (2 * np.pi)
    left = stray - np.polyval(np.polyfit(at, stray, 1), at)
    spread = math.sqrt(float((left**2).sum()) / (len(parts) - 2))
    return max(spread / math.sqrt(float(((at - at.mean()) ** 2).sum())), 1e-5)
