"""A shell's shadow as light as its tape: the outline lies on the shell's edge and not on the shadow's.

Shells are painted with an exactly known outline; how far a shadow falls is plane trigonometry (height over the tangent
of the lamp's elevation). That the rim's cut face shows as a fine dark line is common practice, no source.
"""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon
from shapely.geometry.polygon import orient

from extract.ink.silhouette import find_silhouette
from extract.ink.silhouette_net import ShellMap
from extract.ink.silhouette_refine import SPACING_MM
from extract.ink.silhouette_shadow import off_shadow

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)


def outward_errors(ring, truth):
    polygon, at = Polygon(truth), shapely.points(ring)
    return np.where(shapely.distance(at, polygon) > 0, 1, -1) * shapely.distance(at, polygon.exterior)


def far_side(ring, height_mm, lamp_deg=30.0):
    """A shell's outline together with its shadow's, which lies the rim's height over tan 40° away from the lamp."""
    lamp = np.array([np.cos(np.radians(lamp_deg)), np.sin(np.radians(lamp_deg))])
    return evenly(shapely.union(Polygon(ring), Polygon(ring - lamp * height_mm / np.tan(np.radians(40.0)))))


@pytest.mark.parametrize("lamp_deg", [30.0, 200.0])
def test_the_outline_lies_on_the_shell_and_not_on_its_shadow(lamp_deg):
    """Without a look for the cut face the outline is off by 0.8 and 0.5 mm here."""
    ring = tables.wavy_ring()
    found = find_silhouette(tables.paint(ring, "melamine", shell=0.28, shadow=(1.8, lamp_deg)))
    assert np.sqrt((outward_errors(found.rings_mm[0], ring) ** 2).mean()) < 0.3


@pytest.mark.parametrize("height_mm", [0.8, 1.4])
def test_a_ring_on_the_shadow_is_brought_back(height_mm):
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "melamine", shell=0.28, shadow=(height_mm, 30.0))
    outer = far_side(ring, height_mm)
    before, after = outward_errors(outer, ring), outward_errors(off_shadow(flat, outer, SPACING_MM), ring)
    wide = before > 0.6
    assert wide.sum() > 200
    assert np.abs(after[wide]).mean() < 0.25 * before[wide].mean()
    assert np.abs(after[before < 0.1]).max() < 0.2


def partly_astray(ring, outer, halves_mm):
    """A ring on the shell's edge that leaves it for the shadow's far side over three stretches, twice as long as told,
    36 mm from one to the next; and the indices of each."""
    facing = np.flatnonzero(outward_errors(outer, ring) > 1.0)
    middle = facing[len(facing) // 2]
    stretches = [
        middle + off + np.arange(-half, half)
        for off, half in zip((-80, 0, 80), (round(half_mm / SPACING_MM) for half_mm in halves_mm), strict=True)
    ]
    edge = Polygon(ring).exterior
    given = np.array([edge.interpolate(edge.project(shapely.Point(point))).coords[0] for point in outer])
    every = np.concatenate(stretches)
    given[every] = outer[every]
    return given, stretches


def test_beside_a_long_stretch_on_the_shadow_short_ones_are_believed_too():
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "melamine", shell=0.28, shadow=(1.4, 30.0))
    given, stretches = partly_astray(ring, far_side(ring, 1.4), (4.5, 15.0, 4.5))
    before = np.abs(outward_errors(given, ring))
    after = np.abs(outward_errors(off_shadow(flat, given, SPACING_MM), ring))
    for stretch in stretches:
        assert after[stretch].mean() < 0.25 * before[stretch].mean()


def test_short_stretches_alone_are_not_believed():
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "melamine", shell=0.28, shadow=(1.4, 30.0))
    given, _ = partly_astray(ring, far_side(ring, 1.4), (4.7, 4.7, 4.7))
    assert off_shadow(flat, given, SPACING_MM) is None


