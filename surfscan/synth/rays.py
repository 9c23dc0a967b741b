"""Rays of a camera to a known panel, and mirrored on to its board."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from surfscan.core.records import Board, Camera, Pose
from surfscan.synth.panels import Panel

__all__ = ["Hits", "cast", "fresnel", "meet_board", "mirror_hits", "moving_rays", "pixel_rays", "project"]

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Hits:
    """Where pixels look, each (H, W) float64.

    `x_mm`, `y_mm`, `z_mm` on the panel's surface (or its continuation past the rim); `a_mm`, `b_mm` on the
    board, from its middle; `cos_in` the cosine of the angle of incidence; `range_mm` from the panel point to
    the board point. NaN where the ray meets no surface; `a_mm`, `b_mm`, `range_mm` also where the mirrored
    ray runs away from the board's plane.
    """

    x_mm: Array
    y_mm: Array
    z_mm: Array
    a_mm: Array
    b_mm: Array
    cos_in: Array
    range_mm: Array


def fresnel(cos_in: ArrayLike, index: float) -> Array:
    """Return the unpolarised reflectance of a smooth surface, air to `index`.

    Parameters
    ----------
    cos_in : array_like
        Cosine of the angle of incidence, 0 to 1.
    index : float
        Refractive index, at least 1.

    References
    ----------
    Fresnel's equations; Born and Wolf, Principles of Optics, section 1.5.2.
    """
    ci = np.clip(np.asarray(cos_in, dtype=np.float64), 0, 1)
    ct = np.sqrt(1 - (1 - ci * ci) / index**2)
    with np.errstate(invalid="ignore"):
        rs = (ci - index * ct) / (ci + index * ct)
        rp = (index * ci - ct) / (index * ci + ct)
    # both are 0/0 at grazing incidence on index 1, where nothing is reflected
    half: Array = np.nan_to_num(0.5 * (rs * rs + rp * rp))
    return half


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
    return _unit(_ahead(columns, rows, camera) @ pose.rotation)


def moving_rays(columns: ArrayLike, rows: ArrayLike, camera: Camera, rotation: Array) -> Array:
    """The same (2, R, C, 3) for a camera that turns from row to row and while each is exposed: (2, R, 3, 3)."""
    return _unit(np.einsum("rcj,krji->krci", _ahead(columns, rows, camera), rotation))


def _unit(ahead: Array) -> Array:
    unit: Array = ahead / np.linalg.norm(ahead, axis=-1, keepdims=True)
    return unit


def _ahead(columns: ArrayLike, rows: ArrayLike, camera: Camera) -> Array:
    c, r = np.broadcast_arrays(np.asarray(columns, dtype=np.float64), np.asarray(rows, dtype=np.float64))
    x = (c - camera.centre_px[0]) / camera.focal_px
    y = (r - camera.centre_px[1]) / camera.focal_px
    if any(_five(camera)):
        xd, yd = x, y
        for _ in range(30):  # a fixed point, each step some 10 times closer for a phone's lens
            xs, ys = _distort(x, y, camera)
            x, y = x + (xd - xs), y + (yd - ys)
    return np.stack([x, y, np.ones_like(x)], -1)


def _five(camera: Camera) -> tuple[float, float, float, float, float]:
    k1, k2, p1, p2, k3 = (*camera.distortion, 0.0, 0.0, 0.0, 0.0, 0.0)[:5]
    return k1, k2, p1, p2, k3


def mirror_hits(
    panel: Panel,
    camera: Camera,
    pose: Pose,
    board: Board | None,
    columns: ArrayLike,
    rows: ArrayLike,
    *,
    sag_mm: float = 0.0,
) -> Hits:
    """Follow the rays of pixels to the panel and on to the board.

    Parameters
    ----------
    panel, camera, pose, board :
        The scene; without a board, `a_mm`, `b_mm` and `range_mm` are NaN.
    columns, rows : array_like
        Pixel places, broadcast against each other.
    sag_mm : float
        See `Scene.board_sag_mm`.
    """
    d = pixel_rays(columns, rows, camera, pose)
    return cast(panel, pose.centre_mm, board, d, sag_mm)[0]


def cast(
    panel: Panel, centre: Array, board: Board | None, d: Array, sag_mm: float = 0.0
) -> tuple[Hits, Array, Array]:
    total = panel.total
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.where(d[..., 2] < 0, -centre[2] / d[..., 2], np.nan)
        for _ in range(8):
            x, y = centre[0] + t * d[..., 0], centre[1] + t * d[..., 1]
            z, p, q = total.surface(x, y)
            more = (centre[2] + t * d[..., 2] - z) / (d[..., 2] - p * d[..., 0] - q * d[..., 1])
            if not np.nanmax(np.abs(more), initial=0) > 1e-5:  # 0.01 um, and as little on the board
                break
            t = t - more
        lean = 1 / np.sqrt(1 + p * p + q * q)
        n = np.stack([-p * lean, -q * lean, lean], -1)
        cos_in = -(d * n).sum(-1)
        a = b = far = np.full(x.shape, np.nan)
        if board is not None:
            out = d + 2 * cos_in[..., None] * n
            a, b, far = meet_board(board, np.stack([x, y, z], -1), out, sag_mm)
    return Hits(x, y, z, a, b, cos_in, far), p, q


def meet_board(board: Board, start: Array, ray: Array, sag_mm: float) -> tuple[Array, Array, Array]:
    """Where rays meet the board, from its middle, and how far that is; NaN where they run away from it."""
    away = board.centre_mm - start
    on, across = ray @ board.normal, ray @ board.across
    reach, left = away @ board.normal, away @ board.across
    far = reach / on
    if sag_mm:
        half = board.size_mm[0] / 2
        for _ in range(8):  # a fixed point: the bulge changes by a few per cent of a step along the ray
            a = np.clip(far * across - left, -half, half)
            far = (reach - sag_mm * (a / half) ** 2) / on
    far = np.where(far > 0, far, np.nan)
    landed = far[..., None] * ray - away
    return landed @ board.across, landed @ board.up, far
