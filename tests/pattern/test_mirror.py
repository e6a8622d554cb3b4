"""Mirror images and symmetry, measured with shapely and an optimiser of scipy's that knows nothing of ours."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from extract.build import Build, Detail, Edge, Hole, Piece, Run, Seam
from extract.doors import Array, CannotContinue, Curve
from extract.geometry.arc import joint_turnings, split_at
from extract.geometry.curve import circle_curve, curve_length, curve_points, polyline_curve, reversed_curve
from extract.geometry.mirror import mirrored_piece, reflection, upright_mirror
from extract.geometry.runs import outline_of, shape_of
from extract.geometry.symmetry import Axis, best_axis, straying
from extract.pattern.mirror import asymmetry_map
from extract.steps import apply


def piece_of(corners: list[tuple[float, float]], id_: str = "p1", **said: Any) -> Piece:
    points = np.array([*corners, corners[0]], float)
    edges = tuple(Edge("abcdefghijk"[k], polyline_curve(points[k : k + 2])) for k in range(len(corners)))
    return replace(Piece(id_, id_[1:], edges), **said)


def cubic(*points: tuple[float, float]) -> Curve:
    return Curve(np.array([points], float), np.array([False]), False)


def half_wing(tilt: float = 0.0) -> Piece:
    """A half whose straight edge "a" lies on x = 0, walked upwards; its ends leave square, or ``tilt`` mm off."""
    top, bottom = (0.0, -50.0), (0.0, 40.0)
    return Piece(
        "p1",
        "wing",
        (
            Edge("a", polyline_curve(np.array([bottom, top]))),
            Edge("b", cubic(top, (25, -50 + tilt), (60, -40), (70, -10))),
            Edge("c", cubic((70, -10), (60, 30), (30, 40), bottom)),
        ),
        holes=(Hole("h1", reversed_curve(circle_curve((30, -5), 6))),),
        details=(
            Detail("d1", "score", polyline_curve(np.array([(10.0, -30.0), (50.0, -20.0)])), "fold"),
            Detail("d2", "reference", polyline_curve(np.array([(0.0, -20.0), (0.0, 20.0)]))),
        ),
    )


def blob(seed: int, noise: float, angle: float, at: tuple[float, float]) -> tuple[Curve, float]:
    """A smooth shape, symmetrical but for ``noise`` in mm, with its axis at ``angle``."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    radius = 60 + sum(rng.normal(0, 7) * np.cos(n * t) for n in range(1, 6))
    radius = radius + noise * np.sin(3 * t + rng.uniform(0, 6))
    points = np.c_[1.2 * radius * np.cos(t), radius * np.sin(t)]
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return polyline_curve(points @ turn.T + at, closed=True), angle % np.pi


def did(build: Build, step: str, **answers: Any) -> tuple[Build, dict[str, tuple[float | None, float | None]]]:
    outcome = apply(build, step, answers)
    return outcome.build, {figure.what: (figure.before, figure.after) for figure in outcome.figures}


def mirrored_by_shapely(shape: shapely.Geometry, x: float) -> shapely.Geometry:
    return shapely.affinity.scale(shape, xfact=-1, origin=(x, 0))


coordinate = st.floats(-300, 300)


@given(
    st.lists(st.tuples(coordinate, coordinate), min_size=3, max_size=7, unique=True), coordinate, coordinate, coordinate
)
@hypothesis_settings(max_examples=60, deadline=None)
def test_mirrored_twice_is_what_it_was(points: list[tuple[float, float]], x: float, y: float, angle: float) -> None:
    piece = piece_of(points, forward_deg=30.0, holes=(Hole("h1", circle_curve((x, y), 5)),))
    for matrix in (upright_mirror(x), reflection((x, y), angle)):
        twice = mirrored_piece(mirrored_piece(piece, matrix), matrix)
        assert [edge.id for edge in twice.edges] == [edge.id for edge in piece.edges]
        curves, back = ([*(e.curve for e in p.edges), *(h.curve for h in p.holes)] for p in (piece, twice))
        for a, b in zip(curves, back, strict=True):
            np.testing.assert_allclose(a.controls, b.controls, rtol=0, atol=1e-9)
        assert twice.forward_deg == pytest.approx(30.0)


