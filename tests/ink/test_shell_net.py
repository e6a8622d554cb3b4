"""The small network that tells shell from table, against OpenCV's GrabCut on the same picture.

GrabCut (Rother, Kolmogorov, Blake 2004) is the general-purpose way to cut a thing out of its background: both are told
no more than what lies 20 mm off the shell.
"""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

import extract.ink.silhouette_net as net
import extract.ink.silhouette_read as silhouette_read
from extract.doors import FlatView
from extract.ink.shell_view import crop, erode, grow, shrink, table_view
from extract.ink.silhouette_pieces import largest, opened_cuts
from extract.ink.silhouette_read import closed, read_shell, read_words, runs_out, words

_spec = importlib.util.spec_from_file_location("tables", Path(__file__).with_name("tables.py"))
tables = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(tables)

SCENES = Path(__file__).parents[2] / "testdata" / "edge"
MODELS = [Path(net.__file__).with_name(f"{name}_net.onnx") for name in ("edge", "words", "ends", "mouths")]


def cover(view, ring):
    """Where the shell lies in a view's pixels."""
    mask = np.zeros(view.valid.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(view.px_from_mm(ring)).astype(np.int32)], 1)
    return mask > 0


def near(view, ring):
    """The shell and 20 mm round it: all that either is told is that the rest is table."""
    return grow(cover(view, ring), 20 / view.mm_per_px)


def overlap(one, other):
    return (one & other).sum() / (one | other).sum()


def grab_cut(view, start):
    labels = np.where(start, cv2.GC_PR_FGD, cv2.GC_BGD).astype(np.uint8)
    cv2.setRNGSeed(1)
    cv2.grabCut(view.pixels, labels, None, np.zeros((1, 65)), np.zeros((1, 65)), 5, cv2.GC_INIT_WITH_MASK)
    return (labels == cv2.GC_FGD) | (labels == cv2.GC_PR_FGD)


def part_of_a_scene(table):
    """Part of one of our scenes with a relief cut in it: the picture, where the edge lies, and what is read of it."""
    told = json.loads((SCENES / f"{table}.json").read_text())
    picture, white = cv2.imread(str(SCENES / f"{table}.jpg")), np.array(told["white_bgr"], np.float32)
    view = FlatView(picture, told["mm_per_px"], (0.0, 0.0), np.ones(picture.shape[:2], bool), ())
    outline = view.mm_from_px(np.array(told["outline_px"]))
    seen = net.sight(view, white, lambda part: ~near(part, outline))
    small = table_view(shrink(view, 1.0), white, 1.5)
    said = words(net.shell_map(seen), small, near(small.flat, outline), white)
    return view, outline, seen, said


def test_the_weights_are_small():
    assert max(model.stat().st_size for model in MODELS) < 1_000_000


@pytest.mark.parametrize("table", ["newspaper", "melamine", "gingham"])
def test_the_map_beats_grab_cut(table):
    """Part of three of our scenes on the tables that are hardest to tell from a shell, a relief cut in each."""
    view, outline, seen, said = part_of_a_scene(table)
    ours = largest(opened_cuts(read_words(seen, said).map))
    exact = cover(seen.flat, outline)
    plain = grab_cut(seen.flat, near(seen.flat, outline))
    cut = closed(exact, 12 / view.mm_per_px) & ~exact
    inner = erode(seen.flat.valid, 16)  # the crop's rim is no edge
    ours, plain, exact, cut = (mask[inner] for mask in (ours, plain, exact, cut))
    assert overlap(ours, exact) > max(0.96, overlap(plain, exact))
    assert (~ours)[cut].mean() > (~plain)[cut].mean() + 0.1


def test_lines_as_dark_as_the_table_part_no_shell():
    """Part of one of our scenes on a table as grey as the shell: added up pixel by pixel, the words take drawn lines
    for it."""
    _, outline, seen, said = part_of_a_scene("grey")
    added = said.net.odds + said.colours + said.tint
    reading = read_words(seen, said)
    inner = erode(seen.flat.valid, 16)
    exact = cover(seen.flat, outline)[inner]
    wrong = [((odds > 0)[inner] != exact).mean() for odds in (reading.map.odds, added)]
    assert wrong[0] < 0.02
    assert wrong[0] < wrong[1] / 2
    assert overlap(largest(opened_cuts(reading.map))[inner], exact) > 0.97


