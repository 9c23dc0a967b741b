"""Where the corners of a printed tag are, when it lies turned and tilted about its centre."""

from __future__ import annotations

import numpy as np

from surfscan.core.records import Array

__all__ = ["tag_corners", "tag_middle"]


def tag_corners(turn_tilt: Array, centres: Array, side: float) -> Array:
    """Corners of square tags in the plane's own frame.

    Parameters
    ----------
    turn_tilt : ndarray (N, 3)
        Each tag's turn about its centre (rad, anticlockwise seen from the front) and slopes dz/dx, dz/dy.
    centres : ndarray (N, 2) or (N, 3)
        Tag centres, mm; without a third number their z is 0.
    side : float
        Side of the black square, mm.

    Returns
    -------
    ndarray (N, 4, 3)
        Upper left, upper right, lower right, lower left of the print, mm.
    """
    turn, p, q = turn_tilt.T
    half = side / 2
    square = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    along = cos * square[:, 0] - sin * square[:, 1]
    up = sin * square[:, 0] + cos * square[:, 1]
    # Axes of the tilted plane: unit along x on it, and the perpendicular in it (normal x first axis).
    p, q = p[:, None], q[:, None]
    long, size = np.sqrt(1 + p * p), np.sqrt(1 + p * p + q * q)
    up = up / (size * long)
    points = np.empty((*along.shape, 3))
    points[..., 0] = along / long - up * (p * q)
    points[..., 1] = up * (1 + p * p)
    points[..., 2] = along * (p / long) + up * q
    points[..., : centres.shape[1]] += centres[:, None]
    return points


def tag_middle(corners: Array) -> Array:
    """Image (2,) of a square's middle: where the diagonals of its four imaged corners (4, 2) cross."""
    a, b, c, d = corners
    u, v = c - a, d - b
    t = ((b - a)[0] * v[1] - (b - a)[1] * v[0]) / (u[0] * v[1] - u[1] * v[0])
    middle: Array = a + t * u
    return middle
