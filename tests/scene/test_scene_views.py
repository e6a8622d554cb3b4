"""One table photographed from several sides: the same shell, another camera."""

from __future__ import annotations

import numpy as np

from extract.scene import make_scene, make_views

SIZE_PX = (600, 450)


def test_views_share_the_shell_and_not_the_camera() -> None:
    first, second = make_views("curled", 31, 2, SIZE_PX)
    alone = make_scene("curled", 31, SIZE_PX)
    assert np.array_equal(first.image, alone.image) and first.truth == alone.truth
    assert (first.name, second.name) == ("curled_0031", "curled_0031_b")
    for key in ("silhouette", "lines", "panels_black", "sheet"):
        assert first.truth[key] == second.truth[key]
    one, other = (np.array(scene.truth["camera"]["position_mm"]) for scene in (first, second))
    # half a turn round the table: both lean, to opposite sides
    assert one[2] > 400 and other[2] > 400
    middle = np.mean(first.truth["silhouette"]["points"], axis=0)
    assert (one[:2] - middle) @ (other[:2] - middle) < 0


def test_a_dot_of_ink_lies_where_both_cameras_say() -> None:
    """Truth of one table seen by two cameras: the pixels at a stroke's drawn places are ink in both photos."""
    for scene in make_views("curled", 31, 2, (1200, 900)):
        camera, grey = scene.truth["camera"], scene.image.mean(axis=2)
        line = max(scene.truth["lines"], key=lambda one: one["length_mm"])
        world = np.column_stack([line["points"], line["z"]])
        seen = world @ np.array(camera["R_world_to_cam"]).T + camera["t_world_to_cam_mm"]
        x = seen[:, :2] / seen[:, 2:]
        k1, k2 = camera["dist_k1_k2_p1_p2_k3"][:2]
        r2 = (x**2).sum(axis=1, keepdims=True)
        px = (x * (1 + k1 * r2 + k2 * r2**2)) @ np.array(camera["K"])[:2, :2].T + np.array(camera["K"])[:2, 2]
        column, row = np.rint(px).astype(int).T
        beside = np.median([grey[row, column + off] for off in (-7, 7)], axis=0)
        assert np.median(grey[row, column] / beside) < 0.75
