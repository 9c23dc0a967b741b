"""From where each direction looks on the board to slopes and height: Newton, integration, level."""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.flags import bit
from surfscan.core.poisson import label_islands
from surfscan.core.records import Array, Board, Grid
from surfscan.optics.mirror import hit_board
from surfscan.reading.follow import Surface
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import continue_smoothly, newton_step

__all__ = ["Side", "close_islands", "curl_mrad", "integrated_noise", "level_on", "settle"]

Side = tuple[Array, Array, str]
"""Camera centre (3,), board coordinate seen (H, W) in mm from the board's middle, and its axis."""


def settle(
    surface: Surface,
    sides: tuple[Side, Side],
    measured: Array,
    *,
    board: Board,
    grid: Grid,
    level_at_mm: Array,
    weights: tuple[Array, Array] | None = None,
    reach_px: float = 8.0,
) -> Surface:
    """Solve for slopes, integrate, level on the tags' plane, and continue the surface where it is not seen.

    Parameters
    ----------
    surface : Surface
        As known so far.
    sides : two of (camera_mm, wanted_mm, varies)
    measured : ndarray (H, W), bool
    board, grid : Board, Grid
    level_at_mm : ndarray (N, 2)
        Places whose heights define z = 0.
    weights : two ndarray (H, W), optional
        Of p and q; 1 where measured when not given.
    reach_px : float
        How far the neighbours are carried into what was not seen.

    Returns
    -------
    Surface
    """
    p, q = surface.p, surface.q
    for _ in range(2):
        rows = []
        for camera_mm, wanted, varies in sides:
            hit = hit_board(surface.x, surface.y, surface.z, p, q, camera_mm=camera_mm, board=board)
            rows.append((hit, wanted, varies))
        dp, dq = newton_step(rows[0], rows[1])
        solved = measured & np.isfinite(dp) & np.isfinite(dq)
        p, q = p + np.where(solved, dp, 0), q + np.where(solved, dq, 0)
    reach = float(max(np.abs(grid.x_mm).max(), np.abs(grid.y_mm).max()))
    x, y = grid.x_mm / reach, grid.y_mm / reach
    p = continue_smoothly(p, measured, x, y, reach_px=reach_px)
    q = continue_smoothly(q, measured, x, y, reach_px=reach_px)
    plain = np.where(measured, 1.0, 1e-3)
    z, _ = integrate_slopes(
        p, q, step_mm=grid.step_mm, weight=weights or (plain, plain), tolerance=1e-5, start=surface.z
    )
    return level_on(Surface(surface.x, surface.y, z, p, q), grid, level_at_mm)


def level_on(surface: Surface, grid: Grid, level_at_mm: Array) -> Surface:
    """Take the plane through the surface at the tags off, height and slopes alike."""
    column = np.clip((level_at_mm[:, 0] - grid.x_mm[0]) / grid.step_mm, 0, grid.x_mm.size - 1)
    row = np.clip((level_at_mm[:, 1] - grid.y_mm[0]) / grid.step_mm, 0, grid.y_mm.size - 1)
    at = surface.z[np.rint(row).astype(int), np.rint(column).astype(int)]
    design = np.column_stack([np.ones(len(at)), level_at_mm])
    tilt = np.linalg.lstsq(design, at, rcond=None)[0]
    z = surface.z - (tilt[0] + tilt[1] * surface.x + tilt[2] * surface.y)
    return Surface(surface.x, surface.y, z, surface.p - tilt[1], surface.q - tilt[2])


def close_islands(
    surface: Surface, measured: Array, weights: tuple[Array, Array], flags: Array, grid: Grid
) -> tuple[Array, Array]:
    """Integrate what was measured alone, each island at the surface's own height; flag the lesser islands.

    Returns
    -------
    height_mm : ndarray (H, W)
        NaN where not measured.
    flags : ndarray (H, W), int32
    """
    p, q = np.where(measured, surface.p, np.nan), np.where(measured, surface.q, np.nan)
    height, _ = integrate_slopes(p, q, step_mm=grid.step_mm, weight=weights, start=surface.z, tolerance=1e-7)
    flags = flags.copy()
    count, labels = label_islands(measured)
    for k in range(1, count + 1):
        part = labels == k
        height[part] += np.mean(surface.z[part] - height[part])
        if k > 1:
            flags[part] |= bit("island")
    return height, flags


def curl_mrad(p: Array, q: Array, measured: Array, step_mm: float, *, smooth_px: float) -> float:
    """Root mean square curl of smoothed slopes over one smoothing length, mrad; NaN when nothing is left."""
    weight = measured.astype(np.float32)
    share = np.maximum(cv2.GaussianBlur(weight, (0, 0), smooth_px), 1e-3)
    soft_p, soft_q = (
        cv2.GaussianBlur(np.where(measured, a, 0).astype(np.float32), (0, 0), smooth_px) / share
        for a in (p, q)
    )
    curl = np.gradient(soft_p, step_mm, axis=0) - np.gradient(soft_q, step_mm, axis=1)
    size = 2 * int(np.ceil(2 * smooth_px)) + 1
    inner = cv2.erode(measured.astype(np.uint8), np.ones((size, size), np.uint8), borderValue=0) > 0
    if not inner.any():
        return float("nan")
    return float(1e3 * np.sqrt(np.mean(curl[inner] ** 2)) * step_mm * smooth_px)


def integrated_noise(white: float, measured: Array, step_mm: float) -> float:
    """Height noise, mm, of white slope noise of variance `white` a cell: Southwell's ln(N)/(2 pi) + 0.15."""
    size = max(float(np.sqrt(measured.sum())), 4.0)
    return float(np.sqrt((np.log(size) / (2 * np.pi) + 0.15) * white)) * step_mm
