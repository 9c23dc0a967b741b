"""The smooth bent surface from which a curved panel's heights are counted: a cylinder whose curvature may change.

Places on it are distances along it: x and y of a chart that is rolled off the surface without stretching it, x in the
direction of the panel's own x where the chart begins. A height stands along the local normal. With t along the bend, a
along the straight lines and n outwards, a point is B(u) + v a + h n, u and v being x and y turned so that u runs along
the bend; its normal is along n - h_u / (1 + k h) t - h_v a, k the curvature there (positive when the panel bulges).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from surfscan.core.carrier import Array, Carrier, check_shapes, seal

__all__ = ["Base", "Tilted"]

TABLE_MM = 0.1
"""Spacing of the table of places along the bend: a chord leaves an arc of 250 mm radius by 5 nm."""


@dataclass(frozen=True, slots=True)
class Tilted:
    """Slopes in the panel frame of a surface on a base, and their derivatives by the slopes in the chart.

    Attributes
    ----------
    p, q : ndarray
        dz/dx and dz/dy in the panel frame.
    p_by, q_by : tuple of two ndarray
        Their derivatives by the chart's slopes dh/dx and dh/dy.
    """

    p: Array
    q: Array
    p_by: tuple[Array, Array]
    q_by: tuple[Array, Array]


@dataclass(frozen=True, slots=True, eq=False)
class Base(Carrier):
    """A bent surface and its chart.

    Attributes
    ----------
    origin_mm : ndarray (3,)
        Its point at x = y = 0, in the panel frame.
    axes : ndarray (3, 3)
        In columns, there: along the bend, along the straight lines, outwards.
    turn_rad : float
        From the chart's x to the bend's direction, anticlockwise.
    curvature : ndarray (K,)
        Coefficients, lowest first, of the curvature (1/mm) as a polynomial of the distance u along the bend, mm.
    reach_mm : float
        Distance to both sides up to which the bend is known; beyond it goes on straight.
    """

    origin_mm: Array
    axes: Array
    turn_rad: float
    curvature: Array
    reach_mm: float

    def __post_init__(self) -> None:
        check_shapes(self, {"origin_mm": (3,), "axes": (3, 3), "curvature": ("K",)})
        seal(self)

    def along(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Chart places as distances along the bend and along the straight lines, mm."""
        cos, sin = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return cos * x + sin * y, cos * y - sin * x

    def angle_rad(self, u: Array) -> Array:
        """How far the normal has turned from the one at the origin, a distance u along the bend."""
        return np.asarray(np.polynomial.polynomial.polyval(self._held(u), self._angle()))

    def points(self, x: Array, y: Array, h: Array | float) -> tuple[Array, Array, Array]:
        """Points in the panel frame, mm, of chart places and heights."""
        u, v = self.along(x, y)
        angle = self.angle_rad(u)
        side, out = self._profile(u)
        side, out = side + h * np.sin(angle), out + h * np.cos(angle)
        o, e = self.origin_mm, self.axes
        first, second, third = (o[k] + side * e[k, 0] + v * e[k, 1] + out * e[k, 2] for k in range(3))
        return first, second, third

    def tilted(self, x: Array, y: Array, h: Array | float, p: Array, q: Array) -> Tilted:
        """Slopes in the panel frame of a surface whose height over the chart slopes by p and q."""
        u, _ = self.along(x, y)
        t, n, k = self.frame(u)
        cos, sin = np.cos(self.turn_rad), np.sin(self.turn_rad)
        scale = 1 / (1 + k * h)
        hu, hv = (cos * p + sin * q) * scale, cos * q - sin * p
        a = self.axes[:, 1]
        nx, ny, nz = (n[i] - hu * t[i] - hv * a[i] for i in range(3))
        by_p = [-cos * scale * t[i] + sin * a[i] for i in range(3)]
        by_q = [-sin * scale * t[i] - cos * a[i] for i in range(3)]
        wp, wq = -nx / nz, -ny / nz
        return Tilted(
            wp,
            wq,
            (-(by_p[0] + wp * by_p[2]) / nz, -(by_q[0] + wp * by_q[2]) / nz),
            (-(by_p[1] + wq * by_p[2]) / nz, -(by_q[1] + wq * by_q[2]) / nz),
        )

    def frame(self, u: Array) -> tuple[Array, Array, Array]:
        """Unit vectors along the bend and outwards, (3, ...) each in the panel frame, and the curvature, 1/mm."""
        angle = self.angle_rad(u)
        sin, cos = np.sin(angle), np.cos(angle)
        e = self.axes
        t = np.stack([cos * e[k, 0] - sin * e[k, 2] for k in range(3)])
        n = np.stack([sin * e[k, 0] + cos * e[k, 2] for k in range(3)])
        k = np.polynomial.polynomial.polyval(self._held(u), self.curvature)
        return t, n, np.where(np.abs(u) > self.reach_mm, 0.0, k)

    def chart(self, points: Array) -> Array:
        """Chart places and heights (N, 3) of points (N, 3) near the base."""
        side, v, out = ((points - self.origin_mm) @ self.axes).T
        u = side.copy()
        for _ in range(30):
            t_side, t_out = self._profile(u)
            angle = self.angle_rad(u)
            off = (side - t_side) * np.cos(angle) - (out - t_out) * np.sin(angle)
            height = (side - t_side) * np.sin(angle) + (out - t_out) * np.cos(angle)
            k = np.polynomial.polynomial.polyval(self._held(u), self.curvature)
            u = u + off / np.maximum(1 + k * height, 0.2)
        cos, sin = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return np.stack([cos * u - sin * v, sin * u + cos * v, height], -1)

    def moved(self, x: Array, y: Array, h: Array, by: tuple[Array, Array, Array]) -> tuple[Array, Array]:
        """What a small way in the panel frame (three ndarray, mm) is in the chart, at places and heights."""
        t, _, k = self.frame(self.along(x, y)[0])
        du = sum(t[i] * by[i] for i in range(3)) / (1 + k * h)
        dv = sum(self.axes[i, 1] * by[i] for i in range(3))
        cos, sin = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return np.asarray(cos * du - sin * dv), np.asarray(sin * du + cos * dv)

    def _angle(self) -> Array:
        return np.asarray(np.polynomial.polynomial.polyint(self.curvature))

    def _held(self, u: Array) -> Array:
        return np.clip(u, -self.reach_mm, self.reach_mm)

    def _profile(self, u: Array) -> tuple[Array, Array]:
        """Section of the base, in the axes at its origin: how far along the bend's first direction, and outwards."""
        table, side, out = _section(self.curvature.tobytes(), self.reach_mm)
        inner = self._held(u)
        more, angle = u - inner, self.angle_rad(u)
        return (
            np.interp(inner, table, side) + more * np.cos(angle),
            np.interp(inner, table, out) - more * np.sin(angle),
        )


@lru_cache(maxsize=8)
def _section(curvature: bytes, reach_mm: float) -> tuple[Array, Array, Array]:
    """Table of distances along the bend with the section's two coordinates, by Simpson's rule."""
    angle = np.polynomial.polynomial.polyint(np.frombuffer(curvature))
    count = int(np.ceil(reach_mm / TABLE_MM))
    u = np.linspace(-reach_mm, reach_mm, 2 * count + 1)
    half = 0.5 * (u[1:] + u[:-1])
    step = u[1] - u[0]
    found = []
    for turn in (np.cos, lambda a: -np.sin(a)):
        ends, middles = (turn(np.polynomial.polynomial.polyval(at, angle)) for at in (u, half))
        sums = np.r_[0.0, np.cumsum(step * (ends[1:] + ends[:-1] + 4 * middles) / 6)]
        found.append(sums - sums[count])
    return u, found[0], found[1]
