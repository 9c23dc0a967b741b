"""A photo's own pixels in square tiles: what is left when stripes are drawn where the measured shape puts them.

The photo is not resampled: its pixels' noise stays independent, and its finest detail stays in. Places on the panel
and on the board are carried to the pixels instead; both are smooth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from surfscan.core.carrier import Array
from surfscan.core.reading import Trace
from surfscan.core.records import Grid
from surfscan.core.robust import masked_mean
from surfscan.optics.lens import project
from surfscan.phase.waveform import BINS, steepness

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
    x_mm, y_mm : float
        Its middle on the panel.
    rest : ndarray
        The photo less its drawn stripes.
    gains, bends : tuple of ndarray
        First and second derivative of the brightness by the slope along each trace's lever, one for each trace of the
        photo.
    edges : tuple of ndarray (2,)
        Across each trace's stripes, by column and row: unit direction times the stripe edge's standard width, pixels.
    clear : ndarray, bool
    mm_per_px : ndarray (2, 2)
        Panel x and y (rows) by photo column and row (columns).
    levers : tuple of ndarray (2,)
        Unit direction on the panel of the slope that each trace tells.
    top, left : int
        Photo pixel of its first.
    """

    x_mm: float
    y_mm: float
    rest: Array
    gains: tuple[Array, ...]
    bends: tuple[Array, ...]
    edges: tuple[Array, ...]
    clear: Array
    mm_per_px: Array
    levers: tuple[Array, ...]
    top: int
    left: int


def tiles_of(
    traces: Sequence[Trace], *, grid: Grid, height_mm: Array, clear: Array, smooth_mm: float, most: int
) -> list[Tile]:
    """Cut one photo's tiles.

    Parameters
    ----------
    traces : sequence of Trace
        Those of one photo: one of stripes, two of crossed stripes.
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
    view = traces[0].view
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    good = clear & np.isfinite(height_mm) & np.logical_and.reduce([np.isfinite(t.place_mm) for t in traces])
    column, row = project(x, y, np.where(good, height_mm, 0.0), camera=view.camera, pose=view.pose)
    smooth = [_smooth(trace.place_mm, good, smooth_mm / grid.step_mm) for trace in traces]
    tiles = []
    for top, left in _corners(column, row, good, view.photo.image.shape, most):
        tile = _cut(traces, smooth, x, y, column, row, good, top, left)
        if tile is not None:
            tiles.append(tile)
    return tiles


def _corners(
    column: Array, row: Array, good: Array, shape: tuple[int, ...], most: int
) -> Iterator[tuple[int, int]]:
    """Top left corners of tiles that lie on good cells, the same number in each direction."""
    if not good.any():
        return
    low, high = (np.array([op(row[good]), op(column[good])]) for op in (np.min, np.max))
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


def _cut(
    traces: Sequence[Trace],
    smooth: list[Array],
    x: Array,
    y: Array,
    column: Array,
    row: Array,
    good: Array,
    top: int,
    left: int,
) -> Tile | None:
    # house: the panel's maps as arrays, so that a loop over tiles makes no copies.
    """One tile; None where it is not whole."""
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
    vv, uu = np.meshgrid(*[(np.arange(SIDE) - SIDE / 2) / SIDE] * 2, indexing="ij")
    every = _cubic(uu.ravel(), vv.ravel())
    at = np.stack([every @ down, every @ across])
    inside = map_coordinates(good.astype(np.float32), at, order=1, cval=0.0).reshape(SIDE, SIDE) > 0.99
    view = traces[0].view
    box = slice(top, top + SIDE), slice(left, left + SIDE)
    inside &= ~view.photo.saturated[box]
    if inside.mean() < SEEN:
        return None
    picture = view.photo.image[box].astype(np.float64)
    phases = [
        map_coordinates(place, at, order=3, mode="nearest").reshape(SIDE, SIDE)
        * (2 * np.pi / trace.period_mm)
        for place, trace in zip(smooth, traces, strict=True)
    ]
    rest, waves, strength = _fit(picture, phases, inside)
    slopes = [steepness(wave, harmonics=BINS / 2) for wave in waves]
    seconds = [steepness(slope, harmonics=BINS / 2) for slope in slopes]
    scale = [2 * np.pi / trace.period_mm * float(np.hypot(*trace.lever_mm)) for trace in traces]
    step = float(x[0, 1] - x[0, 0]), float(y[1, 0] - y[0, 0])
    jacobian = (
        np.array([[step[0] * across[1], step[0] * across[2]], [step[1] * down[1], step[1] * down[2]]]) / SIDE
    )
    return Tile(
        float(np.mean(x[rows, columns])),
        float(np.mean(y[rows, columns])),
        rest,
        tuple(_on(s * strength * _draw(w, f), inside) for s, w, f in zip(scale, slopes, phases, strict=True)),
        tuple(
            _on(s * s * strength * _draw(w, f), inside)
            for s, w, f in zip(scale, seconds, phases, strict=True)
        ),
        tuple(_edge(wave, phase) for wave, phase in zip(waves, phases, strict=True)),
        inside,
        jacobian,
        tuple(np.asarray(t.lever_mm) / np.hypot(*t.lever_mm) for t in traces),
        top,
        left,
    )


def _on(value: Array, clear: Array) -> Array:
    return np.where(clear, value, 0.0)


def _edge(wave: Array, phase: Array) -> Array:
    """Across the stripes, times their edges' width w: a Gaussian edge of step A has int g^2 = A^2 / (2 sqrt(pi) w)."""
    slope = steepness(wave, harmonics=BINS / 2)
    power = float(np.sum(slope**2)) * 2 * np.pi / BINS  # of a rising and a falling edge
    width = float(np.ptp(wave)) ** 2 / max(np.sqrt(np.pi) * power, 1e-12)
    down, across = (float(np.median(g)) for g in np.gradient(phase))
    return np.array([across, down]) * width / max(across**2 + down**2, 1e-12)


