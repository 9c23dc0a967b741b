"""What is left between two registered surfaces once height, tilt and bend have been fitted to what agrees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.change.registration import Registration
from surfscan.change.sampler import Sampler
from surfscan.core.records import Array, Grid, HeightMap
from surfscan.core.robust import robust_spread
from surfscan.surface.ladder import fit_ladder
from surfscan.surface.slopes import polynomial_terms

__all__ = ["FLOOR_MM", "Between", "fit_between"]

LADDER = ((2, False), (3, False))
"""Orders of the surface by which two set-ups may bend a map: more would take off filler."""

FLOOR_MM = 0.004
"""Difference that two maps of an unchanged panel may reach without its being a change, as in the check itself."""

FEWEST = 400
"""Fewest agreeing cells that are fitted alone; with fewer, all are."""


@dataclass(frozen=True, slots=True)
class Between:
    """Two surfaces, one laid under the other.

    Attributes
    ----------
    below_mm : ndarray (H, W)
        The first surface at the second's places; NaN where not measured.
    bend_mm : ndarray (H, W)
        Low-order surface between both, finite everywhere.
    sigma_mm : ndarray (H, W)
        Standard uncertainty of both together: the first surface's own, the fit's, and the registration's.
    spots : ndarray (H, W), bool
        Cells left out of the fit.
    order : int
        Of the low-order surface.
    spread_mm : float
        Robust spread of what is left where both agree: waves of either surface, and noise.
    """

    below_mm: Array
    bend_mm: Array
    sigma_mm: Array
    spots: Array
    order: int
    spread_mm: float


def fit_between(
    first: HeightMap,
    height_mm: Array,
    grid: Grid,
    found: Registration,
    *,
    mirrored: bool = False,
    floor_mm: float = FLOOR_MM,
    grow_px: int = 2,
) -> Between:
    """Fit the low-order surface between a first map and a second one.

    Parameters
    ----------
    first : HeightMap
    height_mm : ndarray (H, W)
        Height of the second above its tags' plane; NaN where not measured.
    grid : Grid
        Of the second.
    found : Registration
    mirrored : bool
    floor_mm, grow_px : float, int
        As in `surfscan.surface.ladder.fit_ladder`.

    Returns
    -------
    Between
    """
    sampler = Sampler(first, mirrored=mirrored)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    u, v = found.places(x, y)
    below, start = sampler.heights(u, v), found.surface(x, y)
    raw = height_mm - below - start
    calm = np.abs(raw) < 6 * max(found.spread_mm, floor_mm)
    fair = fit_ladder(
        np.where(calm, raw, np.nan) if calm.sum() >= FEWEST else raw,
        x_mm=grid.x_mm,
        y_mm=grid.y_mm,
        floor_mm=floor_mm,
        grow_px=grow_px,
        ladder=LADDER,
    )
    agreeing = calm & ~fair.spots
    lever = _lever(sampler, u, v, found, agreeing, x, y)
    moved = np.einsum("hwi,ij,hwj->hw", lever, found.covariance, lever)
    sigma = np.sqrt(sampler.sigmas(u, v) ** 2 + fair.sigma_mm**2 + moved)
    left = np.abs(raw - fair.form_mm)[agreeing]
    spread = float(robust_spread(left)) if left.size else float("nan")
    return Between(below, start + fair.form_mm, sigma, ~agreeing, fair.order, spread)


def _lever(
    sampler: Sampler, u: Array, v: Array, found: Registration, use: Array, x: Array, y: Array
) -> Array:
    """Change of the difference by each part of the move, once the low-order surface has followed; (H, W, 3)."""
    gx, gy = sampler.slopes(u, v)
    lever = -np.stack([gx, gy, -gx * (v - found.y_mm) + gy * (u - found.x_mm)], -1)
    terms = polynomial_terms(x / found.reach_mm, y / found.reach_mm, 2)
    if use.sum() < 30:
        return lever
    few = np.flatnonzero(use.ravel())[:: max(1, int(use.sum()) // 4000)]
    flat, sides = terms.reshape(-1, terms.shape[-1])[few], lever.reshape(-1, 3)[few]
    normal = np.einsum("ni,nj->ij", flat, flat)
    follow = np.linalg.solve(
        normal + 1e-9 * np.trace(normal) * np.eye(len(normal)), np.einsum("ni,nk->ik", flat, sides)
    )
    return np.asarray(lever - np.einsum("hwi,ik->hwk", terms, follow))
