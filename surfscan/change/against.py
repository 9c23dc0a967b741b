"""Another measured surface as the fair form: the car's other side mirrored, an earlier pass, or a saved master.

A crowned or styled panel is what it is; only another panel of its kind says what it ought to be. Its surface is laid
under this one (see `registration`), height, tilt and the low-order bend that two set-ups leave free are fitted to
what agrees, and the rest is deviation, judged like any other. What the bend takes off is stated: a low as wide as the
panel would be part of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from surfscan.change.comparison import FEWEST, tag_uncertainty
from surfscan.change.fitting import fit_between
from surfscan.change.registration import TAG_MM, Registration, register
from surfscan.core.errors import NotMeasuredError
from surfscan.core.flags import bit
from surfscan.core.reading import Reading
from surfscan.core.records import Array, CheckResult, HeightMap, Spot
from surfscan.judge.reasons import reason
from surfscan.judge.verdict import with_reasons
from surfscan.results.stored import StoredResult
from surfscan.surface.form import FairForm
from surfscan.surface.slopes import polynomial_terms

__all__ = ["Against", "Held", "add_against", "against_result", "hold_against"]

LAID_MM = 3.0
"""Standard uncertainty of the tags' common place on another panel: measured there from the panel's own edges and
lines with a tape, which differ by millimetres from car side to car side (our choice)."""


@dataclass(frozen=True, slots=True)
class Against:
    """The surface that a panel is held against.

    Attributes
    ----------
    height : HeightMap
    name : str
        What messages and the result call it.
    mirrored : bool
        It is the car's other side: x becomes -x.
    tag_mm, tags : float, int
        Standard uncertainty of one tag's coordinate between both, mm, and how many tags there are.
    spots : tuple of Spot
        Its own faults, in its own frame.
    """

    height: HeightMap
    name: str
    mirrored: bool
    tag_mm: float
    tags: int
    spots: tuple[Spot, ...] = ()


@dataclass(frozen=True, slots=True)
class Held:
    """A panel held against another.

    Attributes
    ----------
    fair : FairForm
        The registered surface, finite everywhere; `spots` is True also where it was not measured.
    reading : Reading
        The panel's, NaN and flagged where there is nothing to hold it against.
    against : Against
    registration : Registration
    bend_mm : float
        Range (greatest less least) over the panel of the second-order part and above that was fitted to what two
        set-ups, or two panels, differ by.
    """

    fair: FairForm
    reading: Reading
    against: Against
    registration: Registration
    bend_mm: float


def against_result(result: StoredResult | CheckResult, *, mirrored: bool = False, panel: str = "") -> Against:
    """Make a checked panel the fair form of another.

    Parameters
    ----------
    result : StoredResult or CheckResult
        The car's other side (`mirrored`), an earlier pass of the same panel, or a saved master.
    mirrored : bool
        Its tags were laid at the mirrored places, and x becomes -x.
    panel : str
        Name of the panel to be judged: when the result has the same one it is taken for an earlier pass, whose tags
        are where they were.

    Returns
    -------
    Against
    """
    tag, tags = tag_uncertainty(result, result)
    same = not mirrored and bool(panel) and result.panel.get("name") == panel
    place = tag if same else LAID_MM * np.sqrt(tags)  # the tags' common place, not each tag's
    kind = "the other side, mirrored" if mirrored else "an earlier pass" if same else "a master panel"
    name = f"{kind} ({getattr(result, 'name', '') or result.panel.get('name', '')})"
    return Against(result.height, name, mirrored, float(max(place, TAG_MM)), tags, tuple(result.spots))


def hold_against(reading: Reading, against: Against, *, floor_mm: float, grow_px: int) -> Held:
    """Lay a surface under a reading and make it the fair form.

    Parameters
    ----------
    reading : Reading
    against : Against
    floor_mm, grow_px : float, int
        As in `surfscan.surface.ladder.fit_ladder`.

    Returns
    -------
    Held

    Raises
    ------
    NotMeasuredError
        When too little is measured in both.
    """
    grid = reading.grid
    nothing = np.zeros(grid.shape)
    second = HeightMap(grid, reading.height_mm.copy(), nothing.copy(), nothing.copy(), reading.flags.copy())
    try:
        found = register(
            against.height, second, tag_mm=against.tag_mm, tags=against.tags, mirrored=against.mirrored
        )
    except ValueError:
        raise _too_little(against, 0) from None
    between = fit_between(
        against.height,
        reading.height_mm,
        grid,
        found,
        mirrored=against.mirrored,
        floor_mm=floor_mm,
        grow_px=grow_px,
    )
    known = np.isfinite(between.below_mm)
    both = known & np.isfinite(reading.height_mm)
    if both.sum() < FEWEST:
        raise _too_little(against, int(both.sum()))
    form = _continued(between.below_mm, known, grid.x_mm, grid.y_mm) + between.bend_mm
    name = f"{against.name}, laid under by tags and shape; height, tilt and a bend of order {between.order} fitted"
    # What the panel ought to be is known no better than two panels of its kind agree: the other one has waves too.
    sigma = np.hypot(between.sigma_mm, np.nan_to_num(between.spread_mm))
    lost = ~known & np.isfinite(reading.height_mm)
    return Held(
        fair=FairForm(form, sigma, between.spots | ~known, between.order, False, name),
        reading=replace(
            reading,
            height_mm=np.where(known, reading.height_mm, np.nan),
            flags=np.where(lost, reading.flags | bit("unmatched"), reading.flags).astype(np.int32),
        ),
        against=against,
        registration=found,
        bend_mm=_bend_range(between.bend_mm, both, grid.x_mm, grid.y_mm),
    )


def add_against(result: CheckResult, held: Held) -> CheckResult:
    """The result with what it was held against, and with the cautions of that."""
    place, against = held.registration, held.against
    details: dict[str, Any] = {
        "name": against.name,
        "mirrored": against.mirrored,
        **place.row(),
        "by_shape_alone": place.moved,
        "spread_mm": place.spread_mm,
        "agreeing": place.unchanged,
        "bend_mm": held.bend_mm,
    }
    said = [reason("other-panel-held", about=against.name, name=against.name, bend_mm=held.bend_mm)]
    own = _own_spots(result, held)
    if own:
        said.append(
            reason("other-panel-own-spot", about=against.name, count=len(own), spots=own, name=against.name)
        )
    return with_reasons(
        replace(result, details={**result.details, "against": {**details, "own_faults": own}}), said
    )


def _own_spots(result: CheckResult, held: Held) -> list[int]:
    """Numbers of the result's spots that lie on faults of the other panel."""
    sign = -1.0 if held.against.mirrored else 1.0
    own = []
    for spot in result.spots:
        u, v = held.registration.places(np.array(spot.x_mm), np.array(spot.y_mm))
        for other in held.against.spots:
            reach = max(15.0, 0.5 * float(np.nan_to_num(other.length_mm)))
            if np.hypot(sign * float(u) - other.x_mm, float(v) - other.y_mm) < reach:
                own.append(spot.id)
                break
    return own


