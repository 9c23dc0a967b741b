"""The light under a straightedge.

A ruler of a given length is laid with its middle at the place, along a direction. It comes to rest on the two
points, one on each side of its middle, whose chord passes highest over the place: the upper convex hull of
the profile under the ruler, taken at its middle. The *gap* at the place is that chord minus the surface
there; the greatest gap anywhere under the resting ruler is given as well. On a crowned panel give the
deviation from the fair form, as a ruler would rock on the crown itself.

Where the ruler reaches past what was measured it rests on what was measured; with under half of it over
measured surface, or nothing measured on one side, no gap is given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.core.constants import STRAIGHTEDGE_LENGTH
from surfscan.surface.contact import parts_of, read_between, rest

__all__ = [
    "DIRECTIONS_DEG",
    "Gap",
    "LineGap",
    "gap_along",
    "gap_at",
    "worst_gap",
]

Array = NDArray[Any]

# directions that meet the grid's own points, so that nothing is interpolated
_LATTICE = ((1, 0), (2, 1), (1, 1), (1, 2), (0, 1), (-1, 2), (-1, 1), (-2, 1))
DIRECTIONS_DEG = tuple(math.degrees(math.atan2(b, a)) for a, b in _LATTICE)
"""Directions searched for the worst gap, degrees from x towards y."""


@dataclass(frozen=True, slots=True)
class Gap:
    """One ruler at one place.

    Attributes
    ----------
    gap_mm : float
        Gap under the ruler's middle, mm, 0 or more; NaN when the ruler had no rest.
    u_mm : float
        Standard uncertainty: the heights' own, added as if all erred against each other; NaN without sigma.
    greatest_mm, greatest_at_mm : float
        Greatest gap under the resting ruler, and how far from its middle along `direction_deg` it is.
    x_mm, y_mm : float
        The ruler's middle.
    direction_deg, length_mm : float
        How it lies (from x towards y), and its length.
    contacts_mm : (float, float)
        The two rests, from the middle; both 0 when the surface touches at the middle.
    reason : str
        Why the gap is NaN; empty when it is not.
    """

    gap_mm: float
    u_mm: float
    greatest_mm: float
    greatest_at_mm: float
    x_mm: float
    y_mm: float
    direction_deg: float
    length_mm: float
    contacts_mm: tuple[float, float]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class LineGap:
    """A ruler moved along a line: distance along it, height and gap at each, all (N,), mm; NaN where
    unknown."""

    along_mm: Array
    height_mm: Array
    gap_mm: Array


def gap_at(  # house: a map, its grid, and where the ruler lies; most have a default
    height_mm: Array,
    *,
    step_mm: float,
    x_mm: float,
    y_mm: float,
    direction_deg: float = 0.0,
    length_mm: float = STRAIGHTEDGE_LENGTH.value,
    origin_mm: tuple[float, float] = (0.0, 0.0),
    sigma_mm: Array | None = None,
) -> Gap:
    """Gap under one ruler.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.
    x_mm, y_mm : float
        The ruler's middle, mm.
    direction_deg : float
        Its direction from x towards y.
    length_mm : float
        Its length, mm; at least two cells.
    origin_mm : (float, float)
        x and y of the first cell, mm.
    sigma_mm : ndarray (H, W), optional
        Standard uncertainty of the heights, mm.

    Returns
    -------
    Gap
        NaN with its reason when the ruler has no rest there.

    Raises
    ------
    ValueError
        For a length under two cells.
    """
    height = _checked(height_mm, step_mm, length_mm)
    at = np.array([(y_mm - origin_mm[1]) / step_mm, (x_mm - origin_mm[0]) / step_mm])
    # a place on a cell but for rounding is on it, and reads the grid's own points
    at = np.where(np.abs(at - np.round(at)) < 1e-6, np.round(at), at)
    row, column = at[:1], at[1:]
    windows, t, middle = _windows(height, row, column, direction_deg, length_mm, step_mm)
    level, slope, left, right = rest(windows, t)
    nan = math.nan
    nowhere = Gap(nan, nan, nan, nan, x_mm, y_mm, direction_deg, length_mm, (nan, nan))
    if not np.isfinite(windows[0, middle]):
        return replace(nowhere, reason="the place was not measured")
    if not np.isfinite(level[0]):
        return replace(nowhere, reason="too little was measured under the ruler")
    below = level[0] + slope[0] * t - windows[0]
    deepest = int(np.nanargmax(below))
    i, j = int(left[0]), int(right[0])
    u = math.nan
    if sigma_mm is not None:
        own = np.asarray(sigma_mm, dtype=np.float64)
        sigma = _windows(own, row, column, direction_deg, length_mm, step_mm)[0][0]
        share = t[j] / (t[j] - t[i]) if j != i else 1.0
        u = 0.0 if j == i else float(share * sigma[i] + (1 - share) * sigma[j] + sigma[middle])
    return Gap(
        float(level[0] - windows[0, middle]),
        u,
        float(below[deepest]),
        float(t[deepest]),
        x_mm,
        y_mm,
        direction_deg,
        length_mm,
        (float(t[i]), float(t[j])),
    )


def gap_along(
    height_mm: Array,
    *,
    step_mm: float,
    start_mm: tuple[float, float],
    end_mm: tuple[float, float],
    length_mm: float = STRAIGHTEDGE_LENGTH.value,
    origin_mm: tuple[float, float] = (0.0, 0.0),
) -> LineGap:
    """Gap along a line, the ruler lying along it with its middle at each place in turn, one cell apart.

    Parameters are those of `gap_at`; `start_mm` and `end_mm` are (x, y) of the line's ends, mm.

    Raises
    ------
    ValueError
        For a length under two cells, or a line without length.
    """
    height = _checked(height_mm, step_mm, length_mm)
    dx, dy = end_mm[0] - start_mm[0], end_mm[1] - start_mm[1]
    total = math.hypot(dx, dy)
    if not total > 0:
        raise ValueError("start_mm and end_mm are the same place")
    along = np.linspace(0.0, total, max(2, round(total / step_mm) + 1))
    column = (start_mm[0] - origin_mm[0] + along * dx / total) / step_mm
    row = (start_mm[1] - origin_mm[1] + along * dy / total) / step_mm
    direction = math.degrees(math.atan2(dy, dx))
    profile, gap = np.empty(along.size), np.empty(along.size)
    for part in parts_of(along.size):
        windows, t, middle = _windows(height, row[part], column[part], direction, length_mm, step_mm)
        profile[part] = windows[:, middle]
        gap[part] = np.maximum(rest(windows, t)[0] - windows[:, middle], 0.0)
    return LineGap(along, profile, gap)


def worst_gap(
    height_mm: Array,
    *,
    step_mm: float,
    length_mm: float = STRAIGHTEDGE_LENGTH.value,
    directions_deg: tuple[float, ...] = DIRECTIONS_DEG,
    origin_mm: tuple[float, float] = (0.0, 0.0),
    sigma_mm: Array | None = None,
) -> Gap:
    """Greatest gap over the panel and a set of directions.

    The map is cut into squares a twentieth of the ruler wide, and the ruler's middle is laid on the lowest
    cell of each, where the gap is greatest or nearly so; then on every cell around the three best of all
    directions.

    Parameters
    ----------
    height_mm, step_mm, length_mm, origin_mm, sigma_mm
        As in `gap_at`.
    directions_deg : tuple of float
        Directions to try. The default ones need no interpolation.

    Returns
    -------
    Gap
        NaN with its reason when no ruler had a rest anywhere.

    Raises
    ------
    ValueError
        For a length under two cells.
    """
    height = _checked(height_mm, step_mm, length_mm)
    every = max(1, int(length_mm / 20 / step_mm))
    tries: list[tuple[float, int, int, float]] = []
    row, column = _lowest(height, every)
    for direction in directions_deg:
        gap = _gaps(height, row, column, direction, length_mm, step_mm)
        if np.isfinite(gap).any():
            best = int(np.nanargmax(gap))
            tries.append((float(gap[best]), int(row[best]), int(column[best]), direction))
    if not tries:
        nan = math.nan
        reason = "nowhere was enough measured under the ruler"
        return Gap(nan, nan, nan, nan, nan, nan, nan, length_mm, (nan, nan), reason)
    found = max(tries)
    if every > 1:
        near = np.arange(-every, every + 1)
        for _, r, c, direction in sorted(tries, reverse=True)[:3]:
            rr, cc = (part.ravel() for part in np.meshgrid(r + near, c + near, indexing="ij"))
            inside = (rr >= 0) & (rr < height.shape[0]) & (cc >= 0) & (cc < height.shape[1])
            rr, cc = rr[inside], cc[inside]
            gap = _gaps(height, rr, cc, direction, length_mm, step_mm)
            best = int(np.nanargmax(gap))
            found = max(found, (float(gap[best]), int(rr[best]), int(cc[best]), direction))
    _, r, c, direction = found
    return gap_at(
        height,
        step_mm=step_mm,
        x_mm=origin_mm[0] + c * step_mm,
        y_mm=origin_mm[1] + r * step_mm,
        direction_deg=direction,
        length_mm=length_mm,
        origin_mm=origin_mm,
        sigma_mm=sigma_mm,
    )


def _checked(height_mm: Array, step_mm: float, length_mm: float) -> Array:
    height = np.asarray(height_mm, dtype=np.float64)
    if height.ndim != 2:
        raise ValueError(f"height_mm must be 2-D; found {height.ndim}-D")
    if not length_mm >= 2 * step_mm > 0:
        raise ValueError(f"length_mm must be at least two cells; found {length_mm} with cells of {step_mm}")
    return np.where(np.isfinite(height), height, np.nan)


def _lowest(height: Array, every: int) -> tuple[Array, Array]:
    """Row and column of the lowest measured cell of each square of `every` cells."""
    rows, columns = (-(-n // every) for n in height.shape)
    wide = np.full((rows * every, columns * every), np.inf)
    wide[: height.shape[0], : height.shape[1]] = np.where(np.isfinite(height), height, np.inf)
    squares = wide.reshape(rows, every, columns, every).swapaxes(1, 2).reshape(rows, columns, every * every)
    at = squares.argmin(axis=2)
    measured = np.isfinite(squares.min(axis=2))
    row = np.arange(rows)[:, None] * every + at // every
    column = np.arange(columns) * every + at % every
    return row[measured], column[measured]


def _gaps(height: Array, row: Array, column: Array, direction: float, length: float, step: float) -> Array:
    gap = np.empty(row.size)
    padded: dict[int, Array] = {}
    for part in parts_of(row.size):
        windows, t, middle = _windows(height, row[part], column[part], direction, length, step, padded)
        gap[part] = np.maximum(rest(windows, t)[0] - windows[:, middle], 0.0)
    return gap


def _windows(
    height: Array,
    row: Array,
    column: Array,
    direction: float,
    length: float,
    step: float,
    padded: dict[int, Array] | None = None,
) -> tuple[Array, Array, int]:
    """Heights under rulers at (row, column): (n, m), their places along the ruler (m,), the middle's index.

    `padded` keeps the padded map between the calls of one loop.
    """
    radians = math.radians(direction)
    dx, dy = math.cos(radians), math.sin(radians)
    half = length / 2
    whole = np.issubdtype(row.dtype, np.integer) or bool((row % 1 == 0).all() and (column % 1 == 0).all())
    lattice = _on_lattice(dx, dy) if whole else None
    if lattice is None:
        count = math.floor(half / step + 1e-9)
        t = np.arange(-count, count + 1) * step
        if half - count * step > 1e-9 * half:
            t = np.concatenate([[-half], t, [half]])
        windows = read_between(height, row[:, None] + t * (dy / step), column[:, None] + t * (dx / step))
        return windows, t, t.size // 2
    a, b, sign = lattice
    pitch = step * math.hypot(a, b)
    count = math.floor(half / pitch + 1e-9)
    k = np.arange(-count - 1, count + 2)
    pad = (count + 1) * max(abs(a), abs(b))
    if padded is None:
        padded = {}
    if pad not in padded:
        padded[pad] = np.pad(height, pad, constant_values=np.nan)
    wide = padded[pad]
    row, column = row.astype(np.intp), column.astype(np.intp)
    # a middle far off the map sees nothing, like any place outside it
    row = np.clip(row, -pad - 1, height.shape[0] + pad)
    column = np.clip(column, -pad - 1, height.shape[1] + pad)
    off = (row < 0) | (row >= height.shape[0]) | (column < 0) | (column >= height.shape[1])
    first = (np.where(off, 0, row) + pad) * wide.shape[1] + np.where(off, 0, column) + pad
    windows = wide.ravel()[first[:, None] + (k * sign * (b * wide.shape[1] + a))[None, :]]
    windows[off] = np.nan
    t = k * pitch
    share = half / pitch - count
    # the ruler's two ends lie between grid points
    windows[:, 0] = windows[:, 1] + share * (windows[:, 0] - windows[:, 1])
    windows[:, -1] = windows[:, -2] + share * (windows[:, -1] - windows[:, -2])
    t[0], t[-1] = -half, half
    if share < 1e-9:
        windows, t = windows[:, 1:-1], t[1:-1]
    return windows, t, t.size // 2


def _on_lattice(dx: float, dy: float) -> tuple[int, int, int] | None:
    """The lattice direction (a, b) and its sign that (dx, dy) points along, if any."""
    for a, b in _LATTICE:
        size = math.hypot(a, b)
        for sign in (1, -1):
            if math.hypot(sign * a / size - dx, sign * b / size - dy) < 1e-9:
                return a, b, sign
    return None
