"""Small charts as line drawings: points over time with their intervals and limits, for paper and page alike."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from surfscan.papers.blocks import Shape

__all__ = ["Point", "draw_chart"]

_WIDE, _TALL = 340.0, 84.0  # of the plot, in units of the drawing
_LETTER = 6.6
_MARK = 1.7


@dataclass(frozen=True, slots=True)
class Point:
    """One point: its label under the axis ("" for none), its value, its interval, and whether it stands out."""

    label: str
    value: float
    low: float = math.nan
    high: float = math.nan
    flagged: bool = False


def draw_chart(
    points: Sequence[Point],
    *,
    levels: Sequence[tuple[float, str]] = (),
    joined: bool = False,
    least: float = math.nan,
    most: float = math.nan,
) -> tuple[Shape, ...]:
    """Draw points from left to right.

    Parameters
    ----------
    points : sequence of Point
    levels : sequence of (value, name)
        Dashed lines across, named at their right end: limits, a centre.
    joined : bool
        Join the points.
    least, most : float
        Ends of the upward axis; NaN for those of what is drawn.

    Returns
    -------
    tuple of Shape
        A point that stands out is a large open square, not a colour.
    """
    drawn = [v for p in points for v in (p.value, p.low, p.high) if math.isfinite(v)] + [v for v, _ in levels]
    bottom = min(drawn, default=0.0) if math.isnan(least) else least
    top = max(drawn, default=1.0) if math.isnan(most) else most
    top = top if top > bottom else bottom + 1.0
    step = _WIDE / max(len(points), 1)

    def at(k: int) -> float:
        return (k + 0.5) * step

    def up(value: float) -> float:
        return _TALL * (value - bottom) / (top - bottom)

    shapes = [
        Shape(((0.0, 0.0), (_WIDE, 0.0))),
        Shape(((0.0, 0.0), (0.0, _TALL))),
        # keeps room for labels at the left, the right and below, which a drawing does not count
        Shape(((-30.0, -11.0), (-30.0, -11.0))),
        Shape(((_WIDE + 46.0, _TALL + 5.0), (_WIDE + 46.0, _TALL + 5.0))),
    ]
    shapes += [Shape(((-16.0, up(v)),), label=_short(v, top - bottom), size=_LETTER) for v in (bottom, top)]
    for value, name in levels:
        shapes += [
            Shape(((0.0, up(value)), (_WIDE, up(value))), dashed=True),
            Shape(((_WIDE + 23.0, up(value)),), label=name, size=_LETTER),
        ]
    if joined:
        line = tuple((at(k), up(p.value)) for k, p in enumerate(points) if math.isfinite(p.value))
        shapes += [Shape(line)] if len(line) > 1 else []
    every = max(1, math.ceil(len(points) * 24.0 / _WIDE))
    for k, point in enumerate(points):
        if point.label and k % every == 0:
            shapes.append(Shape(((at(k), -8.0),), label=point.label, size=_LETTER))
        if math.isfinite(point.value):
            shapes += _mark(at(k), point, up)
    return tuple(shapes)


def _mark(x: float, point: Point, up: Callable[[float], float]) -> list[Shape]:
    y, r = up(point.value), 3.4 if point.flagged else _MARK
    corners = ((x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r))
    shapes = [
        Shape(corners, closed=True, fill="#ffffff" if point.flagged else "#1b1c1f", heavy=point.flagged)
    ]
    if math.isfinite(point.low) and math.isfinite(point.high):
        shapes.insert(0, Shape(((x, up(point.low)), (x, up(point.high)))))
    return shapes


def _short(value: float, span: float) -> str:
    """A number with as many places as the axis needs."""
    places = max(0, 2 - math.floor(math.log10(span))) if span > 0 else 2
    return f"{value:.{min(places, 4)}f}"
