"""What the set-up's uncertainty does to the whole map, as independent bends that a fair form may hold."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.reading import Reading
from surfscan.core.records import Array, Grid
from surfscan.core.sums import inner, product
from surfscan.reading.propagation import Few, Move, integrated, raw_slopes, sources, thin
from surfscan.reading.setup import SetUp
from surfscan.surface.integrate import integrate_many
from surfscan.surface.legendre import quadratic_terms
from surfscan.surface.slopes import evaluate_polynomial, polynomial_terms

__all__ = ["Moves", "bends_of", "move_all"]

LEAST_MM = 0.0002
"""Bends smaller than this (root mean square) can't be told from the fair metal's own waves."""

MOST = 8
"""More independent bends than this are never of a size that counts."""

SMOOTH = 5
"""Order of the polynomial that the slopes of a bend nearly are."""


@dataclass(frozen=True, slots=True)
class Moves:
    """Each source of the set-up, moved by its standard uncertainty.

    Attributes
    ----------
    few : Few
        The thinned cells.
    names : list of (name, cure)
        The source of each move.
    p, q : ndarray (K, h, w)
        Change of the slopes at the thinned cells.
    heights : ndarray (h, w, K)
        Change of the height at the thinned cells, mm; NaN where not measured.
    curls : ndarray (h, w, K)
        Change of the slopes' curl, 1/mm.
    """

    few: Few
    names: list[tuple[str, str]]
    p: Array
    q: Array
    heights: Array
    curls: Array


def move_all(reading: Reading, setup: SetUp) -> Moves:
    """Move every input by its standard uncertainty, before any form is known."""
    views = list(setup.views)
    few = thin(reading, None, views, setup.board)
    each = sources(views, list(setup.fits), setup.board, setup.inputs, setup.board_fit, corners=setup.corners)
    names: list[tuple[str, str]] = []
    moves: list[Move] = []
    for name, cure, own in each:
        names += [(name, cure)] * len(own)
        moves += own
    p, q = raw_slopes(few, moves)
    return Moves(few, names, p, q, *integrated(few, p, q))


def bends_of(moves: Moves, reading: Reading) -> Array:
    """Independent bends, what a second-order form would follow taken off.

    Returns
    -------
    ndarray (H, W, K), mm
        One standard uncertainty each.
    """
    few, stack = moves.few, moves.heights
    use = few.use & np.isfinite(stack).all(-1)
    left = np.where(use[..., None], stack - _second_order(stack, few.x, few.y, use), 0.0)
    power = inner(left[use], left[use]) / max(int(use.sum()), 1)
    values, vectors = np.linalg.eigh(power)
    keep = np.flatnonzero(values > LEAST_MM**2)[::-1][:MOST]
    h, w = reading.height_mm.shape
    if not keep.size:
        return np.zeros((h, w, 0))
    # Slopes that no surface has leave the integration a corner beside each tag, as sharp as the cells are small: so the
    # few that count are integrated where the map was, on its own cells.
    measured = np.isfinite(reading.height_mm)
    mixed = [np.einsum("khw,km->hwm", change, vectors[:, keep]) for change in (moves.p, moves.q)]
    p, q = (np.where(measured, _on_all_cells(each, use, few, reading.grid), np.nan) for each in mixed)
    bends = np.moveaxis(integrate_many(p, q, step_mm=reading.grid.step_mm), 0, -1)
    x, y = np.meshgrid(reading.grid.x_mm, reading.grid.y_mm)
    return _filled(bends - _second_order(bends, x, y, measured), measured)


def _second_order(maps: Array, x: Array, y: Array, use: Array) -> Array:
    """The second-order part of maps (h, w, K), which any form follows."""
    reach = float(max(np.abs(x).max(), np.abs(y).max()))
    terms = quadratic_terms(x / reach, y / reach)
    return np.asarray(product(terms, _fit(terms, maps, use)))


def _fit(terms: Array, maps: Array, use: Array) -> Array:
    """Coefficients (N, K) of terms (h, w, N) for maps (h, w, K), by least squares over some cells."""
    there = terms[use]
    normal = inner(there, there) + 1e-9 * float(use.sum()) * np.eye(there.shape[-1])
    return np.asarray(np.linalg.solve(normal, inner(there, maps[use])))


def _on_all_cells(slopes: Array, use: Array, few: Few, grid: Grid) -> Array:
    """Slopes (h, w, m) of the thinned cells on all cells, (m, H, W): a polynomial, and the small rest in between."""
    reach = float(max(np.abs(few.x).max(), np.abs(few.y).max()))
    terms = polynomial_terms(few.x / reach, few.y / reach, SMOOTH)
    found = _fit(terms, slopes, use)
    rest = _filled(slopes - product(terms, found), use)
    at_x, at_y = np.meshgrid(
        ((grid.x_mm - few.x[0, 0]) / few.step_mm).astype(np.float32),
        ((grid.y_mm - few.y[0, 0]) / few.step_mm).astype(np.float32),
    )
    return np.stack(
        [
            evaluate_polynomial(found[:, k], grid.x_mm / reach, grid.y_mm / reach, SMOOTH)
            + cv2.remap(rest[..., k], at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for k in range(slopes.shape[-1])
        ]
    )


def _filled(maps: Array, use: Array) -> Array:
    """Cells that were not measured take the nearest one's value, so that none next to them is drawn to 0."""
    _, near = cv2.distanceTransformWithLabels(
        (~use).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    place = np.zeros(int(near.max()) + 1, int)
    place[near[use]] = np.flatnonzero(use)
    return np.asarray(maps.reshape(-1, maps.shape[-1])[place[near]])
