"""Photos that do not count at a cell: in shadow, or lit by a glossy fleck.

A shadow that the surface as known throws is predicted. Any other is found by leaving photos out: the largest
set of photos that agree on one slope and albedo is kept (least trimmed squares by enumeration; Rousseeuw
1984, from memory). Three photos always agree, so a set of three is trusted only next to like slopes.
"""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np

from surfscan.core.records import Array, Grid
from surfscan.shading.lamp import CellFit, LampSetting, fit_cells

__all__ = ["cast_shadow", "drop_outliers"]

PENUMBRA_SLOPE = 0.02
"""A sight line that clears the surface by less than this slope may be half in shadow: a lamp 20 mm across, 1 m away."""

SLACK = 0.012
"""Share of the brightness that a good cell may be out by besides noise: blur at an albedo's edge, lamp size."""

NEAR_SLOPE = 0.05
"""How far a slope from three photos alone may be from its neighbours' median, rad."""


def cast_shadow(height_mm: Array, *, grid: Grid, lamp_mm: Array) -> Array:
    """Cells from which the surface itself hides the lamp.

    Parameters
    ----------
    height_mm : ndarray (H, W)
        Finite everywhere.
    grid : Grid
    lamp_mm : ndarray (3,)

    Returns
    -------
    ndarray (H, W), bool
        Attached shadow, where the surface turns away from the lamp, is part of it.
    """
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    away = np.stack([lamp_mm[0] - x, lamp_mm[1] - y])
    flat = np.hypot(*away) + 1e-12
    climb = (lamp_mm[2] - height_mm) / flat  # rise of the sight line per mm over the panel
    top = float(height_mm.max())
    reach = float(np.max((top - height_mm) / np.maximum(climb, 1e-3)))
    shadow = np.zeros(height_mm.shape, bool)
    single = height_mm.astype(np.float32)
    column, row = np.meshgrid(np.arange(x.shape[1]), np.arange(x.shape[0]))
    for k in range(1, int(min(reach / grid.step_mm, max(x.shape))) + 2):
        over = np.minimum(k * grid.step_mm, flat)
        at = (column + over * away[0] / flat / grid.step_mm, row + over * away[1] / flat / grid.step_mm)
        there = cv2.remap(
            single,
            at[0].astype(np.float32),
            at[1].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        on = (at[0] >= 0) & (at[0] <= x.shape[1] - 1) & (at[1] >= 0) & (at[1] <= x.shape[0] - 1)
        shadow |= on & (there > height_mm + climb * over - PENUMBRA_SLOPE * over)
    return shadow


def drop_outliers(
    seen: Array, vectors: Array, *, fit: CellFit, setting: LampSetting, weight: Array, noise: float
) -> tuple[Array, Array]:
    """Leave out the photos that do not agree with the others, cell by cell.

    Parameters
    ----------
    seen, vectors, setting, weight
        As in `fit_cells`.
    fit : CellFit
        The fit with `weight`.
    noise : float
        Standard deviation of the brightness at weight 1.

    Returns
    -------
    weight : ndarray (K, H, W)
        A copy with zeros where a photo is left out.
    lost : ndarray (H, W), bool
        Cells where no three photos can be trusted.
    """
    weight = weight.copy()
    count = len(seen)
    scale = np.sqrt(np.maximum(weight, 0))
    allowed = noise**2 + np.max(scale * SLACK * np.maximum(seen, 0), 0) ** 2
    used = np.count_nonzero(np.isfinite(fit.left), axis=0)
    over = np.nansum(weight * fit.left**2, 0)
    bad = np.isfinite(fit.p) & (used > 3) & (over > allowed * _most(used - 3))
    lost = np.zeros(bad.shape, bool)
    at = np.nonzero(bad)
    if not at[0].size:
        return weight, lost
    p_near, q_near = (_median_near(v, ~bad) for v in (fit.p, fit.q))
    row, column = at
    few, light, w = seen[:, row, column], vectors[:, :, row, column], weight[:, row, column]
    near = np.stack([p_near[at], q_near[at]])
    limit = allowed[at]
    kept = np.zeros(w.shape, bool)
    done = np.zeros(at[0].size, bool)
    for size in range(count - 1, 2, -1):
        best = np.full(done.size, np.inf)
        choice = np.zeros(w.shape, bool)
        for keep in combinations(range(count), size):
            mask = np.zeros((count, 1), bool)
            mask[list(keep)] = True
            own = np.where(mask, w, 0.0)
            trial = fit_cells(few, light, setting=setting, weight=own)
            strange = np.hypot(trial.p - near[0], trial.q - near[1]) / NEAR_SLOPE
            miss = strange
            if size > 3:
                miss = np.nansum(own * trial.left**2, 0) / (limit * _most(np.array(size - 3)))
            whole = np.count_nonzero(own > 0, axis=0) == size
            # Among sets that agree, the one whose slope is least strange beside its neighbours.
            rank = np.where(whole & (miss < 1), miss + strange**2, np.inf)
            better = rank < best
            best = np.where(better, rank, best)
            choice = np.where(better, mask, choice)
        found = ~done & np.isfinite(best)
        kept[:, found] = choice[:, found]
        done |= found
    weight[:, row, column] = np.where(done, np.where(kept, w, 0.0), 0.0)
    lost[at] = ~done
    return weight, lost


def _most(freedom: Array) -> Array:
    """Most that a good cell's weighted squares may sum to: mean and five standard deviations of chi-square."""
    return freedom + 5.0 * np.sqrt(2.0 * np.maximum(freedom, 0))


def _median_near(value: Array, good: Array) -> Array:
    """Rough median of the good cells around each: medians of blocks, spread over the map."""
    size = 16
    h, w = value.shape
    rows, columns = -(-h // size), -(-w // size)
    padded = np.full((rows * size, columns * size), np.nan)
    padded[:h, :w] = np.where(good, value, np.nan)
    blocks = padded.reshape(rows, size, columns, size).transpose(0, 2, 1, 3).reshape(rows, columns, -1)
    full = np.isfinite(blocks).any(-1)
    middle = np.full((rows, columns), np.nan)
    middle[full] = np.nanmedian(blocks[full], axis=-1)
    overall = float(np.nanmedian(middle)) if full.any() else 0.0
    middle = np.where(full, middle, overall).astype(np.float32)
    return np.asarray(
        cv2.resize(middle, (columns * size, rows * size), interpolation=cv2.INTER_LINEAR)[:h, :w]
    )
