"""The least-squares core of the solve: every chess corner of every photo at once.

Unknowns are, photo by photo, the eleven numbers of ``extract.camera.project``; for every card its place on the table
(x, y, angle; fixed for the card that fixes the frame), how its paper bulges (three heights) and how high it lies as a
whole; for every family of cards how its printer stretches x and y. Observations are chess corners and, weakly, what is
known of phone cameras, of paper and of printers beforehand.

No photo shows the common scale of all that is printed, so it is held at what is known of it, and its doubt is kept
apart (``Paper.scale_sd``): the covariance is that of everything else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.spatial.transform import Rotation

from extract.camera.paper import Sheet
from extract.camera.project import PARAMETERS, parameter_jacobian, px_from_table
from extract.doors import Array, Lens, Mask, PlaneCamera

Key = tuple[int, int]
"""A card: (number, family order), so that keys sort the way the frame is chosen."""

HUBER = 2.5
"""Residuals beyond this many σ count linearly (Huber 1964); at 2.5 good corners lose one per cent of efficiency."""


@dataclass(frozen=True, eq=False)
class Sight:
    """One card in one photo: corners as printed (expected stretch included) and as seen, and where on the paper."""

    photo: int
    card: Key
    corners_mm: Array
    corners_px: Array
    sheet: Sheet
    sd_px: float

    def only(self, chosen: Mask) -> Sight:
        """Some of the corners."""
        return replace(
            self,
            corners_mm=self.corners_mm[chosen],
            corners_px=self.corners_px[chosen],
            sheet=self.sheet.only(chosen),
        )


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known of a photo's lens beforehand: expected (focal, k1, k2, centre x, centre y) and 1 σ of each."""

    expected: Array
    sd: Array


@dataclass(frozen=True, eq=False)
class Lie:
    """How one card is expected to lie: its three bulges and its mean height above a flat card (4,) mm, 1 σ of each."""

    expected: Array
    sd: Array


@dataclass(frozen=True, eq=False)
class Paper:
    """What is known of the cards' paper beforehand: how each card lies, and the covariance (2F, 2F) of the shares of a
    length by which the printer may stretch x and y of each of ``families`` beyond what was expected."""

    lies: dict[Key, Lie]
    families: tuple[int, ...]
    stretch_covariance: Array

    def loosened(self, times: float) -> Paper:
        """The same with every card allowed to lie that much less flat."""
        return replace(self, lies={key: Lie(lie.expected, lie.sd * times) for key, lie in self.lies.items()})

    def of(self, families: tuple[int, ...]) -> Array:
        """Covariance of some of the families."""
        at = [2 * self.families.index(family) + axis for family in families for axis in (0, 1)]
        return self.stretch_covariance[np.ix_(at, at)]

    def scale_sd(self) -> float:
        """1 σ of the scale common to all cards: the mean weighted by what is known of each stretch."""
        return float(np.linalg.inv(self.stretch_covariance).sum() ** -0.5)


@dataclass(frozen=True, eq=False)
class Table:
    """A state of the solve: ``places`` gives (x_mm, y_mm, angle_rad, three bulges and mean height in mm) of every card,
    ``stretches`` the relative stretch (x, y) of every family beyond the expected; none is zero."""

    cameras: tuple[PlaneCamera, ...]
    places: dict[Key, Array]
    stretches: dict[int, Array] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Solved:
    table: Table
    covariance: Array
    residuals_px: tuple[Array, ...]
    cost: float
    freedom: float
    """Share of the observations that the unknowns did not use up."""


_LENS_COLUMNS = [0, 1, 2, 9, 10]
_LENS = len(_LENS_COLUMNS)
_CARD = 7
_FAMILY = 2

MOST_STEPS, MOST_DAMPING = 100, 1e8
"""Far more than any solvable table takes; a solve that needs them has no bottom to find."""

SCALE_HELD = 1e-5
"""How tightly the common scale is held: a hundredth of what the best ruler knows of it."""


