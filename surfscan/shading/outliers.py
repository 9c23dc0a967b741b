"""Photos that do not count at a cell: in shadow, or lit by a glossy fleck.

A shadow that the surface as known throws is predicted. Any other is found by consensus: three photos give slopes
and albedo, and the three that most others agree with win (Fischler and Bolles 1981, from memory). Three photos
always agree, so a set of three is trusted only next to like slopes. The work grows with the photos, not with their
subsets.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from surfscan.core.records import Array, Grid
from surfscan.core.robust import MAD_TO_SIGMA
from surfscan.shading.lamp import CellFit, LampSetting, light_of, offsets, sum_inverse

__all__ = ["calm_noise", "cast_shadow", "drop_outliers", "grazing_light"]

PENUMBRA_SLOPE = 0.02
"""A sight line that clears the surface by less than this slope may be half in shadow: a lamp 20 mm across, 1 m away."""

GRAZING = 0.2
"""Cosine of incidence under which matt paint is no longer Lambertian: its own grain shades it (the matt ball of open
data loses 5 % at 0.3, 12 % at 0.2 and 25 % at 0.1)."""

ENOUGH_OTHERS = 5
"""Photos a cell must keep before grazing ones are left out."""

SLACK = 0.012
"""Share of the brightness that a good cell may be out by besides noise: blur at an albedo's edge, lamp size."""

NEAR_SLOPE = 0.05
"""How far a slope from three photos alone may be from its neighbours' median, rad."""

ALONE = 3.5
"""Allowed spreads above which one photo's left-over alone asks for a consensus."""

AGREES = 2.5
"""Allowed spreads within which a photo agrees with a fit."""

ENOUGH_PHOTOS = 8

DISOWNED = 0.6
"""A photo that this share of its cells disowns is no outlier: it is brighter or darker than said, as a whole."""

TRIPLES = 48
"""Draws of three photos: with a third of them bad, one draw in three is clean; with half, one in eight."""

CELLS_AT_ONCE = 20_000
"""Bounds the memory: 40 photos of this many cells are 6 MB a copy."""


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
    all_weight, weight = weight, weight.copy()
    scale = np.sqrt(np.maximum(weight, 0))
    allowed = noise**2 + np.max(scale * SLACK * np.maximum(seen, 0), 0) ** 2
    used = np.count_nonzero(np.isfinite(fit.left), axis=0)
    over = np.nansum(weight * fit.left**2, 0)
    with np.errstate(invalid="ignore"):
        alone = np.nanmax(np.where(weight > 0, weight * fit.left**2, 0.0), axis=0) > allowed * ALONE**2
    bad = np.isfinite(fit.p) & (used > 3) & ((over > allowed * _most(used - 3)) | alone)
    lost = np.zeros(bad.shape, bool)
    rows, columns = np.nonzero(bad)
    if not rows.size:
        return weight, lost
    near = np.stack([_median_near(v, ~bad) for v in (fit.p, fit.q)])
    light = light_of(vectors, setting, fit)
    value = seen - offsets(setting, len(seen))
    for first in range(0, rows.size, CELLS_AT_ONCE):
        at = rows[first : first + CELLS_AT_ONCE], columns[first : first + CELLS_AT_ONCE]
        cells = _Cells(value[:, *at], light[:, :, *at], weight[:, *at], allowed[at], near[:, *at])
        kept = _settle(cells, _first_sets(cells))
        weight[:, *at] = np.where(kept, cells.weight, 0.0)
        lost[at] = ~kept.any(0)
    for k, photo in enumerate(weight):
        lit = all_weight[k] > 0
        if np.count_nonzero(photo[lit] == 0) > DISOWNED * np.count_nonzero(lit):
            weight[k] = np.where(lost, photo, all_weight[k])
    return weight, lost


def grazing_light(height_mm: Array, vectors: Array, *, step_mm: float, weight: Array) -> Array:
    """Photos whose light only grazes a cell that has enough others.

    Parameters
    ----------
    height_mm : ndarray (H, W)
        Finite everywhere.
    vectors : ndarray (K, 3, H, W)
        From `lamp_vectors`.
    step_mm : float
    weight : ndarray (K, H, W)
        0 where a photo does not count already.

    Returns
    -------
    ndarray (K, H, W), bool
    """
    p, q = (np.gradient(height_mm, step_mm, axis=axis) for axis in (1, 0))
    cosine = (vectors[:, 2] - vectors[:, 0] * p - vectors[:, 1] * q) / np.sqrt(1 + p * p + q * q)
    cosine = cosine / np.maximum(np.linalg.norm(vectors, axis=1), 1e-300)
    others = np.count_nonzero((weight > 0) & (cosine >= GRAZING), axis=0)
    return np.asarray((cosine < GRAZING) & (others >= ENOUGH_OTHERS))