def test_a_mirror_image_turns_the_same_way_round_and_keeps_its_size() -> None:
    piece = half_wing()
    image = mirrored_piece(piece, upright_mirror(100.0))
    assert [edge.id for edge in image.edges] == ["a", "c", "b"]
    assert (
        shapely.LinearRing(curve_points(outline_of(image))).is_ccw
        == shapely.LinearRing(curve_points(outline_of(piece))).is_ccw
    )
    apart = mirrored_by_shapely(shape_of(piece), 100).symmetric_difference(shape_of(image))
    assert apart.area == pytest.approx(0, abs=1e-6)


def test_mirror_adds_a_piece_of_its_own() -> None:
    build, figures = did(Build("x", (half_wing(),)), "mirror", piece="p1")
    assert [(p.id, p.name) for p in build.pieces] == [("p1", "wing"), ("p2", "wing mirrored")]
    before, after = figures["area"]
    assert before == pytest.approx(after, rel=1e-9)
    assert not shape_of(build.pieces[0]).intersects(shape_of(build.pieces[1]))


def test_a_half_unfolds_into_a_whole() -> None:
    """Area, holes and outline against shapely's union of the half and its mirror image."""
    half = half_wing()
    seams = (Seam(1, Run("p1", ("a",)), Run("p2", ("a",))), Seam(2, Run("p1", ("b",)), Run("p2", ("b",))))
    build = Build("x", (half, piece_of([(200, 0), (300, 0), (250, 80)], "p2")), seams)
    after, figures = did(build, "unfold", edges="p1:a")
    whole = after.pieces[0]
    wanted = shape_of(half).union(mirrored_by_shapely(shape_of(half), 0))
    assert shape_of(whole).symmetric_difference(wanted).area < 0.01
    assert whole.copies == "centre" and len(whole.holes) == 2
    assert figures["area"][1] == pytest.approx(2 * figures["area"][0], rel=1e-9)  # type: ignore[operator]
    assert [edge.id for edge in whole.edges] == ["b", "c", "d", "e"]
    assert [seam.number for seam in after.seams] == [2]
    uses = [(d.use, round(float(curve_points(d.curve)[:, 0].mean()))) for d in whole.details]
    assert uses == [("score", 30), ("reference", 0), ("score", -30), ("centre", 0)]
    assert shape_of(whole).is_valid


@pytest.mark.parametrize("tilt", [0.0, 2.0, 5.0, -5.0])
def test_the_whole_is_smooth_where_the_half_was_nearly_square(tilt: float) -> None:
    whole = did(Build("x", (half_wing(tilt),)), "unfold", edges="p1:a")[0].pieces[0]
    turns = np.degrees(np.abs(joint_turnings(outline_of(whole))))
    ends = curve_points(outline_of(whole))
    assert turns[np.argmin(np.abs(outline_of(whole).controls[:, 3] - [0, -50]).sum(axis=1))] < 1e-6
    np.testing.assert_allclose(ends[:, 0].min(), -ends[:, 0].max(), atol=1e-9)


def test_a_point_stays_a_point() -> None:
    """40 mm over 25 mm is 58° off square: meant, so it is left."""
    whole = did(Build("x", (half_wing(40.0),)), "unfold", edges="p1:a")[0].pieces[0]
    turns = np.degrees(np.abs(joint_turnings(outline_of(whole))))
    assert turns.max() == pytest.approx(2 * np.degrees(np.arctan2(40, 25)), abs=1e-6)


