"""A photo's own pixels in square tiles: what is left when stripes are drawn where the measured shape puts them.

The photo is not resampled: its pixels' noise stays independent, and its finest detail stays in. Places on the panel
and on the board are carried to the pixels instead; both are smooth.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from surfscan.core.carrier import Array
from surfscan.core.reading import Trace
from surfscan.core.records import Grid
from surfscan.core.robust import masked_mean
from surfscan.faults.smoothing import cubic_trend, gaussian_sigma
from surfscan.optics.lens import project
from surfscan.phase.waveform import BINS, mean_by_phase, phase_slots, steepness

__all__ = ["SIDE", "Tile", "tiles_of"]

SIDE = 128
"""Pixels along a tile: long enough for waves of 30 pixels, short enough to hold still over a panel in perspective."""

SEEN = 0.97
"""Share of a tile's pixels that must be clear of holes, tags and edges."""


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """One tile; pictures (SIDE, SIDE), linear light.

    Attributes
    ----------
    rest : ndarray
        The photo less its drawn stripes.
    gain, bend : ndarray
        First and second derivative of the brightness by the slope along the trace's lever.
    edge : ndarray (2,)
        Across the stripes, by column and row: unit direction times the stripe edge's standard width, pixels.
    clear : ndarray, bool
    mm_per_px : ndarray (2, 2)
        Panel x and y (rows) by photo column and row (columns).
    lever : ndarray (2,)
        Unit direction on the panel of the slope that the trace tells.
    """

    rest: Array
    gain: Array
    bend: Array
    edge: Array
    clear: Array
    mm_per_px: Array
    lever: Array


def tiles_of(
    trace: Trace, *, grid: Grid, height_mm: Array, clear: Array, smooth_mm: float, most: int
) -> list[Tile]:
    """Cut a photo of one direction's stripes into tiles.

    Parameters
    ----------
    trace : Trace
    grid : Grid
        The coarse grid.
    height_mm : ndarray (H, W)
        The surface; NaN where not measured.
    clear : ndarray (H, W), bool
        Cells that may be used.
    smooth_mm : float
        The shape is kept in the drawing where its waves are longer than about this: the cut-off, at which half
        passes, of the Gaussian filter of ISO 16610-61.
    most : int
        Tiles at most, spread over the panel.

    Returns
    -------
    list of Tile
        Empty when the panel shows none that is whole.
    """
    view = trace.view
    good = clear & np.isfinite(height_mm) & np.isfinite(trace.place_mm)
    if not good.any():
        return []
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    column, row = project(x, y, np.where(good, height_mm, 0.0), camera=view.camera, pose=view.pose)
    smooth = _smooth(trace.place_mm, good, smooth_mm / grid.step_mm)
    lit = good.astype(np.float32)
    tiles = []
    for top, left in _corners(column[good], row[good], view.photo.image.shape, most):
        found = _cells(column, row, good, top, left)
        tile = None if found is None else _cut(trace, smooth, lit, grid.step_mm, found, top, left)
        if tile is not None:
            tiles.append(tile)
    return tiles


