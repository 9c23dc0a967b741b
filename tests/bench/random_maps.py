"""Height maps drawn at random: a fair form, spots, a panel's own waves, a set-up's bending, and errors of reading.

No photo is made, so that thousands of panels can be tried in minutes. What is drawn here is never looked at singly.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter

from surfscan.surface.integrate import integrate_slopes

Array = np.ndarray[Any, np.dtype[Any]]

SHAPES = ("compact 2", "compact 3", "gaussian", "cosine", "super-gaussian", "flat bottom", "crowned dent")


@dataclass(frozen=True)
class Spot:
    """A made spot; `width_mm` from foot to foot (4 standard deviations of a Gaussian) along its shorter axis."""

    x_mm: float
    y_mm: float
    depth_mm: float
    width_mm: float
    length_mm: float
    angle: float
    shape: str


@dataclass(frozen=True)
class Problem:
    """A map to be split, and the truth."""

    x_mm: Array
    y_mm: Array
    height_mm: Array
    deviation_mm: Array
    spots: list[Spot]
    facts: dict[str, Any] = field(default_factory=dict)


REACH = {"gaussian": 3.3, "super-gaussian": 1.5, "crowned dent": 2.6}
"""How far a shape reaches from its middle, in halves of its width, where not 1."""


def spot_height(spot: Spot, x: Array, y: Array) -> Array:
    """The spot alone on the places given, mm."""
    return spot_surface(spot, x, y)[0]


def spot_surface(spot: Spot, x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Height (mm) and slopes of the spot alone on the places given; worked out only where there is any."""
    x, y = (np.asarray(a, float) for a in np.broadcast_arrays(x, y))
    reach = REACH.get(spot.shape, 1.0) * 0.5 * spot.length_mm
    near = (np.abs(x - spot.x_mm) < reach) & (np.abs(y - spot.y_mm) < reach)
    c, s = np.cos(spot.angle), np.sin(spot.angle)
    dx, dy = x[near] - spot.x_mm, y[near] - spot.y_mm
    u, v = c * dx + s * dy, c * dy - s * dx
    a, b = (2 / spot.length_mm) ** 2, (2 / spot.width_mm) ** 2
    z, fall = _profile(spot.shape, a * u * u + b * v * v)
    zu, zv = 2 * a * u * fall, 2 * b * v * fall
    out = np.zeros((3, *x.shape))
    out[:, near] = spot.depth_mm * np.stack([z, c * zu - s * zv, s * zu + c * zv])
    return np.asarray(out[0]), np.asarray(out[1]), np.asarray(out[2])


def _profile(shape: str, s: Array) -> tuple[Array, Array]:
    """Height, and its derivative by s, of a spot of depth 1; s is the square of the distance in half-widths."""
    rho = np.sqrt(s)
    if shape.startswith("compact"):
        n, left = int(shape[-1]), np.clip(1 - s, 0, None)
        return left**n, -n * left ** (n - 1)
    if shape == "gaussian":
        z = np.exp(-2 * s)
        return z, -2 * z
    if shape == "cosine":
        return np.where(s < 1, 0.5 + 0.5 * np.cos(np.pi * rho), 0), np.where(
            s < 1, -0.25 * np.pi**2 * np.sinc(rho), 0
        )
    if shape == "super-gaussian":
        z = np.exp(-(s**2) / 0.65**4)
        return z, -2 * s / 0.65**4 * z
    rho = np.maximum(rho, 1e-6)
    if shape == "flat bottom":
        t = np.clip((1 - rho) / 0.55, 0, 1)
        return t**3 * (10 - 15 * t + 6 * t * t), -30 * t**2 * (1 - t) ** 2 / (1.1 * rho)
    # A dent with the metal thrown up around it.
    wall = 0.18 * np.exp(-((rho - 0.85) ** 2) / 0.06)
    whole = 1 - 0.18 * np.exp(-(0.85**2) / 0.06)
    return (np.exp(-3.5 * s) - wall) / whole, (
        -3.5 * np.exp(-3.5 * s) + wall * (rho - 0.85) / (0.06 * rho)
    ) / whole


