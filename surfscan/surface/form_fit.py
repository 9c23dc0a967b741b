"""One fair form under one prior: found together with the spots that stand out of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.records import Array
from surfscan.core.robust import MAD_TO_SIGMA
from surfscan.core.sums import inner, product
from surfscan.surface.legendre import TERM_ORDER, circular_terms, fit_quadratic, legendre_terms
from surfscan.surface.skirts import Skirts, find_skirts

__all__ = ["Few", "Fit", "graduated", "settle", "thin_map"]

SAMPLES = 1500
"""About how many cells the fits use: the form is smooth, so more would cost time and change nothing."""

CIRCLE_SD = 0.5
"""Sections of a crown are circles as its curvature says, or more or less so by this share (1 sd)."""

CORRELATION_MM = 50.0
"""A panel's waves, and errors of reading, are this long: cells closer than that are one observation, not many."""

NOISE_LEAST_MM = 0.0003
"""Least size of the waves and errors that the fair metal is taken to have."""

STANDS_OUT = 3.5
"""A cell stands out by this many standard deviations of the fair metal (and by the floor)."""

OUTLYING = 0.3
"""Share of a panel that may be spots ..."""

SPOT_RANGE_MM = 0.3
"""... and the range that their heights are spread over, when forms are compared."""

LEAST_FAIR = 40
"""Fewest cells that a form is fitted to once more; with fewer the last one stays."""

SKIRT_SHARE = 0.7
"""Standard deviation of how much of its longest skirt a spot has."""

CLOSE_MM = 6.0
"""Next to a spot, nothing counts for the form; or as far as the light smears it, if that is more."""


@dataclass(frozen=True, slots=True)
class Few:
    """The thinned map that all fits use; `places` are its measured cells (N, ...)."""

    x: Array
    y: Array
    valid: Array
    height: Array
    legendre: Array
    reach: tuple[float, float]
    step_mm: float
    floor_mm: float
    close_mm: float
    bends: Array

    @property
    def share(self) -> float:
        """Independent observations per cell."""
        return min(1.0, (self.step_mm / CORRELATION_MM) ** 2)

    def terms(self, quadratic: Array) -> Array:
        """All terms of the form on the thinned grid, (h, w, 30 + K)."""
        return np.concatenate([self.legendre, circular_terms(self.x, self.y, quadratic), self.bends], -1)

    def prior(self, prior_mm: tuple[float, ...]) -> tuple[Array, Array]:
        """Precision and mean of the terms' coefficients: (30 + K,) each. Bends count in standard uncertainties."""
        tight, mean = precision(prior_mm)
        count = self.bends.shape[-1]
        return np.concatenate([tight, np.ones(count)]), np.concatenate([mean, np.zeros(count)])


@dataclass(frozen=True, slots=True)
class Fit:
    """A form under one prior.

    Attributes
    ----------
    coefficients : ndarray (30 + K,)
        Of the Legendre terms (28, mm), the circular ones and the bends (without unit).
    covariance : ndarray (30 + K, 30 + K)
    quadratic : ndarray (6,)
        What the circular terms were built from.
    weight : ndarray (h, w)
        Of each cell; 0 where not measured.
    noise_mm : float
    evidence : float
        Logarithm of the map's probability under this prior, to a constant.
    """

    coefficients: Array
    covariance: Array
    quadratic: Array
    weight: Array
    noise_mm: float
    evidence: float


