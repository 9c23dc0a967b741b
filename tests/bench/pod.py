"""Probability of detection from hits and misses, by the practice of MIL-HDBK-1823A.

A logistic curve over the logarithm of the size is fitted by maximum likelihood. a90 is the size found nine times in
ten; a90/95 is its upper bound at 95 % confidence, one side, by the likelihood ratio: the largest a90 whose best curve
is not worse than the best of all by more than half the 90 % point of chi-square with one degree of freedom (2.706).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import beta

ODDS = float(np.log(9.0))
"""Logit of 0.9."""

DROP = 2.7055
"""90 % point of chi-square with one degree of freedom: both sides 90 %, so one side 95 %."""


@dataclass(frozen=True)
class Curve:
    """logit(p) = start + slope * x, its standard errors, and log likelihood."""

    start: float
    slope: float
    u_start: float
    u_slope: float
    likelihood: float


def logit_fit(x: np.ndarray, hit: np.ndarray) -> Curve:
    """Maximum likelihood by Newton's method (iteratively reweighted least squares)."""
    x, y = np.asarray(x, float), np.asarray(hit, float)
    design = np.stack([np.ones_like(x), x], -1)
    b = np.zeros(2)
    for _ in range(100):
        p = 1 / (1 + np.exp(-design @ b))
        information = design.T @ (design * (p * (1 - p))[:, None])
        step = np.linalg.solve(information, design.T @ (y - p))
        b = b + step
        if np.abs(step).max() < 1e-10:
            break
    errors = np.sqrt(np.diag(np.linalg.inv(information)))
    return Curve(*map(float, (*b, *errors)), _likelihood(design @ b, y))


def a90(size: np.ndarray, hit: np.ndarray) -> tuple[float, float]:
    """a90 and a90/95; infinite where larger ones are not found more often.

    Where nearly all are found whatever their size (the lower 95 % bound of the share is over 0.9; Clopper and Pearson
    1934), both are the smallest that was made.
    """
    x, y = np.log(np.asarray(size, float)), np.asarray(hit, float)
    nearly_all = beta.ppf(0.05, y.sum(), len(y) - y.sum() + 1) > 0.9
    if nearly_all and y.all():  # no curve can be fitted
        return float(np.min(size)), float(np.min(size))
    curve = logit_fit(x, y)
    if curve.slope <= 0 and nearly_all:
        return float(np.min(size)), float(np.min(size))
    if curve.slope <= 0:
        return float("inf"), float("inf")
    middle = (ODDS - curve.start) / curve.slope

    def worse(at: float) -> float:
        best = minimize_scalar(
            lambda b: -_likelihood(ODDS + np.exp(b) * (x - at), y),
            bounds=(np.log(curve.slope) - 4, np.log(curve.slope) + 3),
            method="bounded",
        )
        return 2 * (curve.likelihood + float(best.fun)) - DROP

    far = middle + np.log(100)
    if worse(far) < 0:
        return float(np.exp(middle)), float("inf")
    return float(np.exp(middle)), float(np.exp(brentq(worse, middle, far)))


def _likelihood(logit: np.ndarray, y: np.ndarray) -> float:
    return float(np.sum(y * logit - np.logaddexp(0, logit)))
