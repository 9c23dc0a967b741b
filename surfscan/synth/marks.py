"""Small faults of a paint surface, with a closed form.

A `Mark` is a displacement added to the panel, a cover that hides its gloss, a haze that blurs it, or several of
these. Sizes and depths that `made_mark` draws are our choice, no source: what a shop calls by that name, as far as
a photo of the whole panel can show it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from surfscan.synth.panels import Dish, Halo
from surfscan.synth.shape import Array, Flat, Shape, Three

__all__ = ["MARK_KINDS", "Cap", "Groove", "Mark", "Speck", "made_mark"]

MARK_KINDS = ("pit", "nib", "run", "scratch", "crack", "ring", "hair", "drop", "smear")

Line = tuple[tuple[float, float], ...]


def _off_line(line: Line, x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Distance to a line of straight pieces, and the unit direction away from it."""
    best = np.full(x.shape, np.inf)
    ex, ey = np.zeros(x.shape), np.zeros(x.shape)
    for (ax, ay), (bx, by) in pairwise(line):
        dx, dy = bx - ax, by - ay
        t = np.clip(((x - ax) * dx + (y - ay) * dy) / max(dx * dx + dy * dy, 1e-12), 0, 1)
        ux, uy = x - ax - t * dx, y - ay - t * dy
        far = np.hypot(ux, uy)
        near = far < best
        safe = np.maximum(far, 1e-12)
        best, ex, ey = np.where(near, far, best), np.where(near, ux / safe, ex), np.where(near, uy / safe, ey)
    return best, ex, ey


@dataclass(frozen=True)
class Groove(Shape):
    """A groove (peak < 0) or welt (> 0) along straight pieces: z = peak (1 - (2 d / width)^2)^2 at distance d."""

    line: Line
    peak_mm: float
    width_mm: float

    def __post_init__(self) -> None:
        if self.width_mm <= 0 or len(self.line) < 2:
            raise ValueError("a groove needs a positive width and a line of two points or more")

    def _surface(self, x: Array, y: Array) -> Three:
        d, ex, ey = _off_line(self.line, x, y)
        rest = np.clip(1 - (2 * d / self.width_mm) ** 2, 0, None)
        first = -self.peak_mm * 16 * d / self.width_mm**2 * rest
        return self.peak_mm * rest**2, first * ex, first * ey

    def _curvatures(self, x: Array, y: Array) -> Three:
        """Across the line; round its ends and bends the small curvature along it is left out."""
        d, ex, ey = _off_line(self.line, x, y)
        c = 4 / self.width_mm**2
        second = np.where(c * d * d < 1, -4 * self.peak_mm * c * (1 - 3 * c * d * d), 0.0)
        return second * ex * ex, second * ex * ey, second * ey * ey


@dataclass(frozen=True)
class Cap(Shape):
    """A drop: a sphere's cap of diameter `width_mm` that meets the panel at `contact_deg`."""

    x_mm: float
    y_mm: float
    width_mm: float
    contact_deg: float

    def __post_init__(self) -> None:
        if self.width_mm <= 0 or not 0 < self.contact_deg < 80:
            raise ValueError("a cap needs a positive width and a contact angle over 0 and under 80 degrees")

    def _parts(self, x: Array, y: Array) -> tuple[Array, Array, Array, Any]:
        dx, dy = x - self.x_mm, y - self.y_mm
        radius = 0.5 * self.width_mm / np.sin(np.radians(self.contact_deg))
        on = np.hypot(dx, dy) < 0.5 * self.width_mm
        root = np.sqrt(np.where(on, radius**2 - dx * dx - dy * dy, radius**2))
        return dx, dy, np.asarray(root, float), np.asarray(on)

    def _surface(self, x: Array, y: Array) -> Three:
        dx, dy, root, on = self._parts(x, y)
        foot = 0.5 * self.width_mm / np.tan(np.radians(self.contact_deg))
        return np.where(on, root - foot, 0.0), np.where(on, -dx / root, 0.0), np.where(on, -dy / root, 0.0)

    def _curvatures(self, x: Array, y: Array) -> Three:
        dx, dy, root, on = self._parts(x, y)
        cube = root**3
        radius2 = root**2 + dx * dx + dy * dy
        return (
            np.where(on, -(radius2 - dy * dy) / cube, 0.0),
            np.where(on, -dx * dy / cube, 0.0),
            np.where(on, -(radius2 - dx * dx) / cube, 0.0),
        )