def test_an_edge_that_is_no_centre_line_is_refused() -> None:
    build = Build("x", (half_wing(),))
    with pytest.raises(CannotContinue, match="no centre line"):
        apply(build, "unfold", {"edges": "p1:b"})
    with pytest.raises(CannotContinue):
        apply(build, "unfold", {"edges": "p1:a+b+c"})


@pytest.mark.parametrize("seed", range(6))
def test_the_axis_of_a_symmetrical_shape_is_found(seed: int) -> None:
    angle = np.random.default_rng(seed).uniform(0, np.pi)
    outline, true = blob(seed, 0.0, angle, (300.0, 120.0))
    axis = best_axis(outline)
    turn = (axis.angle_rad - true + np.pi / 2) % np.pi - np.pi / 2
    assert abs(np.degrees(turn)) < 1e-6
    assert abs(axis.offsets(np.array([[300.0, 120.0]]))[0]) < 1e-6
    assert np.abs(straying(outline, axis)[1]).max() < 1e-6


@pytest.mark.parametrize("seed", range(4))
def test_the_axis_of_an_uneven_shape_is_as_good_as_scipy_finds(seed: int) -> None:
    """Nelder–Mead over angle and offset, distances by shapely, from 12 starts: no better axis turns up."""
    outline, _ = blob(seed, 1.5, 0.4 * seed, (50.0, -20.0))
    points = curve_points(outline)
    ring = shapely.LinearRing(points)
    even = np.array([ring.interpolate(s, normalized=True).coords[0] for s in np.linspace(0, 1, 200, endpoint=False)])
    middle = even.mean(axis=0)

    def cost(unknown: Array) -> float:
        angle, offset = unknown
        way = np.array([np.cos(angle), np.sin(angle)])
        away = even - middle - offset * np.array([-way[1], way[0]])
        image = even - 2 * np.outer(away @ [-way[1], way[0]], [-way[1], way[0]])
        return float(np.square(shapely.distance(shapely.points(image), ring)).mean())

    starts = [np.array([np.pi * k / 12, 0.0]) for k in range(12)]
    options = {"xatol": 1e-5, "fatol": 1e-9, "maxiter": 120}
    best = min(minimize(cost, s, method="Nelder-Mead", options=options).fun for s in sorted(starts, key=cost)[:3])
    axis = best_axis(outline)
    mine = cost(np.array([axis.angle_rad, float(-axis.offsets(middle[None])[0])]))
    assert mine <= best * 1.002


def test_the_map_of_asymmetry_shows_the_bump() -> None:
    """A 100 × 60 mm rectangle with 2 mm more on the right of its upper edge."""
    corners = [(-50.0, -30.0), (0.0, -30.0), (0.001, -32.0), (50.0, -32.0), (50.0, 30.0), (-50.0, 30.0)]
    piece = piece_of(corners, details=(Detail("d1", "centre", polyline_curve(np.array([(0.0, -40.0), (0.0, 40.0)]))),))
    points, gap = straying(outline_of(piece), Axis(np.zeros(2), np.pi / 2))
    top_right = (points[:, 1] < -30) & (points[:, 0] > 3) & (points[:, 0] < 48)
    top_left = (points[:, 1] < -29.9) & (points[:, 0] < -3) & (points[:, 0] > -48)
    np.testing.assert_allclose(gap[top_right], 2.0, atol=1e-6)
    np.testing.assert_allclose(gap[top_left], -2.0, atol=1e-6)
    outcome = apply(Build("x", (piece,)), "symmetry", {"piece": "p1", "line": "d1"})
    told = {(f.what, f.where): f.after for f in outcome.figures}
    assert told["halves differ at most by", "p1"] == pytest.approx(2.0)
    assert told["sticks out further than the other side by", "p1:c"] == pytest.approx(2.0)
    assert told["sticks out further than the other side by", "p1:a"] == pytest.approx(-2.0)
    assert outcome.build.pieces[0] is piece
    shown = asymmetry_map(Build("x", (piece,)), "p1", "d1")
    assert shown["most"] == pytest.approx(2.0) and max(shown["by"]) == pytest.approx(2.0)
    assert len(shown["points"]) == len(shown["by"]) == 240
    assert np.abs(np.array(shown["axis"])[:, 0]).max() < 1e-9


