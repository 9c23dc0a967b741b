"""What a panel of a measured shape would show in a gloss finish: straight stripes mirrored in it.

The eye and a striped wall stand opposite each other, both as far from the panel as asked, both looking at its
middle at the same angle. The law of reflection is that of the measurement (`optics.mirror`).
"""

from __future__ import annotations

import math

import numpy as np

from surfscan.core.records import Array, Board, HeightMap
from surfscan.optics.mirror import hit_board
from surfscan.surface.areal import slope_map

__all__ = ["reflected_stripes"]


def reflected_stripes(
    height: HeightMap,
    *,
    varies: str = "across",
    distance_mm: float = 1000.0,
    elevation_deg: float = 50.0,
    period_mm: float = 40.0,
    without_crown: bool = False,
) -> Array:
    """Brightness of the mirrored stripes at each place of the panel.

    Parameters
    ----------
    height : HeightMap
    varies : {"across", "up"}
        The way along which dark and light change on the wall.
    distance_mm : float
        From the panel's middle to the eye, and to the wall, mm.
    elevation_deg : float
        Of both above the panel, over 0 to 90.
    period_mm : float
        One dark and one light stripe, mm.
    without_crown : bool
        Leave the fair form out, so that only the faults bend the stripes.

    Returns
    -------
    ndarray (H, W), float64
        0 dark to 1 bright, smooth; NaN where not measured, or where the reflection misses the wall's plane.

    Raises
    ------
    ValueError
        For a distance, period or angle out of range, or an unknown direction.
    """
    if varies not in ("across", "up"):
        raise ValueError(f"varies is 'across' or 'up'; found {varies!r}")
    if not (distance_mm > 0 and period_mm > 0 and 0 < elevation_deg <= 90):
        raise ValueError("distance and period must be over 0, the angle over 0 and at most 90 degrees")
    z = height.height_mm if without_crown else height.height_mm + height.form_mm
    p_mrad, q_mrad, _ = slope_map(z, step_mm=height.grid.step_mm)
    e = math.radians(elevation_deg)
    ahead = distance_mm * np.array([0.0, math.cos(e), math.sin(e)])
    board = Board(
        ahead,
        np.array([1.0, 0.0, 0.0]),
        np.array([0.0, -math.sin(e), math.cos(e)]),
        (10 * distance_mm, 10 * distance_mm),
        period_mm,
    )
    eye = ahead * np.array([1.0, -1.0, 1.0])
    x, y = height.grid.x_mm[None, :], height.grid.y_mm[:, None]
    hit = hit_board(x, y, z, p_mrad / 1e3, q_mrad / 1e3, camera_mm=eye, board=board)
    place = hit.across_mm if varies == "across" else hit.up_mm
    return np.asarray(0.5 + 0.5 * np.cos(2 * np.pi * place / period_mm))
