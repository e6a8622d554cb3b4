"""Domes of gores against printed tables, exact ellipses and themselves."""

from __future__ import annotations

from inspect import signature
from math import atan, cos, degrees, pi, radians, sin, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ellipe

from extract.build import Build, Outcome, Stock
from extract.doors import CannotContinue
from extract.geometry.curve import curve_length, curve_points
from extract.geometry.runs import piece_named, run_curve
from extract.shapes.gores import CONVENTIONS, STEPS, Gore, centre_line, dome, gore_edges, gores_of, shown_gores

EMPTY = Build("moth-lantern", stocks=(Stock("foam 6", 6.0), Stock("foam 10", 10.0, 0.6)))


def sphere_gore(radius: float, count: int, convention: str) -> Gore:
    flat = gores_of(2 * radius, 2 * radius, count, convention, True)
    assert all(gore.rim_mm == pytest.approx(flat[0].rim_mm) for gore in flat)
    return flat[0]


def width_at(gore: Gore, height: float, way: float) -> float:
    """Width of the gore ``way`` above its rim, measured on its two seams."""
    left, right = gore_edges(gore, height)[:2]
    sides = [curve_points(edge, 1e-5) for edge in (left, right)]
    xs = [np.interp(way, *zip(*sorted(zip(-points[:, 1], points[:, 0], strict=True)), strict=True)) for points in sides]
    return float(xs[1] - xs[0])


# Widths of a chord gore of an eighteenth, in radii, at steps of 2° from the rim; height 1.5708 radii: printed by
# mathcentral.uregina.ca, QQ.09.08 herman1, to four places.
PRINTED = {0: 0.3473, 1: 0.3471, 2: 0.3465, 43: 0.0242, 44: 0.0121, 45: 0.0}


@pytest.mark.parametrize("step", PRINTED)
def test_a_printed_table_of_eighteen_gores(step: int) -> None:
    gore = sphere_gore(1000.0, 18, "chord")
    assert centre_line(gore, 1000.0) == pytest.approx(1570.8, abs=0.05)
    assert width_at(gore, 1000.0, 1000 * radians(2 * step)) == pytest.approx(1000 * PRINTED[step], abs=0.06)


@pytest.mark.parametrize(("way_deg", "width"), [(0, 10.0), (45, 7.07), (67.5, 3.83)])
def test_a_printed_gore_of_ten_units(way_deg: float, width: float) -> None:
    """silverseams.com 2020/10: ten units wide at the equator, 7.07 at 45°, 3.8 at 67.5°."""
    radius = 10 * 6 / 2 / pi
    gore = sphere_gore(radius, 6, "arc")
    assert width_at(gore, radius, radius * radians(way_deg)) == pytest.approx(width, abs=0.005)


def test_a_printed_gore_of_twelve() -> None:
    """An instructable on drawing gores: radius 25 cm, 12 gores: 39.25 cm long (with π = 3.14), 13 cm wide (rounded)."""
    gore = sphere_gore(250.0, 12, "arc")
    assert centre_line(gore, 250.0) == pytest.approx(392.5, abs=0.3)
    assert gore.rim_mm == pytest.approx(130, abs=1)


def test_the_tip_of_a_whole_globe() -> None:
    """A note of 2005 on the shape of globes: one single arc gore has a tip of 144.686°."""
    assert degrees(2 * atan(pi)) == pytest.approx(144.686, abs=0.0005)
    tips = [degrees(sphere_gore(100.0, n, "arc").tip_rad) for n in (3, 4, 6, 8, 12, 18)]
    assert tips[1:] == pytest.approx([76.29, 55.27, 42.88, 29.34, 19.80], abs=0.01)
    assert all(
        tip == pytest.approx(degrees(2 * atan(pi / n))) for tip, n in zip(tips, (3, 4, 6, 8, 12, 18), strict=True)
    )


# Widths at the rim in radii, and the seam over the centre line, from the formulas in the module's head.
@pytest.mark.parametrize(
    ("count", "arc", "chord", "tangent", "ratio"),
    [
        (4, 1.5708, 1.4142, 2.0, 1.140),
        (6, 1.0472, 1.0, 1.1547, 1.065),
        (8, 0.7854, 0.7654, 0.8284, 1.037),
        (12, 0.5236, 0.5176, 0.5359, 1.017),
    ],
)
def test_rim_widths_by_convention(count: int, arc: float, chord: float, tangent: float, ratio: float) -> None:
    widths = [sphere_gore(100.0, count, convention).rim_mm for convention in ("arc", "chord", "tangent")]
    assert widths == pytest.approx([100 * arc, 100 * chord, 100 * tangent], abs=0.006)
    gore = sphere_gore(100.0, count, "arc")
    seam = curve_length(gore_edges(gore, 100.0)[0])
    assert seam / centre_line(gore, 100.0) == pytest.approx(ratio, abs=0.0006)


