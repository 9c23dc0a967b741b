"""What a result says of the places that no photo shows yet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from surfscan.core.units import MM, Units

__all__ = ["unseen_lines"]


def unseen_lines(details: Mapping[str, Any], units: Units = MM) -> list[str]:
    """How much is not seen, where, and from where the next photos would show it; empty where nothing is missing."""
    row = details.get("unseen")
    if not row:
        return []
    lines = [f"Not seen yet: {100 * row['share']:.0f} % of the panel, most of it {row['part']}."]
    if not row["photos"]:
        return [
            f"{lines[0]} No place shows it with the board where it is and all tags in the photo: move the board and "
            "measure its new place, or use a larger one."
        ]
    places = "; ".join(_place(photo, units) for photo in row["photos"])
    return [
        *lines,
        f"More photos with board and panel as they are, aimed at the panel's middle, from: {places}. "
        "(To the right, up along the panel, and out of it, from its middle.)",
    ]


def _place(photo: Mapping[str, Any], units: Units) -> str:
    x, y, z = (units.bare(units.length(float(v))) for v in photo["camera_mm"])
    return f"{x}, {y}, {z} {units.word} (shows {100 * photo['new_share']:.0f} % more)"
