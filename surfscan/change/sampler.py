"""A height map read at any place, with what it does not know left unknown."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import distance_transform_edt, map_coordinates, spline_filter

from surfscan.core.records import Array, HeightMap

__all__ = ["Sampler"]

PAD = 12
"""Cells by which a map is continued before its spline is made: its ends then ring outside, where nobody looks."""


class Sampler:
    """Absolute height (form and deviation) by cubic splines.

    Parameters
    ----------
    height : HeightMap
    mirrored : bool
        Read the map as the car's other side: x to -x.
    """

    def __init__(self, height: HeightMap, *, mirrored: bool = False) -> None:
        self.grid = height.grid
        self._sign = -1.0 if mirrored else 1.0
        known = np.isfinite(height.height_mm) & np.isfinite(height.form_mm)
        form = _filled(height.form_mm, np.isfinite(height.form_mm))
        # Gaps get their neighbour's deviation, so that the spline does not ring beside them; they stay unknown.
        whole = form + _filled(height.height_mm, known)
        self._pad = min(PAD, *(n - 1 for n in whole.shape))
        # Mirrored through the end point, which keeps the slope: a plain mirror would put a crease there.
        self._height = spline_filter(np.pad(whole, self._pad, mode="reflect", reflect_type="odd"), order=3)
        self._known = known.astype(float)
        self._sigma = _filled(height.sigma_mm, known & np.isfinite(height.sigma_mm))

    def heights(self, x: Array, y: Array) -> Array:
        """Height above the tags' plane, mm; NaN where not measured or outside."""
        at = self._places(x, y)
        found = self._spline(at)
        # All four cells around have to be known: a cubic reaches further, into cells filled from next to it.
        sure = map_coordinates(self._known, at, order=1, mode="constant", cval=0.0) > 1 - 1e-6
        return np.where(sure, found, np.nan)

    def sigmas(self, x: Array, y: Array) -> Array:
        """Standard uncertainty, mm; finite everywhere (the neighbour's where not measured)."""
        return np.asarray(map_coordinates(self._sigma, self._places(x, y), order=1, mode="nearest"))

    def slopes(self, x: Array, y: Array) -> tuple[Array, Array]:
        """dz/dx and dz/dy at the places, in the caller's frame; finite everywhere."""
        h = 0.5 * self.grid.step_mm

        def z(u: Array, v: Array) -> Array:
            return self._spline(self._places(u, v))

        return (z(x + h, y) - z(x - h, y)) / (2 * h), (z(x, y + h) - z(x, y - h)) / (2 * h)

    def _spline(self, at: Array) -> Array:
        return np.asarray(
            map_coordinates(self._height, at + self._pad, order=3, mode="nearest", prefilter=False)
        )

    def _places(self, x: Array, y: Array) -> Array:
        grid = self.grid
        column = (self._sign * x - grid.x_mm[0]) / grid.step_mm
        row = (y - grid.y_mm[0]) / grid.step_mm
        return np.stack([row, column])


def _filled(value: Array, known: Array) -> Array:
    if known.all():
        return np.asarray(value, float)
    if not known.any():
        return np.zeros(value.shape)
    rows, columns = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(value[rows, columns], float)