def _form(
    rng: np.random.Generator, x: Array, y: Array, size: tuple[float, float]
) -> tuple[Array, str, float]:
    """A designed shape, its kind, and its smallest radius, mm."""
    least = max(1500.0, 2.2 * float(np.hypot(*size)))

    def arc(t: Array, r: float) -> Array:
        return np.asarray(np.sign(r) * (np.sqrt(r * r - t * t) - abs(r)))

    kind = str(
        rng.choice(
            ["flat", "sphere", "barrel", "two arcs", "twist", "body line"],
            p=[0.3, 0.26, 0.14, 0.14, 0.1, 0.06],
        )
    )
    r1, r2 = (float(np.exp(rng.uniform(np.log(least), np.log(9000.0)))) for _ in range(2))
    dx, dy = rng.uniform(-40, 40, 2)
    if kind == "flat":
        return np.zeros(x.shape), kind, np.inf
    if kind == "sphere":
        return np.sqrt(r1**2 - (x - dx) ** 2 - (y - dy) ** 2) - r1, kind, r1
    if kind == "barrel":
        a = rng.uniform(0, np.pi)
        return arc(np.cos(a) * x + np.sin(a) * y - dx, r1), kind, r1
    z = arc(x - dx, r1) + rng.choice([1, 1, 1, -1]) * arc(y - dy, r2)
    if kind == "two arcs":
        return z, kind, min(r1, r2)
    u, v = 2 * x / size[0], 2 * y / size[0]
    if kind == "twist":
        c = rng.normal(0, 0.06, 4)
        return z + c[0] * u**3 + c[1] * u * u * v + c[2] * u * v * v + c[3] * v**3, kind, min(r1, r2)
    a = rng.normal(0, 0.4) + (np.pi / 2 if rng.random() < 0.5 else 0)
    t = np.cos(a) * x + np.sin(a) * y - rng.uniform(-0.15, 0.15) * size[0]
    width = rng.uniform(0.35, 0.7) * max(size)
    return z - rng.uniform(0.002, 0.01) / 2 * (np.hypot(t, width) - width), kind, min(r1, r2)


def _bending(rng: np.random.Generator, x: Array, y: Array, step: float) -> Array:
    """What an ordinary set-up error does: low orders, and the boards's turn that no height explains."""
    u, v = x / np.abs(x).max(), y / np.abs(x).max()
    z = np.zeros(x.shape)
    for order, sd in ((2, 0.020), (3, 0.007), (4, 0.0015), (5, 0.0004)):
        for k in range(order + 1):
            z += rng.normal(0, sd) * u ** (order - k) * v**k
    turn, _ = integrate_slopes(-y, x.copy(), step_mm=step)
    turn -= turn.mean()
    return z + rng.normal(0, 0.021) * turn / turn.std()


def _waves(rng: np.random.Generator, x: Array, y: Array) -> Array:
    z = np.zeros(x.shape)
    amplitude = rng.uniform(0, 0.0013 if rng.random() < 0.7 else 0.003)
    for _ in range(3):
        k, a = 2 * np.pi / rng.uniform(70, 190), rng.uniform(0, np.pi)
        z += amplitude * np.cos(k * (np.cos(a) * x + np.sin(a) * y) + rng.uniform(0, 6.28))
    return z


def place_spots(rng: np.random.Generator, size: tuple[float, float]) -> list[Spot]:
    spots: list[Spot] = []
    for _ in range(int(rng.integers(1, 7))):
        for _try in range(30):
            # Up to 190 mm wide at half its depth, which is about 330 mm from foot to foot.
            width = float(np.exp(rng.uniform(np.log(34), np.log(min(330, 0.8 * min(size))))))
            length = min(width * float(rng.choice([1.0, rng.uniform(1, 2.2)])), 0.7 * max(size), 340.0)
            inset = rng.uniform(0.2, 0.6) * length
            if 2 * inset > 0.95 * min(size):
                continue
            x, y = (rng.uniform(-s / 2 + inset, s / 2 - inset) for s in size)
            gap = rng.uniform(0.7, 1.1)
            if all(np.hypot(x - o.x_mm, y - o.y_mm) > gap * (length + o.length_mm) / 2 for o in spots):
                most = min(0.5, 0.6e-3 * width**2 / 16)  # well short of a fold
                depth = float(np.exp(rng.uniform(np.log(0.03), np.log(max(most, 0.045)))))
                sign = -1 if rng.random() < 0.65 else 1
                spots.append(
                    Spot(x, y, sign * depth, width, length, rng.uniform(0, np.pi), str(rng.choice(SHAPES)))
                )
                break
    return spots


