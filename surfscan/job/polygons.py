"""Polygons of the sheet: at least three corners, no corner twice, no side across another."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.job.sheet_errors import refuse

__all__ = ["check_polygon"]

_Point = tuple[float, float]
_CORNERS = 1000  # far more than anybody types; keeps the pairwise test short


def check_polygon(polygon: tuple[_Point, ...], *, name: str = "") -> tuple[_Point, ...]:
    """Return the polygon without a repeated last corner, or refuse it in words.

    Parameters
    ----------
    polygon : tuple of (x, y)
    name : str, optional
        Put before the complaint when one key holds several polygons.

    Raises
    ------
    PydanticCustomError
        For fewer than three corners, a corner given twice, sides that cross or touch, or no area.
    """
    prefix = f"({name}) " if name else ""
    if len(polygon) > 1 and polygon[0] == polygon[-1]:
        polygon = polygon[:-1]  # closed by hand, as many drawing tools do
    count = len(polygon)
    if not 3 <= count <= _CORNERS:
        raise refuse(f"{prefix}is no polygon", found=f"{count} corners", allowed=f"3 to {_CORNERS} corners")
    if len(set(polygon)) < count:
        again = next(p for k, p in enumerate(polygon) if p in polygon[:k])
        raise refuse(
            f"{prefix}has a corner twice", found=f"[{again[0]:g}, {again[1]:g}]", allowed="each corner once"
        )
    starts = np.array(polygon, float)
    ends = np.roll(starts, -1, axis=0)
    for i in range(count):
        a, b = polygon[i], polygon[(i + 1) % count]
        if (i + 1) % count != i and _folds_back(polygon[i - 1], a, b):
            raise refuse(
                f"{prefix}doubles back on itself",
                found=f"at [{a[0]:g}, {a[1]:g}]",
                allowed="a simple polygon",
            )
        for j in _near(a, b, starts, ends, i + 2):
            if (j + 1) % count != i and _cross(a, b, polygon[j], polygon[(j + 1) % count]):
                raise refuse(
                    f"{prefix}crosses itself",
                    found=f"side {i + 1} meets side {j + 1}",
                    allowed="a polygon whose sides do not cross",
                    cure="give the corners in order, going round once",
                )
    return polygon


def _near(a: _Point, b: _Point, starts: NDArray[Any], ends: NDArray[Any], first: int) -> list[int]:
    """Sides from `first` on whose box touches that of side ab: only those can meet it."""
    low, high = np.minimum(a, b), np.maximum(a, b)
    starts, ends = starts[first:], ends[first:]
    near = (np.minimum(starts, ends) <= high) & (np.maximum(starts, ends) >= low)
    return [int(k) + first for k in np.flatnonzero(near.all(axis=1))]


def _turn(a: _Point, b: _Point, c: _Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _folds_back(a: _Point, b: _Point, c: _Point) -> bool:
    ahead = (b[0] - a[0]) * (c[0] - b[0]) + (b[1] - a[1]) * (c[1] - b[1])
    return _turn(a, b, c) == 0.0 and ahead < 0.0


def _cross(a: _Point, b: _Point, c: _Point, d: _Point) -> bool:
    """Whether closed segments ab and cd share a point."""
    one, two, three, four = _turn(a, b, c), _turn(a, b, d), _turn(c, d, a), _turn(c, d, b)
    if one * two < 0 and three * four < 0:
        return True
    return any(
        turn == 0
        and min(p[0], q[0]) <= r[0] <= max(p[0], q[0])
        and min(p[1], q[1]) <= r[1] <= max(p[1], q[1])
        for turn, p, q, r in ((one, a, b, c), (two, a, b, d), (three, c, d, a), (four, c, d, b))
    )
