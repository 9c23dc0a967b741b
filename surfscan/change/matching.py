"""Which spot of one pass is which of another, and what became of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from surfscan.change.registration import Registration
from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.records import Spot

__all__ = ["Footprint", "ReadAt", "SpotChange", "later_place", "match_spots", "reaches"]

NEAR_MM = 15.0
"""Two peaks nearer than this can be one spot, however small (our choice: a fingertip)."""

ReadAt = Callable[[float, float], tuple[float, float]]
"""Value and standard uncertainty at a place, mm; NaN where not measured."""


@dataclass(frozen=True, slots=True)
class SpotChange:
    """One spot's story.

    Attributes
    ----------
    before, after : int or None
        Its number in either table; None where that table does not report it.
    kind : str
    change : str
        "closed", "opened", "smaller", "larger", "same"; "not_measured" where the other pass did not see the place.
    x_mm, y_mm : float
        Place of the peak, in the later pass's frame.
    before_mm, after_mm : float
        Deviation there in either pass, + is high; NaN where not measured.
    grown_mm, u95_mm : float
        By how much the spot's size (depth or height) grew, negative when it shrank, and half its 95 % interval.
    moved_mm : float
        Distance between both peaks; NaN when only one table has it.
    """

    before: int | None
    after: int | None
    kind: str
    change: str
    x_mm: float
    y_mm: float
    before_mm: float
    after_mm: float
    grown_mm: float
    u95_mm: float
    moved_mm: float = float("nan")


def match_spots(
    before: Sequence[Spot],
    after: Sequence[Spot],
    *,
    registration: Registration,
    earlier: ReadAt,
    later: ReadAt,
    difference: ReadAt,
) -> list[SpotChange]:
    """Match the spots of two passes.

    A later spot belongs to the nearest earlier spot of its kind whose half-depth outline holds its peak, or whose
    peak is within 15 mm; several later spots may be what is left of one. What only one table reports may still be
    in the other surface, under that pass's own limit: there the difference map decides.

    Parameters
    ----------
    before, after : sequence of Spot
    registration : Registration
        Of the first pass under the second.
    earlier, later : callable
        Deviation of either pass and its standard uncertainty at a place of the later frame.
    difference : callable
        After minus before.

    Returns
    -------
    list of SpotChange
        Earlier spots in their order, then those that opened.
    """
    places = [later_place(spot.x_mm, spot.y_mm, registration) for spot in before]
    heirs: dict[int, list[Spot]] = {k: [] for k in range(len(before))}
    new: list[Spot] = []
    for spot in after:
        near = [
            (float(np.hypot(spot.x_mm - x, spot.y_mm - y)), k)
            for k, (x, y) in enumerate(places)
            if before[k].kind == spot.kind
            and reaches(before[k], spot.x_mm - x, spot.y_mm - y, turn_mrad=registration.turn_mrad)
        ]
        if near:
            heirs[min(near)[1]].append(spot)
        else:
            new.append(spot)
    rows: list[SpotChange] = []
    for k, old in enumerate(before):
        sign = -1.0 if old.kind == "low" else 1.0
        if not heirs[k]:
            rows.append(_gone(old, *places[k], sign, later, difference))
        for spot in heirs[k]:
            u = float(np.hypot(old.u95_mm, spot.u95_mm))
            grown = sign * (spot.peak_mm - old.peak_mm)
            change = "same" if not abs(grown) > u else "larger" if grown > 0 else "smaller"
            x, y = places[k]
            moved = float(np.hypot(spot.x_mm - x, spot.y_mm - y))
            was, now, at = old.peak_mm, spot.peak_mm, (spot.x_mm, spot.y_mm)
            rows.append(SpotChange(old.id, spot.id, old.kind, change, *at, was, now, grown, u, moved))
    for spot in new:
        rows.append(_appeared(spot, earlier, difference))
    return rows


def _gone(old: Spot, x: float, y: float, sign: float, later: ReadAt, difference: ReadAt) -> SpotChange:
    """An earlier spot that the later table does not report: closed, unless the surface there is as it was."""
    now, _ = later(x, y)
    step, u = difference(x, y)
    grown, u95 = sign * step, COVERAGE_FACTOR * u
    if not np.isfinite(now):
        change = "not_measured"
    elif grown < -u95:
        change = "closed"
    else:
        change = "same" if grown <= u95 else "larger"
    return SpotChange(old.id, None, old.kind, change, x, y, old.peak_mm, now, grown, u95)


def _appeared(spot: Spot, earlier: ReadAt, difference: ReadAt) -> SpotChange:
    """A later spot that the earlier table does not report: opened, unless the surface there was like it already."""
    sign = -1.0 if spot.kind == "low" else 1.0
    was, _ = earlier(spot.x_mm, spot.y_mm)
    step, u = difference(spot.x_mm, spot.y_mm)
    grown, u95 = sign * step, COVERAGE_FACTOR * u
    if not np.isfinite(was) or not np.isfinite(step):
        change = "not_measured"
    elif abs(grown) <= u95:
        change = "same"
    elif grown < 0:
        change = "smaller"
    else:
        # Grown by most of its size, it was no spot before; by less, it was a lesser one.
        change = "opened" if grown > 0.5 * abs(spot.peak_mm) else "larger"
    return SpotChange(None, spot.id, spot.kind, change, spot.x_mm, spot.y_mm, was, spot.peak_mm, grown, u95)


def later_place(x_mm: float, y_mm: float, registration: Registration) -> tuple[float, float]:
    """A place of the first pass in the second's frame: the registration backwards."""
    turn = 1e-3 * registration.turn_mrad
    dx, dy = x_mm - registration.x_mm, y_mm - registration.y_mm
    return float(np.cos(turn) * dx + np.sin(turn) * dy), float(-np.sin(turn) * dx + np.cos(turn) * dy)


class Footprint(Protocol):
    """What of a spot says how far it reaches, mm and degrees."""

    @property
    def length_mm(self) -> float: ...
    @property
    def width_mm(self) -> float: ...
    @property
    def angle_deg(self) -> float: ...


def reaches(spot: Footprint, dx: float, dy: float, *, turn_mrad: float = 0.0) -> bool:
    """Whether a place beside the spot's peak lies in its footprint (twice the half-depth ellipse) or very near.

    Parameters
    ----------
    spot : Footprint
    dx, dy : float
        The place less the spot's peak, mm.
    turn_mrad : float
        By how much the spot's own frame is turned against theirs.
    """
    if np.hypot(dx, dy) <= NEAR_MM:
        return True
    if not (spot.length_mm > 0 and spot.width_mm > 0):
        return False
    angle = np.radians(spot.angle_deg) - 1e-3 * turn_mrad
    along, across = dx * np.cos(angle) + dy * np.sin(angle), -dx * np.sin(angle) + dy * np.cos(angle)
    # Half-depth axes are length and width; a compact spot's foot reaches about twice as far.
    return bool(np.hypot(along / spot.length_mm, across / spot.width_mm) <= 1.0)
