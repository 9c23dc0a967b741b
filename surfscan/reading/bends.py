"""What the set-up's uncertainty does to the whole map, as independent bends that a fair form may hold."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.reading import Reading
from surfscan.core.records import Array
from surfscan.core.sums import inner, product
from surfscan.reading.propagation import Few, Move, curl_of, raw_slopes, sources, thin
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
    names : list of (name, cure)
        The source of each move.
    p, q : ndarray (K, h, w)
        Change of the slopes at the thinned cells.
    heights : ndarray (h, w, K)
        Change of the height at the thinned cells, mm; NaN where not measured.
    curls : ndarray (h, w, K)
        Change of the slopes' curl, 1/mm.
    """

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
    curls = np.stack([curl_of(a, b, few.step_mm) for a, b in zip(p, q, strict=True)], -1)
    heights = np.moveaxis(integrate_many(p, q, step_mm=few.step_mm), 0, -1)
    return Moves(names, p, q, heights, curls)


def bends_of(moves: Moves, reading: Reading, setup: SetUp) -> Array:
    """Independent bends, what a second-order form would follow taken off.

    Returns
    -------
    ndarray (H, W, K), mm
        One standard uncertainty each.
    """
    few = thin(reading, None, list(setup.views), setup.board)
    stack = moves.heights
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
    slopes = [
        np.where(
            measured, _on_all_cells(np.einsum("khw,km->mhw", d, vectors[:, keep]), use, few, reading), np.nan
        )
        for d in (moves.p, moves.q)
    ]
    bends = np.moveaxis(integrate_many(*slopes, step_mm=reading.grid.step_mm), 0, -1)
    x, y = np.meshgrid(reading.grid.x_mm, reading.grid.y_mm)
    return _filled(bends - _second_order(bends, x, y, measured), measured)


def _second_order(maps: Array, x: Array, y: Array, use: Array) -> Array:
    """The second-order part of maps (h, w, K), which any form follows."""
    reach = float(max(np.abs(x).max(), np.abs(y).max()))
    terms = quadratic_terms(x / reach, y / reach)
    there = terms[use]
    normal = inner(there, there) + 1e-9 * float(use.sum()) * np.eye(6)
    return np.asarray(product(terms, np.linalg.solve(normal, inner(there, maps[use]))))


def _on_all_cells(slopes: Array, use: Array, few: Few, reading: Reading) -> Array:
    """Slopes (m, h, w) of the thinned cells on the whole grid: a polynomial, and what is left of them in between."""
    reach = float(max(np.abs(few.x).max(), np.abs(few.y).max()))
    terms = polynomial_terms(few.x / reach, few.y / reach, SMOOTH)
    there, wanted = terms[use], np.moveaxis(slopes, 0, -1)
    normal = inner(there, there) + 1e-9 * float(use.sum()) * np.eye(there.shape[-1])
    found = np.linalg.solve(normal, inner(there, wanted[use]))
    rest = _filled(wanted - product(terms, found), use)
    x, y = reading.grid.x_mm, reading.grid.y_mm
    column = (x - few.x[0, 0]) / (few.x[0, 1] - few.x[0, 0])
    row = (y - few.y[0, 0]) / (few.y[1, 0] - few.y[0, 0])
    at_x, at_y = (a.astype(np.float32) for a in np.meshgrid(column, row))
    return np.stack(
        [
            evaluate_polynomial(found[:, k], x / reach, y / reach, SMOOTH)
            + cv2.remap(rest[..., k], at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for k in range(len(slopes))
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
