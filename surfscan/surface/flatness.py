"""Least-squares lines and planes, and flatness about a named reference (ISO 12781-1, ISO 1101).

Parameter names are those of ISO 12781-1 (from memory, its text was not at hand): FLTt peak to valley, FLTp
peak to reference, FLTv reference to valley, FLTq root mean square. The reference is always named. Deviations
from a plane are taken along its normal; the least-squares plane is the total one (smallest sum of squared
normal distances, Shakarji 1998, J. Res. NIST 103, 633), each cell weighing the same because all cells have
one area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Flatness", "Plane", "fit_plane", "flatness", "minimum_zone"]

Array = NDArray[Any]

REFERENCES = ("as given", "least-squares plane", "minimum-zone plane")

_TOO_FEW = "fewer than three measured places that are not in one line: no plane is determined"
_NOTHING = "nothing was measured"


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane through `centre_mm` with unit `normal` (z part above 0).

    ``x`` and ``y`` count from the grid's first column and row. All NaN when no plane is determined.
    """

    centre_mm: Array
    normal: Array

    @property
    def slopes(self) -> tuple[float, float]:
        """(dz/dx, dz/dy)."""
        return float(-self.normal[0] / self.normal[2]), float(-self.normal[1] / self.normal[2])


@dataclass(frozen=True, slots=True)
class Flatness:
    """Flatness figures about one named reference; NaN with a reason when they can't be given.

    Attributes
    ----------
    FLTt_mm : float
        Highest to lowest. About the minimum-zone plane this is the flatness of ISO 1101.
    FLTp_mm, FLTv_mm, FLTq_mm : float
        Highest above, deepest below (positive), and root mean square about the reference. NaN about the
        minimum-zone plane, for which they are not defined.
    reference : str
        What they are about.
    cells : int
        How many places went in.
    reason : str
        Why figures are NaN; empty when they are not.
    """

    FLTt_mm: float
    FLTp_mm: float
    FLTv_mm: float
    FLTq_mm: float
    reference: str
    cells: int
    reason: str = ""


def fit_plane(height_mm: Array, *, step_mm: float, vertical: bool = False) -> Plane:
    """Least-squares plane through the measured cells.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.
    vertical : bool
        Smallest squares along z; without it, along the plane's normal (total least squares).

    Returns
    -------
    Plane
        NaN when the measured cells do not determine one.
    """
    points = _points(height_mm, step_mm)
    return _plane(points, vertical)


def flatness(height_mm: Array, *, step_mm: float, reference: str = "least-squares plane") -> Flatness:
    """Flatness of the measured cells about a named reference.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured. Filter first if a flatness of waves in a band is wanted.
    step_mm : float
        Cell side, mm.
    reference : {"as given", "least-squares plane", "minimum-zone plane"}
        "as given" takes the heights as deviations from the surface they already refer to (the fair form).

    Returns
    -------
    Flatness
        NaN with its reason for a map without enough measured cells.

    Raises
    ------
    ValueError
        For an unknown reference.
    """
    if reference not in REFERENCES:
        raise ValueError(f"reference must be one of {REFERENCES}; found {reference!r}")
    if reference == "minimum-zone plane":
        return minimum_zone(height_mm, step_mm=step_mm)
    points = _points(height_mm, step_mm)
    cells = len(points)
    if not cells:
        return _unknown(reference, cells, _NOTHING)
    if reference == "as given":
        away = points[:, 2]
    else:
        plane = _plane(points, vertical=False)
        if not np.isfinite(plane.normal).all():
            return _unknown(reference, cells, _TOO_FEW)
        away = (points - plane.centre_mm) @ plane.normal
    high, low = float(away.max()), float(away.min())
    rms = math.sqrt(float(np.mean(away * away)))
    return Flatness(high - low, high, -low, rms, reference, cells)


