"""Propagation of uncertainty: the law of propagation (JCGM 100) and Monte Carlo (JCGM 101).

Clause numbers are from memory; the values of the guides' examples are in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

__all__ = [
    "Estimate",
    "combine",
    "coverage_factor",
    "effective_dof",
    "monte_carlo",
    "propagate",
    "sensitivities",
    "shortest_interval",
    "summarise",
    "symmetric_interval",
]

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its uncertainty.

    Attributes
    ----------
    value : float
        Best estimate.
    u : float
        Standard uncertainty.
    low, high : float
        Coverage interval.
    probability : float
        Its coverage probability.
    """

    value: float
    u: float
    low: float
    high: float
    probability: float


def combine(coefficients: ArrayLike, covariance: ArrayLike) -> float:
    """Standard uncertainty of a linear combination, sqrt(c V c^T) (JCGM 100, 5.1.2 and 5.2.2).

    Parameters
    ----------
    coefficients : array_like (N,)
        Sensitivities, in units of the result per unit of the input.
    covariance : array_like (N, N) or (N,)
        Covariance of the inputs, or their standard uncertainties when they are independent.

    Raises
    ------
    ValueError
        When the shapes do not match, or the covariance makes a variance clearly below 0.
    """
    c, v = np.asarray(coefficients, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    if c.ndim != 1 or v.shape not in ((c.size,), (c.size, c.size)):
        raise ValueError(f"shapes do not match: {c.shape} and {v.shape}")
    if v.ndim == 1:
        return math.sqrt(float(np.sum((c * v) ** 2)))
    variance = float(c @ v @ c)
    size = float(np.abs(c) @ np.abs(v) @ np.abs(c))
    if variance < -1e-9 * size:
        raise ValueError("the covariance is not one: it makes a variance below 0")
    return math.sqrt(max(variance, 0.0))


def sensitivities(
    model: Callable[[Array], ArrayLike], inputs: ArrayLike, u: ArrayLike
) -> tuple[Array, Array]:
    """Value and sensitivities of a model, by central differences a tenth of a standard uncertainty wide.

    Parameters
    ----------
    model : callable
        Takes the inputs (N,), returns a number or an array.
    inputs : array_like (N,)
        Best estimates.
    u : array_like (N,)
        Standard uncertainties; an input with 0 gets sensitivity 0 (it adds nothing).

    Returns
    -------
    value : ndarray
        The model at the best estimates, float64.
    slopes : ndarray (N, ...)
        Derivative of the result by each input.
    """
    x, step = np.asarray(inputs, dtype=np.float64), np.asarray(u, dtype=np.float64) / 20
    value = np.asarray(model(x.copy()), dtype=np.float64)
    slopes = np.zeros((x.size, *value.shape))
    for i in np.flatnonzero(step):
        above, below = x.copy(), x.copy()
        above[i] += step[i]
        below[i] -= step[i]
        slopes[i] = (np.asarray(model(above)) - np.asarray(model(below))) / (above[i] - below[i])
    return value, slopes


def propagate(
    model: Callable[[Array], ArrayLike],
    inputs: ArrayLike,
    covariance: ArrayLike,
    *,
    probability: float = 0.95,
    dof: float = math.inf,
) -> Estimate:
    """Law of propagation of uncertainty for a model with one result (JCGM 100, 5).

    Parameters
    ----------
    model : callable
        Takes the inputs (N,), returns a number.
    inputs : array_like (N,)
        Best estimates.
    covariance : array_like (N, N) or (N,)
        Covariance, or standard uncertainties of independent inputs.
    probability : float
        Coverage probability of the interval, 0 to 1.
    dof : float
        Degrees of freedom of the result, see `effective_dof`.

    Returns
    -------
    Estimate
        Interval from the normal or t distribution.
    """
    v = np.asarray(covariance, dtype=np.float64)
    u = v if v.ndim == 1 else np.sqrt(np.diag(v))
    value, slopes = sensitivities(model, inputs, u)
    if value.ndim:
        raise ValueError(f"the model must return one number; found shape {value.shape}")
    total = combine(slopes, v)
    half = coverage_factor(probability, dof) * total
    return Estimate(float(value), total, float(value) - half, float(value) + half, probability)


def coverage_factor(probability: float = 0.95, dof: float = math.inf) -> float:
    """Factor k of a symmetric interval: the normal quantile, or Student's t (JCGM 100, G.3).

    Parameters
    ----------
    probability : float
        0 to 1, both ends out.
    dof : float
        Degrees of freedom, above 0; infinite for the normal distribution.

    Raises
    ------
    ValueError
        Out of range.
    """
    if not 0 < probability < 1 or not dof > 0:
        raise ValueError(f"probability must be 0 to 1 and dof above 0; found {probability}, {dof}")
    upper = (1 + probability) / 2
    return float(ndtri(upper)) if math.isinf(dof) else float(stdtrit(dof, upper))


def effective_dof(u_parts: ArrayLike, dof_parts: ArrayLike) -> float:
    """Welch-Satterthwaite effective degrees of freedom (JCGM 100, G.4.1).

    Parameters
    ----------
    u_parts : array_like (N,)
        Each input's part of the result's standard uncertainty, |c_i| u_i.
    dof_parts : array_like (N,)
        Degrees of freedom of each, above 0; infinite ones allowed.

    Returns
    -------
    float
        Infinite when all parts that count are known exactly, or there is no uncertainty.
    """
    u, dof = np.asarray(u_parts, dtype=np.float64), np.asarray(dof_parts, dtype=np.float64)
    if u.shape != dof.shape or not (dof > 0).all():
        raise ValueError("u_parts and dof_parts must have one shape, and dof_parts be above 0")
    below = float(np.sum(u**4 / dof))
    return float(np.sum(u * u) ** 2) / below if below > 0 else math.inf


def monte_carlo(
    model: Callable[..., ArrayLike],
    draws: Sequence[Callable[[np.random.Generator, int], Array]],
    *,
    rng: np.random.Generator,
    trials: int = 100_000,
) -> Array:
    """Propagate distributions by Monte Carlo (JCGM 101, 7).

    Parameters
    ----------
    model : callable
        Takes one array (trials,) per input, returns (trials,) results.
    draws : sequence of callable
        One per input: takes the generator and a count, returns that many draws. Inputs that depend on each
        other come from one callable that returns (k, trials); its rows are handed to the model one by one.
    rng : numpy.random.Generator
        The caller's own, seeded.
    trials : int
        How many.

    Returns
    -------
    ndarray (trials,), float64
    """
    inputs: list[Array] = []
    for draw in draws:
        drawn = np.asarray(draw(rng, trials), dtype=np.float64)
        inputs.extend(drawn if drawn.ndim == 2 else [drawn])
    return np.asarray(model(*inputs), dtype=np.float64)


def symmetric_interval(samples: Array, probability: float = 0.95) -> tuple[float, float]:
    """Interval with equal probability left out on both sides (JCGM 101, 7.7.2); NaN for no finite sample."""
    finite = _finite(samples)
    if not finite.size:
        return math.nan, math.nan
    low, high = np.quantile(finite, [(1 - probability) / 2, (1 + probability) / 2])
    return float(low), float(high)


def shortest_interval(samples: Array, probability: float = 0.95) -> tuple[float, float]:
    """Shortest interval that holds the given share of the samples (JCGM 101, 7.7.3); NaN for no finite
    sample."""
    finite = np.sort(_finite(samples))
    if not finite.size:
        return math.nan, math.nan
    held = min(finite.size - 1, math.floor(probability * finite.size + 0.5))
    lengths = finite[held:] - finite[: finite.size - held]
    first = int(lengths.argmin())
    return float(finite[first]), float(finite[first + held])


def summarise(samples: Array, *, probability: float = 0.95, shortest: bool = False) -> Estimate:
    """Mean, standard deviation and coverage interval of Monte Carlo results (JCGM 101, 7.6 and 7.7).

    Samples that are not finite are left out; with fewer than two left all is NaN.
    """
    finite = _finite(samples)
    if finite.size < 2:
        return Estimate(math.nan, math.nan, math.nan, math.nan, probability)
    low, high = (shortest_interval if shortest else symmetric_interval)(finite, probability)
    return Estimate(float(finite.mean()), float(finite.std(ddof=1)), low, high, probability)


def _finite(samples: Array) -> Array:
    flat = np.asarray(samples, dtype=np.float64).ravel()
    return flat[np.isfinite(flat)]
