"""What a drawing is made of: filled rectangles, discs, polygons, lines and words, in mm, y up."""

from __future__ import annotations

from dataclasses import dataclass, replace

__all__ = ["Disc", "Line", "Mark", "Page", "Polygon", "Rect", "Words", "clip", "move", "turn_quarter"]


@dataclass(frozen=True, slots=True)
class Rect:
    """A filled rectangle from its lower left corner; `grey` 0 is black, 1 white."""

    x: float
    y: float
    width: float
    height: float
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Disc:
    """A filled disc."""

    x: float
    y: float
    radius: float
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Polygon:
    """A filled polygon."""

    points: tuple[tuple[float, float], ...]
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Line:
    """A polyline; `width` in mm, `dash` in mm (0: whole)."""

    points: tuple[tuple[float, float], ...]
    width: float = 0.2
    grey: float = 0.0
    dash: float = 0.0


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text: `size` is the font's height in mm, `anchor` start, middle or end, `turned` a quarter left."""

    x: float
    y: float
    text: str
    size: float = 2.6
    anchor: str = "start"
    bold: bool = False
    turned: bool = False
    grey: float = 0.0


Mark = Rect | Disc | Polygon | Line | Words


@dataclass(frozen=True, slots=True)
class Page:
    """One page.

    Attributes
    ----------
    size_mm : (width, height)
    art : tuple of Mark
        What must be of true size; nothing of it shows outside `window`.
    window : (x, y, width, height)
    marks : tuple of Mark
        Frame, words, ruler; drawn over the art.
    name : str
    """

    size_mm: tuple[float, float]
    art: tuple[Mark, ...]
    window: tuple[float, float, float, float]
    marks: tuple[Mark, ...] = ()
    name: str = ""


def move(mark: Mark, dx: float, dy: float) -> Mark:
    """The mark shifted."""
    if isinstance(mark, Polygon | Line):
        return replace(mark, points=tuple((x + dx, y + dy) for x, y in mark.points))
    return replace(mark, x=mark.x + dx, y=mark.y + dy)


def turn_quarter(mark: Mark, width: float) -> Mark:
    """The mark of a drawing `width` wide, turned a quarter to the right: (x, y) goes to (y, width - x)."""
    if isinstance(mark, Rect):
        return Rect(mark.y, width - mark.x - mark.width, mark.height, mark.width, mark.grey)
    if isinstance(mark, Disc):
        return replace(mark, x=mark.y, y=width - mark.x)
    if isinstance(mark, Words):
        return replace(mark, x=mark.y, y=width - mark.x, turned=not mark.turned)
    return replace(mark, points=tuple((y, width - x) for x, y in mark.points))


def clip(mark: Mark, window: tuple[float, float, float, float]) -> Mark | None:
    """What of the mark lies in the window: rectangles exactly, the rest whole or not at all."""
    x0, y0, w, h = window
    if isinstance(mark, Rect):
        left, right = max(mark.x, x0), min(mark.x + mark.width, x0 + w)
        low, high = max(mark.y, y0), min(mark.y + mark.height, y0 + h)
        if right - left <= 1e-9 or high - low <= 1e-9:
            return None
        return Rect(left, low, right - left, high - low, mark.grey)
    if isinstance(mark, Disc):
        r = mark.radius
        out = mark.x + r <= x0 or mark.x - r >= x0 + w or mark.y + r <= y0 or mark.y - r >= y0 + h
        return None if out else mark
    if isinstance(mark, Words):
        return mark if x0 <= mark.x <= x0 + w and y0 <= mark.y <= y0 + h else None
    xs, ys = [p[0] for p in mark.points], [p[1] for p in mark.points]
    out = max(xs) <= x0 or min(xs) >= x0 + w or max(ys) <= y0 or min(ys) >= y0 + h
    return None if out else mark
