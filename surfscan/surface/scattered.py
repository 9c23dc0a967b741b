"""A surface through slopes known at scattered places: cubic B-splines, least bending of the third order.

Of all surfaces that have the given slopes, the one with the least integral of squared third derivatives is taken (a
smoothing spline; Wahba 1990, Spline Models for Observational Data, chapter 2; from memory). Quadratic surfaces cost
nothing, so a crown is not flattened, and a fault a few samples wide keeps its depth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csc_array, diags_array, kron
from scipy.sparse.linalg import splu

from surfscan.core.records import Array

__all__ = ["Spline", "fit_slopes"]

STIFFNESS = 0.05
"""Weight of the bending against the data for a wave of two sample spacings. It falls with the fourth power of the
wavelength: a spot three spacings wide loses under half a percent."""

_POWERS = np.array([[1, 4, 1, 0], [-3, 0, 3, 0], [3, -6, 3, 0], [-1, 3, -3, 1]]) / 6.0
"""Uniform cubic B-spline: coefficients of 1, t, t^2, t^3 (rows) for the four splines alive on a span (columns)."""


def _weights(t: Array, derivative: int, step: float) -> Array:
    """Values (N, 4) of the splines alive at the share t of a span, or of their derivative."""
    powers = np.zeros((t.size, 4))
    for k in range(derivative, 4):
        factor = float(np.prod(np.arange(k, k - derivative, -1)))
        powers[:, k] = factor * t ** (k - derivative)
    return np.asarray(powers @ _POWERS / step**derivative)


@dataclass(frozen=True, slots=True)
class Spline:
    """A surface of cubic B-splines on uniform knots.

    Attributes
    ----------
    x0_mm, y0_mm, step_mm : float
        First knots and their spacing.
    coefficients : ndarray (ny, nx), float64
        mm.
    """

    x0_mm: float
    y0_mm: float
    step_mm: float
    coefficients: Array

    def _span(self, at: Array, first: float, count: int) -> tuple[Array, Array]:
        turn = (at - first) / self.step_mm
        span = np.clip(np.floor(turn), 0, count - 4).astype(int)
        return span, turn - span

    def at(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height (mm) and slopes at places (N,)."""
        ny, nx = self.coefficients.shape
        i, s = self._span(y_mm, self.y0_mm, ny)
        j, t = self._span(x_mm, self.x0_mm, nx)
        cells = self.coefficients[
            (i[:, None] + np.arange(4))[:, :, None], (j[:, None] + np.arange(4))[:, None, :]
        ]
        out = []
        for dy, dx in ((0, 0), (0, 1), (1, 0)):
            wy, wx = _weights(s, dy, self.step_mm), _weights(t, dx, self.step_mm)
            out.append(np.einsum("nij,ni,nj->n", cells, wy, wx))
        return out[0], out[1], out[2]

    def on_grid(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array, Array]:
        """Height (mm) and slopes on the grid of two axes (W,) and (H,)."""
        ny, nx = self.coefficients.shape
        bases = []
        for at, first, count in ((y_mm, self.y0_mm, ny), (x_mm, self.x0_mm, nx)):
            span, t = self._span(at, first, count)
            pair = []
            for d in (0, 1):
                full = np.zeros((at.size, count))
                np.put_along_axis(full, span[:, None] + np.arange(4), _weights(t, d, self.step_mm), 1)
                pair.append(full)
            bases.append(pair)
        (y, dy), (x, dx) = bases
        c = self.coefficients
        return y @ c @ x.T, y @ c @ dx.T, dy @ c @ x.T


def _gram(count: int, derivative: int, step: float) -> csc_array:
    """Integrals of products of derivatives of the splines over all spans: (count, count)."""
    nodes, weights = np.polynomial.legendre.leggauss(4)
    values = _weights(0.5 * (nodes + 1), derivative, step)
    local = np.einsum("gi,gj,g->ij", values, values, 0.5 * step * weights)
    spans = np.arange(count - 3)
    rows = (spans[:, None, None] + np.arange(4)[:, None]).repeat(4, 2)
    columns = (spans[:, None, None] + np.arange(4)[None, :]).repeat(4, 1)
    data = np.broadcast_to(local, rows.shape)
    return csc_array(coo_array((data.ravel(), (rows.ravel(), columns.ravel())), shape=(count, count)))


def fit_slopes(  # house: points with their slopes and weights, then what the spline is
    x_mm: Array,
    y_mm: Array,
    p: Array,
    q: Array,
    *,
    box_mm: tuple[float, float, float, float],
    spacing_mm: float,
    weight: Array | None = None,
    stiffness: float = STIFFNESS,
) -> Spline:
    """Fit a surface to slopes at scattered places.

    Parameters
    ----------
    x_mm, y_mm : ndarray (N,)
    p, q : ndarray (N,)
        dz/dx and dz/dy there.
    box_mm : (x_low, x_high, y_low, y_high)
        Where the surface is wanted.
    spacing_mm : float
        Typical distance of neighbouring places.
    weight : ndarray (N,), optional
    stiffness : float

    Returns
    -------
    Spline
        With a mean height of zero over the places.
    """
    step = spacing_mm / 2.5
    counts = [int(np.ceil((high - low) / step)) + 3 for low, high in (box_mm[:2], box_mm[2:])]
    nx, ny = counts
    blank = Spline(box_mm[0], box_mm[2], step, np.zeros((ny, nx)))
    i, s = blank._span(y_mm, box_mm[2], ny)
    j, t = blank._span(x_mm, box_mm[0], nx)
    unknown = (
        (i[:, None] + np.arange(4))[:, :, None] * nx + (j[:, None] + np.arange(4))[:, None, :]
    ).reshape(x_mm.size, 16)
    w = np.ones(x_mm.size) if weight is None else weight
    normal: csc_array = csc_array((nx * ny, nx * ny))
    right = np.zeros(nx * ny)
    lines = np.arange(x_mm.size)[:, None].repeat(16, 1)
    for value, dy, dx in ((p, 0, 1), (q, 1, 0)):
        values = (_weights(s, dy, step)[:, :, None] * _weights(t, dx, step)[:, None, :]).reshape(-1, 16)
        rows = csc_array(
            coo_array((values.ravel(), (lines.ravel(), unknown.ravel())), shape=(x_mm.size, nx * ny))
        )
        normal = normal + rows.T @ diags_array(w) @ rows
        right += rows.T @ (w * value)
    bending = csc_array((nx * ny, nx * ny))
    for m, binomial in enumerate((1, 3, 3, 1)):
        bending = bending + binomial * kron(_gram(ny, 3 - m, step), _gram(nx, m, step))
    # Per area the data say k^2 / spacing^2 about a wave k, the bending k^6: equal shares at k = pi / spacing.
    scale = stiffness * spacing_mm**2 / np.pi**4
    system = csc_array(normal + scale * bending)
    # The constant is free: a whiff of weight holds it.
    system = csc_array(system + 1e-10 * system.diagonal().mean() * diags_array(np.ones(nx * ny)))
    found = splu(system).solve(right).reshape(ny, nx)
    out = Spline(box_mm[0], box_mm[2], step, found)
    return Spline(box_mm[0], box_mm[2], step, found - float(np.mean(out.at(x_mm, y_mm)[0])))
