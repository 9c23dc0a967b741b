"""How an error of a lamp's place, or paint that is not quite matt, bends the map: neither is a share of a depth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.poisson import label_islands, solve_steps
from surfscan.core.records import Array
from surfscan.shading.lamp import CellFit, Lamps, LampSetting, lamp_vectors, light_of, slope_rows, sum_inverse

__all__ = ["Bends", "bend_by_paint", "bend_by_places"]

CELLS_ACROSS = 48
"""Cells along the longer side that the bend is worked out on: it is smooth."""

PAINT_SHARE = 2.5
"""Times that what neighbouring cells leave over bends their slopes, besides the one share that all carry."""

LEAST_LENGTH_MM = 60.0
"""Shortest length over which paint is wrong alike."""


@dataclass(frozen=True, slots=True)
class Bends:
    """Standard uncertainties of the height, (H, W) mm: by the lamps' places, and by paint that is not quite matt."""

    places_mm: Array
    paint_mm: Array


def bend_by_places(
    fit: CellFit,
    *,
    setting: LampSetting,
    weight: Array,
    xyz_mm: tuple[Array, Array, Array],
    lamps: Lamps,
    step_mm: float,
    place_sd_mm: float,
) -> Array:
    """Standard uncertainty of the height, (H, W) mm, from the lamps' places; what a fair cubic takes off is not in it.

    Parameters
    ----------
    fit : CellFit
    setting : LampSetting
    weight : ndarray (K, H, W)
        As in `fit_cells`.
    xyz_mm : tuple of three ndarray (H, W)
        The surface as known.
    lamps : Lamps
    step_mm : float
    place_sd_mm : float
        Standard uncertainty of each coordinate of each lamp, independent of each other.
    """
    shape = fit.p.shape
    skip = max(1, int(np.ceil(max(shape) / CELLS_ACROSS)))
    few = np.s_[skip // 2 :: skip, skip // 2 :: skip]
    p, q, albedo = (v[few] for v in (fit.p, fit.q, fit.albedo))
    count, labels = label_islands(np.isfinite(p))
    good = labels == 1
    if count == 0 or good.sum() < 25 or place_sd_mm <= 0:
        return np.zeros(shape)
    thin = CellFit(p, q, albedo, fit.left[:, *few], p, q)
    at = tuple(v[few] for v in xyz_mm)
    w = np.where(good & np.isfinite(thin.left), weight[:, *few], 0.0)
    places = lamps.places_mm + setting.moved_mm
    light = light_of(lamp_vectors(*at, lamps=replace(lamps, places_mm=places)), setting, thin)
    inverse = sum_inverse(light, w, good)
    size = np.where(good, albedo, 1.0) / np.sqrt(1 + np.where(good, p * p + q * q, 0.0))
    g = np.stack([-np.where(good, p, 0.0) * size, -np.where(good, q, 0.0) * size, size])
    by_p, by_q = slope_rows(g)
    cubic = _cubic(at[0][good], at[1][good])
    total = np.zeros(good.shape)
    for k, place in enumerate(places):
        one = replace(
            lamps, places_mm=place[None], axes=None if lamps.axes is None else lamps.axes[k : k + 1]
        )
        here = lamp_vectors(*at, lamps=one)[0]
        for axis in range(3):
            moved = place[None].copy()
            moved[0, axis] += place_sd_mm
            change = lamp_vectors(*at, lamps=replace(one, places_mm=moved))[0] - here
            drive = setting.brightness[k] * np.sum(change * g, 0)
            dg = -np.einsum("ij...,j...->i...", inverse, w[k] * light[k] * drive)
            z = _height(np.sum(by_p * dg, 0), np.sum(by_q * dg, 0), good, step_mm * skip)
            total[good] += (z[good] - cubic @ (cubic.T @ z[good])) ** 2
    return _spread(np.sqrt(total), good, shape)


def bend_by_paint(
    fit: CellFit, *, unexplained: float, usual: float, scale_rel: float, size_mm: tuple[float, float]
) -> Array:
    """Standard uncertainty of the height, (H, W) mm, from paint that is not quite matt.

    Parameters
    ----------
    fit : CellFit
    unexplained : float
        What neighbouring cells leave over alike, a share of the brightness.
    usual : float
        Brightness times root of the weight, median.
    scale_rel : float
        Standard uncertainty of slopes as a share. One share for all stretches the map, which a fair form takes up and
        every depth carries; but it is not one where the surface turns far from the lamps: shading is even in the
        tilt, so that to first order the share changes with the tilt's squared sine, from none to itself.
    size_mm : tuple of float
        The panel; what is not matt goes with the slope, so it is wrong alike over up to half of it.
    """
    length = max(LEAST_LENGTH_MM, 0.5 * min(size_mm))
    slope = PAINT_SHARE * unexplained * usual * np.sqrt(0.5 * (fit.u_p**2 + fit.u_q**2))
    steep = fit.p**2 + fit.q**2
    slope = np.hypot(slope, scale_rel * np.sqrt(steep) * steep / (1 + steep))
    return np.asarray(np.nan_to_num(slope) * length / np.pi)


def _cubic(x: Array, y: Array) -> Array:
    """Orthonormal columns that span the cubics at the places, (N, at most 10)."""
    x, y = x / max(np.ptp(x), 1e-9), y / max(np.ptp(y), 1e-9)
    design = np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], -1)
    columns, size, _ = np.linalg.svd(design, full_matrices=False)
    return np.asarray(columns[:, size > 1e-10 * size[0]])


def _height(p: Array, q: Array, good: Array, step_mm: float) -> Array:
    p, q = np.where(good, p, 0.0), np.where(good, q, 0.0)
    wx, wy = (good[:, 1:] & good[:, :-1]).astype(float), (good[1:] & good[:-1]).astype(float)
    across, up = 0.5 * step_mm * (p[:, 1:] + p[:, :-1]), 0.5 * step_mm * (q[1:] + q[:-1])
    return np.asarray(solve_steps(across, up, wx, wy, tolerance=1e-5))


def _spread(value: Array, good: Array, shape: tuple[int, ...]) -> Array:
    """Back to the whole grid; next to what was not measured, the largest value nearby."""
    wide = cv2.dilate(np.where(good, value, 0.0), np.ones((3, 3), np.uint8))
    return np.asarray(cv2.resize(np.where(good, value, wide), shape[::-1], interpolation=cv2.INTER_LINEAR))
