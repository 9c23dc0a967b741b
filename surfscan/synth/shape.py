"""What a surface with a closed form can be asked, and how such surfaces add up."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Array", "Flat", "Shape", "Sum", "Three", "places", "turn", "turn_back", "turn_back_second"]

Array = NDArray[np.float64]
Three = tuple[Array, Array, Array]


class Shape(ABC):
    """A surface z(x, y) with closed-form derivatives; shapes add with ``+``."""

    def height(self, x_mm: ArrayLike, y_mm: ArrayLike) -> Array:
        """Return z in mm; `x_mm` and `y_mm` are broadcast against each other."""
        x, y = places(x_mm, y_mm)
        return self._surface(x, y)[0]

    def slopes(self, x_mm: ArrayLike, y_mm: ArrayLike) -> tuple[Array, Array]:
        """Return (dz/dx, dz/dy), without unit."""
        x, y = places(x_mm, y_mm)
        return self._surface(x, y)[1:]

    def surface(self, x_mm: ArrayLike, y_mm: ArrayLike) -> Three:
        """Return (z, dz/dx, dz/dy) in one pass."""
        return self._surface(*places(x_mm, y_mm))

    def curvatures(self, x_mm: ArrayLike, y_mm: ArrayLike) -> Three:
        """Return the second derivatives (z_xx, z_xy, z_yy) in 1/mm."""
        return self._curvatures(*places(x_mm, y_mm))

    def parts(self) -> tuple[Shape, ...]:
        """Return the single shapes this one is made of."""
        return (self,)

    def spot(self) -> dict[str, Any] | None:
        """Return what a list of made spots says about it, or None for a shape that is no spot."""
        return None

    def __add__(self, other: Shape) -> Sum:
        return Sum(self.parts() + other.parts())

    @abstractmethod
    def _surface(self, x: Array, y: Array) -> Three: ...

    @abstractmethod
    def _curvatures(self, x: Array, y: Array) -> Three: ...


def places(x_mm: ArrayLike, y_mm: ArrayLike) -> tuple[Array, Array]:
    """Return both as float64, broadcast against each other."""
    x, y = np.broadcast_arrays(np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64))
    return x, y


def turn(x: Array, y: Array, angle_deg: float) -> tuple[Array, Array]:
    """Return the place in axes turned by `angle_deg`."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return c * x + s * y, c * y - s * x


def turn_back(zu: Array, zv: Array, angle_deg: float) -> tuple[Array, Array]:
    """Return first derivatives by x and y from those by turned axes."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return c * zu - s * zv, s * zu + c * zv


def turn_back_second(uu: Array, uv: Array, vv: Array, angle_deg: float) -> Three:
    """Return second derivatives xx, xy, yy from those by turned axes."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return (
        c * c * uu - 2 * c * s * uv + s * s * vv,
        c * s * (uu - vv) + (c * c - s * s) * uv,
        s * s * uu + 2 * c * s * uv + c * c * vv,
    )


@dataclass(frozen=True)
class Flat(Shape):
    """z = 0."""

    def _surface(self, x: Array, y: Array) -> Three:
        return np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)

    def _curvatures(self, x: Array, y: Array) -> Three:
        return self._surface(x, y)


@dataclass(frozen=True)
class Sum(Shape):
    """The sum of several shapes."""

    shapes: tuple[Shape, ...]

    def parts(self) -> tuple[Shape, ...]:
        return self.shapes

    def _surface(self, x: Array, y: Array) -> Three:
        return _add([shape._surface(x, y) for shape in self.shapes], x)

    def _curvatures(self, x: Array, y: Array) -> Three:
        return _add([shape._curvatures(x, y) for shape in self.shapes], x)


def _add(terms: list[Three], x: Array) -> Three:
    zero = np.zeros_like(x)
    a, b, c = (sum((term[k] for term in terms), zero) for k in range(3))
    return a, b, c
