"""Mirror images: of points, curves and whole pieces, in any axis of the plane."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from extract.build import Edge, Piece
from extract.doors import Array, Curve
from extract.geometry.curve import reversed_curve, transformed


def reflection(point_mm: Array | tuple[float, float], angle_rad: float) -> Array:
    """The affine matrix (2, 3) of the mirror whose axis runs through ``point_mm`` at ``angle_rad`` from x towards y."""
    c, s = np.cos(2 * angle_rad), np.sin(2 * angle_rad)
    turn = np.array([[c, s], [s, -c]])
    point = np.asarray(point_mm, float)
    return np.c_[turn, point - turn @ point]


def upright_mirror(x_mm: float) -> Array:
    """The mirror in the line x = ``x_mm``, without rounding in the matrix."""
    return np.array([[-1.0, 0.0, 2 * x_mm], [0.0, 1.0, 0.0]])


def moved(points_mm: Array, matrix: Array) -> Array:
    """Points (N, 2) under the affine matrix (2, 3)."""
    return np.asarray(points_mm @ matrix[:, :2].T + matrix[:, 2])


def mirror_curve(curve: Curve, matrix: Array) -> Curve:
    """The mirror image, walked so that a closed one turns the same way round as before."""
    return reversed_curve(transformed(curve, matrix))


def mirrored_piece(piece: Piece, matrix: Array) -> Piece:
    """The piece's mirror image: its first edge stays first, the others follow in reverse, each under its own id.

    Lines inside keep their direction; the forward direction is mirrored along.
    """
    edges: tuple[Edge, ...] = tuple(
        replace(edge, curve=mirror_curve(edge.curve, matrix)) for edge in (piece.edges[0], *piece.edges[:0:-1])
    )
    forward = piece.forward_deg
    if forward is not None:
        x, y = matrix[:, :2] @ [np.cos(np.radians(forward)), np.sin(np.radians(forward))]
        forward = float(np.degrees(np.arctan2(y, x))) % 360.0
    return replace(
        piece,
        edges=edges,
        holes=tuple(replace(hole, curve=mirror_curve(hole.curve, matrix)) for hole in piece.holes),
        details=tuple(replace(detail, curve=transformed(detail.curve, matrix)) for detail in piece.details),
        forward_deg=forward,
    )


def shifted_piece(piece: Piece, x_mm: float, y_mm: float) -> Piece:
    """The piece moved without turning."""
    shift = np.array([[1.0, 0.0, x_mm], [0.0, 1.0, y_mm]])
    return replace(
        piece,
        edges=tuple(replace(edge, curve=transformed(edge.curve, shift)) for edge in piece.edges),
        holes=tuple(replace(hole, curve=transformed(hole.curve, shift)) for hole in piece.holes),
        details=tuple(replace(detail, curve=transformed(detail.curve, shift)) for detail in piece.details),
    )