@dataclass(frozen=True)
class _Columns:
    """Where each unknown stands in the unknown vector: cameras, then cards, then families."""

    cameras: int
    keys: tuple[Key, ...]
    families: tuple[int, ...]

    @property
    def first_card(self) -> int:
        return PARAMETERS * self.cameras

    @property
    def first_family(self) -> int:
        return self.first_card + _CARD * len(self.keys)

    @property
    def size(self) -> int:
        return self.first_family + _FAMILY * len(self.families)

    def card(self, key: Key) -> slice:
        first = self.first_card + _CARD * self.keys.index(key)
        return slice(first, first + _CARD)

    def family(self, key: Key) -> slice:
        first = self.first_family + _FAMILY * self.families.index(key[1])
        return slice(first, first + _FAMILY)


def _columns(table: Table) -> _Columns:
    keys = tuple(sorted(table.places))
    return _Columns(len(table.cameras), keys, tuple(sorted({family for _, family in keys})))


def adjust(sights: tuple[Sight, ...], priors: tuple[Prior, ...], start: Table, frame: Key, paper: Paper) -> Solved:
    """The most likely table. ``covariance`` is of the whole unknown vector, cameras first."""
    columns = _columns(start)
    free = np.setdiff1d(np.arange(columns.size), columns.card(frame).start + np.arange(3))

    def unpack(step: Array) -> tuple[Table, Array]:
        whole = np.zeros(columns.size)
        whole[free] = step
        cameras = tuple(moved(c, whole[PARAMETERS * i : PARAMETERS * (i + 1)]) for i, c in enumerate(start.cameras))
        places = {key: start.places[key] + whole[columns.card(key)] for key in columns.keys}
        stretches = {
            key[1]: start.stretches.get(key[1], np.zeros(2)) + whole[columns.family(key)] for key in columns.keys
        }
        return Table(cameras, places, stretches), whole

    def residuals(step: Array) -> Array:
        return _residuals(unpack(step)[0], sights, priors, columns, paper)

    def jacobian(step: Array) -> Array:
        table, whole = unpack(step)
        rows = [_sight_rows(table, sight, columns, whole) for sight in sights]
        return np.vstack([*rows, prior_rows(priors, columns, paper)])[:, free]

    fit = _fitted(residuals, jacobian, len(free))
    table, _ = unpack(fit.x)
    misses = tuple(missed_px(table, sight) for sight in sights)
    weak = _LENS * len(priors) + 4 * len(columns.keys) + _FAMILY * len(columns.families)
    return Solved(table, _covariance(fit), misses, float(fit.cost), _freedom(sights, len(free) - weak))


def _residuals(
    table: Table, sights: tuple[Sight, ...], priors: tuple[Prior, ...], columns: _Columns, paper: Paper
) -> Array:
    """In units of their σ: corners, lenses, how the cards lie, stretches."""
    seen = [(missed_px(table, sight) / sight.sd_px).ravel() for sight in sights]
    lies = [(table.places[key][3:] - paper.lies[key].expected) / paper.lies[key].sd for key in columns.keys]
    stretches = np.concatenate([table.stretches[family] for family in columns.families])
    return np.concatenate([*seen, _lens_residuals(table, priors), *lies, _stretch_forms(columns, paper) @ stretches])


def information(sights: tuple[Sight, ...], priors: tuple[Prior, ...], table: Table, frame: Key, paper: Paper) -> Array:
    """Fisher information (K, K) of all unknowns at ``table``, cameras first, those that fix the frame left out."""
    columns = _columns(table)
    free = np.setdiff1d(np.arange(columns.size), columns.card(frame).start + np.arange(3))
    rows = [_sight_rows(table, sight, columns, np.zeros(columns.size)) for sight in sights]
    known = np.vstack([*rows, prior_rows(priors, columns, paper)])[:, free]
    return np.asarray(known.T @ known, float)


def _freedom(sights: tuple[Sight, ...], unknowns: int) -> float:
    return max(0.1, 1 - unknowns / sum(sight.corners_px.size for sight in sights))


@dataclass(frozen=True, eq=False)
class _Fit:
    """``x`` the unknowns, ``fun`` the residuals there, ``jac`` their derivatives."""

    x: Array
    fun: Array
    jac: Array
    cost: float


