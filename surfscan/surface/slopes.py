"""Board hits to slopes, by Newton steps on the law of reflection, and smooth continuation where unseen."""

from __future__ import annotations

import numpy as np

from surfscan.core.records import Array
from surfscan.core.robust import masked_mean, robust_spread
from surfscan.core.sums import inner
from surfscan.optics.mirror import Hit

__all__ = [
    "continue_smoothly",
    "evaluate_polynomial",
    "fit_polynomial",
    "newton_step",
    "polynomial_terms",
]


def newton_step(first: tuple[Hit, Array, str], second: tuple[Hit, Array, str]) -> tuple[Array, Array]:
    """One Newton step towards slopes whose reflections hit where two photos say.

    Parameters
    ----------
    first, second : (hit, wanted_mm, varies)
        The hit of the current slopes from that photo's camera, the board coordinate it shows there (H, W),
        and which board axis that is, "across" or "up".

    Returns
    -------
    dp, dq : ndarray (H, W)
        What to add to the slopes; NaN where either photo says nothing.
    """
    rows = []
    for hit, wanted, varies in (first, second):
        rows.append((*hit.lever(varies), wanted - hit.place(varies)))
    (a, b, u), (c, d, v) = rows
    det = a * d - b * c
    with np.errstate(divide="ignore", invalid="ignore"):
        return (u * d - b * v) / det, (a * v - u * c) / det


def polynomial_terms(x: Array, y: Array, order: int) -> Array:
    """All monomials x^i y^j with i + j <= order, along a new last axis; x and y should be within about 1."""
    powers_x, powers_y = [np.ones_like(x)], [np.ones_like(y)]
    for _ in range(order):  # products, because powers cost ten times as much
        powers_x.append(powers_x[-1] * x)
        powers_y.append(powers_y[-1] * y)
    return np.stack([powers_x[n - j] * powers_y[j] for n in range(order + 1) for j in range(n + 1)], -1)


def evaluate_polynomial(coefficients: Array, x: Array, y: Array, order: int) -> Array:
    """Evaluate a polynomial of `polynomial_terms` on the grid of two axes: x (W,) and y (H,) to (H, W)."""
    table = np.zeros((order + 1, order + 1))
    k = 0
    for n in range(order + 1):
        for j in range(n + 1):
            table[j, n - j] = coefficients[k]
            k += 1
    along_x = np.einsum("ji,iw->jw", table, np.stack([x**i for i in range(order + 1)]))
    rows = np.stack([y**j for j in range(order + 1)], -1)
    out = np.zeros((y.size, x.size))
    for j in range(order + 1):
        out += rows[:, j : j + 1] * along_x[j]
    return out


def fit_polynomial(x: Array, y: Array, value: Array, order: int, *, rounds: int = 8) -> Array:
    """Coefficients of a robust polynomial (Huber-like reweighting) over 1-D samples, for `polynomial_terms`."""
    terms = polynomial_terms(x, y, order)
    known = np.column_stack([terms, value])
    weight = np.ones(value.size)
    coefficients = np.zeros(terms.shape[1])
    for _ in range(rounds):
        both = inner(terms * weight[:, None], known)
        normal, right = both[:, :-1], both[:, -1]
        tiny = 1e-12 * np.trace(normal) / len(normal)
        coefficients = _solved(normal + tiny * np.eye(len(normal)), right)
        miss = value - np.einsum("ni,i->n", terms, coefficients)
        spread = robust_spread(miss) + 1e-12
        weight = 1 / np.hypot(1, miss / (2 * spread))
    return np.asarray(coefficients)


def _solved(normal: Array, right: Array) -> Array:
    try:
        return np.linalg.solve(normal, right)
    except np.linalg.LinAlgError:  # samples that tell too little: the smallest of all solutions
        return np.asarray(np.linalg.lstsq(normal, right, rcond=None)[0])


def continue_smoothly(
    value: Array, valid: Array, x: Array, y: Array, *, reach_px: float, order: int = 2
) -> Array:
    """Fill the unseen cells of a map: a low-order surface plus the neighbours' difference from it.

    Parameters
    ----------
    value : ndarray (H, W)
    valid : ndarray (H, W), bool
    x : ndarray (W,)
    y : ndarray (H,)
        Scaled places, within about 1.
    reach_px : float
        How far the neighbours' difference is carried.
    order : int

    Returns
    -------
    ndarray (H, W)
        `value` where valid, finite everywhere. The continuation is only for predicting, never for judging.
    """
    skip = max(1, int(np.sqrt(valid.sum() / 2000)))
    thin = np.s_[skip // 2 :: skip, skip // 2 :: skip]
    rows, columns = np.nonzero(valid[thin])
    if rows.size < 20:
        return np.where(valid, value, np.nanmean(value[valid]) if valid.any() else 0.0)
    xs, ys = x[skip // 2 :: skip][columns], y[skip // 2 :: skip][rows]
    trend = evaluate_polynomial(
        fit_polynomial(xs, ys, value[thin][rows, columns], order, rounds=4), x, y, order
    )
    carried, _ = masked_mean(value - trend, valid, reach_px)
    return np.where(valid, value, trend + carried)