def minimum_zone(height_mm: Array, *, step_mm: float) -> Flatness:
    """Flatness of ISO 1101: the distance of the two nearest parallel planes that hold every measured cell.

    In a frame laid in the least-squares plane, the smallest zone along z is a linear programme in three
    unknowns. It is solved on a few cells; the cells that stick out furthest are added until none does. The
    zone on the few is a lower bound, the zone of all cells about the same plane an upper one, so when they
    meet the result is exact, not iterated to a tolerance. The frame is then laid in the plane found, until
    that stays put: there the zone along z is the zone along the normal.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.

    Returns
    -------
    Flatness
        Only `FLTt_mm` is given.
    """
    reference = "minimum-zone plane"
    points = _points(height_mm, step_mm)
    cells = len(points)
    if not cells:
        return _unknown(reference, cells, _NOTHING)
    plane = _plane(points, vertical=False)
    if not np.isfinite(plane.normal).all():
        return _unknown(reference, cells, _TOO_FEW)
    points = points - plane.centre_mm
    zone = math.inf
    for _ in range(5):
        points = points @ _into(plane.normal).T
        zone, slopes = _zone(points)
        if np.hypot(*slopes) < 1e-7:  # cos of what is left differs from 1 by under 1e-14
            break
        normal = np.array([-slopes[0], -slopes[1], 1.0])
        plane = Plane(np.zeros(3), normal / np.linalg.norm(normal))
    return Flatness(zone, math.nan, math.nan, math.nan, reference, cells)


def _unknown(reference: str, cells: int, reason: str) -> Flatness:
    return Flatness(math.nan, math.nan, math.nan, math.nan, reference, cells, reason)


def _solve(design: Array, values: Array) -> tuple[Array, Array, Array]:
    """Least squares by QR: coefficients, inverse of the normal matrix, residuals."""
    q, r = np.linalg.qr(design)
    coefficients = np.linalg.solve(r, q.T @ values)
    half = np.linalg.inv(r)
    return coefficients, half @ half.T, values - design @ coefficients


def _points(height_mm: Array, step_mm: float) -> Array:
    """Measured cells as (N, 3) x, y, z in mm."""
    height = np.asarray(height_mm, dtype=np.float64)
    if height.ndim != 2:
        raise ValueError(f"height_mm must be 2-D; found {height.ndim}-D")
    row, column = np.nonzero(np.isfinite(height))
    return np.column_stack([column * step_mm, row * step_mm, height[row, column]])


def _plane(points: Array, vertical: bool) -> Plane:
    unknown = Plane(np.full(3, np.nan), np.full(3, np.nan))
    if len(points) < 3:
        return unknown
    centre = points.mean(axis=0)
    away = points - centre
    spread = np.linalg.eigvalsh(away[:, :2].T @ away[:, :2])
    if spread[0] <= 1e-9 * spread[1]:
        return unknown
    if vertical:
        (a, b), _, _ = _solve(away[:, :2], away[:, 2])
        normal = np.array([-a, -b, 1.0])
        return Plane(centre, normal / np.linalg.norm(normal))
    normal = np.linalg.eigh(away.T @ away)[1][:, 0]
    if normal[2] < 0:
        normal = -normal
    return Plane(centre, normal) if normal[2] > 0 else unknown


def _into(normal: Array) -> Array:
    """A rotation that turns `normal` to z."""
    x = np.array([normal[2], 0.0, -normal[0]])
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(normal, x), normal])


def _zone(points: Array) -> tuple[float, tuple[float, float]]:
    """Smallest zone along z that holds all points, and its slopes (exchange of constraints)."""
    from scipy.optimize import linprog  # only here: it is slow to import

    scale = float(np.abs(points[:, :2]).max())
    size = float(np.ptp(points[:, 2]))
    if size <= 1e-13 * scale:
        return size, (0.0, 0.0)
    xy, z = points[:, :2] / scale, points[:, 2] / size
    axes = [(1, 0), (0, 1), (1, 1), (1, -1)]
    held = np.unique([f(xy @ np.array(axis)) for f in (np.argmin, np.argmax) for axis in axes])
    held = np.union1d(held, [int(z.argmax()), int(z.argmin())])
    best, slopes = math.inf, np.zeros(2)
    for _ in range(100):
        block = np.column_stack([xy[held], np.ones(held.size)])
        half = np.ones((held.size, 1))
        # |z - a x - b y - c| <= t: four unknowns a, b, c, t; t is smallest
        solved = linprog(
            [0.0, 0.0, 0.0, 1.0],
            A_ub=np.block([[block, -half], [-block, -half]]),
            b_ub=np.concatenate([z[held], -z[held]]),
            bounds=[(None, None)] * 3 + [(0, None)],
            method="highs-ds",
        )
        away = z - xy @ solved.x[:2]
        upper = float(np.ptp(away))
        if upper < best:
            best, slopes = upper, solved.x[:2]
        if best <= float(np.ptp(away[held])) + 1e-12:
            break
        add = [int(away.argmax()), int(away.argmin())]
        held = np.union1d(held, add)
    return best * size, (float(slopes[0] * size / scale), float(slopes[1] * size / scale))