def test_the_seam_of_a_cylinder_slab() -> None:
    """A gored ball's sections are parts of a cylinder (Popular Science Monthly vol. 92 p. 311), so two of them meet in
    an ellipse of semi-axes R / cos(π/N) and R; its quarter is 169.45 mm for N = 6, R = 100."""
    gore = sphere_gore(100.0, 6, "tangent")
    seam = curve_length(gore_edges(gore, 100.0)[0])
    assert seam == pytest.approx(100 / cos(pi / 6) * ellipe(1 - cos(pi / 6) ** 2), abs=1e-4)
    assert seam == pytest.approx(169.45, abs=0.005)


def test_six_gores_of_a_ball_of_200_mm() -> None:
    """Widths at latitudes 0, 30, 45, 60 and 80°, from 2πR cos φ / N and 2R sin(π/N) cos φ."""
    for convention, whole in (("arc", 2 * pi * 100 / 6), ("chord", 200 * sin(pi / 6))):
        gore = sphere_gore(100.0, 6, convention)
        for lat in (0, 30, 45, 60, 80):
            assert width_at(gore, 100.0, 100 * radians(lat)) == pytest.approx(whole * cos(radians(lat)), abs=0.01)


sizes = {
    "length": st.floats(120, 400),
    "breadth": st.floats(90, 350),
    "height": st.floats(60, 260),
    "gores": st.integers(3, 16),
    "convention": st.sampled_from(sorted(CONVENTIONS)),
    "front": st.sampled_from(["seam", "gore"]),
    "cap": st.sampled_from([0.0, 40.0]),
}


@settings(max_examples=40)
@given(**sizes)
def test_neighbours_have_seams_of_one_length(**told: float | str | int) -> None:
    outcome = dome(EMPTY, **told)  # type: ignore[arg-type]
    for seam in outcome.build.seams:
        first, second = (curve_length(run_curve(outcome.build, run)) for run in (seam.first, seam.second))
        assert first == pytest.approx(second, abs=0.01)


@settings(max_examples=40)
@given(**sizes)
def test_the_seams_of_a_dome_close(**told: float | str | int) -> None:
    """All edges of all gores are the seams counted twice, all rims the dome's whole rim, counted on the pieces made."""
    outcome = dome(EMPTY, **told)  # type: ignore[arg-type]
    pieces = [piece for piece in outcome.build.pieces if not piece.name.endswith("cap")]
    times = {"pair": 2, "centre": 1}
    assert sum(times[piece.copies] for piece in pieces) == told["gores"]
    sides = sum(times[p.copies] * (curve_length(p.edges[0].curve) + curve_length(p.edges[-2].curve)) for p in pieces)
    rims = sum(times[p.copies] * curve_length(p.edges[-1].curve) for p in pieces)
    assert sides / 2 == pytest.approx(figure(outcome, "all seams"), abs=0.01 * told["gores"])  # type: ignore[operator]
    assert rims == pytest.approx(figure(outcome, "all rims"), abs=1e-6)
    if told["convention"] == "arc":
        a, b = sorted([told["length"] / 2, told["breadth"] / 2])[::-1]  # type: ignore[operator]
        assert rims == pytest.approx(4 * a * ellipe(1 - (b / a) ** 2), abs=1e-6)


def figure(outcome: Outcome, words: str, where: str = "") -> float:
    (found,) = [f.after for f in outcome.figures if f.what.startswith(words) and f.where.startswith(where)]
    assert found is not None
    return float(found)


def test_a_tangent_dome_is_made_of_cylinders() -> None:
    """Bent over its own quarter ellipse a flat gore's edge becomes the plane quarter ellipse over the rim's corner: the
    distances in space between points on two seams at one height are the flat widths, their ways the flat ways."""
    a, b, c = 105.0, 78.0, 120.0
    flat = gores_of(2 * a, 2 * b, 6, "tangent", True)
    corners = [np.array([a * cos(t), b * sin(t)]) / cos(pi / 6) for t in (0, pi / 3)]
    gore = flat[0]
    assert gore.seams_mm == pytest.approx([np.linalg.norm(corner) for corner in corners])
    for lat in (0.3, 0.9, 1.4):
        way = quad(lambda f: sqrt((gore.plan_mm * sin(f)) ** 2 + (c * cos(f)) ** 2), 0, lat)[0]
        assert width_at(gore, c, way) == pytest.approx(np.linalg.norm(corners[1] - corners[0]) * cos(lat), abs=1e-3)
    lengths = [curve_length(edge) for edge in gore_edges(gore, c)[:2]]
    for length, corner in zip(lengths, corners, strict=True):
        q = np.linalg.norm(corner)
        true = quad(lambda f, q=q: sqrt((q * sin(f)) ** 2 + (c * cos(f)) ** 2), 0, pi / 2)[0]
        assert length == pytest.approx(true, abs=1e-3)


