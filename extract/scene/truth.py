"""What is exactly so in a scene, as plain data for NAME.truth.json (see testdata/README.md for the keys)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely.geometry.polygon import orient

from extract.geometry.scalecard import chess_corners_mm, paper_outline_mm
from extract.scene.layout import CARD_TOP_MM, LaidCard
from extract.scene.lines import Ink, panels
from extract.scene.noise import resampled
from extract.scene.optics import Optics
from extract.scene.pieces import Piece
from extract.scene.render import Setting
from extract.scene.shell import REST_MM, Shell


def truth_of(setting: Setting, name: str, seed: int) -> dict[str, Any]:
    """Frame: right-handed, mm, z up, 0 is the table top; x, y the plan view. Pixel (0, 0) is the centre of the
    upright picture's top-left pixel."""
    pieces, options = setting.pieces, setting.options
    told = {
        "lines": [one for piece in pieces for one in _inks(piece.lines, piece.shell)],
        "ticks": _ticks(pieces),
        "ghosts": [one for piece in pieces for one in _inks(piece.ghosts, piece.shell)],
        "notes": [one for piece in pieces for one in _inks(piece.notes, piece.shell)],
    }
    return {
        "name": name,
        "seed": seed,
        "preset": options.preset,
        "units": "mm",
        "frame": "right-handed, z up, z = 0 the table top, x and y the plan view",
        "image": _image(setting),
        "camera": _camera(setting.camera, options.focal_35mm),
        **_shell(pieces[0].shell, options.curl_mm),
        **_numbered(told),
        "panels_black": _panels(pieces, "black"),
        "panels_all_colours": _panels(pieces),
        "cards": [_card(card, setting.camera) for card in setting.cards],
        "scene": {"table": options.table, "hand_shadow": options.hand_shadow, "glare": options.glare},
        **({"pieces": [_shell(piece.shell, options.curl_mm) for piece in pieces]} if len(pieces) > 1 else {}),
    }


def _round(values: npt.ArrayLike, digits: int = 3) -> list[Any]:
    rounded: list[Any] = np.round(np.asarray(values, float), digits).tolist()
    return rounded


def _image(setting: Setting) -> dict[str, Any]:
    width, height = setting.camera.size_px
    options = setting.options
    return {
        "width": width,
        "height": height,
        "exif_orientation": options.orientation,
        "jpeg_quality": options.quality,
    }


def _camera(camera: Optics, focal_35mm: float) -> dict[str, Any]:
    tilt = np.degrees(np.arccos(-camera.rotation[2, 2]))
    return {
        "K": _round(camera.matrix, 6),
        "R_world_to_cam": _round(camera.rotation, 10),
        "t_world_to_cam_mm": _round(camera.shift_mm, 6),
        "position_mm": _round(camera.place_mm),
        "dist_k1_k2_p1_p2_k3": [camera.k1, camera.k2, 0, 0, 0],
        "tilt_deg": float(tilt),
        "px_per_mm_at_target": camera.focal_px / float(np.linalg.norm(camera.shift_mm)),
        "f35_exif": round(focal_35mm),
        "f35_true": focal_35mm,
    }


def _shell(shell: Shell, curl_mm: float) -> dict[str, Any]:
    return {"sheet": _sheet(shell, curl_mm), "silhouette": _silhouette(shell)}


