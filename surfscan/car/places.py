"""Places on a car: their names, the words that shops use for them, and a plain outline of our own to draw them in."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["Place", "glass", "place_named", "places"]

Corners = tuple[tuple[float, float], ...]

_LEFT, _RIGHT = {"left", "lh", "l"}, {"right", "rh", "r"}
_FILLER = {"side", "hand", "the", "of", "outer", "panel", "skin"}


@dataclass(frozen=True, slots=True)
class Place:
    """One place on the outline.

    Attributes
    ----------
    name : str
        "left front door", "roof": left and right are the driver's, facing forwards.
    corners : tuple of (x, y)
        In units of the drawing, seen from above, front up; the sides are folded down beside the roof.
    """

    name: str
    corners: Corners

    @property
    def middle(self) -> tuple[float, float]:
        """Where a label stands: the centroid of the area."""
        doubled, x, y = 0.0, 0.0, 0.0
        for (x0, y0), (x1, y1) in zip(self.corners, self.corners[1:] + self.corners[:1], strict=True):
            cross = x0 * y1 - x1 * y0
            doubled, x, y = doubled + cross, x + (x0 + x1) * cross, y + (y0 + y1) * cross
        return x / (3 * doubled), y / (3 * doubled)


@cache
def places() -> dict[str, Place]:
    """Every place by its name, from the front to the rear, left before right."""
    found: dict[str, Place] = {}
    for row in _data()["place"]:
        corners = tuple((float(x), float(y)) for x, y in row["corners"])
        if not row.get("sided"):
            found[row["name"]] = Place(row["name"], corners)
            continue
        found[f"left {row['name']}"] = Place(f"left {row['name']}", corners)
        mirrored = tuple((-x, y) for x, y in reversed(corners))
        found[f"right {row['name']}"] = Place(f"right {row['name']}", mirrored)
    return found


@cache
def glass() -> tuple[Corners, ...]:
    """Windscreen and rear window: drawn so that the outline reads as a car."""
    return tuple(tuple((float(x), float(y)) for x, y in row["corners"]) for row in _data()["glass"])


def place_named(text: str) -> str | None:
    """A place from a panel's name in a shop's words: "LH rear quarter, upper" is "left quarter".

    Returns
    -------
    str or None
        None when no place, or more than one, could be meant: a door without a side is no place.
    """
    words = re.findall(r"[a-z]+", text.casefold())
    side = {"left" for w in words if w in _LEFT} | {"right" for w in words if w in _RIGHT}
    rest = " ".join(w for w in words if w not in _LEFT | _RIGHT | _FILLER)
    hits: dict[str, int] = {}
    for phrase, row in _phrases().items():
        if re.search(rf"\b{phrase}\b", rest):
            hits[row["name"]] = max(hits.get(row["name"], 0), len(phrase))
    longest = [name for name, size in hits.items() if size == max(hits.values())]
    if len(longest) != 1:
        return None
    row = next(row for row in _data()["place"] if row["name"] == longest[0])
    if not row.get("sided"):
        return str(row["name"])
    return f"{side.pop()} {row['name']}" if len(side) == 1 else None


@cache
def _phrases() -> dict[str, dict[str, Any]]:
    """Each word or two of a place, less what says nothing, with its row."""
    found = {}
    for row in _data()["place"]:
        for phrase in row["words"]:
            found[" ".join(w for w in phrase.split() if w not in _FILLER)] = row
    return found


@cache
def _data() -> dict[str, Any]:
    return tomllib.loads((files("surfscan") / "data/trade/places.toml").read_text(encoding="utf-8"))
