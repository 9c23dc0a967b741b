"""Texture: how steep the waves are that are too short for the map, in octave bands, from the photos' own pixels.

A slope moves the mirrored stripes, so it changes the brightness where they are steep: rest = gain x slope + noise. The
product of two pixels' rests, over many pairs that lie alike, is the product of their gains times the covariance of the
slope at that distance, plus the covariance of the noise. A straight line through these products tells both apart, at
each distance by itself: noise that pixels share (a JPEG's) is not taken for texture, and where stripes are flat nothing
is claimed. A second term, the brightness's second derivatives, takes up what slopes do that move a stripe by more than
its edge is wide. Bands of waves are then fitted to the covariances; the method is that of power spectra behind masks
(Hivon and others 2002, ApJ 567, 2, from memory: their estimator works on the sky, this one on a plane).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy.fft import irfft2, rfft2
from scipy.optimize import nnls

from surfscan.core.carrier import Array
from surfscan.core.reading import Band, Trace
from surfscan.core.records import Grid
from surfscan.faults.tiles import SIDE, Tile, tiles_of

__all__ = ["measure_texture"]

FAR = 40
"""Farthest distance between the pixels of a pair."""

LEAST_PX = 4.0
"""Shortest wave, in photo pixels: under it the lens and the pixel have taken most of it."""

PARTS = 3
"""Parts of an octave that are fitted, each as even over the logarithm of its waves."""

RIDGE = 1.1
"""How far the second term is held back."""

LONGEST = 0.35
"""Longest wave, as a share of a tile: of longer ones a tile holds too few, and the map has them."""

MOST_TILES = 8
"""Tiles of each photo: enough for an uncertainty from their scatter."""

OCTAVES_MM = tuple(0.5 * 2.0**k for k in range(7))
"""Edges of the bands: 0.5, 1, 2 ... 32 mm."""

SMOOTH_MM = 64.0
"""Waves longer than this belong to the shape that the map has."""


def measure_texture(
    traces: Sequence[Trace], *, grid: Grid, height_mm: Array, clear: Array, blur_px: float
) -> tuple[Band, ...]:
    """Measure the slopes of short waves.

    Parameters
    ----------
    traces : sequence of Trace
    grid : Grid
    height_mm : ndarray (H, W)
        The surface, mm; NaN where not measured.
    clear : ndarray (H, W), bool
        Cells that may be used: inside the judged region, off the spots.
    blur_px : float
        Standard deviation of the photo's edges, pixels; NaN for one that is not known, taken as a sharp photo's 0.6.

    Returns
    -------
    tuple of Band
        From the shortest that the photos resolve; empty when nothing can be told.
    """
    shown = Counter(trace.view.photo.file for trace in traces)
    tiles = [
        tile
        for trace in traces
        if shown[trace.view.photo.file] == 1  # two waves in one photo leave more than this tells apart
        for tile in tiles_of(
            trace, grid=grid, height_mm=height_mm, clear=clear, smooth_mm=SMOOTH_MM, most=MOST_TILES
        )
    ]
    if len(tiles) < 3:
        return ()
    coarsest = max(float(np.linalg.svd(tile.mm_per_px, compute_uv=False)[0]) for tile in tiles)
    edges = [edge for edge in OCTAVES_MM if edge >= LEAST_PX * coarsest * 0.999]
    longest = (
        LONGEST * SIDE * float(np.median([np.linalg.svd(t.mm_per_px, compute_uv=False)[1] for t in tiles]))
    )
    edges = [edge for edge in edges if edge <= longest]
    if len(edges) < 2:
        return ()
    blur = 0.6 if not np.isfinite(blur_px) else blur_px
    # Shorter and longer waves are there too: left out of the fit, they would be taken for their neighbours.
    wide = [edges[0] / 4, edges[0] / 2, *edges, 2 * edges[-1]]
    # Parts of octaves are fitted, as no spectrum is even over a whole one; octaves are told.
    fine = [edge * 2 ** (k / PARTS) for edge in wide[:-1] for k in range(PARTS)] + wide[-1:]
    equations = [_equations(tile, fine, blur) for tile in tiles]
    return _solve(equations, wide)[2:-1]


@dataclass(frozen=True, slots=True, eq=False)
class _Equations:
    """Normal equations of one tile for the bands' powers, and how much of x its lever has."""

    normal: Array
    right: Array
    along_x: float


def _equations(tile: Tile, edges: Sequence[float], blur_px: float) -> _Equations:
    covariance, weight = _covariance(tile.rest, tile.gain, tile.bend, tile.clear)
    kernels = _kernels(
        _near_scale(tile.mm_per_px), _numbers(tile.lever), tuple(edges), _numbers(_blur(tile.edge, blur_px))
    )
    use = weight > 0
    use[FAR, FAR] = False  # a pixel with itself has its own noise
    k, c, w = kernels[:, use], covariance[use], weight[use]
    return _Equations((k * w) @ k.T, (k * w) @ c, float(tile.lever[0] ** 2))


def _near_scale(mm_per_px: Array) -> tuple[float, ...]:
    """The scale to about a thirtieth, so that tiles of nearly the same one share their kernels: it moves no octave."""
    unit = 2.0 ** np.round(np.log2(np.linalg.norm(mm_per_px) / 30))
    return _numbers(mm_per_px / unit, 0, unit)


def _numbers(value: Array, digits: int = 2, unit: float = 1.0) -> tuple[float, ...]:
    """Rounded numbers, to know kernels by."""
    return tuple(float(number) * unit for number in np.round(value, digits).ravel())