def test_the_second_network_looks_about_the_shell_alone():
    """Away from what the first takes for shell its word stands, and there the second is not asked."""
    _, _, seen, said = part_of_a_scene("grey")
    corner = np.zeros_like(said.about)
    corner[:40, :40] = True
    told = net.words_map(seen, (said.net.odds, said.colours, said.tint), corner)
    far = 40 + round(net.ABOUT_MM / seen.flat.mm_per_px) + net.BLOCK
    assert (told.odds[far:] == said.net.odds[far:]).all()
    assert (told.odds[:, far:] == said.net.odds[:, far:]).all()
    assert np.abs(told.odds[:40, :40] - said.net.odds[:40, :40]).max() > 0.1


def test_quarters_tell_what_is_finer_than_a_pixel():
    """A ramp of one step a quarter along the rows and four down the columns."""
    rows, columns = np.mgrid[0:6, 0:8]
    told = net.quarters((0.01 * columns + 0.04 * rows).astype(np.float32))
    for part, off in zip(told, (-0.025, -0.015, 0.015, 0.025), strict=True):
        assert part == pytest.approx(np.full((3, 4), off / net.DETAIL), abs=1e-4)


def test_colours_learned_from_the_map_add_to_it():
    """The cut's middle line, narrower than 2 mm: table on it, shell 3 mm beside it."""
    truth, tip = tables.with_cut(tables.wavy_ring(), 110.0, 2.5, 50.0)
    way = np.array([np.cos(np.radians(110)), np.sin(np.radians(110))])
    middle = tip + np.linspace(20, 45, 60)[:, None] * way
    reading = read_shell(tables.paint(truth, "planks"))
    assert np.mean(reading.map.at(middle) < 0) > 0.95
    for side in (-3, 3):
        assert np.mean(reading.map.at(middle + side * np.array([-way[1], way[0]])) > 0) > 0.95


def test_what_the_photo_did_not_see_is_table():
    flat = tables.paint(tables.wavy_ring(), "planks")
    outside = np.array([[-1000.0, 0.0], [0.0, 1000.0]])
    assert (read_shell(flat).map.at(outside) == -net.CLIP).all()


@pytest.mark.parametrize(("right_mm", "goes_on"), [(90.0, True), (215.0, False), (1000.0, False)])
def test_a_shell_that_goes_on_past_the_window_is_noticed(right_mm, goes_on):
    """A shell 190 mm wide about x = 90, seen in windows that end in its middle, beside it, and with the picture."""
    ring = tables.wavy_ring()
    flat = tables.paint(ring, "planks")
    window = crop(flat, (-120.0, -100.0), (right_mm, 1000.0))
    seen = net.ShellMap(window, np.where(cover(window, ring), np.float32(3.0), np.float32(-5.0)))
    assert runs_out(seen, window, flat) == goes_on


def test_a_shell_in_the_pictures_own_corner_runs_out_of_no_window():
    flat = tables.paint(tables.wavy_ring(), "planks")
    part = crop(flat, (-120.0, -100.0), (90.0, 1000.0))
    seen = net.ShellMap(part, np.where(cover(part, tables.wavy_ring()), np.float32(3.0), np.float32(-5.0)))
    assert not runs_out(seen, part, part)


def refuse(*_):
    raise silhouette_read.no_shell()


@pytest.mark.parametrize(
    ("not_by", "instead"), [("_second_look", refuse), ("covering", lambda *_: None)], ids=["blob", "whole picture"]
)
def test_a_shell_of_which_a_part_was_seen_is_read_whole(monkeypatch, not_by, instead):
    """The first look is made to notice no more than the shell's left third, 190 mm wide in all. What covers the rest is
    another blob of it, or the whole picture."""
    flat = tables.paint(tables.wavy_ring(), "planks")
    monkeypatch.setattr(silhouette_read, not_by, instead)

    def left_third(ranked):
        blob = ranked[0].blob.copy()
        columns = np.flatnonzero(blob.any(0))
        blob[:, columns[len(columns) // 3] :] = False
        return blob

    monkeypatch.setattr(silhouette_read, "pick", left_third)
    monkeypatch.setattr(silhouette_read, "with_others", lambda blob, ranked: blob)
    reading = read_shell(flat)
    inside = largest(opened_cuts(reading.map)).sum() * reading.map.flat.mm_per_px**2
    assert inside == pytest.approx(shapely.Polygon(tables.wavy_ring()).area, rel=0.02)
