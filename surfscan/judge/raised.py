"""The raised surface that buries highs with the least filler.

A high that stays up forces the fair surface up around it: the *raised surface* r must reach every place to
within the allowed height, never go under the fair surface, and nowhere be steeper than the feather slope s,
so that the blend does not stand out:

    r >= g,  g = max(height - allowed, 0),  |r(x) - r(y)| <= s |x - y| for all x, y.

Among all such surfaces the one that needs least filler is the smallest s-Lipschitz majorant

    r*(x) = max over y of ( g(y) - s |x - y| ).

Proof. r* is a maximum of s-Lipschitz functions, so it is one, and y = x shows r* >= g: it is allowed. For any
allowed r and all x, y: r(x) >= r(y) - s |x - y| >= g(y) - s |x - y|; taking the maximum over y, r >= r*. So
r* lies under every allowed surface at every place, and has the least depth, the least area and the least
volume at once: it solves the linear programme "least sum of r" whatever weights the cells get. (McShane 1934,
Bull. AMS 40, 837: the smallest Lipschitz extension; here by the three lines above.) The tests solve the
programme itself.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["raised_surface"]

Array = NDArray[Any]

_EXACT_WORK = 1e8  # cells touched by the exact cones, about a tenth of a second
_LEVELS = 128


def raised_surface(
    height_mm: Array, *, step_mm: float, allowed_mm: float, feather_mrad: float
) -> tuple[Array, float]:
    """Smallest raised surface that buries the highs with a given feather slope (see the module's text).

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Deviation from the fair surface, mm; NaN where not measured: nothing is asked there, but the surface
        goes across.
    step_mm : float
        Cell side, mm.
    allowed_mm : float
        Height a high may keep above the surface, mm, 0 or more.
    feather_mrad : float
        Steepest slope, mrad, above 0.

    Returns
    -------
    raised_mm : ndarray (H, W), float64
        mm, 0 or more.
    error_mm : float
        0 when exact over all pairs of cells. On a map with so many high cells that this would take long, the
        obstacle is cut into 128 levels; then the surface is at most this much lower than the exact one.

    Raises
    ------
    ValueError
        For a slope or step not above 0, or a negative allowance.
    """
    if not (step_mm > 0 and feather_mrad > 0 and allowed_mm >= 0):
        raise ValueError(
            f"step_mm and feather_mrad must be above 0 and allowed_mm not negative; "
            f"found {step_mm}, {feather_mrad}, {allowed_mm}"
        )
    height = np.asarray(height_mm, dtype=np.float64)
    obstacle = np.where(np.isfinite(height), np.maximum(height - allowed_mm, 0.0), 0.0)
    return _majorant(obstacle, feather_mrad * 1e-3 * step_mm)


def _majorant(obstacle: Array, slope: float) -> tuple[Array, float]:
    """Smallest majorant of `obstacle` (0 or more) with that slope per cell, and its greatest shortfall."""
    raised = obstacle.copy()
    sources = np.flatnonzero(obstacle > 0)
    if sources.size == 0:
        return raised, 0.0
    rows, columns = obstacle.shape
    value = obstacle.ravel()[sources]
    # cones past the grid's far edge cost nothing
    reach = np.minimum(np.floor(value / slope), max(rows, columns)).astype(np.intp)
    steep = _needed(obstacle, slope).ravel()[sources]
    work = float((np.minimum(2 * reach + 1, rows) * np.minimum(2 * reach + 1, columns))[steep].sum())
    if work > _EXACT_WORK:
        return _by_levels(obstacle, slope)
    size = int(reach.max())
    off = np.arange(-size, size + 1)
    fall = slope * np.hypot(off[:, None], off[None, :])
    # tallest first: a source already under another's cone adds nothing, as its own cone lies under that one
    order = np.argsort(-value, kind="stable")
    for k in order[steep[order]]:
        r, c = divmod(int(sources[k]), columns)
        if raised[r, c] > value[k]:
            continue
        n = int(reach[k])
        top, bottom = max(r - n, 0), min(r + n + 1, rows)
        left, right = max(c - n, 0), min(c + n + 1, columns)
        part = raised[top:bottom, left:right]
        cone = fall[top - r + size : bottom - r + size, left - c + size : right - c + size]
        np.maximum(part, value[k] - cone, out=part)
    return raised, 0.0


def _needed(obstacle: Array, slope: float) -> Array:
    """Cells that no touching cell's cone covers; the others can be left out."""
    rows, columns = obstacle.shape
    wide = np.pad(obstacle, 1)
    best = np.zeros_like(obstacle)
    for dr in (-1, 0, 1):
        for dc in (-1, 0, 1):
            if dr or dc:
                near = wide[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + columns]
                np.maximum(best, near - slope * math.hypot(dr, dc), out=best)
    # the covering cell is taller, so a chain of covered cells climbs and ends at one that is kept
    return (obstacle > 0) & (obstacle >= best)


def _by_levels(obstacle: Array, slope: float) -> tuple[Array, float]:
    """As `_majorant`, from the distance to each of 128 levels of the obstacle."""
    levels = np.linspace(0.0, float(obstacle.max()), _LEVELS + 1)
    raised = obstacle.copy()
    for level in levels[1:]:
        outside = (obstacle < level).astype(np.uint8)
        away = cv2.distanceTransform(outside, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        np.maximum(raised, level - slope * away.astype(np.float64), out=raised)
    return raised, float(levels[1])
