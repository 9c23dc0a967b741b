"""Panels with a known shape: closed forms for height, slope and curvature.

Every shape answers three questions about a place (x, y) of the panel frame, all exactly:

* ``height``: z in mm,
* ``slopes``: p = dz/dx and q = dz/dy,
* ``curvatures``: the second derivatives z_xx, z_xy, z_yy in 1/mm.

A `Panel` keeps the shape the panel was designed with (``form``) apart from its faults (``deviation``).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from surfscan.synth.shape import Array, Flat, Shape, Sum, Three, places, turn, turn_back, turn_back_second

__all__ = [
    "Crease",
    "Crown",
    "Dish",
    "Flat",
    "Halo",
    "Panel",
    "Ridge",
    "Ripple",
    "Shape",
    "Sum",
    "Texture",
    "Valley",
]


@dataclass(frozen=True)
class Dish(Shape):
    """A round or oval low (``peak_mm`` < 0) or high (> 0).

    With u, v the place seen from (x_mm, y_mm), turned by ``angle_deg``, and
    rho^2 = (2u/width)^2 + (2v/height)^2:

    * ``profile = "gaussian"``: z = peak * exp(-2 rho^2), so that width = 4 sigma;
    * ``profile = "compact"``: z = peak * (1 - rho^2)^order inside rho < 1, and exactly 0 outside.

    ``width_mm`` lies along ``angle_deg``, ``height_mm`` (default: the same) across it. The curvature of
    a compact one with order 2 jumps at its rim; order 3 has none of that.
    """

    x_mm: float
    y_mm: float
    peak_mm: float
    width_mm: float
    height_mm: float | None = None
    angle_deg: float = 0.0
    profile: str = "compact"
    order: int = 2

    def __post_init__(self) -> None:
        if self.profile not in ("gaussian", "compact"):
            raise ValueError(f"profile is 'gaussian' or 'compact', not {self.profile!r}")
        if self.width_mm <= 0 or self._across <= 0 or self.order < 2:
            raise ValueError("width and height must be positive and order at least 2")

    @property
    def _across(self) -> float:
        return self.width_mm if self.height_mm is None else self.height_mm

    def spot(self) -> dict[str, Any]:
        return {
            "kind": "low" if self.peak_mm < 0 else "high",
            "x_mm": self.x_mm,
            "y_mm": self.y_mm,
            "depth_mm": abs(self.peak_mm),
            "w": self.width_mm,
            "h": self._across,
        }

    def _local(self, x: Array, y: Array) -> tuple[Array, Array, float, float, Array]:
        u, v = turn(x - self.x_mm, y - self.y_mm, self.angle_deg)
        a, b = 4 / self.width_mm**2, 4 / self._across**2
        return u, v, a, b, a * u * u + b * v * v

    def _profile(self, rho2: Array) -> Three:
        """z and its first two derivatives by rho^2."""
        if self.profile == "gaussian":
            z = self.peak_mm * np.exp(-2 * rho2)
            return z, -2 * z, 4 * z
        n, rest = self.order, np.clip(1 - rho2, 0, None)
        z = self.peak_mm * rest**n
        first = -self.peak_mm * n * rest ** (n - 1)
        second = self.peak_mm * n * (n - 1) * np.where(rho2 < 1, rest ** (n - 2), 0.0)
        return z, first, second

    def _surface(self, x: Array, y: Array) -> Three:
        u, v, a, b, rho2 = self._local(x, y)
        z, first, _ = self._profile(rho2)
        p, q = turn_back(first * 2 * a * u, first * 2 * b * v, self.angle_deg)
        return z, p, q

    def _curvatures(self, x: Array, y: Array) -> Three:
        u, v, a, b, rho2 = self._local(x, y)
        _, first, second = self._profile(rho2)
        uu = second * (2 * a * u) ** 2 + first * 2 * a
        uv = second * (2 * a * u) * (2 * b * v)
        vv = second * (2 * b * v) ** 2 + first * 2 * b
        return turn_back_second(uu, uv, vv, self.angle_deg)


@dataclass(frozen=True)
class Ridge(Shape):
    """An endless ridge along ``angle_deg`` through (x_mm, y_mm): z = peak * exp(-8 v^2 / width^2).

    v is the distance across the ridge; width = 4 sigma.
    """

    x_mm: float
    y_mm: float
    peak_mm: float
    width_mm: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        if self.width_mm <= 0 or self.peak_mm < 0:
            raise ValueError("a ridge has a positive width and a peak of 0 or more; for a groove take Valley")

    def _line(self, x: Array, y: Array) -> Three:
        """z, dz/dv and d2z/dv2 across the line."""
        v = turn(x - self.x_mm, y - self.y_mm, self.angle_deg)[1]
        c = 8 / self.width_mm**2
        z = self.peak_mm * np.exp(-c * v * v)
        return z, -2 * c * v * z, (4 * c * c * v * v - 2 * c) * z

    def _surface(self, x: Array, y: Array) -> Three:
        z, first, _ = self._line(x, y)
        p, q = turn_back(np.zeros_like(z), first, self.angle_deg)
        return z, p, q

    def _curvatures(self, x: Array, y: Array) -> Three:
        zero = np.zeros_like(x)
        return turn_back_second(zero, zero, self._line(x, y)[2], self.angle_deg)


@dataclass(frozen=True)
class Valley(Ridge):
    """The same as `Ridge` with a peak below 0: a groove."""

    def __post_init__(self) -> None:
        if self.width_mm <= 0 or self.peak_mm > 0:
            raise ValueError("a valley has a positive width and a peak of 0 or less")


@dataclass(frozen=True)
class Halo(Shape):
    """A proud (peak > 0) or sunk ring around a repair: z = peak * exp(-8 (r - radius)^2 / width^2).

    r is the distance from (x_mm, y_mm). The radius must be at least the width, so that the ring is
    closed to exp(-8) at its own centre, where the formula has a cone point.
    """

    x_mm: float
    y_mm: float
    peak_mm: float
    radius_mm: float
    width_mm: float

    def __post_init__(self) -> None:
        if not 0 < self.width_mm <= self.radius_mm:
            raise ValueError("a halo needs 0 < width <= radius")

    def spot(self) -> dict[str, Any]:
        d = 2 * self.radius_mm
        return {
            "kind": "low" if self.peak_mm < 0 else "high",
            "x_mm": self.x_mm,
            "y_mm": self.y_mm,
            "depth_mm": abs(self.peak_mm),
            "w": d,
            "h": d,
            "ring": True,
        }

    def _radial(self, x: Array, y: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
        dx, dy = x - self.x_mm, y - self.y_mm
        r = np.maximum(np.hypot(dx, dy), 1e-9)
        c, t = 8 / self.width_mm**2, r - self.radius_mm
        z = self.peak_mm * np.exp(-c * t * t)
        return dx / r, dy / r, r, z, -2 * c * t * z, (4 * c * c * t * t - 2 * c) * z

    def _surface(self, x: Array, y: Array) -> Three:
        ex, ey, _, z, first, _ = self._radial(x, y)
        return z, first * ex, first * ey

    def _curvatures(self, x: Array, y: Array) -> Three:
        ex, ey, r, _, first, second = self._radial(x, y)
        around = first / r
        xx, yy = second * ex * ex + around * ey * ey, second * ey * ey + around * ex * ex
        return xx, (second - around) * ex * ey, yy


@dataclass(frozen=True)
class Ripple(Shape):
    """z = amplitude * cos(2 pi u / wavelength + phase), u running along ``angle_deg``."""

    amplitude_mm: float
    wavelength_mm: float
    angle_deg: float = 0.0
    phase_deg: float = 0.0

    def _along(self, x: Array, y: Array) -> tuple[float, Array, float, float]:
        k, angle = 2 * np.pi / self.wavelength_mm, np.deg2rad(self.angle_deg)
        kx, ky = float(k * np.cos(angle)), float(k * np.sin(angle))
        return self.amplitude_mm, kx * x + ky * y + np.deg2rad(self.phase_deg), kx, ky

    def _surface(self, x: Array, y: Array) -> Three:
        a, t, kx, ky = self._along(x, y)
        s = -a * np.sin(t)
        return a * np.cos(t), kx * s, ky * s

    def _curvatures(self, x: Array, y: Array) -> Three:
        a, t, kx, ky = self._along(x, y)
        c = -a * np.cos(t)
        return kx * kx * c, kx * ky * c, ky * ky * c


@dataclass(frozen=True)
class Crown(Shape):
    """Designed crown: a sphere, or with ``radius_y_mm`` two circles added (a barrel); + is convex.

    Sphere: z = sqrt(R^2 - x^2 - y^2) - c. Barrel: z = sqrt(Rx^2 - x^2) + sqrt(Ry^2 - y^2) - c, where an
    infinite radius gives a straight line. c makes z = 0 at ``zero_at_mm``, so that a tag centre put there
    lies in the plane the panel frame is counted from. A negative radius is hollow.
    """

    radius_mm: float
    radius_y_mm: float | None = None
    zero_at_mm: tuple[float, float] = (0.0, 0.0)

    def _bare(self, x: Array, y: Array) -> Three:
        if self.radius_y_mm is None:
            s = np.sign(self.radius_mm)
            root = np.sqrt(self.radius_mm**2 - x * x - y * y)
            return s * (root - abs(self.radius_mm)), -s * x / root, -s * y / root
        zx, p = _arc(x, self.radius_mm)
        zy, q = _arc(y, self.radius_y_mm)
        return zx + zy, p, q

    def _surface(self, x: Array, y: Array) -> Three:
        z, p, q = self._bare(x, y)
        zero = self._bare(*places(*self.zero_at_mm))[0]
        return z - zero, p, q

    def _curvatures(self, x: Array, y: Array) -> Three:
        if self.radius_y_mm is None:
            s = np.sign(self.radius_mm)
            root3 = (self.radius_mm**2 - x * x - y * y) ** 1.5
            r2 = self.radius_mm**2
            return -s * (r2 - y * y) / root3, -s * x * y / root3, -s * (r2 - x * x) / root3
        return _arc_bend(x, self.radius_mm), np.zeros_like(x), _arc_bend(y, self.radius_y_mm)


def _arc(t: Array, radius: float) -> tuple[Array, Array]:
    if np.isinf(radius):
        return np.zeros_like(t), np.zeros_like(t)
    root, s = np.sqrt(radius**2 - t * t), np.sign(radius)
    return s * (root - abs(radius)), -s * t / root


def _arc_bend(t: Array, radius: float) -> Array:
    if np.isinf(radius):
        return np.zeros_like(t)
    bend: Array = -np.sign(radius) * radius**2 / (radius**2 - t * t) ** 1.5
    return bend


@dataclass(frozen=True)
class Crease(Shape):
    """A styling crease along ``angle_deg``: z = -bend/2 * (sqrt(v^2 + r^2) - r), v the distance across.

    Far from the line the two sides slope by -/+ bend/2 (rad, small angles); the line itself is rounded
    with curvature bend/(2 r).
    """

    x_mm: float
    y_mm: float
    bend_rad: float
    rounding_mm: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        if self.rounding_mm <= 0:
            raise ValueError("rounding_mm must be positive")

    def _across(self, x: Array, y: Array) -> tuple[Array, Array]:
        v = turn(x - self.x_mm, y - self.y_mm, self.angle_deg)[1]
        return v, np.hypot(v, self.rounding_mm)

    def _surface(self, x: Array, y: Array) -> Three:
        v, root = self._across(x, y)
        p, q = turn_back(np.zeros_like(v), -0.5 * self.bend_rad * v / root, self.angle_deg)
        return -0.5 * self.bend_rad * (root - self.rounding_mm), p, q

    def _curvatures(self, x: Array, y: Array) -> Three:
        _, root = self._across(x, y)
        zero = np.zeros_like(root)
        return turn_back_second(
            zero, zero, -0.5 * self.bend_rad * self.rounding_mm**2 / root**3, self.angle_deg
        )


@dataclass(frozen=True)
class Texture(Shape):
    """Orange peel or sanding waviness: a sum of ``terms`` cosines of random direction and phase.

    Wavelengths are spread evenly in their logarithm over ``wavelength_mm``. ``rms_mm`` is the expected
    root mean square height: each term has the amplitude rms * sqrt(2/terms). The same ``seed`` gives the
    same surface, on any grid.
    """

    rms_mm: float
    wavelength_mm: tuple[float, float] = (4.0, 12.0)
    seed: int = 1
    terms: int = 24

    @cached_property
    def _waves(self) -> tuple[Array, Array, Array]:
        rng = np.random.default_rng(self.seed)
        low, high = np.log(self.wavelength_mm)
        k = 2 * np.pi / np.exp(rng.uniform(low, high, self.terms))
        angle = rng.uniform(0, np.pi, self.terms)
        return k * np.cos(angle), k * np.sin(angle), rng.uniform(0, 2 * np.pi, self.terms)

    @property
    def _amplitude(self) -> float:
        return float(self.rms_mm * np.sqrt(2 / self.terms))

    def _surface(self, x: Array, y: Array) -> Three:
        z, p, q = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
        for kx, ky, phase in zip(*self._waves, strict=True):
            t = kx * x + ky * y + phase
            s = -self._amplitude * np.sin(t)
            z, p, q = z + self._amplitude * np.cos(t), p + kx * s, q + ky * s
        return z, p, q

    def _curvatures(self, x: Array, y: Array) -> Three:
        xx, xy, yy = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
        for kx, ky, phase in zip(*self._waves, strict=True):
            c = -self._amplitude * np.cos(kx * x + ky * y + phase)
            xx, xy, yy = xx + kx * kx * c, xy + kx * ky * c, yy + ky * ky * c
        return xx, xy, yy


@dataclass(frozen=True)
class Panel:
    """A panel: its designed shape, its faults, and how far it reaches.

    Attributes
    ----------
    size_mm : (float, float)
        Width and height of the rectangle to judge, centred on the origin.
    form : Shape
        The shape as designed.
    deviation : Shape
        The faults: what `surfscan` should find.
    edge_mm : float
        How far the metal reaches past the judged rectangle on every side.
    """

    size_mm: tuple[float, float]
    form: Shape = field(default_factory=Flat)
    deviation: Shape = field(default_factory=Flat)
    edge_mm: float = 0.0

    @property
    def total(self) -> Sum:
        """Form and faults together."""
        return self.form + self.deviation

    def spots(self) -> list[dict[str, Any]]:
        """The made spots, as ``truth.json`` lists them."""
        found = (part.spot() for part in self.deviation.parts())
        return [spot for spot in found if spot is not None]
