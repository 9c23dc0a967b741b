"""Terms of a form: Legendre products for the orders, and what circles add to parabolas."""

from __future__ import annotations

import numpy as np

from surfscan.core.records import Array
from surfscan.core.sums import inner

__all__ = [
    "HIGHEST",
    "TERM_ORDER",
    "circular_terms",
    "fit_quadratic",
    "legendre",
    "legendre_terms",
    "quadratic_terms",
]

HIGHEST = 6
"""Highest order of a form."""

TERM_ORDER = np.array([n for n in range(HIGHEST + 1) for _ in range(n + 1)])
"""Order of each of `legendre_terms`."""

STRAIGHT_PER_MM = 2e-6
"""A section that bends by less (a radius of 500 m) has no apex."""


def legendre(t: Array) -> list[Array]:
    """P_0 to P_6 by Bonnet's recursion (Abramowitz and Stegun 22.7.10, from memory; a test checks them)."""
    values = [np.ones_like(t), t]
    for n in range(1, HIGHEST):
        values.append(((2 * n + 1) * t * values[n] - n * values[n - 1]) / (n + 1))
    return values


def legendre_terms(u: Array, v: Array) -> Array:
    """P_i(u) P_j(v) with i + j <= 6, along a new last axis, in rising order; u and v within -1 and 1."""
    along, up = legendre(u), legendre(v)
    return np.stack([along[n - j] * up[j] for n in range(HIGHEST + 1) for j in range(n + 1)], -1)


def quadratic_terms(x: Array, y: Array) -> Array:
    """1, x, y, x^2, xy, y^2 along a new last axis."""
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)


def fit_quadratic(x: Array, y: Array, height: Array, weight: Array) -> Array:
    """Coefficients of `quadratic_terms` by weighted least squares.

    Parameters
    ----------
    x, y, height, weight : ndarray (N,)
        mm, mm, mm, and 0 or more.
    """
    reach = float(max(np.abs(x).max(), np.abs(y).max()))
    terms = quadratic_terms(x / reach, y / reach)
    weighted = terms * weight[:, None]
    both = inner(weighted, np.column_stack([terms, height]))
    found = np.linalg.solve(both[:, :6] + 1e-9 * float(weight.sum()) * np.eye(6), both[:, 6])
    return np.asarray(found / reach ** np.array([0, 1, 1, 2, 2, 2]))


def circular_terms(x: Array, y: Array, quadratic: Array) -> Array:
    """What circular sections add to the parabolas of a second-order surface.

    Parameters
    ----------
    x, y : ndarray (...)
        Places, mm.
    quadratic : ndarray (6,)
        Of `quadratic_terms`, in mm.

    Returns
    -------
    ndarray (..., 2), mm
        First, every section through the apex a circle (a sphere, for equal curvatures); second, what it takes to
        make that two arcs added up (an arc drawn along an arc). Both 0 for a plane.
    """
    bend = np.array([[2 * quadratic[3], quadratic[4]], [quadratic[4], 2 * quadratic[5]]])
    curvature, axes = np.linalg.eigh(bend)
    apex = np.zeros(2)
    for k in range(2):
        if abs(curvature[k]) > STRAIGHT_PER_MM:
            apex -= (axes[0, k] * quadratic[1] + axes[1, k] * quadratic[2]) / curvature[k] * axes[:, k]
    along = [axes[0, k] * (x - apex[0]) + axes[1, k] * (y - apex[1]) for k in range(2)]
    parts = [0.5 * curvature[k] * along[k] ** 2 for k in range(2)]
    arcs = _circle(parts[0], curvature[0]) + _circle(parts[1], curvature[1])
    fall = parts[0] + parts[1]
    ball = _circle(fall, 2 * fall / (along[0] ** 2 + along[1] ** 2 + 1e-9))
    return np.stack([ball, arcs - ball], -1)


def _circle(fall: Array, curvature: Array | float) -> Array:
    """A circle's height less its parabola's, where the parabola has come to `fall`."""
    return np.asarray(2 * fall / (1 + np.sqrt(np.clip(1 - 2 * curvature * fall, 0.05, None))) - fall)
