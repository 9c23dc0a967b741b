"""A form of one order for the whole map, spots left out: for heights without a scale, and between two maps.

A ladder of low-order surfaces is fitted robustly; on each, what stands out is masked and the fit repeated
until the mask is stable. The order is chosen by prediction: blocks of the panel are left out in turn and
predicted from the rest. The same leaving-out gives the form's own uncertainty (delete-a-group jackknife).
What is known of panels in millimetres is not used here; `surfscan.surface.form` uses it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.records import Array
from surfscan.core.robust import MAD_TO_SIGMA
from surfscan.surface.form import FairForm
from surfscan.surface.slopes import polynomial_terms

__all__ = ["fit_ladder"]

LADDER: tuple[tuple[int, bool], ...] = (
    (2, False),
    (2, True),
    (3, False),
    (4, False),
    (5, False),
    (6, False),
)
"""Candidates as (order, circular sections too): a crown is nearer to a circle than to a parabola. It starts at
the second order, since no pose is known so well that a flat panel reads as flat to a micrometre."""

SAMPLES = 2500
"""About how many cells the fits use: the form is smooth, so more would cost time and change nothing."""

BLOCKS = (4, 3)
"""Blocks along the longer and the shorter side that are left out in turn."""

PATIENCE = 3
"""How many candidates in a row may fail to predict better before the climb ends."""

BETTER = 0.85
"""A higher order must bring the prediction error below this share of the lower one's."""