def _sheet(shell: Shell, curl_mm: float) -> dict[str, Any]:
    relief = shell.relief
    x = np.arange(relief.values.shape[1] * relief.step_mm // 10) * 10 + relief.origin[0]
    y = np.arange(relief.values.shape[0] * relief.step_mm // 10) * 10 + relief.origin[1]
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    heights = relief.at(grid.reshape(-1, 2)).reshape(len(y), len(x))
    return {
        "rest_z_mm": REST_MM,
        "flat": curl_mm == 0,
        "curl_mm": curl_mm,
        "max_height_above_rest_mm": round(float(relief.values.max()), 3),
        "z_of_point": "rest_z + height",
        "height_grid": {"x0": float(x[0]), "y0": float(y[0]), "step": 10.0, "values_row_y_col_x": _round(heights)},
    }


def _silhouette(shell: Shell) -> dict[str, Any]:
    exact = np.asarray(shell.outline.exterior.coords)[:-1]
    points = resampled(exact, 1.0, closed=True)
    darts = [
        {
            "apex": _round(dart.apex),
            "mouth_mid": _round(dart.mouth),
            "half_width_mm": round(dart.half_mm, 3),
            "depth_mm": round(float(np.linalg.norm(dart.mouth - dart.apex)), 3),
        }
        for dart in shell.darts
    ]
    return {
        "points": _round(points),
        "exact_points": _round(exact, 4),
        "z": _round(shell.top(points)),
        "area_mm2": round(shell.outline.area, 2),
        "perimeter_mm": round(shell.outline.length, 3),
        "darts": darts,
    }


def _numbered(told: dict[str, list[dict[str, Any]]]) -> dict[str, list[dict[str, Any]]]:
    """Ink with its ``id``: ticks are counted on from the lines."""
    first = {"ticks": len(told["lines"])}
    return {
        kind: [ink | {"id": index} for index, ink in enumerate(inks, first.get(kind, 0))] for kind, inks in told.items()
    }


def _inks(drawn: Iterable[Ink], shell: Shell) -> list[dict[str, Any]]:
    return [_ink(line, shell) for line in drawn]


def _ticks(pieces: Sequence[Piece]) -> list[dict[str, Any]]:
    """Ticks of all pieces; the line each crosses is counted over all of them."""
    ticks: list[dict[str, Any]] = []
    before = 0
    for piece in pieces:
        ticks += [tick | {"crosses": tick["crosses"] + before} for tick in _inks(piece.ticks, piece.shell)]
        before += len(piece.lines)
    return ticks


def _ink(line: Ink, shell: Shell) -> dict[str, Any]:
    told = {
        "id": 0,
        "type": line.kind,
        "color": line.colour,
        "width_mm": round(line.width_mm, 3),
        "closed": line.closed,
        "length_mm": round(line.length_mm, 3),
        "gaps_arclength_mm": _round(line.gaps),
        "points": _round(line.points),
        "z": _round(shell.top(line.points)),
        "design_points_before_jitter": _round(line.meant),
        **line.extra,
    }
    return told | ({"ends": list(line.ends)} if line.ends else {})


def _panels(pieces: Sequence[Piece], colour: str = "") -> list[dict[str, Any]]:
    """Faces of cut edges and lines (of one colour), largest first over all pieces."""
    kept = ((p.shell.outline, tuple(line for line in p.lines if colour in ("", line.colour))) for p in pieces)
    faces = [face for outline, lines in kept for face in panels(outline, lines)]
    faces.sort(key=lambda face: -face.area_mm2)
    return [
        {
            "id": i,
            "area_mm2": round(face.outline.area, 2),
            "perimeter_mm": round(face.outline.length, 3),
            "polygon": _round(orient(face.outline).exterior.coords[:-1]),
            "holes": [_round(ring.coords[:-1]) for ring in face.outline.interiors],
        }
        for i, face in enumerate(faces)
    ]


def _card(card: LaidCard, camera: Optics) -> dict[str, Any]:
    design = card.design
    world = card.world(chess_corners_mm(design))
    pixels = camera.pixels(world)
    count = design.squares[0] * design.squares[1] // 2
    return {
        "name": f"CARD-{design.family.upper()}",
        "index": design.number,
        "spec": {
            "kind": "charuco",
            "size": list(design.paper_mm),
            "dict": "DICT_5X5_1000",
            "squares": list(design.squares),
            "square": design.square_mm,
            "marker": design.marker_mm,
        },
        "first_id": design.first_id,
        "ids": list(range(design.first_id, design.first_id + count)),
        "z_mm": CARD_TOP_MM,
        "bow_mm": card.bow_mm,
        "theta_deg": float(np.degrees(card.turn)),
        "center_mm": _round(card.centre),
        "outline_mm": _round(card.world(paper_outline_mm(design))[:, :2], 4),
        "outline_note": "TL,TR,BR,BL as printed",
        "charuco_corners_world_mm": {str(i): p for i, p in enumerate(_round(world, 4))},
        "charuco_corners_px": {str(i): p for i, p in enumerate(_round(pixels))},
    }