@pytest.mark.parametrize(("odds", "believed"), [(0.0, True), (6.0, False)])
def test_a_stretch_alone_is_believed_where_the_map_doubts_that_it_is_shell(odds, believed):
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "melamine", shell=0.28, shadow=(1.4, 30.0))
    given, (_, alone, _) = partly_astray(ring, far_side(ring, 1.4), (0.0, 15.0, 0.0))
    lit = off_shadow(flat, given, SPACING_MM, ShellMap(flat, np.full(flat.valid.shape, odds, np.float32)))
    assert (lit is not None) == believed
    if lit is not None:
        before, after = (np.abs(outward_errors(found, ring))[alone].mean() for found in (given, lit))
        assert after < 0.25 * before


def lines_inside(ring, chosen, shell=0.28, **paint):
    """A shell in light from straight above, a fine dark line 1.2 mm inside its outline where ``chosen`` says so."""
    inner = evenly(Polygon(ring).buffer(-1.2))
    return tables.paint(ring, "melamine", strokes=[(inner[part], 0.3) for part in chosen(inner)], shell=shell, **paint)


def test_a_line_that_keeps_its_distance_all_along_one_side_is_the_edge_of_a_tape():
    ring = tables.wavy_ring()
    flat = lines_inside(ring, lambda inner: [inner[:, 0] < tables.CENTRE[0]])
    assert off_shadow(flat, evenly(Polygon(ring)), SPACING_MM) is None


def test_lines_all_round_the_shell_are_no_shadow_of_one_lamp():
    ring = tables.wavy_ring()
    flat = lines_inside(ring, lambda inner: [np.arange(len(inner))])
    assert off_shadow(flat, evenly(Polygon(ring)), SPACING_MM) is None


def test_one_short_line_alone_is_the_edge_of_a_tape():
    ring = tables.wavy_ring()
    flat = lines_inside(ring, lambda inner: [np.flatnonzero(inner[:, 0] < tables.CENTRE[0] - 50)[:100]])
    assert off_shadow(flat, evenly(Polygon(ring)), SPACING_MM) is None


@pytest.mark.parametrize(("wide_mm", "believed"), [(0.4, True), (0.6, True), (1.3, False), (1.5, False)])
def test_a_line_as_wide_as_a_pens_is_no_cut_face(wide_mm, believed):
    """It runs inside the outline as far as the shadow of one lamp is wide, on the side that faces away from it."""
    ring = tables.wavy_ring()
    way = np.array([np.cos(np.radians(210.0)), np.sin(np.radians(210.0))])
    drawn = evenly(Polygon(ring - 2.3 * way))
    facing = (drawn - tables.CENTRE) @ way > 40
    first = int(np.flatnonzero(facing & ~np.roll(facing, 1))[0])
    line = np.roll(drawn, -first, axis=0)[: int(facing.sum())]
    flat = tables.paint(ring, "melamine", strokes=[(line, wide_mm)], shell=0.28)
    assert (off_shadow(flat, evenly(Polygon(ring)), SPACING_MM) is not None) == believed


def test_a_strip_rougher_than_its_table_is_tape():
    """The shadow of the scenes above with the grain of creased tape in it."""
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "melamine", shell=0.28, shadow=(1.4, 30.0))
    outer = far_side(ring, 1.4)
    fallen = tables.coverage(outer, flat.valid.shape) > 0.5
    grain = np.random.default_rng(2).normal(1.0, 0.08, flat.valid.shape)[..., None]
    creased = np.where(fallen[..., None], np.clip(flat.pixels * grain, 0, 255), flat.pixels).astype(np.uint8)
    assert off_shadow(flat, outer, SPACING_MM) is not None
    assert off_shadow(replace(flat, pixels=creased), outer, SPACING_MM) is None


def evenly(polygon):
    """Points of a polygon's outline at even distance, running as the rings that are found do."""
    line = LineString(orient(polygon, -1.0).exterior.coords)
    return np.array([line.interpolate(at).coords[0] for at in np.arange(0, line.length, SPACING_MM)])
