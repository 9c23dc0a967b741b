"""Names of the parts of a panel, as one says them in front of it."""

from __future__ import annotations

__all__ = ["part_named"]

MIDDLE = 1 / 6
"""Share of a side within which a place counts as its middle, either way."""


def part_named(x_mm: float, y_mm: float, size_mm: tuple[float, float]) -> str:
    """Name the part of a panel that a place lies in.

    Parameters
    ----------
    x_mm, y_mm : float
        From the panel's middle, x to the right and y up, mm.
    size_mm : tuple of float
        Width and height of the panel, mm.

    Returns
    -------
    str
        Such as ``"upper left"``, ``"left"`` or ``"middle"``.
    """
    across, up = x_mm / size_mm[0], y_mm / size_mm[1]
    words = [
        "" if abs(up) <= MIDDLE else "upper" if up > 0 else "lower",
        "" if abs(across) <= MIDDLE else "right" if across > 0 else "left",
    ]
    if words[0] and not words[1]:
        return f"{words[0]} middle"
    return " ".join(word for word in words if word) or "middle"
