"""From where each direction looks on the board to slopes and height: Newton, integration, level, islands, noise."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.flags import bit
from surfscan.core.poisson import label_islands
from surfscan.core.reading import Context
from surfscan.core.robust import masked_mean
from surfscan.reading.surface import Surface, scaled_axes
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import continue_smoothly, newton_step

__all__ = [
    "Side",
    "close_islands",
    "curl_mrad",
    "integrated_noise",
    "rebuild",
    "seat_islands",
    "settle",
    "southwell",
]

MOST_ROUNDS = 100
"""Of the solver between two looks at the photos. A panel takes 5 to 60; one of which a corner was seen takes 230,
for the height of the rest."""

Side = tuple[Array, Array, str]
"""Camera centre (3,), board coordinate seen (H, W) in mm from the board's middle, and its axis."""


def settle(
    surface: Surface,
    sides: tuple[Side, Side],
    measured: Array,
    *,
    context: Context,
    weights: tuple[Array, Array],
    reach_px: float = 8.0,
) -> Surface:
    """Solve for slopes, integrate, level on the tags' plane, and continue the surface where it is not seen.

    Parameters
    ----------
    surface : Surface
        As known so far.
    sides : two of (camera_mm, wanted_mm, varies)
    measured : ndarray (H, W), bool
    context : Context
    weights : two ndarray (H, W)
        Of p and q.
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
            rows.append((surface.hit(camera_mm, context.mirrored_board, p=p, q=q), wanted, varies))
        dp, dq = newton_step(rows[0], rows[1])
        solved = measured & np.isfinite(dp) & np.isfinite(dq)
        p, q = p + np.where(solved, dp, 0), q + np.where(solved, dq, 0)
    return rebuild(surface, p, q, measured, context=context, weights=weights, reach_px=reach_px).level(
        context
    )


def rebuild(
    surface: Surface,
    p: Array,
    q: Array,
    measured: Array,
    *,
    context: Context,
    weights: tuple[Array, Array],
    reach_px: float = 8.0,
) -> Surface:
    """Continue fresh slopes beyond what was measured and integrate them, on from the surface as it was."""
    grid = context.grid
    x, y, _ = scaled_axes(grid)
    p = continue_smoothly(p, measured, x, y, reach_px=reach_px)
    q = continue_smoothly(q, measured, x, y, reach_px=reach_px)
    z, _ = integrate_slopes(
        p, q, step_mm=grid.step_mm, weight=weights, tolerance=1e-5, start=surface.z, max_rounds=MOST_ROUNDS
    )
    return replace(surface, z=z, p=p, q=q)


def close_islands(
    surface: Surface,
    measured: Array,
    weights: tuple[Array, Array],
    flags: Array,
    context: Context,
    *,
    least_mm2: float = 0.0,
) -> tuple[Array, Array, Array]:
    """Integrate what was measured alone, each island at the surface's own height; flag the lesser ones.

    Parameters
    ----------
    surface, measured, weights, context
        As in `settle`.
    flags : ndarray (H, W), int32
        Changed in place.
    least_mm2 : float
        Lesser islands under this area are dropped: within a stripe period nothing can be told from an island's own
        free height and tilt.

    Returns
    -------
    height_mm, p, q : ndarray (H, W)
        NaN where not measured.
    """
    step = context.grid.step_mm
    p, q = np.where(measured, surface.p, np.nan), np.where(measured, surface.q, np.nan)
    height, _ = integrate_slopes(p, q, step_mm=step, weight=weights, start=surface.z, tolerance=1e-7)
    for part in seat_islands(height, surface.z, measured, flags):
        if part.sum() * step**2 < least_mm2:
            height[part] = p[part] = q[part] = np.nan
    return height, p, q


def seat_islands(height: Array, z: Array, measured: Array, flags: Array, *, first: int = 1) -> list[Array]:
    """Put each island of a height at the mean height of z there, from number `first`; flag the lesser ones.

    Changes `height` and `flags` in place; returns the lesser islands' masks.
    """
    count, labels = label_islands(measured)
    lesser = []
    for k in range(first, count + 1):
        part = labels == k
        height[part] += np.mean(z[part] - height[part])
        if k > 1:
            flags[part] |= bit("island")
            lesser.append(part)
    return lesser


def curl_mrad(p: Array, q: Array, measured: Array, step_mm: float, *, smooth_px: float = 0.0) -> float:
    """Root mean square disagreement of the two slopes, mrad: the curl over one cell, or over one smoothing length.

    NaN when nothing is left inside the rim.
    """
    size, length = 3, 1.0
    if smooth_px:
        p, q = masked_mean(p, measured, smooth_px)[0], masked_mean(q, measured, smooth_px)[0]
        size, length = 2 * int(np.ceil(2 * smooth_px)) + 1, smooth_px
    curl = np.gradient(p, step_mm, axis=0) - np.gradient(q, step_mm, axis=1)
    kernel = np.ones((size, size), np.uint8)
    if smooth_px:
        inner = cv2.erode(measured.astype(np.uint8), kernel, borderValue=0) > 0
    else:
        inner = cv2.erode(measured.astype(np.uint8), kernel) > 0
    if not inner.any():
        return float("nan")
    return float(1e3 * np.sqrt(np.mean(curl[inner] ** 2)) * step_mm * length)


def southwell(cells: float) -> float:
    """Height variance over slope variance, both per cell squared, of an integration over so many cells.

    Southwell's noise coefficient (1980, JOSA 70, 998) grows as ln(N)/(2 pi), N the cells along a side (check: 0.8856 at
    N = 100, 1.2545 at N = 1000).
    """
    size = max(float(np.sqrt(cells)), 4.0)
    return float(np.log(size) / (2 * np.pi) + 0.15)


def integrated_noise(white: float, measured: Array, step_mm: float) -> float:
    """Height noise, mm, of white slope noise of variance `white` a cell."""
    return float(np.sqrt(southwell(measured.sum()) * white)) * step_mm
