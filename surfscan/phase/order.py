"""Which stripe is which: taking the wraps out of a smooth residual phase."""

from __future__ import annotations

import numpy as np

from surfscan.core.poisson import label_islands, solve_steps
from surfscan.core.records import Array

__all__ = ["unwrap"]


def unwrap(wrapped_rad: Array, valid: Array) -> Array:
    """Unwrap a phase map part by part.

    Parameters
    ----------
    wrapped_rad : ndarray (H, W)
        Phase, -pi to pi.
    valid : ndarray (H, W), bool

    Returns
    -------
    ndarray (H, W), float64
        Continuous within each connected part, and equal to the wrapped phase but for whole turns; the median
        of every part lies in -pi .. pi. NaN where not valid.

    Notes
    -----
    Least-squares unwrapping of the wrapped differences, then rounded to the nearest congruent phase: Ghiglia
    and Romero 1994, JOSA A 11, 107. A lock-in's residual changes by far less than half a turn from cell to
    cell, so that the wrapped differences are the true ones and both steps are exact.
    """
    inside = valid & np.isfinite(wrapped_rad)
    flat = np.where(inside, wrapped_rad, 0.0)
    gx, gy = _wrap(np.diff(flat, axis=1)), _wrap(np.diff(flat, axis=0))
    wx = (inside[:, 1:] & inside[:, :-1]).astype(float)
    wy = (inside[1:] & inside[:-1]).astype(float)
    smooth = solve_steps(gx, gy, wx, wy, tolerance=1e-4)
    out = np.full(wrapped_rad.shape, np.nan)
    count, labels = label_islands(inside)
    for k in range(1, count + 1):
        part = labels == k
        # The part's constant: the one that agrees best with the wrapped phase.
        offset = np.angle(np.mean(np.exp(1j * (flat[part] - smooth[part]))))
        near = smooth[part] + offset
        full = flat[part] + 2 * np.pi * np.round((near - flat[part]) / (2 * np.pi))
        out[part] = full - 2 * np.pi * np.round(np.median(full) / (2 * np.pi))
    return out


def _wrap(phase: Array) -> Array:
    return np.asarray(phase - 2 * np.pi * np.round(phase / (2 * np.pi)))