def _fitted(residuals: Callable[[Array], Array], jacobian: Callable[[Array], Array], size: int) -> _Fit:
    """Least sum of Huber's losses from zero: Levenberg & Marquardt's damping over reweighted normal equations
    (Triggs et al., Bundle Adjustment – A Modern Synthesis, 2000, sec. 4.3 and 9). SciPy's solver starts with a trust
    region of 1 σ when it starts from zero and spends four fifths of its steps on widening it."""
    x, damping = np.zeros(size), 1e-3
    fun = residuals(x)
    jac, cost = jacobian(x), _huber_cost(fun)
    for _ in range(MOST_STEPS):
        weighted = jac * _huber_weights(fun)[:, None]
        normal, pull = weighted.T @ jac, weighted.T @ fun
        scale = 1 / np.sqrt(np.diag(normal))
        scaled = normal * np.outer(scale, scale)
        step = -scale * np.linalg.solve(scaled + damping * np.eye(size), scale * pull)
        tried = residuals(x + step)
        tried_cost = _huber_cost(tried) if np.isfinite(tried).all() else np.inf
        if tried_cost >= cost:
            # at the bottom rounding alone decides whether a step still gains
            if damping > MOST_DAMPING or abs(step @ pull) < 1e-9 * cost:
                break
            damping = max(10 * damping, 1e-6)
            continue
        gain = (cost - tried_cost) / cost
        x, fun, cost, damping = x + step, tried, tried_cost, damping / 10
        jac = jacobian(x)
        if gain < 1e-9:
            break
    return _Fit(x, fun, jac, cost)


def _huber_weights(fun: Array) -> Array:
    return np.asarray(np.minimum(1.0, HUBER / np.maximum(np.abs(fun), 1e-12)), float)


def _huber_cost(fun: Array) -> float:
    size = np.abs(fun)
    return float(np.where(size <= HUBER, size**2 / 2, HUBER * (size - HUBER / 2)).sum())


def _covariance(fit: _Fit) -> Array:
    """Inverse of JᵀWJ with the robust weights, widened where residuals exceed the stated noise."""
    redundancy = max(1, len(fit.fun) - len(fit.x))
    weights = _huber_weights(fit.fun)
    excess = max(1.0, float((weights * fit.fun**2).sum()) / redundancy)
    weighted = fit.jac * np.sqrt(weights)[:, None]
    scale = 1 / np.linalg.norm(weighted, axis=0)
    normal = (weighted * scale).T @ (weighted * scale)
    return np.asarray(excess * np.linalg.inv(normal) * np.outer(scale, scale), float)


def moved(camera: PlaneCamera, step: Array) -> PlaneCamera:
    """The camera after a step of its eleven numbers."""
    lens = camera.lens
    focal, k1, k2 = lens.focal_px + step[0], lens.k1 + step[1], lens.k2 + step[2]
    centre = (lens.centre_px[0] + step[9], lens.centre_px[1] + step[10])
    turned = Rotation.from_rotvec(step[3:6]).as_matrix() @ camera.rotation
    return replace(
        camera,
        lens=Lens(float(focal), (float(centre[0]), float(centre[1])), float(k1), float(k2)),
        rotation=turned,
        shift_mm=camera.shift_mm + step[6:9],
    )


def placed(printed: Array, sheet: Sheet, place: Array) -> Array:
    """(N, 3) card corners on the table."""
    cos, sin = np.cos(place[2]), np.sin(place[2])
    flat = printed + sheet.drawn_in(place[3:6])
    heights = sheet.heights(place[3:6]) + place[6]
    return np.column_stack([flat @ np.array([[cos, sin], [-sin, cos]]) + place[:2], -heights])


def missed_px(table: Table, sight: Sight) -> Array:
    """(N, 2) where the table would have the corners, less where they were seen."""
    points = placed(printed_mm(table, sight), sight.sheet, table.places[sight.card])
    return px_from_table(table.cameras[sight.photo], points) - sight.corners_px


def risen_px(table: Table, sight: Sight) -> Array:
    """(N, 2) how far the corners move in the picture when the paper stands one millimetre higher there."""
    points = placed(printed_mm(table, sight), sight.sheet, table.places[sight.card])
    return -parameter_jacobian(table.cameras[sight.photo], points)[1][:, :, 2]


def printed_mm(table: Table, sight: Sight) -> Array:
    """(N, 2) corners as the family's printer put them."""
    return sight.corners_mm * (1 + table.stretches.get(sight.card[1], np.zeros(2)))


