"""A car's outline with each panel's verdict in words, so that it reads in black and white too."""

from __future__ import annotations

from typing import Literal

from surfscan.car.places import glass, places
from surfscan.car.summary import Car, CarPanel
from surfscan.judge.verdict import worst_verdict
from surfscan.papers.blocks import Drawing, Shape

__all__ = ["draw_car", "outline_words"]

Front = Literal["up", "left"]

# Fill, letters, outline dashed, and the words inside, a line each. Lightness alone tells what has to be worked on;
# the words tell the rest.
_LOOKS: dict[str, tuple[str, str, bool, tuple[str, ...]]] = {
    "ready": ("#e3eef6", "#1b1c1f", False, ("FAIR",)),
    "rework": ("#6b3206", "#ffffff", False, ("REWORK",)),
    "close": ("#f0d7a7", "#1b1c1f", False, ("TOO CLOSE",)),
    "not_measured": ("#d3d3cf", "#1b1c1f", True, ("NOT", "MEASURED")),
    "not_checked": ("#ffffff", "#4a4d53", True, ("NOT", "CHECKED")),
    "": ("#ffffff", "#4a4d53", False, ()),
}
_SIGNS = {"FAIR": "✓", "REWORK": "!", "TOO CLOSE": "?", "MEASURED": "–", "CHECKED": "–"}
_LETTER = 8.4  # height of letters, in units of the outline


def draw_car(car: Car, *, front: Front = "left") -> Drawing:
    """Draw a car from above, both sides folded down beside it.

    Parameters
    ----------
    car : Car
    front : {"left", "up"}
        Left suits a paper's width, up a phone's.

    Returns
    -------
    Drawing
        Every place with its number in the car's list and its verdict; a place that is not on the list is empty.
    """
    shapes = [Shape(_turned(corners, front), closed=True) for corners in glass()]
    for name, place in places().items():
        here = [(k, panel) for k, panel in enumerate(car.panels, 1) if panel.place == name]
        fill, ink, dashed, words = _LOOKS[_state([panel for _, panel in here])]
        shapes.append(Shape(_turned(place.corners, front), closed=True, dashed=dashed, fill=fill))
        if here:
            shapes += _label(name, [k for k, _ in here], words, ink, front)
    caption = (
        f"Seen from above, {'front up' if front == 'up' else 'the front on the left'}; both sides folded down beside"
        " it. Left and right are the driver's. The numbers are those of the list."
    )
    return Drawing((("", tuple(shapes)),), caption, most_mm=98.0)


def outline_words(car: Car) -> str:
    """What the drawing shows, for who can't see it."""
    told = [f"{panel.title}: {' '.join(_LOOKS[_state([panel])][3]).lower()}" for panel in car.panels]
    return f"Outline of a car. {'; '.join(told)}."


def _state(panels: list[CarPanel]) -> str:
    """How a place looks: the worst of the panels on it."""
    if not panels:
        return ""
    if all(panel.result is None for panel in panels):
        return "not_checked"
    return str(worst_verdict(panel.verdict for panel in panels))


def _label(name: str, numbers: list[int], words: tuple[str, ...], ink: str, front: Front) -> list[Shape]:
    """Numbers and words of a place inside it; where it is too narrow, words beside it or a sign in their place."""
    ((x, y),) = _turned((places()[name].middle,), front)
    number = ", ".join(map(str, numbers))
    size, shapes = (_LETTER if front == "left" else 7.4), []
    if name.endswith("bumper") and front == "left":
        side = -1 if name.startswith("front") else 1
        edge, x, ink = x + side * 70.0, x + side * 44.0, ""
        shapes.append(Shape(((edge, y), (edge, y))))  # nothing to see: it keeps room for the words
    lines = [number, *words]
    if name.endswith("bumper") and front == "up":
        lines = [" ".join(lines)]
    if name.endswith("sill"):
        lines = [" ".join(lines)] if front == "left" else [number, _SIGNS[words[-1]]]
    step = 1.16 * size
    return shapes + [
        Shape(((x, y + step * ((len(lines) - 1) / 2 - k)),), label=line, size=size, ink=ink)
        for k, line in enumerate(lines)
    ]


def _turned(points: tuple[tuple[float, float], ...], front: Front) -> tuple[tuple[float, float], ...]:
    """The outline as given, front up, or turned a quarter so that the front is on the left."""
    return points if front == "up" else tuple((-y, x) for x, y in points)