def _covariance(rest: Array, gain: Array, bend: Array, clear: Array) -> tuple[Array, Array]:
    """Covariance of the slope by distance, (2 FAR + 1)^2, by a plane through the pairs of each; and its weight."""
    size = 2 * SIDE
    scale = float(np.sqrt(np.mean(gain**2))) or 1.0
    g, h = gain / scale, bend / (float(np.sqrt(np.mean(bend**2))) or 1.0)
    pictures = (clear, g, h, g * g, g * h, h * h, rest, rest * g, rest * h)
    sums = [
        _near(irfft2(np.abs(rfft2(a, (size, size))) ** 2, (size, size))) for a in map(np.float64, pictures)
    ]
    n, g1, h1, gg, gh, hh, r, rg, rh = sums
    many = np.maximum(n, 1.0)
    # Least squares of the pairs' rests on a constant, gains and bends; the constant first, then the bends, taken out.
    gg, gh, hh, rg, rh = (
        a - b * c / many for a, b, c in ((gg, g1, g1), (gh, g1, h1), (hh, h1, h1), (rg, g1, r), (rh, h1, r))
    )
    known = hh > 1e-6 * many
    # On a cosine both products are one; held back a little, the bends then leave the gains alone.
    share = np.where(known, gh / np.where(known, RIDGE * hh, 1.0), 0.0)
    weight, right = gg - share * gh, rg - share * rh
    use = (n > 0.2 * SIDE**2) & (weight > 1e-3 * many)
    return np.where(use, right / np.where(use, weight, 1.0), 0.0) / scale**2, np.where(
        use, weight, 0.0
    ) * scale**4


def _blur(edge: Array, blur_px: float) -> Array:
    """Covariance (2, 2) of where a pixel's light comes from, px^2: the lens' blur, at a sharp edge only along it."""
    width2 = float(edge @ edge)
    drawn2 = max(width2 - blur_px**2, 0.0)  # the edge before the lens
    across = edge / max(np.sqrt(width2), 1e-12)
    round_ = blur_px**2 * np.eye(2)
    return np.asarray(
        round_ - blur_px**2 * (1 - drawn2 / max(drawn2 + blur_px**2, 1e-12)) * np.outer(across, across)
    )


def _near(full: Array) -> Array:
    return np.asarray(np.fft.fftshift(full)[SIDE - FAR : SIDE + FAR + 1, SIDE - FAR : SIDE + FAR + 1])


@lru_cache(maxsize=32)
def _kernels(
    scale: tuple[float, ...], lever: tuple[float, ...], edges: tuple[float, ...], blur: tuple[float, ...]
) -> Array:
    """Covariance by distance, one map a band, of a slope of power 1 (both directions together) without a direction.

    Slope power is even over the logarithm of the wavelength. The part along the lever is seen: cos^2 of the angle
    between wave and lever. The lens' blur leaves exp(-k B k) of a wave's power.
    """
    mm_per_px = np.reshape(scale, (2, 2))
    lag = np.arange(-FAR, FAR + 1)
    low = 1 / SMOOTH_MM
    maps = []
    for short, long in pairwise(edges):
        waves = short * (long / short) ** ((np.arange(4) + 0.5) / 4)
        # As close as the longest distance can tell waves apart: sparser ones would be lines, not a band.
        turns = max(24, int(1.5 * FAR * np.linalg.norm(mm_per_px, 2) * 2 * np.pi / short))
        angles = (np.arange(turns) + 0.5) * np.pi / turns
        number, angle = (a.ravel() for a in np.meshgrid(2 * np.pi / waves, angles, indexing="ij"))
        k_mm = np.stack([number * np.cos(angle), number * np.sin(angle)])
        seen = (np.cos(angle) * lever[0] + np.sin(angle) * lever[1]) ** 2
        kept = 1 - np.exp(-np.log(2) * (number / (2 * np.pi) / low) ** 2)
        k_px = mm_per_px.T @ k_mm  # by column, by row
        power = (
            seen
            * kept**2
            * np.exp(-np.einsum("in,ij,jn->n", k_px, np.reshape(blur, (2, 2)), k_px))
            / seen.size
        )
        right, up = (np.exp(1j * np.outer(lag, k)) for k in k_px)
        maps.append(np.real((up * power) @ right.T))
    return np.stack(maps)


def _solve(equations: list[_Equations], edges: Sequence[float]) -> tuple[Band, ...]:
    """Powers that fit all tiles, their scatter by leaving each tile out, and the share of each direction."""
    bands = list(pairwise(edges))

    def powers(some: Sequence[_Equations]) -> Array:
        normal, right = sum(e.normal for e in some), sum(e.right for e in some)
        values, vectors = np.linalg.eigh(normal)
        root = np.sqrt(np.maximum(values, 1e-12 * values[-1]))
        parts = nnls((vectors * root).T, (vectors / root).T @ right)[0]
        return np.asarray(parts.reshape(-1, PARTS).sum(1))

    whole = powers(equations)
    count = len(equations)
    left = np.stack([powers([*equations[:k], *equations[k + 1 :]]) for k in range(count)])
    spread = np.sqrt((count - 1) / count * np.sum((left - left.mean(0)) ** 2, 0))
    along = [powers(some) if some else None for some in _by_direction(equations)]
    found = []
    for k, (short, long) in enumerate(bands):
        rms = float(np.sqrt(whole[k]))
        u = float(spread[k] / (2 * rms)) if whole[k] > spread[k] else float(np.sqrt(spread[k]))
        x, y = (None if a is None else float(a[k]) for a in along)
        share = x / (x + y) if x is not None and y is not None and x + y > 2 * spread[k] else float("nan")
        found.append(Band(short, long, 1e3 * rms, 1e3 * u, share))
    return tuple(found)


def _by_direction(equations: list[_Equations]) -> tuple[list[_Equations], list[_Equations]]:
    return [e for e in equations if e.along_x > 0.5], [e for e in equations if e.along_x <= 0.5]