def card_jacobian(camera: PlaneCamera, printed: Array, sheet: Sheet, place: Array) -> tuple[Array, Array, Array]:
    """How a card's pixels move, x and y in turn: (2N, 11) with the camera, (2N, 7) with the card's place, (2N, 2) with
    its stretch."""
    by_camera, by_point = parameter_jacobian(camera, placed(printed, sheet, place))
    cos, sin = np.cos(place[2]), np.sin(place[2])
    across = by_point[:, :, :2] @ np.array([[cos, -sin], [sin, cos]])
    swing = (printed + sheet.drawn_in(place[3:6])) @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    by_card = np.empty((len(printed), 2, _CARD))
    by_card[:, :, :2] = by_point[:, :, :2]
    by_card[:, :, 2] = np.einsum("nij,nj->ni", across, swing)
    by_card[:, :, 3:6] = across @ sheet.drawn_in_jacobian(place[3:6]) - by_point[:, :, 2:] * sheet.forms()[:, None, :]
    by_card[:, :, 6] = -by_point[:, :, 2]
    by_stretch = across * printed[:, None, :]
    return by_camera.reshape(-1, PARAMETERS), by_card.reshape(-1, _CARD), by_stretch.reshape(-1, _FAMILY)


def _sight_rows(table: Table, sight: Sight, columns: _Columns, step: Array) -> Array:
    camera, place = table.cameras[sight.photo], table.places[sight.card]
    by_camera, by_card, by_stretch = card_jacobian(camera, printed_mm(table, sight), sight.sheet, place)
    first = PARAMETERS * sight.photo
    by_camera[:, 3:6] = by_camera[:, 3:6] @ _left_jacobian(step[first + 3 : first + 6])
    rows = np.zeros((len(by_camera), len(step)))
    rows[:, first : first + PARAMETERS] = by_camera
    rows[:, columns.card(sight.card)] = by_card
    rows[:, columns.family(sight.card)] = by_stretch
    return rows / sight.sd_px


def _left_jacobian(turn: Array) -> Array:
    """exp(turn + d) = exp(J d) exp(turn) to first order in d (Barfoot, State Estimation for Robotics, eq. 7.77b)."""
    angle = float(np.linalg.norm(turn))
    x, y, z = turn
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    if angle < 1e-6:
        return np.eye(3) + cross / 2
    first, second = (1 - np.cos(angle)) / angle**2, (angle - np.sin(angle)) / angle**3
    return np.asarray(np.eye(3) + first * cross + second * cross @ cross, float)


def _lens_residuals(table: Table, priors: tuple[Prior, ...]) -> Array:
    lenses = [
        np.array([camera.lens.focal_px, camera.lens.k1, camera.lens.k2, *camera.lens.centre_px])
        for camera in table.cameras
    ]
    return np.concatenate([(lens - prior.expected) / prior.sd for lens, prior in zip(lenses, priors, strict=True)])


def _stretch_forms(columns: _Columns, paper: Paper) -> Array:
    """(2F + 1, 2F) rows that weigh the families' stretches by what is known of them, and hold their mean, weighted
    alike, fast. So weighted, the mean is independent of the differences, which are all that a photo shows."""
    covariance = paper.of(columns.families)
    known = np.linalg.inv(covariance)
    mean = known.sum(axis=0) / known.sum()
    return np.vstack([np.linalg.inv(np.linalg.cholesky(covariance)), mean / SCALE_HELD])


def prior_rows(priors: tuple[Prior, ...], columns: _Columns, paper: Paper) -> Array:
    """Derivatives of what is known beforehand: lenses, how the cards lie, stretches."""
    lenses = np.zeros((_LENS * len(priors), columns.size))
    for i, prior in enumerate(priors):
        for j, column in enumerate(_LENS_COLUMNS):
            lenses[_LENS * i + j, PARAMETERS * i + column] = 1 / prior.sd[j]
    lies = np.zeros((4 * len(columns.keys), columns.size))
    for i, key in enumerate(columns.keys):
        lies[4 * i : 4 * i + 4, columns.card(key)][:, 3:] = np.diag(1 / paper.lies[key].sd)
    forms = _stretch_forms(columns, paper)
    stretches = np.zeros((len(forms), columns.size))
    stretches[:, columns.first_family :] = forms
    return np.vstack([lenses, lies, stretches])
