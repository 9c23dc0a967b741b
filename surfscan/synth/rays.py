"""Pixels to rays and points to pixels, by OpenCV's model of a lens but without its code.

The ray caster keeps its own geometry, so that photos do not share a fault with what measures them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from surfscan.core.records import Camera, Pose

__all__ = ["pixel_rays", "project"]

Array = NDArray[Any]


def project(points_mm: ArrayLike, camera: Camera, pose: Pose) -> Array:
    """Return pixel places (N, 2), column and row, of panel-frame points (N, 3).

    The model is OpenCV's: x'' = x' (1 + k1 r^2 + k2 r^4 + k3 r^6) + 2 p1 x'y' + p2 (r^2 + 2 x'^2), and
    likewise for y.
    """
    seen = np.asarray(points_mm, dtype=np.float64) @ pose.rotation.T + pose.shift_mm
    x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
    xd, yd = _distort(x, y, camera)
    f, (c, r) = camera.focal_px, camera.centre_px
    return np.stack([f * xd + c, f * yd + r], -1)


def _distort(x: Array, y: Array, camera: Camera) -> tuple[Array, Array]:
    k1, k2, p1, p2, k3 = _five(camera)
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    return xd, y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y


def pixel_rays(columns: ArrayLike, rows: ArrayLike, camera: Camera, pose: Pose) -> Array:
    """Return unit directions (..., 3) in the panel frame in which pixels look; distortion is undone."""
    c, r = np.broadcast_arrays(np.asarray(columns, dtype=np.float64), np.asarray(rows, dtype=np.float64))
    x = (c - camera.centre_px[0]) / camera.focal_px
    y = (r - camera.centre_px[1]) / camera.focal_px
    if any(_five(camera)):
        xd, yd = x, y
        for _ in range(30):  # a fixed point, each step some 10 times closer for a phone's lens
            xs, ys = _distort(x, y, camera)
            x, y = x + (xd - xs), y + (yd - ys)
    ahead = np.stack([x, y, np.ones_like(x)], -1) @ pose.rotation
    unit: Array = ahead / np.linalg.norm(ahead, axis=-1, keepdims=True)
    return unit


def _five(camera: Camera) -> tuple[float, float, float, float, float]:
    k1, k2, p1, p2, k3 = (*camera.distortion, 0.0, 0.0, 0.0, 0.0, 0.0)[:5]
    return k1, k2, p1, p2, k3