def calm_noise(seen: Array, vectors: Array, *, setting: LampSetting, weight: Array) -> float:
    """Noise at weight 1 from the half of each cell's photos that agree best: highlights on most cells do not raise it.

    Parameters
    ----------
    seen, vectors, setting, weight
        As in `fit_cells`.

    Returns
    -------
    float
        Median over cells of the least median of squares (Rousseeuw 1984, from memory, with his factor for few
        photos); infinite with fewer than `ENOUGH_PHOTOS`, where half of them tell nothing.
    """
    count = len(seen)
    rows, columns = np.nonzero(np.all(weight > 0, axis=0))
    if count < ENOUGH_PHOTOS or rows.size < 100:
        return float("inf")
    pick = np.linspace(0, rows.size - 1, min(rows.size, 2000)).astype(int)
    at = rows[pick], columns[pick]
    value = seen[:, *at] - offsets(setting, count)[:, 0]
    light = light_of(vectors[:, :, *at], setting, None)
    cells = _Cells(value, light, weight[:, *at], np.ones(pick.size), np.zeros((2, pick.size)))
    least = np.full(pick.size, np.inf)
    for three in _triples(np.median(light, axis=-1)):
        least = np.minimum(least, np.median(cells.misses(_through(cells, three)[0]), axis=0))
    return float(np.median(MAD_TO_SIGMA * (1 + 5 / (count - 3)) * np.sqrt(least)))


@dataclass(frozen=True, slots=True)
class _Cells:
    """N cells whose photos do not agree: brightness and weights (K, N), light (K, 3, N), slopes nearby (2, N)."""

    value: Array
    light: Array
    weight: Array
    allowed: Array
    near: Array

    def misses(self, g: Array) -> Array:
        """Squared left-overs over what is allowed, (K, N); infinite where a photo has no weight."""
        over = self.value - np.einsum("kin,in->kn", self.light, g)
        return np.where(self.weight > 0, self.weight * over * over / self.allowed, np.inf)

    def strange(self, g: Array) -> Array:
        """How far slopes are from those nearby, in `NEAR_SLOPE`; infinite for cells that face away."""
        with np.errstate(divide="ignore", invalid="ignore"):
            off = np.hypot(-g[0] / g[2] - self.near[0], -g[1] / g[2] - self.near[1]) / NEAR_SLOPE
        return np.where(g[2] > 0, np.nan_to_num(off, nan=np.inf), np.inf)


def _first_sets(cells: _Cells) -> Array:
    """Photos (K, N) that agree with the three photos that most others agree with."""
    count, n = cells.value.shape
    best, kept = np.full(n, np.inf), np.zeros((count, n), bool)
    for three in _triples(np.median(cells.light, axis=-1)):
        g, whole = _through(cells, three)
        agree = cells.misses(g) < AGREES**2
        odd = cells.strange(g) ** 2
        # The most that agree; among equals the slope least strange beside its neighbours.
        rank = np.where(whole & np.isfinite(odd), -agree.sum(0) + 1 - 1 / (1 + odd), np.inf)
        better = rank < best
        best = np.where(better, rank, best)
        kept = np.where(better, agree, kept)
    return kept


def _through(cells: _Cells, three: tuple[int, int, int]) -> tuple[Array, Array]:
    """Albedo times normal (3, N) from three photos alone, and where they give one."""
    l0, l1, l2 = (cells.light[k] for k in three)
    c0, c1, c2 = (np.cross(a, b, axis=0) for a, b in ((l1, l2), (l2, l0), (l0, l1)))
    volume = np.sum(l0 * c0, 0)
    whole = (np.abs(volume) > 0) & np.all(cells.weight[list(three)] > 0, axis=0)
    v0, v1, v2 = (cells.value[k] for k in three)
    return (v0 * c0 + v1 * c1 + v2 * c2) / np.where(whole, volume, 1.0), whole


def _triples(light: Array) -> list[tuple[int, int, int]]:
    """Three photos at a time: all of them where there are few, else a fixed draw of well-spread ones."""
    every = list(combinations(range(len(light)), 3))
    if len(every) <= TRIPLES:
        return every
    unit = light / np.maximum(np.linalg.norm(light, axis=1, keepdims=True), 1e-300)
    volume = np.abs(np.linalg.det(unit[np.array(every)]))
    wide = np.flatnonzero(volume >= np.median(volume))
    return [every[k] for k in np.random.default_rng(0).choice(wide, min(TRIPLES, wide.size), replace=False)]


def _settle(cells: _Cells, kept: Array) -> Array:
    """Fit the sets, take in who agrees and put out the worst until each agrees; empty where nothing can be trusted."""
    for _ in range(2):
        g = _g_of(cells, kept)
        kept = np.where(kept.sum(0) >= 3, cells.misses(g) < AGREES**2, kept)
    for _ in range(len(kept) - 2):
        size = kept.sum(0)
        g = _g_of(cells, kept)
        miss = np.where(kept, cells.misses(g), 0.0)
        torn = (size > 3) & (miss.sum(0) > _most(np.maximum(size - 3, 0)))
        if not torn.any():
            break
        worst = np.argmax(miss, axis=0)
        kept[worst[torn], np.flatnonzero(torn)] = False
    size = kept.sum(0)
    odd = cells.strange(_g_of(cells, kept))
    # Three photos always agree with each other, so they are trusted only next to like slopes.
    return np.where((size > 3) & np.isfinite(odd) | (size == 3) & (odd < 1), kept, False)


def _g_of(cells: _Cells, kept: Array) -> Array:
    w = np.where(kept, cells.weight, 0.0)
    inverse = sum_inverse(cells.light, w, kept.sum(0) >= 3)
    return np.einsum("ijn,jn->in", inverse, np.einsum("kn,kin,kn->in", w, cells.light, cells.value))


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
