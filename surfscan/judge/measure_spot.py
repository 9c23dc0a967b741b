"""One row per spot: where, how high or low, how large."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.records import Array

__all__ = ["SpotShape", "measure_spot"]


@dataclass(frozen=True, slots=True)
class SpotShape:
    """What a spot measures.

    Attributes
    ----------
    row, column : int
        Cell of the peak.
    x_mm, y_mm : float
        Place of the peak, to a part of a cell.
    peak_mm : float
        Signed deviation there, + is high.
    length_mm, width_mm : float
        Extent along and across its longest direction, at half the peak's deviation.
    angle_deg : float
        Longest direction, anticlockwise from the panel's x axis, -90 to 90.
    area_cm2 : float
        Area of the footprint (down to a fifth of the peak).
    volume_ml : float
        Volume between the footprint's surface and the fair form, a positive number.
    peak_slope_mrad : float
        Steepest slope of the deviation in the footprint.
    at_edge : bool
        The footprint touches what was not measured: the spot may go on there.
    """

    row: int
    column: int
    x_mm: float
    y_mm: float
    peak_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float
    area_cm2: float
    volume_ml: float
    peak_slope_mrad: float
    at_edge: bool


def measure_spot(
    cells: Array, deviation_mm: Array, *, sign: int, x_mm: Array, y_mm: Array, step_mm: float
) -> SpotShape:
    """Measure one spot.

    Parameters
    ----------
    cells : ndarray (H, W), bool
        Its footprint.
    deviation_mm : ndarray (H, W)
        NaN where not measured.
    sign : {-1, +1}
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
    step_mm : float

    Returns
    -------
    SpotShape
    """
    hill = np.where(cells & np.isfinite(deviation_mm), sign * deviation_mm, -np.inf)
    row, column = np.unravel_index(int(hill.argmax()), hill.shape)
    peak, dx, dy = _vertex(sign * deviation_mm, int(row), int(column))
    half = cells & (hill >= 0.5 * peak)
    _, parts = cv2.connectedComponents(half.astype(np.uint8), connectivity=8)
    half = parts == parts[row, column]
    length, width, angle = _extent(half, x_mm, y_mm, step_mm)
    gy, gx = np.gradient(deviation_mm, step_mm)
    slope = np.hypot(gx, gy)[cells]
    known = np.isfinite(deviation_mm)
    ring = cv2.dilate(cells.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    edge = np.zeros(cells.shape, bool)
    edge[[0, -1]] = edge[:, [0, -1]] = True
    return SpotShape(
        row=int(row),
        column=int(column),
        x_mm=float(x_mm[column] + dx * step_mm),
        y_mm=float(y_mm[row] + dy * step_mm),
        peak_mm=float(sign * peak),
        length_mm=length,
        width_mm=width,
        angle_deg=angle,
        area_cm2=float(cells.sum() * step_mm**2 / 100),
        volume_ml=float(np.sum(hill[cells]) * step_mm**2 / 1000),
        peak_slope_mrad=float(1e3 * np.nanmax(slope)) if np.isfinite(slope).any() else float("nan"),
        at_edge=bool((ring & ~known).any() or (half & edge).any()),
    )


def _vertex(hill: Array, row: int, column: int, reach: int = 2) -> tuple[float, float, float]:
    """Peak of the quadratic through the cells around the greatest one; that cell's own value if it fits badly."""
    part = hill[max(row - reach, 0) : row + reach + 1, max(column - reach, 0) : column + reach + 1]
    if part.shape != (2 * reach + 1, 2 * reach + 1) or not np.isfinite(part).all():
        return float(hill[row, column]), 0.0, 0.0
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(float)
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], -1).reshape(-1, 6)
    c = np.linalg.lstsq(terms, part.ravel(), rcond=None)[0]
    bend = np.array([[2 * c[3], c[4]], [c[4], 2 * c[5]]])
    if bend[0, 0] >= 0 or np.linalg.det(bend) <= 0:
        return float(hill[row, column]), 0.0, 0.0
    du, dv = np.linalg.solve(bend, -c[1:3])
    if max(abs(du), abs(dv)) > reach:
        return float(hill[row, column]), 0.0, 0.0
    return float(c[0] + 0.5 * (c[1] * du + c[2] * dv)), float(du), float(dv)


def _extent(half: Array, x_mm: Array, y_mm: Array, step_mm: float) -> tuple[float, float, float]:
    """Length, width and direction (degrees) of the cells above half the peak."""
    rows, columns = np.nonzero(half)
    x, y = x_mm[columns], y_mm[rows]
    cov = np.cov(np.stack([x, y])) if x.size > 2 else np.zeros((2, 2))
    values, vectors = np.linalg.eigh(cov)
    major = vectors[:, 1] if values[1] > 1.02 * values[0] else np.array([1.0, 0.0])
    along, across = x * major[0] + y * major[1], -x * major[1] + y * major[0]
    angle = float(np.degrees(np.arctan2(major[1], major[0])))
    angle = (angle + 90) % 180 - 90
    return float(np.ptp(along) + step_mm), float(np.ptp(across) + step_mm), angle
