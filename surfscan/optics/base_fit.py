"""The bent surface that surveyed tags lie on: by their middles and by how each is tilted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.base import Base
from surfscan.core.records import Array

__all__ = ["LEAST_TAGS", "BaseFit", "fit_base"]

LEAST_TAGS = 6
"""Fewest tags that tell how a panel bends, in its axis, its curvature and how that changes."""

LEAST_PLACES = 3
"""Fewest tags along the bend that stand clear of each other."""

OFF_MM = 0.1
TILT_RAD = 0.01
"""How well a glued tag says where the panel is and how it leans: paper, and dents under it (a choice)."""

CHANGE = 0.3
"""Standard deviation of the curvature's relative change over 100 mm, and of that over 100 mm more (a choice)."""

CROWN = 1 / 1500.0
TWIST = 1 / 5000.0
"""Standard deviations, 1/mm, of the curvature along the straight lines, and of the twist (a choice)."""


@dataclass(frozen=True, slots=True)
class BaseFit:
    """A base with the tags on it.

    Attributes
    ----------
    base : Base
    crown : ndarray (3,)
        What bends the panel beside the base, to second order: h_xx, h_xy, h_yy in the chart, 1/mm.
    places_mm : ndarray (N, 3)
        The tags' middles in the chart, and their heights over the base.
    turns_rad : ndarray (N,)
        How each tag is turned in the chart, anticlockwise.
    off_mm : float
        Root mean square of what the tags stand off base and crown.
    """

    base: Base
    crown: Array
    places_mm: Array
    turns_rad: Array
    off_mm: float

    def bend_rad(self, x_mm: Array, y_mm: Array) -> float:
        """Angle by which the normal turns along the bend over places of the chart; negative on a hollow panel."""
        u = self.base.along(np.asarray(x_mm, float), np.asarray(y_mm, float))[0]
        return float(self.base.angle_rad(u.max()) - self.base.angle_rad(u.min()))

    def changes_mm(self, x_mm: Array, y_mm: Array) -> Array:
        """What a curvature that changes along the bend does to the height: one standard deviation each, (..., 2)."""
        u = self.base.along(x_mm, y_mm)[0]
        size, change = abs(float(self.base.curvature[0])), CHANGE / 100
        return np.stack([size * change * u**3 / 6, size * change**2 * u**4 / 12], -1)

    def clear_places(self, side_mm: float) -> int:
        """How many tags stand a side or more apart along the bend."""
        u = np.sort(self.base.along(self.places_mm[:, 0], self.places_mm[:, 1])[0])
        count, last = 1, u[0]
        for place in u[1:]:
            if place - last >= side_mm:
                count, last = count + 1, place
        return count


def fit_base(centres_mm: Array, turns: Array, u_mm: Array, u_tilt_rad: Array) -> BaseFit:
    """Fit the base to surveyed tags.

    Parameters
    ----------
    centres_mm : ndarray (N, 3)
        In the panel frame, z out of the panel.
    turns : ndarray (N, 3, 3)
        Each tag's axes in columns: rightward, upward, outward.
    u_mm : ndarray (N,)
        Standard uncertainty of the heights.
    u_tilt_rad : ndarray (N,)
        Of the tilts.

    Returns
    -------
    BaseFit
    """
    from scipy.optimize import least_squares

    reach = 1.5 * float(np.linalg.norm(centres_mm[:, :2], axis=1).max())
    axes, bend, top = _start(centres_mm, turns)
    heights, tilts = np.hypot(u_mm, OFF_MM), np.hypot(u_tilt_rad, TILT_RAD)
    size = max(abs(bend), 1e-4)

    def split(state: Array) -> tuple[Base, Array]:
        base = _base(state, axes, bend, top, reach, size)
        return base, state[7:9] * np.array([CROWN, TWIST])

    def residual(state: Array) -> Array:
        base, (crown, twist) = split(state)
        x, y, h = base.chart(centres_mm).T
        u, v = base.along(x, y)
        t, n, _ = base.frame(u)
        hu, hv = twist * v, crown * v + twist * u
        normal = n - hu * t - hv * base.axes[:, 1:2]
        normal = normal / np.linalg.norm(normal, axis=0)
        lean = [np.sum(turns[:, :, k] * normal.T, 1) / tilts for k in (0, 1)]
        rows = (h - (0.5 * crown * v * v + twist * u * v)) / heights
        return np.concatenate([rows, *lean, state[5:9]])

    found = least_squares(residual, np.zeros(9), method="lm", max_nfev=400)
    base, (crown, twist) = split(found.x)
    places = base.chart(centres_mm)
    u = base.along(places[:, 0], places[:, 1])[0]
    t, _, _ = base.frame(u)
    cos, sin = np.cos(base.turn_rad), np.sin(base.turn_rad)
    right = turns[:, :, 0]
    du, dv = np.sum(right * t.T, 1), right @ base.axes[:, 1]
    off = found.fun[: len(places)] * heights
    # From along and across the bend to the chart's x and y.
    curved = np.array(
        [
            -2 * cos * sin * twist + sin * sin * crown,
            (cos * cos - sin * sin) * twist - cos * sin * crown,
            2 * cos * sin * twist + cos * cos * crown,
        ]
    )
    return BaseFit(
        base,
        curved,
        places,
        np.arctan2(sin * du + cos * dv, cos * du - sin * dv),
        float(np.sqrt(np.mean(off**2))),
    )


def _start(centres: Array, turns: Array) -> tuple[Array, float, float]:
    """Axes, curvature and height over the origin of the quadric through the tags that bends one way only."""
    x, y, z = centres.T
    normal = turns[:, :, 2]
    p, q = -normal[:, 0] / normal[:, 2], -normal[:, 1] / normal[:, 2]
    zero, one = np.zeros_like(x), np.ones_like(x)
    reach = float(np.hypot(x, y).max())
    rows = [
        np.stack([one, x, y, 0.5 * x * x, x * y, 0.5 * y * y], 1),
        0.1 * reach * np.stack([zero, one, zero, x, y, zero], 1),
        0.1 * reach * np.stack([zero, zero, one, zero, x, y], 1),
    ]
    found = np.linalg.lstsq(np.concatenate(rows), np.r_[z, 0.1 * reach * p, 0.1 * reach * q], rcond=None)[0]
    top, p, q, a, b, c = found
    values, vectors = np.linalg.eigh(np.array([[a, b], [b, c]]))
    k = int(np.argmax(np.abs(values)))
    way = vectors[:, k] * (1.0 if vectors[int(np.argmax(np.abs(vectors[:, k]))), k] > 0 else -1.0)
    out = np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q)
    along = np.array([*way, p * way[0] + q * way[1]])
    along = along / np.linalg.norm(along)
    return np.column_stack([along, np.cross(out, along), out]), -float(values[k]), float(top)


def _base(state: Array, axes: Array, bend: float, top: float, reach: float, size: float) -> Base:
    from scipy.spatial.transform import Rotation

    turned = Rotation.from_rotvec(state[:3]).as_matrix() @ axes
    right = turned[0, :2]  # the panel's x along and across the bend
    turn = float(np.arctan2(-right[1], right[0]))
    change = CHANGE / 100
    curvature = np.array([bend + size * state[4], size * change * state[5], size * change**2 * state[6]])
    return Base(np.array([0.0, 0.0, top + 10 * state[3]]), turned, turn, curvature, reach)