def _corners(column: Array, row: Array, shape: tuple[int, ...], most: int) -> Iterator[tuple[int, int]]:
    """Top left corners of tiles over the cells' pixels, evenly spread."""
    low, high = (np.array([op(row), op(column)]) for op in (np.min, np.max))
    low, high = np.maximum(np.ceil(low), 0), np.minimum(np.floor(high), np.array(shape) - 1)
    counts = np.maximum((high - low) // SIDE, 0).astype(int)
    if counts.min() < 1:
        return
    thin = max(1.0, float(np.sqrt(counts.prod() / most)))
    counts = np.maximum((counts / thin).astype(int), 1)
    for i in range(counts[0]):
        for k in range(counts[1]):
            middle = low + (high - low) * (np.array([i, k]) + 0.5) / counts
            top, left = np.rint(middle - SIDE / 2).astype(int)
            if top >= 0 and left >= 0 and top + SIDE <= shape[0] and left + SIDE <= shape[1]:
                yield int(top), int(left)


def _cells(column: Array, row: Array, good: Array, top: int, left: int) -> tuple[Array, Array] | None:
    """Column and row on the grid as a cubic of the tile's own places; None where too few cells lie in it."""
    margin = 8.0
    near = (column > left - margin) & (column < left + SIDE + margin)
    near &= (row > top - margin) & (row < top + SIDE + margin)
    rows, columns = np.nonzero(near & good)
    if rows.size < 40:
        return None
    u = (column[rows, columns] - left - SIDE / 2) / SIDE
    v = (row[rows, columns] - top - SIDE / 2) / SIDE
    terms = _cubic(u, v)
    across, down = (np.linalg.lstsq(terms, k.astype(float), rcond=None)[0] for k in (columns, rows))
    return across, down


def _cut(
    trace: Trace,
    smooth: Array,
    lit: Array,
    step_mm: float,
    cells: tuple[Array, Array],
    top: int,
    left: int,
) -> Tile | None:
    """One tile; None where it is not whole."""
    across, down = cells
    u, v = _places()
    every = _cubic(u.ravel(), v.ravel())
    at = np.stack([every @ down, every @ across])
    box = slice(top, top + SIDE), slice(left, left + SIDE)
    inside = map_coordinates(lit, at, order=1, cval=0.0).reshape(SIDE, SIDE) > 0.99
    inside &= ~trace.view.photo.saturated[box]
    if inside.mean() < SEEN:
        return None
    place = map_coordinates(smooth, at, order=3, mode="nearest").reshape(SIDE, SIDE)
    phase = place * (2 * np.pi / trace.period_mm)
    rest, wave, strength = _fit(trace.view.photo.image[box].astype(np.float64), phase, inside)
    slope = steepness(wave, harmonics=BINS / 2)
    second = steepness(slope, harmonics=BINS / 2)
    reach = float(np.hypot(*trace.lever_mm))
    by_slope = 2 * np.pi / trace.period_mm * reach
    slots = phase_slots(phase)
    return Tile(
        rest,
        np.where(inside, by_slope * strength * _draw(slope, slots), 0.0),
        np.where(inside, by_slope * by_slope * strength * _draw(second, slots), 0.0),
        _edge(wave, slope, phase),
        inside,
        step_mm / SIDE * np.array([across[1:3], down[1:3]]),
        trace.lever_mm / reach,
    )


def _edge(wave: Array, slope: Array, phase: Array) -> Array:
    """Across the stripes, times their edges' width w: a Gaussian edge of step A has int g^2 = A^2 / (2 sqrt(pi) w)."""
    power = float(np.sum(slope**2)) * 2 * np.pi / BINS  # of a rising and a falling edge
    width = float(np.ptp(wave)) ** 2 / max(np.sqrt(np.pi) * power, 1e-12)
    down, across = (float(np.median(g)) for g in np.gradient(phase))
    return np.array([across, down]) * width / max(across**2 + down**2, 1e-12)


def _places() -> tuple[Array, Array]:
    """Column and row of a tile's pixels from its middle, in tiles."""
    v, u = np.meshgrid(*[(np.arange(SIDE) - SIDE / 2) / SIDE] * 2, indexing="ij")
    return u, v


def _cubic(u: Array, v: Array) -> Array:
    """Terms up to the third order; the second and third are u and v."""
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3], -1)


def _fit(picture: Array, phase: Array, clear: Array) -> tuple[Array, Array, Array]:
    """Draw the tile's stripes with the waveform it has itself: what is left, the waveform, its strength."""
    plane = _cubic(*_places())[..., :6]
    slots = phase_slots(phase)
    seen = slots[0][clear], slots[1][clear], slots[2][clear]
    wave, drawn, level = np.zeros(BINS), np.zeros_like(picture), np.zeros_like(picture)
    strength = np.ones_like(picture)
    for _ in range(3):
        level = _surface(picture - strength * drawn, plane, np.ones_like(picture), clear)
        wave = mean_by_phase(((picture - level) / strength)[clear], seen)[0]
        wave -= wave.mean()
        drawn = _draw(wave, slots)
        more = _surface(picture - level - strength * drawn, plane, strength * drawn, clear)
        strength = strength * (1 + more)
    return np.where(clear, picture - level - strength * drawn, 0.0), wave, strength


def _surface(value: Array, plane: Array, factor: Array, clear: Array) -> Array:
    """Least squares of value = factor * (smooth surface); the surface."""
    terms = (plane * factor[..., None])[clear]
    normal = terms.T @ terms
    answer = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(len(normal)), terms.T @ value[clear])
    return np.asarray(plane @ answer)


def _draw(wave: Array, slots: tuple[Array, Array, Array]) -> Array:
    """The waveform between its bins as it was read off them, so that what is left has no mean at any phase."""
    low, high, part = slots
    return np.asarray((1 - part) * wave[low] + part * wave[high])


def _smooth(place: Array, good: Array, cutoff_px: float) -> Array:
    """A map low-passed over its good cells and continued beyond them, its cubic trend kept whole."""
    trend = cubic_trend(place, good, every=5)
    mean, share = masked_mean(np.where(good, place - trend, 0.0), good, gaussian_sigma(cutoff_px))
    return np.asarray(trend + np.where(share > 1e-3, mean, 0.0), dtype=float)