def thin_map(
    height_mm: Array,
    x_mm: Array,
    y_mm: Array,
    floor_mm: float,
    smear_mm: float,
    bends_mm: Array | None = None,
) -> Few:
    """Every so many cells of a map, with the terms there."""
    valid = np.isfinite(height_mm)
    skip = max(1, int(np.sqrt(valid.sum() / SAMPLES)))
    thin = np.s_[skip // 2 :: skip, skip // 2 :: skip]
    reach = float(np.abs(x_mm).max()), float(np.abs(y_mm).max())
    x, y = (a[thin] for a in np.meshgrid(x_mm, y_mm))
    step = float(x_mm[1] - x_mm[0]) * skip
    legendre = legendre_terms(x / reach[0], y / reach[1])
    close = max(CLOSE_MM, 0.4 * smear_mm)
    bends = np.zeros((*x.shape, 0)) if bends_mm is None else bends_mm[thin]
    return Few(x, y, valid[thin], height_mm[thin], legendre, reach, step, floor_mm, close, bends)


def precision(prior_mm: tuple[float, ...]) -> tuple[Array, Array]:
    """Precision and mean of the coefficients before the map is seen: (30,) each."""
    tight = np.zeros(TERM_ORDER.size + 2)
    for order, sd in enumerate(prior_mm, 3):
        tight[:-2][order == TERM_ORDER] = sd**-2
    tight[-2:] = CIRCLE_SD**-2
    mean = np.zeros(tight.size)
    mean[-2] = 1.0
    return tight, mean


def _solve(
    terms: Array, height: Array, weight: Array, prior: tuple[Array, Array], known: float
) -> tuple[Array, Array]:
    """Coefficients and normal matrix."""
    tight, mean = prior
    weighted = terms * (known * weight)[:, None]
    both = inner(weighted, np.column_stack([terms, height]))
    normal = both[:, :-1] + np.diag(tight + 1e-9)
    right = both[:, -1] + tight * mean
    return np.linalg.solve(normal, right), normal


def _curved(few: Few, coefficients: Array, terms: Array, weight: Array) -> Array:
    """The second-order part of the map, once the other terms are taken off."""
    use = few.valid
    other = product(terms[:, 6:], coefficients[6:, None])[:, 0]
    return fit_quadratic(few.x[use], few.y[use], few.height[use] - other, weight)


def graduated(few: Few, prior_mm: tuple[float, ...]) -> tuple[Array, Array]:
    """A first form: what more and more narrowly agrees (graduated non-convexity, Blake and Zisserman 1987, from
    memory). Returns the residual (h, w) and the quadratic part."""
    use, prior = few.valid, few.prior(prior_mm)
    height = few.height[use]
    weight = np.ones(height.size)
    quadratic = fit_quadratic(few.x[use], few.y[use], height, weight)
    terms = few.terms(quadratic)[use]
    spread, miss = 0.0, height
    for k in range(14):
        found, _ = _solve(terms, height, weight, prior, 0.05 / (spread or 0.02) ** 2)
        miss = height - product(terms, found[:, None])[:, 0]
        spread = max(0.65 * spread, 0.001) if spread else float(np.std(miss)) + 1e-6
        weight = (1 + (miss / (2 * spread)) ** 2) ** -2.0
        if k in (5, 9):
            quadratic = _curved(few, found, terms, weight)
            terms = few.terms(quadratic)[use]
    residual = np.zeros(use.shape)
    residual[use] = miss
    return residual, quadratic


def settle(few: Few, prior_mm: tuple[float, ...], start: tuple[Array, Array]) -> Fit:
    """Form and spots in turn, until the spots stay."""
    use, prior = few.valid, few.prior(prior_mm)
    residual, quadratic = start[0].copy(), start[1]
    height = few.height[use]
    terms = few.terms(quadratic)[use]
    skirts: Skirts | None = None
    noise = max(_spread(residual[use], np.ones(height.size)), NOISE_LEAST_MM)
    weight = (1 + (residual[use] / (3 * noise)) ** 2) ** -1.0
    for _ in range(8):
        fresh = find_skirts(
            residual,
            use,
            least_mm=max(STANDS_OUT * noise, few.floor_mm),
            noise_mm=noise,
            step_mm=few.step_mm,
            close_mm=few.close_mm,
        )
        if (fresh.weight[use] > 0.5).sum() < LEAST_FAIR:
            break
        same = skirts is not None and np.array_equal(fresh.out, skirts.out)
        skirts = fresh
        weight = skirts.weight[use] / (1 + (residual[use] / (3 * noise)) ** 2)
        found, _ = _solve(terms, height, weight, prior, few.share / noise**2)
        quadratic = _curved(few, found, terms, weight)
        terms = few.terms(quadratic)[use]
        found, _ = _solve(terms, height, weight, prior, few.share / noise**2)
        residual[use] = height - product(terms, found[:, None])[:, 0]
        noise = max(_spread(residual[use], weight), NOISE_LEAST_MM)
        if same:
            break
    known = few.share / noise**2
    found, normal = _solve(terms, height, weight, prior, known)
    miss = height - product(terms, found[:, None])[:, 0]
    covariance = np.linalg.inv(normal)
    if skirts is not None:
        covariance = covariance + _pull(skirts, use, terms, known * weight, covariance)
    full = np.zeros(use.shape)
    full[use] = weight
    evidence = _evidence(few, miss, found, normal, prior, noise)
    return Fit(found, covariance, quadratic, full, noise, evidence)


def _pull(skirts: Skirts, use: Array, terms: Array, known: Array, covariance: Array) -> Array:
    """Covariance of the coefficients from what each spot's skirt, as one, may do to them."""
    numbers, height = skirts.spot[use], skirts.height_mm[use]
    weighted = terms * (known * height)[:, None]
    total = np.zeros(covariance.shape)
    for k in range(1, int(numbers.max(initial=0)) + 1):
        pulled = np.einsum("ij,j->i", covariance, weighted[numbers == k].sum(0))
        total += SKIRT_SHARE**2 * np.outer(pulled, pulled)
    return total


def _evidence(
    few: Few, miss: Array, found: Array, normal: Array, prior: tuple[Array, Array], noise: float
) -> float:
    """Fair metal or spot, cell by cell, and Laplace's approximation over the coefficients."""
    tight, mean = prior
    sd = max(noise, 0.0005)
    fair = (1 - OUTLYING) * np.exp(-0.5 * (miss / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    seen = few.share * float(np.sum(np.log(fair + OUTLYING / SPOT_RANGE_MM)))
    held = tight > 0
    width = float(np.linalg.slogdet(normal)[1]) - float(np.sum(np.log(tight[held])))
    return seen - 0.5 * float(np.sum(tight * (found - mean) ** 2)) - 0.5 * width


def _spread(miss: Array, weight: Array) -> float:
    """Weighted median of the absolute values, as a standard deviation."""
    size = np.abs(miss)
    order = np.argsort(size)
    total = np.cumsum(weight[order])
    return MAD_TO_SIGMA * float(size[order][np.searchsorted(total, 0.5 * total[-1])])
