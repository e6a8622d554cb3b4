"""Paper sizes, the grid of tiles and page names."""

from __future__ import annotations

from math import floor, sqrt

import numpy as np
import pytest
import shapely

from extract.doors import CannotContinue
from extract.sheet.layout import PAPERS, Box, lay_out, page_name, paper_named, tiles_needed


def box(left: float, top: float, width: float, height: float) -> shapely.Geometry:
    return shapely.box(left, top, left + width, top + height)


def outline_of(tile_box: Box) -> shapely.Geometry:
    return shapely.box(tile_box.left, tile_box.top, tile_box.right, tile_box.bottom)


@pytest.mark.parametrize(("name", "halvings"), [("A4", 4), ("A3", 3)])
def test_a_series_follows_its_rule(name: str, halvings: int) -> None:
    """ISO 216: A0 has 1 m² and sides 1 : √2; each size halves the one before, rounded down to whole mm."""
    wide, high = 1000 / sqrt(sqrt(2)), 1000 * sqrt(sqrt(2))
    for _ in range(halvings):
        wide, high = high / 2, wide
    assert (PAPERS[name].width_mm, PAPERS[name].height_mm) == (floor(wide), floor(high))


@pytest.mark.parametrize(("name", "inches"), [("Letter", (8.5, 11)), ("Tabloid", (11, 17))])
def test_ansi_sizes_are_whole_inches(name: str, inches: tuple[float, float]) -> None:
    """ANSI/ASME Y14.1 sizes A and B; the inch is 25.4 mm by definition."""
    assert (PAPERS[name].width_mm, PAPERS[name].height_mm) == pytest.approx((25.4 * inches[0], 25.4 * inches[1]))


@pytest.mark.parametrize(
    ("paper", "small", "large"), [("A4", 6, 12), ("A3", 2, 6), ("Letter", 6, 12), ("Tabloid", 2, 6)]
)
def test_pages_for_a_rectangle(paper: str, small: int, large: int) -> None:
    """Upright pages for 500 × 300 and 600 × 600 mm, counted by hand from n = ⌈(W − 10)/step⌉, margin and overlap
    10 mm (common practice, no source)."""
    sheet = PAPERS[paper]

    def upright(width: float, height: float) -> int:
        return tiles_needed(width, sheet.width_mm) * tiles_needed(height, sheet.height_mm)

    assert (upright(500, 300), upright(600, 600)) == (small, large)


@pytest.mark.parametrize("paper", list(PAPERS))
@pytest.mark.parametrize("size", [(500, 300), (600, 600), (180, 260), (150, 700), (1000, 90)])
def test_a_rectangle_takes_the_fewest_pages(paper: str, size: tuple[float, float]) -> None:
    """A filled rectangle leaves no page blank, so the better of both page directions is the minimum."""
    sheet = PAPERS[paper]
    sides = (sheet.width_mm, sheet.height_mm), (sheet.height_mm, sheet.width_mm)
    least = min(int(np.prod([-(-(w - 10) // (p - 30)) for w, p in zip(size, page, strict=True)])) for page in sides)
    assert len(lay_out([box(-40, 17, *size)], sheet).printed) == least


def test_far_corners_leave_the_other_pages_out() -> None:
    grid = lay_out([box(0, 0, 50, 50), box(500, 600, 50, 50)], PAPERS["A4"])
    assert len(grid.printed) == 2
    assert len(grid.tiles) > 2


def test_a_ring_leaves_its_middle_out() -> None:
    ring = shapely.Point(0, 0).buffer(400).difference(shapely.Point(0, 0).buffer(380))
    grid = lay_out([ring], PAPERS["A4"])
    blank = shapely.union_all([outline_of(tile.core) for tile in grid.tiles if tile.blank])
    assert blank.contains(shapely.Point(0, 0))


def test_sliding_the_grid_spares_pages() -> None:
    """A slanted band: the best of all shifts beats the grid laid at the corner of its extent."""
    band = shapely.LineString([(0, 0), (900, 700)]).buffer(60)
    left, top, _, _ = band.bounds
    at_corner = sum(band.intersects(box(left + 180 * i, top + 267 * j, 180, 267)) for i in range(8) for j in range(6))
    assert len(lay_out([band], PAPERS["A4"]).printed) < at_corner


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("paper", ["A4", "Tabloid"])
def test_printed_cores_hold_everything_and_none_is_empty(seed: int, paper: str) -> None:
    rng = np.random.default_rng(seed)
    things = [shapely.Point(*rng.uniform(-600, 600, 2)).buffer(rng.uniform(5, 150)) for _ in range(6)]
    grid = lay_out(things, PAPERS[paper])
    cores = [outline_of(tile.core) for tile in grid.printed]
    everything = shapely.union_all(things)
    assert shapely.union_all(cores).buffer(1e-6).covers(everything)
    assert all(core.intersects(everything) for core in cores)
    assert sum(core.area for core in cores) == pytest.approx(shapely.union_all(cores).area)
    assert all(outline_of(tile.window).covers(outline_of(tile.core)) for tile in grid.printed)


def test_windows_stand_in_the_margins_and_overlap_by_ten() -> None:
    grid = lay_out([box(0, 0, 500, 500)], PAPERS["A4"])
    for tile in grid.tiles:
        assert (tile.window.width, tile.window.height) == pytest.approx((grid.page_mm[0] - 20, grid.page_mm[1] - 20))
        right = grid.neighbour(tile, 0, 1)
        if right:
            assert tile.window.right - right.window.left == pytest.approx(10)


def test_page_names() -> None:
    names = [page_name(*place) for place in ((0, 0), (1, 2), (25, 0), (26, 0), (27, 11), (701, 0), (702, 0))]
    assert names == ["A1", "B3", "Z1", "AA1", "AB12", "ZZ1", "AAA1"]


def test_paper_names_in_any_case_and_no_others() -> None:
    assert paper_named(" letter ").name == "Letter"
    with pytest.raises(CannotContinue, match="A4"):
        paper_named("A9")


def test_nothing_and_far_too_much_are_refused() -> None:
    with pytest.raises(CannotContinue, match="no parts"):
        lay_out([], PAPERS["A4"])
    with pytest.raises(CannotContinue, match="pages"):
        lay_out([box(0, 0, 20_000, 20_000)], PAPERS["A4"])
