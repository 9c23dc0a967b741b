"""Least squares on a masked grid of steps: the Poisson problem behind heights and unwrapped phases.

Given wanted differences between neighbours and their weights, the best values solve a weighted graph
Laplacian with natural boundary. On a full rectangle the cosine transform solves it at once; elsewhere the
transform preconditions conjugate gradients.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.fft import dctn, idctn, next_fast_len

from surfscan.core.records import Array

__all__ = ["label_islands", "solve_steps"]

MANY = 100_000
"""Cells from which on the transform takes two threads: below, they cost more than they save. The result is the same."""


def label_islands(valid: Array) -> tuple[int, Array]:
    """Number the 4-connected parts of a mask.

    Parameters
    ----------
    valid : ndarray (H, W), bool

    Returns
    -------
    count : int
    labels : ndarray (H, W), int32
        0 outside, 1 for the largest part, then by falling area.
    """
    count, labels, stats, _ = cv2.connectedComponentsWithStats(valid.astype(np.uint8), connectivity=4)
    if count <= 1:
        return 0, np.zeros(valid.shape, np.int32)
    order = np.argsort(-stats[1:, cv2.CC_STAT_AREA], kind="stable") + 1
    rank = np.zeros(count, np.int32)
    rank[order] = np.arange(1, count)
    return count - 1, rank[labels]


def solve_steps(
    gx: Array,
    gy: Array,
    wx: Array,
    wy: Array,
    *,
    tolerance: float = 1e-7,
    start: Array | None = None,
    max_rounds: int = 400,
) -> Array:
    """Find the map whose neighbour differences come closest to the wanted ones.

    Parameters
    ----------
    gx : ndarray (..., H, W-1)
        Wanted z[i, j+1] - z[i, j]; several problems along the leading axes are solved at once.
    gy : ndarray (..., H-1, W)
        Wanted z[i+1, j] - z[i, j].
    wx, wy : ndarray (H, W-1), (H-1, W)
        Their weights, >= 0.
    tolerance : float
        Relative residual at which the iteration stops.
    start : ndarray (..., H, W), optional
        A first guess.
    max_rounds : int

    Returns
    -------
    ndarray (..., H, W), float64
        Parts that no weight connects have free constants.
    """
    right = _adjoint(wx * gx, wy * gy)
    held = np.zeros((wy.shape[-2] + 1, wy.shape[-1]), bool)  # nothing speaks about the cells around these
    held[:, 1:] |= wx > 0
    held[:, :-1] |= wx > 0
    held[1:] |= wy > 0
    held[:-1] |= wy > 0
    rows, columns = _span(np.any(held, axis=1)), _span(np.any(held, axis=0))
    out = np.zeros(right.shape)
    out[..., rows, columns] = _solve(
        right[..., rows, columns],
        wx[rows, columns.start : columns.stop - 1],
        wy[rows.start : rows.stop - 1, columns],
        tolerance,
        None if start is None else start[..., rows, columns],
        max_rounds,
    )
    return out


def _span(used: Array) -> slice:
    """From the first to the last that is used; one where none is."""
    at = np.flatnonzero(used)
    return slice(int(at[0]), int(at[-1]) + 1) if at.size else slice(0, 1)


def _adjoint(fx: Array, fy: Array) -> Array:
    out = np.empty((*fx.shape[:-1], fy.shape[-1]))
    out[..., 0] = 0
    out[..., 1:] = fx
    out[..., :-1] -= fx
    out[..., 1:, :] += fy
    out[..., :-1, :] -= fy
    return out


def _solve(
    right: Array, wx: Array, wy: Array, tolerance: float, start: Array | None, max_rounds: int
) -> Array:
    """Preconditioned conjugate gradients for the weighted graph Laplacian.

    The rectangle is filled up to lengths that the transform likes; the filling has no weight.
    """
    rows, columns = right.shape[-2:]
    h, w = next_fast_len(rows, real=True), next_fast_len(columns, real=True)
    right, wx, wy = (
        np.pad(a, [(0, 0)] * (a.ndim - 2) + [(0, h - rows), (0, w - columns)]) for a in (right, wx, wy)
    )
    z = np.zeros(right.shape)
    if start is not None:
        z[..., :rows, :columns] = start
    eigen = (2 - 2 * np.cos(np.pi * np.arange(h) / h))[:, None] + (2 - 2 * np.cos(np.pi * np.arange(w) / w))
    eigen[0, 0] = np.inf  # no constant
    inverse = (1 / eigen).astype(np.float32)
    both = (-2, -1)
    workers = 2 if right.size > MANY else 1

    def precondition(r: Array) -> Array:
        # In single precision, which is two to three times as fast: the residual itself stays in double.
        top = np.maximum(np.abs(r).max(axis=both, keepdims=True), np.finfo(float).tiny)
        c = dctn(
            (r / top).astype(np.float32), type=2, norm="ortho", axes=both, overwrite_x=True, workers=workers
        )
        c *= inverse
        return top * idctn(c, type=2, norm="ortho", axes=both, overwrite_x=True, workers=workers)

    def apply(z: Array) -> Array:
        return _adjoint(wx * np.diff(z, axis=-1), wy * np.diff(z, axis=-2))

    def dot(a: Array, b: Array) -> Array:
        # Plain sums rather than BLAS: the same result on one thread or many.
        return np.asarray(np.sum(a * b, axis=both, keepdims=True))

    size = dot(right, right)
    r = right - apply(z)
    y = precondition(r)
    d, gamma = y, dot(r, y)
    for _ in range(max_rounds):
        ad = apply(d)
        bend = dot(d, ad)
        going = (dot(r, r) > tolerance**2 * size) & (bend > 0)
        if not going.any():
            break
        alpha = np.where(going, gamma / np.where(bend > 0, bend, 1.0), 0.0)
        z += alpha * d
        r -= alpha * ad
        y = precondition(r)
        fresh = dot(r, y)
        d, gamma = y + np.where(going, fresh / np.where(gamma > 0, gamma, 1.0), 0.0) * d, fresh
    return np.where(size > 0, z, 0.0)[..., :rows, :columns]