def _continued(surface: Array, known: Array, x_mm: Array, y_mm: Array) -> Array:
    """The surface carried on where it is not known, by a cubic: for the budget's sums only, never judged."""
    if known.all():
        return surface
    reach = float(max(np.abs(x_mm).max(), np.abs(y_mm).max()))
    x, y = np.meshgrid(x_mm / reach, y_mm / reach)
    terms = polynomial_terms(x, y, 3)
    few = np.flatnonzero(known.ravel())[:: max(1, int(known.sum()) // 3000)]
    found = np.linalg.lstsq(terms.reshape(-1, terms.shape[-1])[few], surface.ravel()[few], rcond=None)[0]
    return np.where(known, surface, terms @ found)


def _bend_range(bend: Array, use: Array, x_mm: Array, y_mm: Array) -> float:
    """Range of what is left of the fitted surface without its plane."""
    x, y = np.meshgrid(x_mm, y_mm)
    plane = np.stack([np.ones(int(use.sum())), x[use], y[use]], -1)
    left = bend[use] - plane @ np.linalg.lstsq(plane, bend[use], rcond=None)[0]
    return float(np.ptp(left))


def _too_little(against: Against, cells: int) -> NotMeasuredError:
    return NotMeasuredError(
        f"too little of the panel can be held against {against.name}",
        found=f"{cells} cells measured in both",
        allowed=f"at least {FEWEST}",
        cure="check the same region of both, and --mirrored for the car's other side",
    )