@dataclass(frozen=True)
class Mark:
    """One small fault.

    Attributes
    ----------
    kind : str
        One of `MARK_KINDS`.
    x_mm, y_mm : float
        Its middle.
    length_mm, width_mm, angle_deg : float
        Its size along and across ``angle_deg``.
    reach_mm : float
        Half the side of the square about its middle that it keeps to.
    shape : Shape
        Added to the panel.
    cover : Line, optional
        What hides the gloss along a line `cover_mm` wide, of diffuse reflectance `albedo`.
    haze : float
        Share of the gloss, at the middle, that a film blurs by `haze_rad` of micro-slope; fading to the oval's rim.
    ridges_mm : float
        Spacing of a finger's ridges in the haze; 0 for a plain film.
    """

    kind: str
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float
    reach_mm: float
    shape: Shape = field(default_factory=Flat)
    cover: Line | None = None
    cover_mm: float = 0.0
    albedo: float = 0.1
    haze: float = 0.0
    haze_rad: float = 0.02
    ridges_mm: float = 0.0

    def covered(self, x: Array, y: Array) -> Array:
        """Where the gloss is hidden, bool."""
        if self.cover is None:
            return np.zeros(np.shape(x), bool)
        return np.asarray(_off_line(self.cover, x, y)[0] < self.cover_mm / 2)

    def hazed(self, x: Array, y: Array) -> Array:
        """Share of the gloss that is blurred, 0 to 1."""
        if self.haze <= 0:
            return np.zeros(np.shape(x))
        t = np.radians(self.angle_deg)
        dx, dy = x - self.x_mm, y - self.y_mm
        u, v = np.cos(t) * dx + np.sin(t) * dy, np.cos(t) * dy - np.sin(t) * dx
        rho2 = (2 * u / self.length_mm) ** 2 + (2 * v / self.width_mm) ** 2
        share = self.haze * np.clip(1.5 * (1 - rho2), 0, 1)
        if self.ridges_mm > 0:
            share = share * (0.6 + 0.4 * np.cos(2 * np.pi * np.hypot(u, 1.5 * v) / self.ridges_mm))
        return np.asarray(share)

    def row(self) -> dict[str, Any]:
        """As ``truth.json`` lists it."""
        names = ("kind", "x_mm", "y_mm", "length_mm", "width_mm", "angle_deg")
        return {name: getattr(self, name) for name in names}


@dataclass(frozen=True)
class Speck:
    """Dust on the camera's window or sensor: a soft round shadow at a pixel, the same in every photo."""

    column: float
    row: float
    radius_px: float
    depth: float

    def let_through(self, columns: Array, rows: Array) -> Array:
        """Share of the light that passes."""
        r = np.hypot(columns - self.column, rows - self.row)
        beyond = np.minimum((r - self.radius_px) / (0.2 * self.radius_px), 50.0)
        return np.asarray(1 - self.depth / (1 + np.exp(beyond)))


def made_mark(kind: str, x_mm: float, y_mm: float, size_mm: float, rng: np.random.Generator) -> Mark:
    """Draw a fault of a kind.

    Parameters
    ----------
    kind : str
        One of `MARK_KINDS`.
    x_mm, y_mm : float
        Its middle.
    size_mm : float
        Its length, or its diameter.
    rng : Generator

    Returns
    -------
    Mark
    """
    if kind not in MARK_KINDS:
        raise ValueError(f"unknown kind {kind!r}; allowed: {', '.join(MARK_KINDS)}")
    return _MAKERS[kind](kind, x_mm, y_mm, size_mm, rng)


def _dimple(kind: str, x: float, y: float, size: float, rng: np.random.Generator) -> Mark:
    """Paint has flowed over it or into it: a Gaussian, `size` across where it is down to exp(-2) of its depth."""
    angle = rng.uniform(0, 180)
    across = size * rng.uniform(*((0.85, 1.0) if kind == "pit" else (0.65, 1.0)))
    steep = np.exp(rng.uniform(np.log(0.01), np.log(0.1)))  # height over diameter
    peak = across * steep * (-1 if kind == "pit" else 1)
    shape = Dish(x, y, peak, size, across, angle, profile="gaussian")
    return Mark(kind, x, y, size, across, angle, 1.3 * size, shape)