def uneven() -> Piece:
    """A shield whose right side bulges 3 mm more than its left; its upper edge crosses the axis."""
    return Piece(
        "p1",
        "shield",
        (
            Edge("a", cubic((-40, -50), (-10, -56), (14, -56), (41, -50))),
            Edge("b", cubic((41, -50), (58, -10), (40, 40), (0.2, 70))),
            Edge("c", cubic((0.2, 70), (-40, 40), (-54, -10), (-40, -50))),
        ),
        holes=(
            Hole("h1", reversed_curve(circle_curve((-20, 0), 5))),
            Hole("h2", reversed_curve(circle_curve((21, 1), 5))),
        ),
    )


@pytest.mark.parametrize(("keep", "side"), [("left", -1), ("right", 1)])
def test_one_half_is_copied(keep: str, side: int) -> None:
    seams = (Seam(1, Run("p1", ("b",)), Run("p1", ("c",))),)
    after, figures = did(Build("x", (uneven(),), seams), "copy-half", piece="p1", keep=keep)
    piece = after.pieces[0]
    assert [edge.id for edge in piece.edges] == ["a", "b", "c"] and after.seams == seams
    axis = Axis(np.array([figures["axis passes, from the left"][1], figures["axis passes, from above"][1]]),
                np.radians(figures["axis, from right towards down"][1] or 0.0))  # fmt: skip
    old, shape = shape_of(uneven(), 1e-3), shape_of(piece, 1e-3)
    matrix = axis.mirror
    image = shapely.affinity.affine_transform(shape, [*matrix[0, :2], *matrix[1, :2], *matrix[:, 2]])
    assert shape.symmetric_difference(image).area < 0.05
    mask = shapely.box(3, -200, 200, 200) if side > 0 else shapely.box(-200, -200, -3, 200)
    ends = shapely.box(-200, -45, 200, 60)  # near the axis both ends are eased to cross it squarely
    kept = mask.intersection(ends)
    assert old.intersection(kept).symmetric_difference(shape.intersection(kept)).area < 0.1
    assert figures["halves differ at most by"][1] == pytest.approx(0, abs=0.01)
    assert len(piece.holes) == 2


def test_halves_become_their_mean() -> None:
    after, figures = did(Build("x", (uneven(),)), "even-halves", piece="p1")
    piece = after.pieces[0]
    before, now = figures["halves differ at most by"]
    assert before is not None and before > 0.9 and now == pytest.approx(0, abs=0.01)
    copies = [did(Build("x", (uneven(),)), "copy-half", piece="p1", keep=keep)[0] for keep in ("left", "right")]
    areas = [shape_of(build.pieces[0], 1e-3).area for build in copies]
    assert shape_of(piece, 1e-3).area == pytest.approx(np.mean(areas), rel=2e-4)
    assert figures["the outline moved at most by"][1] == pytest.approx(before / 2, abs=0.35)
    assert [edge.id for edge in piece.edges] == ["a", "b", "c"]


def bordered() -> Piece:
    """The shield with its right side parted where a neighbour's line ends; its left side is one edge."""
    whole = uneven()
    upper, lower = split_at(whole.edges[1].curve, [45.0])
    edges = (whole.edges[0], Edge("b", upper), Edge("d", lower), whole.edges[2])
    return replace(whole, edges=edges)


