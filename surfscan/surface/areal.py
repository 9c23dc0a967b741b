"""Areal parameters of ISO 25178-2, slope and curvature maps, and the slope in a band of waves.

Parameter names are those of ISO 25178-2 (from memory, its text was not at hand). The surface heights refer to
is always named. Gloss shows slope, not height: a finish is judged by the slope in a stated band of
wavelengths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.surface.filters import band_pass
from surfscan.surface.flatness import fit_plane

__all__ = [
    "Areal",
    "BandSlope",
    "Curvature",
    "areal_parameters",
    "band_slope",
    "curvature_map",
    "slope_map",
]

Array = NDArray[Any]

LEVELS = ("mean", "as given", "plane")


LONGEST = 5.0
"""Times the map's diagonal that a wave may be long: its filter is padded by its own length."""


@dataclass(frozen=True, slots=True)
class Areal:
    """Parameters of ISO 25178-2; NaN where they can't be given.

    Attributes
    ----------
    Sa_mm, Sq_mm : float
        Mean of the absolute height, root mean square height.
    Sz_mm, Sp_mm, Sv_mm : float
        Highest to deepest, highest, deepest (positive).
    Ssk, Sku : float
        Skewness, kurtosis (3 for normal heights); NaN for a surface without any height.
    Sdq : float
        Root mean square gradient, rad; NaN when no two measured cells touch in either direction.
    Sdq_mrad : float
        The same in mrad.
    reference : str
        What the heights refer to.
    cells : int
        How many places went in.
    """

    Sa_mm: float
    Sq_mm: float
    Sz_mm: float
    Sp_mm: float
    Sv_mm: float
    Ssk: float
    Sku: float
    Sdq: float
    Sdq_mrad: float
    reference: str
    cells: int


@dataclass(frozen=True, slots=True)
class Curvature:
    """Principal curvatures of a gently sloped surface, 1/m: `most` >= `least`, both (H, W), NaN where
    unknown.

    Plus is hollow (the bottom of a low), minus is crowned (the top of a high).
    """

    most: Array
    least: Array


@dataclass(frozen=True, slots=True)
class BandSlope:
    """Slope within a band of wavelengths.

    Attributes
    ----------
    slope_mrad : ndarray (H, W), float64
        Size of the slope, mrad; NaN where not measured.
    peak_mrad, rms_mrad : float
        Greatest and root mean square; NaN when nothing was measured.
    row, column : int
        Where the greatest is; -1 when nothing was measured.
    band_mm : (float, float)
        The cut-offs.
    """

    slope_mrad: Array
    peak_mrad: float
    rms_mrad: float
    row: int
    column: int
    band_mm: tuple[float, float]


def areal_parameters(
    height_mm: Array, *, step_mm: float, reference: str = "fair form", level: str = "mean"
) -> Areal:
    """Areal parameters over the measured cells.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.
    reference : str
        What `height_mm` already refers to, in words; goes into the result.
    level : {"mean", "as given", "plane"}
        What is taken off before: the mean height (as a surface freed of its form has none), nothing, or the
        least-squares plane.

    Returns
    -------
    Areal
        NaN parameters when nothing was measured. Sdq squares the height differences of touching cells and
        averages each direction over its own differences, so that holes cost only what touches them.

    Raises
    ------
    ValueError
        For an unknown level.
    """
    if level not in LEVELS:
        raise ValueError(f"level must be one of {LEVELS}; found {level!r}")
    height = np.asarray(height_mm, dtype=np.float64)
    known = np.isfinite(height)
    cells = int(known.sum())
    name = {"mean": f"mean height about the {reference}", "as given": reference}.get(
        level, f"least-squares plane of the heights about the {reference}"
    )
    if level == "plane" and cells:
        plane = fit_plane(height, step_mm=step_mm)
        a, b = plane.slopes
        row, column = np.indices(height.shape)
        x0, y0, z0 = plane.centre_mm
        height = height - (z0 + a * (column * step_mm - x0) + b * (row * step_mm - y0))
        known = np.isfinite(height)
    z = height[known]
    if z.size == 0:
        nan = math.nan
        return Areal(nan, nan, nan, nan, nan, nan, nan, nan, nan, name, cells)
    if level == "mean":
        z = z - z.mean()
    square = z * z
    sq = math.sqrt(float(square.mean()))
    ssk = float((square * z).mean()) / sq**3 if sq > 0 else math.nan
    sku = float((square * square).mean()) / sq**4 if sq > 0 else math.nan
    sp, sv = max(float(z.max()), 0.0), max(-float(z.min()), 0.0)
    sdq = _gradient_rms(height, step_mm)
    sa = float(np.abs(z).mean())
    return Areal(sa, sq, sp + sv, sp, sv, ssk, sku, sdq, 1e3 * sdq, name, cells)