def _cubic(u: Array, v: Array) -> Array:
    """Terms up to the third order; the second and third are u and v."""
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3], -1)


def _fit(picture: Array, phases: list[Array], clear: Array) -> tuple[Array, list[Array], Array]:
    """Draw the tile's stripes with the waveform it has itself: what is left, the waveforms, their strength."""
    vv, uu = np.meshgrid(*[(np.arange(SIDE) - SIDE / 2) / SIDE] * 2, indexing="ij")
    plane = np.stack([np.ones_like(uu), uu, vv, uu * vv, uu * uu, vv * vv], -1)
    waves = [np.zeros(BINS) for _ in phases]
    drawn, level = [np.zeros_like(picture) for _ in phases], np.zeros_like(picture)
    strength = np.ones_like(picture)
    for _ in range(3):
        level = _surface(picture - strength * sum(drawn), plane, np.ones_like(picture), clear)
        for k, phase in enumerate(phases):
            others = sum(d for n, d in enumerate(drawn) if n != k)
            wave = _fold((picture - level) / strength - others, phase, clear)
            waves[k], drawn[k] = wave, _draw(wave, phase)
        total = sum(drawn)
        strength = strength * (
            1 + _surface(picture - level - strength * total, plane, strength * total, clear)
        )
    return _on(picture - level - strength * sum(drawn), clear), waves, strength


def _surface(value: Array, plane: Array, factor: Array, clear: Array) -> Array:
    """Least squares of value = factor * (smooth surface); the surface."""
    terms = (plane * factor[..., None])[clear]
    normal = terms.T @ terms
    answer = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(len(normal)), terms.T @ value[clear])
    return np.asarray(plane @ answer)


def _fold(shade: Array, phase: Array, clear: Array) -> Array:
    """Mean shade by phase, (BINS,), read and drawn by linear interpolation between the bins; mean 0."""
    place = phase[clear] * (BINS / (2 * np.pi))
    slot = np.floor(place)
    part = place - slot
    low = slot.astype(np.int64) % BINS
    high = (low + 1) % BINS
    count = np.bincount(low, 1 - part, BINS) + np.bincount(high, part, BINS)
    total = np.bincount(low, (1 - part) * shade[clear], BINS) + np.bincount(high, part * shade[clear], BINS)
    wave = total / np.maximum(count, 1e-9)
    return np.asarray(wave - wave.mean())


def _draw(wave: Array, phase: Array) -> Array:
    place = phase * (BINS / (2 * np.pi))
    slot = np.floor(place)
    part = place - slot
    low = slot.astype(np.int64) % BINS
    return np.asarray((1 - part) * wave[low] + part * wave[(low + 1) % BINS])


def _smooth(place: Array, good: Array, cutoff_px: float) -> Array:
    """A map low-passed over its good cells and continued beyond them, its cubic trend kept whole."""
    y, x = np.meshgrid(*[np.linspace(-1, 1, n) for n in place.shape], indexing="ij")
    terms = _cubic(x, y)
    trend = terms @ np.linalg.lstsq(terms[good][::5], place[good][::5], rcond=None)[0]
    # Gaussian of ISO 16610-61: weight exp(-pi (r / (alpha cut-off))^2), alpha = sqrt(ln 2 / pi)
    sigma = cutoff_px * np.sqrt(np.log(2) / 2) / np.pi
    mean, share = masked_mean(np.where(good, place - trend, 0.0), good, sigma)
    return np.asarray(trend + np.where(share > 1e-3, mean, 0.0), dtype=float)