def _run(kind: str, x: float, y: float, size: float, rng: np.random.Generator) -> Mark:
    """Down the panel, which hung upright: a tail, and a head that is rounder and taller at its lower end."""
    width = float(np.clip(size * rng.uniform(0.15, 0.3), 1.5, 14.0))
    peak = width * np.exp(rng.uniform(np.log(0.004), np.log(0.02)))
    lean = rng.uniform(-6, 6)
    down = np.array([np.sin(np.radians(lean)), -np.cos(np.radians(lean))])
    head = np.array([x, y]) + down * (size / 2 - 0.65 * width)
    tail = Dish(x, y, 0.6 * peak, size, width, 90 + lean, order=3)
    shape = tail + Dish(float(head[0]), float(head[1]), peak, 1.3 * width, 1.3 * width, order=2)
    return Mark(kind, x, y, size, 1.3 * width, 90 + lean, size / 2 + width, shape)


def _line(x: float, y: float, size: float, angle: float, wander: float, rng: np.random.Generator) -> Line:
    """A line through a place, bent evenly (wander < 0) or at random (> 0)."""
    n = max(4, round(size / 1.2)) if wander > 0 else 9
    t = np.linspace(-0.5, 0.5, n) * size
    off = np.cumsum(rng.normal(0, wander, n)) if wander > 0 else -wander * size * (2 * t / size) ** 2
    off = off - np.interp(0, t, off)
    a = np.radians(angle)
    return tuple(
        (float(x + np.cos(a) * u - np.sin(a) * v), float(y + np.sin(a) * u + np.cos(a) * v))
        for u, v in zip(t, off, strict=True)
    )


def _reach(line: Line, x: float, y: float, more: float) -> float:
    return float(np.abs(np.array(line) - (x, y)).max() + more)


def _scratch(kind: str, x: float, y: float, size: float, rng: np.random.Generator) -> Mark:
    angle, width = rng.uniform(0, 180), rng.uniform(0.15, 0.5)
    line = _line(x, y, size, angle, -rng.uniform(0, 0.02), rng)
    shape = Groove(line, -width * np.exp(rng.uniform(np.log(0.02), np.log(0.12))), width)
    return Mark(kind, x, y, size, width, angle, _reach(line, x, y, width), shape)


def _crack(kind: str, x: float, y: float, size: float, rng: np.random.Generator) -> Mark:
    """Its lips curl up beside an open, dark gap."""
    angle, gap = rng.uniform(0, 180), rng.uniform(0.1, 0.35)
    line = _line(x, y, size, angle, 0.3, rng)
    lips = 6 * gap
    shape = Groove(line, lips * rng.uniform(0.01, 0.03), lips)
    reach = _reach(line, x, y, lips)
    return Mark(kind, x, y, size, gap, angle, reach, shape, cover=line, cover_mm=gap, albedo=0.02)


def _ring(kind: str, x: float, y: float, size: float, rng: np.random.Generator) -> Mark:
    """What a dried drop or a swollen edge leaves; its hollow is level with the panel."""
    wall = size * rng.uniform(0.12, 0.25)
    shape = Halo(x, y, wall * np.exp(rng.uniform(np.log(0.006), np.log(0.03))), (size - wall) / 2, wall)
    return Mark(kind, x, y, size, size, 0.0, size / 2 + wall, shape)


def _hair(kind: str, x: float, y: float, size: float, rng: np.random.Generator) -> Mark:
    angle, width = rng.uniform(0, 180), rng.uniform(0.08, 0.25)
    line = _line(x, y, size, angle, -rng.uniform(0.08, 0.35), rng)
    albedo = float(rng.choice([0.03, 0.6]))
    reach = _reach(line, x, y, width)
    return Mark(kind, x, y, size, width, angle, reach, cover=line, cover_mm=width, albedo=albedo)


def _drop(kind: str, x: float, y: float, size: float, rng: np.random.Generator) -> Mark:
    return Mark(kind, x, y, size, size, 0.0, size / 2, Cap(x, y, size, rng.uniform(20, 50)))


def _smear(kind: str, x: float, y: float, size: float, rng: np.random.Generator) -> Mark:
    across, ridges = size * rng.uniform(0.5, 0.9), float(rng.choice([0.0, 0.5]))
    return Mark(
        kind,
        x,
        y,
        size,
        across,
        rng.uniform(0, 180),
        size / 2,
        haze=rng.uniform(0.1, 0.5),
        haze_rad=rng.uniform(0.01, 0.04),
        ridges_mm=ridges,
    )


_MAKERS = {
    "pit": _dimple,
    "nib": _dimple,
    "run": _run,
    "scratch": _scratch,
    "crack": _crack,
    "ring": _ring,
    "hair": _hair,
    "drop": _drop,
    "smear": _smear,
}