def slope_map(height_mm: Array, *, step_mm: float) -> tuple[Array, Array, Array]:
    """Slopes along x and y and their size, mrad.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.

    Returns
    -------
    x_mrad, y_mrad, size_mrad : ndarray (H, W), float64
        Central differences; at an edge or hole the one-sided difference. NaN where not measured or where a
        direction has no measured neighbour.
    """
    height = np.asarray(height_mm, dtype=np.float64)
    x = 1e3 * _slope(height, 1) / step_mm
    y = 1e3 * _slope(height, 0) / step_mm
    return x, y, np.hypot(x, y)


def curvature_map(height_mm: Array, *, step_mm: float) -> Curvature:
    """Principal curvatures from second differences, 1/m.

    For slopes under 0.1 rad the second derivatives differ from the true curvature by under 1.5 %. Second
    differences grow noise by 1/step squared: low-pass first. NaN where any of the 3 x 3 cells is not
    measured.
    """
    height = np.asarray(height_mm, dtype=np.float64)
    most, least = np.full(height.shape, np.nan), np.full(height.shape, np.nan)
    if min(height.shape) >= 3:
        middle = height[1:-1, 1:-1]
        scale = 1e3 / step_mm**2  # 1/mm to 1/m
        xx = (height[1:-1, 2:] - 2 * middle + height[1:-1, :-2]) * scale
        yy = (height[2:, 1:-1] - 2 * middle + height[:-2, 1:-1]) * scale
        xy = (height[2:, 2:] - height[2:, :-2] - height[:-2, 2:] + height[:-2, :-2]) * (scale / 4)
        half, spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
        most[1:-1, 1:-1], least[1:-1, 1:-1] = half + spread, half - spread
    return Curvature(most, least)


def band_slope(height_mm: Array, *, step_mm: float, short_mm: float, long_mm: float) -> BandSlope:
    """Slope of the waves between two cut-offs (Gaussian band, see ``filters.band_pass``).

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.
    short_mm, long_mm : float
        Cut-off wavelengths, mm: each passes half.

    Returns
    -------
    BandSlope
        NaN and -1 when nothing was measured, and for waves shorter than two cells or far longer than the map.
    """
    rows, columns = height_mm.shape
    if short_mm < 2 * step_mm or long_mm > LONGEST * step_mm * math.hypot(rows, columns):
        return BandSlope(np.full(height_mm.shape, np.nan), math.nan, math.nan, -1, -1, (short_mm, long_mm))
    band = band_pass(height_mm, step_mm=step_mm, short_mm=short_mm, long_mm=long_mm)
    size = slope_map(band, step_mm=step_mm)[2]
    known = np.isfinite(size)
    if not known.any():
        return BandSlope(size, math.nan, math.nan, -1, -1, (short_mm, long_mm))
    at = int(np.argmax(np.where(known, size, -1.0)))
    row, column = divmod(at, size.shape[1])
    rms = math.sqrt(float(np.mean(size[known] ** 2)))
    return BandSlope(size, float(size[row, column]), rms, row, column, (short_mm, long_mm))


def _gradient_rms(height: Array, step_mm: float) -> float:
    total, seen = 0.0, False
    for axis in (0, 1):
        step = np.diff(height, axis=axis)
        step = step[np.isfinite(step)]
        if step.size:
            total += float(np.mean(step * step))
            seen = True
    return math.sqrt(total) / step_mm if seen else math.nan


def _slope(height: Array, axis: int) -> Array:
    """Difference per cell along an axis: central, else one-sided, else NaN."""
    moved = np.moveaxis(height, axis, 0)
    out = np.full(moved.shape, np.nan)
    if moved.shape[0] > 1:
        step = np.diff(moved, axis=0)
        none = np.full((1, *moved.shape[1:]), np.nan)
        after, before = np.concatenate([step, none]), np.concatenate([none, step])
        out = np.where(np.isnan(before), after, np.where(np.isnan(after), before, (before + after) / 2))
        out = np.where(np.isfinite(moved), out, np.nan)
    return np.moveaxis(out, 0, axis)
