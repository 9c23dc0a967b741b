"""What shape a spot has, in the trade's words: a dish, long and narrow, a ring, or one of many small ones.

A dish is a dent or a bump; long and narrow is a run, a crack, a crease or a scratch; a ring is a rim round a repair,
often the old paint edge; many small ones of one kind are pinholes or nibs, and one job.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from surfscan.core.records import Array
from surfscan.judge.trade_table import figure

__all__ = ["is_ring", "name_shapes"]

RING_TURN_DEG = 220.0
"""So much of the circle at least; an arc of less is a crescent at the side of something (our choice)."""

RING_WIDE = 0.22
"""Rms distance from the circle over its radius, at most. A full disc has 0.34 (closed form in the tests), a ring whose
inside is six tenths of its outside 0.14."""

_SECTORS = 36
_LEAST_CELLS = 12


def is_ring(cells: Array, *, step_mm: float = 1.0) -> bool:
    """Whether a spot's cells lie along a circle, most of the way round.

    Parameters
    ----------
    cells : ndarray (H, W), bool
        The spot's upper half: cells over half its peak.
    step_mm : float
        Cell side; any unit.

    Returns
    -------
    bool
    """
    rows, columns = np.nonzero(cells)
    if rows.size < _LEAST_CELLS:
        return False
    x, y = columns * step_mm, rows * step_mm
    # Circle through all of them by linear least squares (Kasa 1976): x^2 + y^2 = 2 a x + 2 b y + c. A somewhat oval
    # ring passes too, by what RING_WIDE allows.
    x0, y0 = x - x.mean(), y - y.mean()
    terms = np.stack([2 * x0, 2 * y0, np.ones_like(x0)], -1)
    (a, b, c), *_ = np.linalg.lstsq(terms, x0**2 + y0**2, rcond=None)
    radius = math.sqrt(max(float(c + a * a + b * b), 0.0))
    if radius < 2 * step_mm:
        return False
    away = np.hypot(x0 - a, y0 - b)
    if float(np.sqrt(np.mean((away - radius) ** 2))) > RING_WIDE * radius:
        return False
    turn = np.floor((np.arctan2(y0 - b, x0 - a) + np.pi) / (2 * np.pi) * _SECTORS).astype(int) % _SECTORS
    return np.unique(turn).size * 360 / _SECTORS >= RING_TURN_DEG


def name_shapes(
    kinds: Sequence[str],
    lengths_mm: Sequence[float],
    widths_mm: Sequence[float],
    rings: Sequence[bool] | None = None,
) -> tuple[str, ...]:
    """Name the shape of every spot of a panel.

    Parameters
    ----------
    kinds : sequence of {"low", "high"}
    lengths_mm, widths_mm : sequence of float
        Extent at half the peak.
    rings : sequence of bool, optional
        As `is_ring` says; default none.

    Returns
    -------
    tuple of {"dish", "long", "ring", "many"}
        Many: small ones, where their kind has so many of them; whatever their own shape.
    """
    small_to, many_from, over = figure("small_to"), figure("many_from"), figure("long_over")
    small = [length <= small_to for length in lengths_mm]
    count = {kind: sum(s for s, k in zip(small, kinds, strict=True) if k == kind) for kind in set(kinds)}
    named = []
    for k, kind in enumerate(kinds):
        if small[k] and count[kind] >= many_from:
            named.append("many")
        elif rings is not None and rings[k]:
            named.append("ring")
        elif lengths_mm[k] > over * widths_mm[k] > 0:
            named.append("long")
        else:
            named.append("dish")
    return tuple(named)
