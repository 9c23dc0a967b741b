"""Where a straight rigid thing comes to rest on a profile, and reading a map between its cells.

The upper convex hull of a profile at one place is found from its dual: it is the smallest, over all slopes of
a line, of the greatest height of the profile above that line. The function is convex in the slope, so each
profile needs a few cuts, each one replacing a contact point by the one that sticks out furthest; it ends when
nothing sticks out.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["parts_of", "read_between", "rest"]

Array = NDArray[Any]

_LEAST_SEEN = 0.5
_CHUNK = 4096  # profiles at a time: they stay in the cache


def parts_of(n: int) -> list[slice]:
    """Slices that cut n profiles into batches of a size that is quick."""
    return [slice(i, min(i + _CHUNK, n)) for i in range(0, n, _CHUNK)]


def read_between(height: Array, row: Array, column: Array) -> Array:
    """Bilinear reading of a map at fractional cells.

    Parameters
    ----------
    height : ndarray (H, W), float64
        The map; NaN where not measured.
    row, column : ndarray, float
        Places in cells, shapes that broadcast against each other.

    Returns
    -------
    ndarray, float64
        NaN outside the map and where a cell with weight is not measured.
    """
    shape = height.shape
    inside = (row > -1e-9) & (row < shape[0] - 1 + 1e-9) & (column > -1e-9) & (column < shape[1] - 1 + 1e-9)
    row, column = np.where(inside, row, 0.0), np.where(inside, column, 0.0)
    r0, c0 = np.floor(row + 1e-9).astype(np.intp), np.floor(column + 1e-9).astype(np.intp)
    fr, fc = np.clip(row - r0, 0.0, 1.0), np.clip(column - c0, 0.0, 1.0)
    fr, fc = np.where(fr < 1e-9, 0.0, fr), np.where(fc < 1e-9, 0.0, fc)
    # a neighbour without weight is not looked at, so its NaN does not spread
    r1, c1 = np.where(fr > 0, r0 + 1, r0), np.where(fc > 0, c0 + 1, c0)
    flat, width = height.ravel(), shape[1]
    below = flat[r0 * width + c0] * (1 - fc) + flat[r0 * width + c1] * fc
    above = flat[r1 * width + c0] * (1 - fc) + flat[r1 * width + c1] * fc
    return np.where(inside, below * (1 - fr) + above * fr, np.nan)


def rest(windows: Array, t: Array) -> tuple[Array, Array, Array, Array]:
    """Rest rulers on profiles.

    Parameters
    ----------
    windows : ndarray (n, m), float64
        Heights under n rulers, mm; NaN where not measured. The middle column is the ruler's middle.
    t : ndarray (m,), float64
        Their places along the ruler, mm, ascending, 0 in the middle.

    Returns
    -------
    level, slope : ndarray (n,), float64
        The resting ruler at its middle, mm, and its slope; NaN where it has no rest: nothing measured on one
        side, or under half of its length over measured surface.
    left, right : ndarray (n,), int
        Columns of the two contacts; both the middle one when the surface touches there.
    """
    n = windows.shape[0]
    level, slope = np.full(n, np.nan), np.full(n, np.nan)
    missing = np.isnan(windows)
    z = np.where(missing, -np.inf, windows)
    middle = t.size // 2
    left, right = z[:, :middle].argmax(axis=1), z[:, middle + 1 :].argmax(axis=1) + middle + 1
    every = np.arange(n)
    seen = 1 - missing.mean(axis=1)
    rests = np.isfinite(z[every, left]) & np.isfinite(z[every, right]) & (seen >= _LEAST_SEEN)
    active = np.flatnonzero(rests)
    work = z[active]
    while active.size:
        i, j = left[active], right[active]
        at = np.arange(active.size)
        zi, zj = work[at, i], work[at, j]
        s = (zj - zi) / (t[j] - t[i])
        chord = zi - s * t[i]
        above = work - s[:, None] * t
        k = above.argmax(axis=1)
        top = above[at, k]
        touches = (k == middle) & (top >= chord)
        done = touches | (k == i) | (k == j) | (top <= chord + 1e-12 * (1 + np.abs(chord)))
        level[active] = np.where(touches, top, chord)
        slope[active] = s
        left[active] = np.where(touches, middle, np.where(~done & (k < middle), k, i))
        right[active] = np.where(touches, middle, np.where(~done & (k > middle), k, j))
        active, work = active[~done], work[~done]
    return level, slope, left, right
