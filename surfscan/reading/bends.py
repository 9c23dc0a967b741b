"""What the set-up's uncertainty does to the whole map, as independent bends that a fair form may hold."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.reading import Reading
from surfscan.core.records import Array
from surfscan.core.sums import inner, product
from surfscan.reading.propagation import Move, raw_effects, sources, thin
from surfscan.reading.setup import SetUp
from surfscan.surface.legendre import quadratic_terms

__all__ = ["Moves", "bends_of", "move_all"]

LEAST_MM = 0.0002
"""Bends smaller than this (root mean square) can't be told from the fair metal's own waves."""

MOST = 8
"""More independent bends than this are never of a size that counts."""


@dataclass(frozen=True, slots=True)
class Moves:
    """Each source of the set-up, moved by its standard uncertainty.

    Attributes
    ----------
    names : list of (name, cure)
        The source of each move.
    heights : ndarray (h, w, K)
        Change of the height at the thinned cells, mm; NaN where not measured.
    curls : ndarray (h, w, K)
        Change of the slopes' curl, 1/mm.
    """

    names: list[tuple[str, str]]
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
    return Moves(names, *raw_effects(few, moves))


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
    reach = float(max(np.abs(few.x).max(), np.abs(few.y).max()))
    terms = quadratic_terms(few.x / reach, few.y / reach)
    there = terms[use]
    normal = inner(there, there) + 1e-9 * float(use.sum()) * np.eye(6)
    follow = np.linalg.solve(normal, inner(there, stack[use]))
    left = _filled(stack - product(terms, follow), use)
    power = inner(left[use], left[use]) / max(int(use.sum()), 1)
    values, vectors = np.linalg.eigh(power)
    keep = np.flatnonzero(values > LEAST_MM**2)[::-1][:MOST]
    bends = product(left, vectors[:, keep])
    h, w = reading.height_mm.shape
    if not keep.size:
        return np.zeros((h, w, 0))
    return np.asarray(cv2.resize(bends, (w, h), interpolation=cv2.INTER_LINEAR)).reshape(h, w, -1)


def _filled(maps: Array, use: Array) -> Array:
    """Cells that were not measured take the nearest one's value, so that none next to them is drawn to 0."""
    _, near = cv2.distanceTransformWithLabels(
        (~use).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    place = np.zeros(int(near.max()) + 1, int)
    place[near[use]] = np.flatnonzero(use)
    return np.asarray(maps.reshape(-1, maps.shape[-1])[place[near]])
