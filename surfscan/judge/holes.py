"""Holes in a map that could hide a spot over the limit: a place that was not seen says nothing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.flags import names_of
from surfscan.core.records import Array, HeightMap

__all__ = ["Hole", "find_holes"]

NOT_HOLES = ("outside", "left_out", "tag", "edge")
"""Flags of places that nobody asked to be judged, or whose rim is only less certain."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A place not measured: middle and width of the largest disc in it, mm, its area, and the flag most of it has."""

    x_mm: float
    y_mm: float
    width_mm: float
    area_cm2: float
    flag: str


def find_holes(height: HeightMap, *, least_mm: float) -> list[Hole]:
    """Find unmeasured places inside the region that a disc `least_mm` wide fits into, the widest first.

    Parameters
    ----------
    height : HeightMap
        NaN and flags where not measured.
    least_mm : float
        Width of the narrowest spot that could be over the limit unseen.
    """
    step = height.grid.step_mm
    asked: Array = np.ones(height.grid.shape, bool)
    for row in np.unique(height.flags):
        if set(names_of(int(row))) & set(NOT_HOLES):
            asked &= height.flags != row
    missing = asked & ~np.isfinite(height.height_mm)
    padded = cv2.copyMakeBorder(missing.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    inside = cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1]
    count, labels = cv2.connectedComponents(missing.astype(np.uint8), connectivity=8)
    found = []
    for k in range(1, count):
        own = labels == k
        at = int(np.argmax(np.where(own, inside, 0.0)))
        row, column = divmod(at, own.shape[1])
        width = (2 * float(inside[row, column]) - 1) * step
        if width < least_mm:
            continue
        bits, times = np.unique(height.flags[own], return_counts=True)
        names = names_of(int(bits[np.argmax(times)]))
        place = float(height.grid.x_mm[column]), float(height.grid.y_mm[row])
        found.append(Hole(*place, width, float(own.sum()) * step**2 / 100, names[0] if names else ""))
    return sorted(found, key=lambda hole: -hole.width_mm)
