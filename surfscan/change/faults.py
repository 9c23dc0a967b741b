"""What became of small faults from one pass to a later one: gone, new, or the same."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["FaultChange", "match_faults"]

APART_MM = 3.0
"""So much farther than half its length a fault's middle may lie from where it was: both passes place it by tags."""

STANDS_FOR = "pit"
"""Whose smallest size holds for what could not be named."""


@dataclass(frozen=True, slots=True)
class FaultChange:
    """One small fault of either pass.

    Attributes
    ----------
    before, after : int or None
        Its numbers in both lists.
    kind : str
        As the later pass names it, or the earlier one where it is gone.
    change : str
        "gone", "new", "same", or "not_measured": the other pass did not see the place, or did not find so small ones.
    x_mm, y_mm : float
        In the later frame.
    length_mm : float
    """

    before: int | None
    after: int | None
    kind: str
    change: str
    x_mm: float
    y_mm: float
    length_mm: float


def match_faults(
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    *,
    later_place: Callable[[float, float], tuple[float, float]],
    seen_before: Callable[[float, float], bool],
    seen_after: Callable[[float, float], bool],
) -> tuple[FaultChange, ...] | None:
    """Match the small faults of two passes by where they are; names may differ, as they are only likely.

    Parameters
    ----------
    before, after : mapping
        The passes' ``details``: ``faults`` and ``looked_for``.
    later_place : callable
        A place of the first pass in the second's frame.
    seen_before, seen_after : callable
        Whether a pass measured a place of the later frame.

    Returns
    -------
    tuple of FaultChange or None
        Those of the first pass in their order, then new ones; None where not both passes looked for them.
    """
    if "faults" not in before or "faults" not in after:
        return None
    old = [(row, later_place(row["x_mm"], row["y_mm"])) for row in _listed(before)]
    heir: dict[int, Mapping[str, Any]] = {}
    rows, fresh = [], []
    for row in _listed(after):
        far = [
            (float(np.hypot(row["x_mm"] - x, row["y_mm"] - y)), k)
            for k, (one, (x, y)) in enumerate(old)
            if k not in heir
            and np.hypot(row["x_mm"] - x, row["y_mm"] - y)
            <= APART_MM + max(row["length_mm"], one["length_mm"]) / 2
        ]
        if far:
            heir[min(far)[1]] = row
        else:
            fresh.append(row)
    for k, (one, (x, y)) in enumerate(old):
        now = heir.get(k)
        if now is not None:
            rows.append(_row(one["id"], now["id"], now, "same", now["x_mm"], now["y_mm"]))
        else:
            told = seen_after(x, y) and _would_be_found(one, after)
            rows.append(_row(one["id"], None, one, "gone" if told else "not_measured", x, y))
    for row in fresh:
        told = seen_before(row["x_mm"], row["y_mm"]) and _would_be_found(row, before)
        rows.append(_row(None, row["id"], row, "new" if told else "not_measured", row["x_mm"], row["y_mm"]))
    return tuple(rows)


def _listed(details: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """A pass's faults; of an edited result those rows that are whole."""
    listed = details["faults"]
    return [
        row
        for row in (listed if isinstance(listed, list) else ())
        if isinstance(row, Mapping)
        and isinstance(row.get("id"), int)
        and all(isinstance(row.get(key), int | float) for key in ("x_mm", "y_mm", "length_mm", "width_mm"))
    ]


def _row(
    before: int | None, after: int | None, fault: Mapping[str, Any], change: str, x_mm: float, y_mm: float
) -> FaultChange:
    return FaultChange(
        before, after, str(fault.get("kind", "unsure")), change, x_mm, y_mm, float(fault["length_mm"])
    )


def _would_be_found(fault: Mapping[str, Any], details: Mapping[str, Any]) -> bool:
    """Whether a pass finds a fault of that kind and size nine times in ten."""
    looked = details.get("looked_for")
    if not isinstance(looked, Mapping):
        return False
    smallest = looked.get(fault.get("kind"), looked.get(STANDS_FOR))
    if not isinstance(smallest, Mapping) or not isinstance(smallest.get("size_mm"), int | float):
        return False
    return bool(fault["width_mm" if smallest.get("of") == "width" else "length_mm"] >= smallest["size_mm"])
