"""The height along a straight line with a ruler laid on it: what a straightedge on the panel would show."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from surfscan.core.constants import COVERAGE_FACTOR, STRAIGHTEDGE_LENGTH
from surfscan.core.records import Array, HeightMap
from surfscan.surface.contact import read_between
from surfscan.surface.straightedge import gap_at

__all__ = ["RulerProfile", "profile_under_ruler"]


@dataclass(frozen=True, slots=True)
class RulerProfile:
    """A profile and the ruler that rests on it; places along the line count from the ruler's middle.

    Attributes
    ----------
    along_mm, height_mm, sigma_mm : ndarray (N,)
        Places, deviation from the fair form and its standard uncertainty; NaN where not measured.
    x_mm, y_mm : ndarray (N,)
        The same places on the panel.
    ruler_along_mm, ruler_height_mm : ndarray (2,)
        The ruler's ends; the heights are NaN when it has no rest.
    gap_mm, u95_mm : float
        Gap under the ruler's middle and half its 95 % interval, mm; NaN without a rest.
    greatest_mm, greatest_at_mm : float
        Greatest gap under the resting ruler and where along the line; NaN without a rest.
    reason : str
        Why there is no gap; empty when there is one.
    """

    along_mm: Array
    height_mm: Array
    sigma_mm: Array
    x_mm: Array
    y_mm: Array
    ruler_along_mm: Array
    ruler_height_mm: Array
    gap_mm: float
    u95_mm: float
    greatest_mm: float
    greatest_at_mm: float
    reason: str = ""


def profile_under_ruler(
    height: HeightMap,
    *,
    middle_mm: tuple[float, float],
    direction_deg: float,
    ruler_mm: float = STRAIGHTEDGE_LENGTH.value,
    reach_mm: float = 0.0,
) -> RulerProfile:
    """Lay a ruler on the deviation from the fair form, and read the profile under it.

    Parameters
    ----------
    height : HeightMap
    middle_mm : (x, y)
        The ruler's middle, mm.
    direction_deg : float
        Its direction, anticlockwise from x.
    ruler_mm : float
        Its length, mm; at least two cells.
    reach_mm : float
        How far the profile runs to either side at least; never less than half the ruler.

    Returns
    -------
    RulerProfile

    Raises
    ------
    ValueError
        For a ruler under two cells.
    """
    grid, step = height.grid, height.grid.step_mm
    origin = float(grid.x_mm[0]), float(grid.y_mm[0])
    gap = gap_at(
        height.height_mm,
        step_mm=step,
        x_mm=middle_mm[0],
        y_mm=middle_mm[1],
        direction_deg=direction_deg,
        length_mm=ruler_mm,
        origin_mm=origin,
        sigma_mm=height.sigma_mm,
    )
    reach = max(reach_mm, ruler_mm / 2)
    count = max(2, math.ceil(reach / step))
    along = np.linspace(-reach, reach, 2 * count + 1)
    dx, dy = math.cos(math.radians(direction_deg)), math.sin(math.radians(direction_deg))

    def read(t: Array, of: Array) -> Array:
        row = (middle_mm[1] + t * dy - origin[1]) / step
        return read_between(of, row, (middle_mm[0] + t * dx - origin[0]) / step)

    ends = np.array([-ruler_mm / 2, ruler_mm / 2])
    line = np.full(2, np.nan)
    if not gap.reason:
        left, right = gap.contacts_mm
        level = gap.gap_mm + float(read(np.zeros(1), height.height_mm)[0])
        slope = 0.0
        if right > left:
            low, high = (float(v) for v in read(np.array([left, right]), height.height_mm))
            slope = (high - low) / (right - left)
        line = level + slope * ends
    return RulerProfile(
        along,
        read(along, height.height_mm),
        read(along, height.sigma_mm),
        middle_mm[0] + along * dx,
        middle_mm[1] + along * dy,
        ends,
        line,
        gap.gap_mm,
        COVERAGE_FACTOR * gap.u_mm,
        gap.greatest_mm,
        gap.greatest_at_mm,
        gap.reason,
    )