def fit_ladder(
    height_mm: Array,
    *,
    x_mm: Array,
    y_mm: Array,
    floor_mm: float,
    grow_px: int,
    order: int | None = None,
    ladder: tuple[tuple[int, bool], ...] = LADDER,
) -> FairForm:
    """Fit the form of the order that predicts best, or of a given one.

    Parameters
    ----------
    height_mm : ndarray (H, W)
        Height above the tags' plane; NaN where not measured.
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
    floor_mm : float
        Deviation that noise and unevenness of a fair panel may reach: less is never called a spot here.
    grow_px : int
        By how many cells a masked spot is grown, to take its tails with it.
    order : int, optional
        Fixed polynomial order instead of choosing one.
    ladder : tuple of (int, bool)
        Candidates to choose from, lowest first: order, and whether with circular sections.

    Returns
    -------
    FairForm

    Raises
    ------
    ValueError
        With fewer than 30 measured cells.
    """
    valid = np.isfinite(height_mm)
    if valid.sum() < 30:
        raise ValueError("a fair form needs at least 30 measured cells")
    reach = float(max(np.abs(x_mm).max(), np.abs(y_mm).max()))
    x, y = np.meshgrid(x_mm / reach, y_mm / reach)
    skip = max(1, int(np.sqrt(valid.sum() / SAMPLES)))
    thin = np.s_[skip // 2 :: skip, skip // 2 :: skip]
    few = _Few(height_mm[thin], valid[thin], x[thin], y[thin], floor_mm, max(1, round(grow_px / skip)))
    best: tuple[float, int, bool] | None = None
    coefficients, quadratic, spots = np.array([float(np.median(height_mm[valid]))]), None, ~few.valid
    misses = 0
    for step_order, circular in ladder if order is None else ((order, False),):
        if few.valid.sum() < 4 * (step_order + 1) * (step_order + 2):
            break
        found, bend, mask = _masked_fit(few, step_order, circular)
        error = _prediction_error(few, mask, step_order, circular)
        if best is None or error < BETTER * best[0]:
            best, misses = (error, step_order, circular), 0
            coefficients, quadratic, spots = found, bend, mask
        else:
            misses += 1
            if misses == PATIENCE:
                break
    _, chosen, circular = best if best is not None else (np.nan, 0, False)
    form = _terms(x, y, chosen, circular, quadratic) @ coefficients
    sigma = _jackknife(few, few.valid & ~spots, chosen, circular)
    size = x.shape[1], x.shape[0]
    return FairForm(
        form,
        np.asarray(cv2.resize(sigma, size, interpolation=cv2.INTER_LINEAR)),
        cv2.resize(spots.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0,
        chosen,
        circular,
        _name(chosen, circular, order is not None),
    )


@dataclass(frozen=True, slots=True)
class _Few:
    """The thinned map that all fits use."""

    height: Array
    valid: Array
    x: Array
    y: Array
    floor: float
    grow: int


def _name(order: int, circular: bool, given: bool) -> str:
    words = {
        0: "level",
        1: "plane",
        2: "second-order surface",
        3: "third-order surface",
        4: "fourth-order surface",
    }
    name = words.get(order, f"{order}th-order surface")
    if circular:
        name += " with circular sections"
    return f"{name}, fitted with the spots left out ({'as asked' if given else 'chosen by prediction'})"


def _terms(x: Array, y: Array, order: int, circular: bool, quadratic: Array | None) -> Array:
    terms = polynomial_terms(x, y, order)
    if circular and quadratic is not None:
        bend = quadratic[0] * x * x + quadratic[1] * x * y + quadratic[2] * y * y
        terms = np.concatenate([terms, bend[..., None] ** 2], -1)
    return terms


def _solve(terms: Array, value: Array, weight: Array) -> Array:
    # Normal equations by plain sums: the same on one thread or many; the terms are few and well scaled.
    weighted = terms * weight[:, None]
    normal = np.einsum("ni,nj->ij", weighted, terms)
    right = np.einsum("ni,n->i", weighted, value)
    return np.asarray(
        np.linalg.solve(normal + 1e-10 * np.trace(normal) / len(normal) * np.eye(len(normal)), right)
    )


def _fit(few: _Few, use: Array, order: int, circular: bool, robust: bool) -> tuple[Array, Array | None]:
    """Coefficients over the cells in use, and the quadratic part that the circular term was built from."""
    xs, ys, zs = few.x[use], few.y[use], few.height[use]
    quadratic = None
    if circular:
        base = _solve(polynomial_terms(xs, ys, 2), zs, np.ones(zs.size))
        quadratic = base[3:6] / (np.abs(base[3:6]).max() + 1e-15)
    terms = _terms(xs, ys, order, circular, quadratic)
    weight = np.ones(zs.size)
    coefficients = _solve(terms, zs, weight)
    for _ in range(9 if robust else 0):
        miss = zs - terms @ coefficients
        spread = MAD_TO_SIGMA * float(np.median(np.abs(miss))) + 1e-9
        weight = 1 / (1 + (miss / (2 * spread)) ** 2)
        fresh = _solve(terms, zs, weight)
        moved = np.abs(terms @ (fresh - coefficients)).max()
        coefficients = fresh
        if moved < 0.01 * spread:
            break
    return coefficients, quadratic


def _masked_fit(few: _Few, order: int, circular: bool) -> tuple[Array, Array | None, Array]:
    """Fit, mask what stands out, fit again; until the mask stays. Returns coefficients, quadratic, mask."""
    coefficients, quadratic = _fit(few, few.valid, order, circular, True)
    mask = np.zeros(few.valid.shape, bool)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * few.grow + 1, 2 * few.grow + 1))
    for _ in range(6):
        miss = few.height - _terms(few.x, few.y, order, circular, quadratic) @ coefficients
        calm = few.valid & ~mask
        spread = MAD_TO_SIGMA * float(np.median(np.abs(miss[calm] - np.median(miss[calm]))))
        out = few.valid & (np.abs(np.nan_to_num(miss)) > max(3.5 * spread, few.floor))
        # A lone cell is noise, not a spot.
        out = cv2.morphologyEx(out.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        fresh = (cv2.dilate(out, kernel) > 0) & few.valid
        if fresh.sum() > 0.7 * few.valid.sum() or np.array_equal(fresh, mask):
            break
        mask = fresh
        coefficients, quadratic = _fit(few, few.valid & ~mask, order, circular, True)
    return coefficients, quadratic, mask


def _blocks(x: Array, y: Array) -> Array:
    """Number of the block that each cell lies in."""
    across, up = BLOCKS if np.ptp(x) >= np.ptp(y) else BLOCKS[::-1]
    column = np.minimum((x - x.min()) / (np.ptp(x) + 1e-12) * across, across - 1e-9).astype(int)
    row = np.minimum((y - y.min()) / (np.ptp(y) + 1e-12) * up, up - 1e-9).astype(int)
    return np.asarray(row * across + column)


def _leave_out(
    few: _Few, use: Array, order: int, circular: bool
) -> Iterator[tuple[Array, Array, Array | None]]:
    """Yield (block mask, coefficients fitted without it, quadratic) for each block that can be left out."""
    blocks = _blocks(few.x, few.y)
    for k in range(BLOCKS[0] * BLOCKS[1]):
        block = use & (blocks == k)
        rest = use & (blocks != k)
        if block.sum() >= 10 and rest.sum() >= 2 * (order + 1) * (order + 2):
            yield block, *_fit(few, rest, order, circular, False)


def _prediction_error(few: _Few, mask: Array, order: int, circular: bool) -> float:
    """Root mean square over the blocks of the error of predicting them from the rest.

    What was masked does not count, except where it reaches the rim of the grid: a form that is wrong at the
    rim must not get away with calling the rim a spot. There an error counts up to ten times the floor.
    """
    use = few.valid & ~mask
    _, parts = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    rim = np.unique(np.concatenate([parts[0], parts[-1], parts[:, 0], parts[:, -1]]))
    outer = few.valid & mask & np.isin(parts, rim[rim > 0])
    blocks = _blocks(few.x, few.y)
    errors = []
    for block, coefficients, quadratic in _leave_out(few, use, order, circular):
        number = blocks[block][0]
        square = 0.0
        for cells, most in ((block, np.inf), (outer & (blocks == number), 10 * few.floor)):
            predicted = _terms(few.x[cells], few.y[cells], order, circular, quadratic) @ coefficients
            square += float(np.sum(np.minimum(np.abs(few.height[cells] - predicted), most) ** 2))
        errors.append(square / max(int((block | (outer & (blocks == number))).sum()), 1))
    return float(np.sqrt(np.mean(errors))) if errors else float("inf")


def _jackknife(few: _Few, use: Array, order: int, circular: bool) -> Array:
    """Delete-a-group jackknife spread of the form (Efron and Tibshirani 1993, chapter 11; from memory)."""
    forms = [
        _terms(few.x, few.y, order, circular, quadratic) @ coefficients
        for _, coefficients, quadratic in _leave_out(few, use, order, circular)
    ]
    if len(forms) < 3:
        return np.full(few.x.shape, float(np.std(few.height[use])) if use.any() else 0.0)
    stack = np.stack(forms)
    n = len(forms)
    return np.asarray(np.sqrt((n - 1) / n * np.sum((stack - stack.mean(0)) ** 2, 0)))
