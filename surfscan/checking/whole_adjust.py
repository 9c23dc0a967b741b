"""Views of one panel brought to agree where they overlap.

Each view's height is known up to what its set-up can't tell: an offset and a tilt (its own tags carry its plane), and a
little bend (board, lens, pose). All views' corrections are found together by weighted least squares on what
neighbours differ by in their overlaps, with the bends held by a prior (block adjustment, as photogrammetry has it:
Kraus 2007, Photogrammetry, chapter 5; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.ndimage import distance_transform_edt

from surfscan.change.sampler import Sampler
from surfscan.core.records import Array, Grid, HeightMap
from surfscan.core.robust import robust_spread
from surfscan.surface.slopes import polynomial_terms

__all__ = ["WAVE_MM", "Joined", "ViewMap", "join_heights"]

ORDER = 3
BEND_MM = {2: 0.020, 3: 0.005}
"""Standard deviation of a view's bend at its rim by the order of its terms: what a board turned by 0.3 degrees or moved
by 3 mm makes (the budget's own moves), before neighbours are seen."""

FREE_MM = 100.0
"""The same for offset and tilt: free, but for the whole panel's own, which nothing here tells."""

WAVE_MM = 100.0
"""Cells closer than this do not count twice: what is wrong with a view is wavy, not noise (as in the budget)."""

FEATHER_MM = 40.0
"""Over this length from its rim a view fades in, so that no step is left at a seam."""

THIN = 1500
"""About how many cells of an overlap take part."""

LEAST_CELLS = 40
"""Fewest of them that hold two views together."""


@dataclass(frozen=True, slots=True)
class ViewMap:
    """One view: its name, its map, and where its panel frame's origin lies in the whole panel's frame, mm."""

    name: str
    height: HeightMap
    origin_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Joined:
    """All views in one map.

    Attributes
    ----------
    grid : Grid
        In the whole panel's frame.
    height_mm : ndarray (H, W)
        Absolute height, NaN where no view measured.
    sigma_mm : ndarray (H, W)
        Standard uncertainty of the views' own deviations, blended; without that of the adjustment.
    moves_mm : ndarray (H, W, M)
        Independent ways, a standard uncertainty each, in which the adjustment may still be off.
    best : ndarray (H, W), int
        Index of the view that counts most in a cell; -1 where none measured.
    cover : ndarray (V, H, W)
        Weight of each view, sums to 1 where measured.
    pairs : tuple of dict
        For each overlap: names, area, what the views differed by before and after, mm.
    links : ndarray (V,), int
        Number of the connected group each view belongs to; all 0 when they hang together.
    """

    grid: Grid
    height_mm: Array
    sigma_mm: Array
    moves_mm: Array
    best: Array
    cover: Array
    pairs: tuple[dict[str, float | str], ...]
    links: Array


def join_heights(views: list[ViewMap], *, most_cells: int = 1_000_000) -> Joined:
    """Join the views' absolute heights.

    Parameters
    ----------
    views : list of ViewMap
        Two or more.
    most_cells : int
        The joined grid is made coarser beyond this.

    Returns
    -------
    Joined

    Raises
    ------
    ValueError
        With fewer than two views.
    """
    if len(views) < 2:
        raise ValueError("joining needs at least two views")
    grid = _grid(views, most_cells)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    layers, sigmas, weights, terms = [], [], [], []
    for view in views:
        sampler = Sampler(view.height)
        own_x, own_y = x - view.origin_mm[0], y - view.origin_mm[1]
        z = sampler.heights(own_x, own_y)
        sigma = np.where(np.isfinite(z), sampler.sigmas(own_x, own_y), np.nan)
        layers.append(z)
        sigmas.append(sigma)
        weights.append(_feathered(np.isfinite(z), sigma, grid.step_mm))
        reach = float(max(np.abs(view.height.grid.x_mm).max(), np.abs(view.height.grid.y_mm).max()))
        terms.append((own_x / reach, own_y / reach))
    stack, spread, weight = np.stack(layers), np.stack(sigmas), np.stack(weights)
    mean, covariance, pairs, links = _adjust(views, stack, spread, terms, grid.step_mm)
    count = len(_powers())
    basis = [polynomial_terms(tx, ty, ORDER) for tx, ty in terms]
    moved = [
        z + b @ mean[k * count : (k + 1) * count] for k, (z, b) in enumerate(zip(stack, basis, strict=True))
    ]
    total = weight.sum(0)
    with np.errstate(divide="ignore", invalid="ignore"):
        cover = np.where(total > 0, weight / total, 0.0)
    measured = total > 0
    height = np.where(measured, np.sum(cover * np.nan_to_num(np.stack(moved)), 0), np.nan)
    # Views share tags and board measurements: their uncertainties may be the same, and do not average out.
    sigma = np.where(measured, np.sum(cover * np.nan_to_num(spread), 0), np.nan)
    values, vectors = np.linalg.eigh(covariance)
    keep = values > 1e-16
    ways = vectors[:, keep] * np.sqrt(values[keep])
    moves = np.zeros((*grid.shape, ways.shape[1]))
    for k, b in enumerate(basis):
        moves += cover[k][..., None] * (b @ ways[k * count : (k + 1) * count])
    best = np.where(measured, np.argmax(cover, 0), -1)
    return Joined(grid, height, sigma, moves, best, cover, _after(views, np.stack(moved), pairs), links)


def _powers() -> list[int]:
    """Order of each term of `polynomial_terms`."""
    return [n for n in range(ORDER + 1) for _ in range(n + 1)]


def _grid(views: list[ViewMap], most_cells: int) -> Grid:
    edges = []
    for axis in (0, 1):
        places = [(v.height.grid.x_mm, v.height.grid.y_mm)[axis] + v.origin_mm[axis] for v in views]
        edges.append((min(float(p[0]) for p in places), max(float(p[-1]) for p in places)))
    (left, right), (low, high) = edges
    step = max(v.height.grid.step_mm for v in views)
    step = max(step, float(np.sqrt((right - left) * (high - low) / most_cells)))
    return Grid(np.arange(left, right + 1e-9, step), np.arange(low, high + 1e-9, step), step)


def _feathered(known: Array, sigma: Array, step_mm: float) -> Array:
    """Inverse variance, fading to nothing at the view's rim."""
    inner = np.pad(known, 1)  # the grid's own edge is a rim too
    away = distance_transform_edt(inner)[1:-1, 1:-1] * step_mm
    fade = np.clip(away / FEATHER_MM, 0.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(known, np.maximum(fade * fade * (3 - 2 * fade), 1e-6) / sigma**2, 0.0)


def _adjust(
    views: list[ViewMap], stack: Array, spread: Array, terms: list[tuple[Array, Array]], step_mm: float
) -> tuple[Array, Array, list[dict[str, float | str | int]], Array]:
    powers = _powers()
    count, total = len(powers), len(views) * len(powers)
    prior = np.array([FREE_MM if n < 2 else BEND_MM[n] for n in powers] * len(views))
    matrix, right = np.diag(1 / prior**2), np.zeros(total)
    pairs: list[dict[str, float | str | int]] = []
    links = np.arange(len(views))
    for i, j in combinations(range(len(views)), 2):
        both = np.isfinite(stack[i]) & np.isfinite(stack[j])
        skip = max(1, int(np.sqrt(both.sum() / THIN)))
        pick = np.zeros(both.shape, bool)
        pick[::skip, ::skip] = True
        pick &= both
        if pick.sum() < LEAST_CELLS:
            continue
        links[links == links[j]] = links[i]
        gap = (stack[j] - stack[i])[pick]
        here = spread[i][pick] ** 2 + spread[j][pick] ** 2
        share = min((skip * step_mm / WAVE_MM) ** 2, 1.0)
        rows = np.zeros((int(pick.sum()), total))
        for k, sign in ((i, 1.0), (j, -1.0)):
            rows[:, k * count : (k + 1) * count] = sign * polynomial_terms(
                terms[k][0][pick], terms[k][1][pick], ORDER
            )
        robust = np.ones(gap.size)
        for _ in range(6):
            normal = rows.T @ (rows * (robust * share / here)[:, None]) + np.diag(1 / prior**2)
            fit = np.linalg.solve(normal, rows.T @ (gap * robust * share / here))
            miss = (gap - rows @ fit) / np.sqrt(here)
            robust = 1 / (1 + (miss / max(3.0, float(robust_spread(miss, 3)))) ** 2)
        matrix += rows.T @ (rows * (robust * share / here)[:, None])
        right += rows.T @ (gap * robust * share / here)
        plane = np.stack([np.ones(gap.size), terms[i][0][pick], terms[i][1][pick]], -1)
        tilt = np.linalg.lstsq(plane, gap, rcond=None)[0]
        pairs.append(
            {
                "views": f"{views[i].name} and {views[j].name}",
                "i": i,
                "j": j,
                "area_cm2": float(both.sum()) * step_mm**2 / 100,
                "differed_mm": float(np.sqrt(np.mean((gap - plane @ tilt) ** 2))),
                "expected_mm": float(np.sqrt(np.mean(here))),
            }
        )
    covariance = np.linalg.inv(matrix)
    return covariance @ right, covariance, pairs, np.unique(links, return_inverse=True)[1]


def _after(
    views: list[ViewMap], moved: Array, pairs: list[dict[str, float | str | int]]
) -> tuple[dict[str, float | str], ...]:
    """What the views still differ by, rms and the 99th percentile, mm."""
    out = []
    for pair in pairs:
        i, j = int(pair.pop("i")), int(pair.pop("j"))
        gap = moved[i] - moved[j]
        gap = gap[np.isfinite(gap)]
        row = {
            **pair,
            "left_mm": float(np.sqrt(np.mean(gap**2))),
            "left_99_mm": float(np.percentile(np.abs(gap), 99)),
        }
        out.append(row)
    return tuple(out)
