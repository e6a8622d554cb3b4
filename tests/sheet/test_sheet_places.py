"""Where lettering, check lines and joints go."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import shapely

from extract.doors import Part, Pattern
from extract.geometry.curve import circle_curve
from extract.sheet.drawing import draw_pattern
from extract.sheet.layout import PAPERS, Box, lay_out
from extract.sheet.lettering import Lettering, Line, kept_whole, plus_minus, printable, shortened
from extract.sheet.room import area_shared, box_array, crowd_of, gap_to, points_in
from extract.sheet.tiles import CHECK_LENGTHS_MM, check_corner, emptiest_corner, free_share, joints

LEFT, RIGHT = Box(0, 0, 100, 100), Box(100, 0, 200, 100)
LABEL = Lettering((Line("3 L", 5.0), Line("lantern", 2.0)), (98.0, 50.0))


def test_lettering_moves_off_a_joint_within_its_circle() -> None:
    moved = kept_whole(LABEL, 30.0, [LEFT, RIGHT])
    assert moved.box.right <= 100 and moved.centre[1] == 50
    assert abs(moved.centre[0] - 98) < LABEL.box.width
    far = max(abs(moved.box.left - 98), abs(moved.box.right - 98))
    assert np.hypot(far, LABEL.box.height / 2) <= 30


def test_lettering_stays_where_its_circle_is_too_small() -> None:
    assert kept_whole(LABEL, 6.0, [LEFT, RIGHT]).centre == LABEL.centre


@pytest.mark.parametrize(("sigma", "text"), [(0.2, "±0.2 mm"), (0.21, "±0.3 mm"), (0.7, "±0.7 mm"), (0.0, "±0.1 mm")])
def test_plus_minus_never_promises_more_than_was_found(sigma: float, text: str) -> None:
    assert plus_minus(sigma) == text


def test_names_are_shortened_in_the_middle() -> None:
    assert shortened("a" * 30 + ".jpg", 10) == "aaaa…a.jpg"
    assert shortened("short.jpg") == "short.jpg"
    assert printable("± × – é") == ("± × – é", "Helvetica")
    assert printable("č")[0] == "č"
    assert printable("提a") == ("?a", "Vera")


def test_check_lines_have_their_lengths_and_stay_in_the_window() -> None:
    window = Box(-30, 40, 156, 290)
    for corner in ((-1, -1), (1, -1), (-1, 1), (1, 1)):
        block = check_corner(window, corner)
        found = sorted((line.label, line.upright, np.hypot(*np.subtract(line.end, line.start))) for line in block.lines)
        assert [length for *_, length in found] == pytest.approx([100, 100, 101.6, 101.6])
        for box in block.boxes:
            assert box.left > window.left + 5 and box.right < window.right - 5
            assert box.top > window.top + 5 and box.bottom < window.bottom - 5
    assert dict(CHECK_LENGTHS_MM)["4 in"] == 4 * 25.4


def test_check_lines_keep_off_a_part(part_of: Callable[..., Part], pattern_of: Callable[..., Pattern]) -> None:
    """A large part low on the page sends them to the top."""
    drawn = draw_pattern(pattern_of(part_of("1", circle_curve((20, 250), 130), (20, 200), 40)))
    window = Box(0, 0, 190, 277)
    block = emptiest_corner(window, crowd_of(drawn).near(window))
    assert block.inward[1] == 1
    taken = shapely.union_all([shapely.box(box.left, box.top, box.right, box.bottom) for box in block.boxes])
    assert not taken.intersects(drawn[0].region)


def test_joints_are_the_same_line_and_marks_on_both_pages() -> None:
    grid = lay_out([shapely.box(0, 0, 400, 500)], PAPERS["A4"])
    seen: dict[tuple[str, ...], list[tuple[object, ...]]] = {}
    for tile in grid.printed:
        for joint in joints(grid, tile):
            along = joint.start[0] if joint.upright else joint.start[1]
            key = tuple(sorted((tile.name, joint.neighbour)))
            seen.setdefault(key, []).append((round(along, 6), joint.on_top, np.round(joint.marks, 6).tolist()))
    assert len(seen) == 2 * len(grid.printed) - grid.rows - grid.columns
    for one, other in seen.values():
        assert one[0] == other[0] and one[2] == other[2] and one[1] != other[1]


def test_strip_lettering_makes_way_for_a_line(part_of: Callable[..., Part], pattern_of: Callable[..., Pattern]) -> None:
    grid = lay_out([shapely.box(0, 0, 400, 260)], PAPERS["A4"])
    joint = joints(grid, grid.tiles[0])[0]
    centre = joint.strip_point(0.5)
    drawn = draw_pattern(pattern_of(part_of("1", circle_curve(centre, 4), centre, 3)))
    share = free_share(joint, 20.0, 2.0, crowd_of(drawn))
    assert share != 0.5
    box = joint.strip_box(share, 20.0, 2.0)
    assert not shapely.box(box.left, box.top, box.right, box.bottom).intersects(drawn[0].region)


def test_counting_in_boxes_agrees_with_shapely() -> None:
    rng = np.random.default_rng(5)
    boxes = [Box(x, y, x + w, y + h) for x, y, w, h in rng.uniform(1, 40, (12, 4)).tolist()]
    shapes = [shapely.box(box.left, box.top, box.right, box.bottom) for box in boxes]
    points = rng.uniform(0, 80, (300, 2))
    spots = shapely.points(points)
    array = box_array(boxes)
    assert points_in(array, points).tolist() == [int(shapely.contains(shape, spots).sum()) for shape in shapes]
    assert area_shared(array[:5], array[5:]) == pytest.approx(
        [sum(one.intersection(other).area for other in shapes[5:]) for one in shapes[:5]]
    )
    assert gap_to(array, points) == pytest.approx(shapely.distance(shapely.union_all(shapes), spots))
