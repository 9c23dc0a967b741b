"""Sums of products that come out the same on one thread or many, at the speed of BLAS."""

from __future__ import annotations

import numpy as np

from surfscan.core.carrier import Array

__all__ = ["inner", "product"]

PIECE = 100_000
"""Products in one piece: OpenBLAS does a matrix product of fewer than 262,144 on one thread, whatever it may use."""


def inner(a: Array, b: Array) -> Array:
    """Sum over the first axis of a[n, i] * b[n, j].

    Parameters
    ----------
    a : ndarray (N, I)
    b : ndarray (N, J)

    Returns
    -------
    ndarray (I, J)
    """
    count, wide = a.shape
    each = max(8, PIECE // max(wide * b.shape[1], 1))
    whole = count // each * each
    first, second = (np.ascontiguousarray(part[:whole]).reshape(-1, each, part.shape[1]) for part in (a, b))
    total = np.matmul(first.transpose(0, 2, 1), second).sum(0)
    return np.asarray(total + np.matmul(a[whole:].T, b[whole:]))


def product(a: Array, b: Array) -> Array:
    """Matrix product over the last axis of a (..., I) and the first of b (I, K); shape (..., K)."""
    rows = a.reshape(-1, a.shape[-1])
    out = np.empty((len(rows), b.shape[1]))
    each = max(8, PIECE // max(b.size, 1))
    for start in range(0, len(rows), each):
        np.matmul(rows[start : start + each], b, out=out[start : start + each])
    return out.reshape(*a.shape[:-1], b.shape[1])