def test_the_pole() -> None:
    """Six arc gores give 331.6° only (silverseams.com 2020/10: angles at a pole must sum to 360°)."""
    pointed = dome(EMPTY, 200, 200, 100, 6, "arc")
    assert figure(pointed, "angles at the pole") == pytest.approx(331.6, abs=0.05)
    assert [doubt.code for doubt in pointed.doubts] == ["pointed-pole"]
    assert not dome(EMPTY, 200, 200, 100, 6, "arc", cap=40).doubts
    smooth = dome(EMPTY, 200, 160, 110, 7, "tangent")
    assert figure(smooth, "angles at the pole") == pytest.approx(360)
    assert not smooth.doubts


def test_a_cap_fits_the_tops() -> None:
    outcome = dome(EMPTY, 210, 160, 120, 6, "arc", cap=50)
    cap = piece_named(outcome.build, "dome cap")
    a, b = 25.0, 25.0 * 160 / 210
    round_cap = sum(curve_length(edge.curve) for edge in cap.edges)
    assert round_cap == pytest.approx(4 * a * ellipe(1 - (b / a) ** 2), abs=1e-3)
    tops = [curve_length(piece.edges[1].curve) for piece in outcome.build.pieces[:3]]
    assert 2 * sum(tops) == pytest.approx(round_cap, abs=1e-3)


def test_thickness_moves_the_layer() -> None:
    """Mean-line rule: the layer lies k·t outside the inside, so the rim of a round dome grows by 2π k t; with t = 10,
    k = 0.6 by 37.70 mm."""
    thin, thick = (dome(EMPTY, 200, 200, 100, 6, "arc", stock=stock) for stock in ("", "foam 10"))
    grown = figure(thick, "all rims") - figure(thin, "all rims")
    assert grown == pytest.approx(37.70, abs=0.005)
    assert figure(thick, "length of the dome") == pytest.approx(212)


def test_slabs_go_round_the_ellipse_and_chords_stay_inside() -> None:
    """Rim of 210 by 160 mm: 583.9 mm round (scipy's elliptic integral); slabs longer, chords shorter, arcs equal."""
    whole = 4 * 105 * ellipe(1 - (80 / 105) ** 2)
    found = {}
    for convention in CONVENTIONS:
        (rim,) = [f for f in dome(EMPTY, 210, 160, 120, 8, convention).figures if f.what.startswith("all rims")]
        assert rim.before == pytest.approx(whole, abs=1e-6)
        found[convention] = rim.after
    assert found["chord"] < whole - 5
    assert found["arc"] == pytest.approx(whole)
    assert found["tangent"] > whole + 5


def test_convention_is_written_on_every_piece() -> None:
    for convention in CONVENTIONS:
        made = dome(EMPTY, 200, 150, 110, 6, convention, cap=40).build.pieces
        assert all(f"{convention} convention" in piece.notes for piece in made)


def test_seams_on_the_centre_line_are_named() -> None:
    """Six gores, a seam in front: the first one's left seam lies in front, the third one's right seam at the back."""
    notes = [piece.notes for piece in dome(EMPTY, 210, 160, 120, 6).build.pieces]
    assert ["left seam" in n and "front" in n for n in notes] == [True, False, False]
    assert ["right seam" in n and "back" in n for n in notes] == [False, False, True]
    assert not any("mirror" in piece.notes for piece in dome(EMPTY, 210, 160, 120, 6, front="gore").build.pieces)


@pytest.mark.parametrize("count", range(3, 12))
@pytest.mark.parametrize("seam", [True, False])
def test_pairs_and_centre_gores_make_the_whole(count: int, seam: bool) -> None:
    shown = shown_gores(count, seam)
    assert sum(2 if copies == "pair" else 1 for _, copies in shown) == count
    flat = gores_of(210, 160, count, "chord", seam)
    for k, copies in shown:
        if copies == "centre":
            assert flat[k].seams_mm[0] == pytest.approx(flat[k].seams_mm[1])
        else:
            twin = flat[(count - 1 - k) if seam else (count - k)]
            assert twin.seams_mm == pytest.approx(flat[k].seams_mm[::-1])


def test_gores_lie_upright_and_clockwise() -> None:
    piece = dome(EMPTY, 210, 160, 120, 6).build.pieces[0]
    pole = piece.edges[0].curve.controls[-1, 3]
    assert pole[1] < min(piece.edges[0].curve.controls[0, 0, 1], piece.edges[1].curve.controls[-1, 3, 1]) - 100


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        ({"length": 0}, "above 0"),
        ({"gores": 2}, "3 to 36"),
        ({"cap": 200}, "does not fit"),
        ({"stock": "felt"}, "no stock"),
    ],
)
def test_what_cannot_be_done_is_refused(told: dict[str, float], reason: str) -> None:
    with pytest.raises(CannotContinue, match=reason):
        dome(EMPTY, **{"length": 210, "breadth": 160, "height": 120, **told})  # type: ignore[arg-type]


def test_the_step_asks_for_what_it_takes() -> None:
    (step,) = STEPS
    assert [question.name for question in step.asks] == list(signature(step.run).parameters)[1:]