def draw_problem(seed: int) -> Problem:
    """Draw one map.

    Parameters
    ----------
    seed : int

    Returns
    -------
    Problem
        Its `facts` name the families it belongs to.
    """
    rng = np.random.default_rng([7, seed])
    size = (560.0, 400.0)
    if rng.random() < 0.4:
        width = float(np.exp(rng.uniform(np.log(300), np.log(1500))))
        size = (width, max(220.0, width * rng.uniform(0.45, 1.0)))
    step = max(4.0, float(np.sqrt(size[0] * size[1] / 9000)))
    x_mm = np.arange(-size[0] / 2 + step / 2, size[0] / 2, step)
    y_mm = np.arange(-size[1] / 2 + step / 2, size[1] / 2, step)
    x, y = np.meshgrid(x_mm, y_mm)
    form, kind, radius = _form(rng, x, y, size)
    spots = place_spots(rng, size)
    made = np.sum([spot_height(s, x, y) for s in spots], axis=0) + _waves(rng, x, y)
    off = float(rng.choice([0.0, rng.uniform(0.3, 1.5)]))
    reach = rng.uniform(8, 30) / step
    noise = gaussian_filter(rng.normal(size=x.shape), reach, mode="wrap")
    height = form + made + off * _bending(rng, x, y, step) + rng.uniform(0.0001, 0.0006) * noise / noise.std()
    height = height + rng.normal(0, 1) + rng.normal(0, 2e-3) * x + rng.normal(0, 2e-3) * y
    gone = np.zeros(x.shape, bool)
    for sx in (-1, 1):
        for sy in (-1, 1):  # the tags
            gone |= (np.abs(x - sx * (size[0] / 2 - 27)) < 26) & (np.abs(y - sy * (size[1] / 2 - 27)) < 26)
    seen = 1.0
    if rng.random() < 0.12:  # the board lights a part of the panel
        seen = rng.uniform(0.45, 0.8)
        a = rng.uniform(0, 2 * np.pi)
        t = np.cos(a) * x / size[0] + np.sin(a) * y / size[1]
        gone |= t > np.quantile(t, seen)
    cut = rng.random() < 0.15
    if cut:
        cx, cy = rng.uniform(-0.35, 0.35) * size[0], rng.uniform(-0.35, 0.35) * size[1]
        gone |= (np.abs(x - cx) < rng.uniform(15, 70)) & (np.abs(y - cy) < rng.uniform(10, 40))
    height[gone] = np.nan
    facts = {"form": kind, "radius": radius, "set-up": off, "cut-out": cut, "seen": seen, "size": size}
    return Problem(x_mm, y_mm, height, made, spots, facts)


def true_peaks(problem: Problem) -> list[tuple[Spot, float, int, int]]:
    """Each spot that was seen whole enough: the spot, its true peak, and the cell (row, column) it lies in."""
    x, y = np.meshgrid(problem.x_mm, problem.y_mm)
    rows = []
    for spot in problem.spots:
        near = np.hypot(x - spot.x_mm, y - spot.y_mm) < max(0.2 * spot.width_mm, 6)
        sign = np.sign(spot.depth_mm)
        at = int(np.where(near, sign * problem.deviation_mm, -np.inf).argmax())
        row, column = (int(k) for k in np.unravel_index(at, x.shape))
        if np.isfinite(problem.height_mm[near]).all():
            rows.append((spot, float(problem.deviation_mm[row, column]), row, column))
    return rows
