"""The three tolerances a test may use, each a formula with its reason. A bare number in a test says why."""

from __future__ import annotations

import math

import numpy as np


def rounding(scale: float, *, operations: int = 1, dtype: type = np.float64) -> float:
    """Rounding: machine epsilon times the size of the numbers, growing as the root of the operations.

    Rounding errors of independent sign add like a random walk (Higham, Accuracy and Stability of Numerical
    Algorithms, 2nd ed., section 2.8; from memory); a factor 8 covers the walk's tail.
    """
    return 8.0 * float(np.finfo(dtype).eps) * scale * math.sqrt(operations)


def sampling(step: float, curvature: float) -> float:
    """Sampling: linear interpolation between samples `step` apart errs by at most step^2 / 8 times |f''|."""
    return step**2 / 8.0 * abs(curvature)


def noise(sigma: float, *, averaged: int = 1, sigmas: float = 5.0) -> float:
    """Noise: `sigmas` standard deviations of a mean of `averaged` values; five fail once in two million."""
    return sigmas * sigma / math.sqrt(averaged)