@pytest.mark.parametrize(
    ("step", "more"), [("even-halves", {}), ("copy-half", {"keep": "left"}), ("copy-half", {"keep": "right"})]
)
def test_a_border_on_one_side_only_stays_on_that_side(step: str, more: dict[str, Any]) -> None:
    seams = (Seam(1, Run("p1", ("b",)), Run("p2", ("a",))), Seam(2, Run("p1", ("d",)), Run("p2", ("b",))))
    build = Build("x", (bordered(), piece_of([(200, 0), (300, 0), (250, 80)], "p2")), seams)
    plain = Build("x", (uneven(),))
    after, figures = did(build, step, piece="p1", **more)
    assert [edge.id for edge in after.pieces[0].edges] == ["a", "b", "d", "c"] and after.seams == seams
    assert figures["halves differ at most by"][1] == pytest.approx(0, abs=0.01)
    wanted = shape_of(did(plain, step, piece="p1", **more)[0].pieces[0], 1e-3)
    assert shape_of(after.pieces[0], 1e-3).symmetric_difference(wanted).area < 1e-3 * wanted.length
    parts = [curve_length(edge.curve) for edge in after.pieces[0].edges[1:3]]
    before = [curve_length(edge.curve) for edge in bordered().edges[1:3]]
    assert parts[0] / sum(parts) == pytest.approx(before[0] / sum(before), abs=0.01)


def test_even_halves_stay_as_they_are() -> None:
    whole = did(Build("x", (half_wing(),)), "unfold", edges="p1:a")[0]
    again, figures = did(whole, "even-halves", piece="p1")
    assert figures["the outline moved at most by"][1] == pytest.approx(0, abs=0.01)
    before, now = (shape_of(build.pieces[0], 1e-3) for build in (whole, again))
    assert before.symmetric_difference(now).area < 1e-3 * before.length


def test_a_circle_of_one_edge_has_halves_too() -> None:
    ring = circle_curve((10.0, 20.0), 30.0)
    piece = Piece("p1", "disc", (Edge("a", Curve(ring.controls, ring.straight, False)),))
    line = Detail("d1", "centre", polyline_curve(np.array([(12.0, -20.0), (12.0, 60.0)])))
    build = Build("x", (replace(piece, details=(line,)),))
    after = did(build, "copy-half", piece="p1", keep="left", line="d1")[0]
    assert shape_of(after.pieces[0]).bounds == pytest.approx((-20, -10, 44, 50), abs=0.02)
    assert len(after.pieces[0].edges) == 1


@pytest.mark.parametrize(
    ("step", "answers", "reason"),
    [
        ("copy-half", {"keep": "upper"}, "no upper half"),
        ("copy-half", {"keep": "left", "line": "d9"}, "no line d9"),
        ("even-halves", {"line": "d1"}, "does not part"),
        ("symmetry", {"line": "d2"}, "two different ends"),
    ],
)
def test_what_cannot_be_mirrored_is_refused(step: str, answers: dict[str, Any], reason: str) -> None:
    aside = Detail("d1", "centre", polyline_curve(np.array([(500.0, -20.0), (500.0, 60.0)])))
    ring = Detail("d2", "reference", circle_curve((0, 0), 5))
    build = Build("x", (replace(uneven(), details=(aside, ring)),))
    with pytest.raises(CannotContinue, match=reason):
        apply(build, step, {"piece": "p1", **answers})


def test_halves_with_unlike_corners_have_no_mean() -> None:
    odd = piece_of([(-40, -30), (40, -30), (40, 0), (44, 2), (40, 30), (-40, 30)])
    line = Detail("d1", "centre", polyline_curve(np.array([(0.0, -40.0), (0.0, 40.0)])))
    build = Build("x", (replace(odd, details=(line,)),))
    with pytest.raises(CannotContinue, match="unlike corners"):
        apply(build, "even-halves", {"piece": "p1", "line": "d1"})
    kept = apply(build, "copy-half", {"piece": "p1", "line": "d1", "keep": "right"}).build.pieces[0]
    assert shape_of(kept).bounds == pytest.approx((-44, -30, 44, 30))
    around = 2 * (40 + 30 + 20**0.5 + 800**0.5 + 40)  # Pythagoras
    assert sum(curve_length(edge.curve) for edge in kept.edges) == pytest.approx(around)
