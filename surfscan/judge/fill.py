"""Filler: depth map, area, volume, and the plan for highs that stay up.

Filler brings a place up to the *fair surface*, height 0 of the map. A high that stays up forces that surface
up around it: see ``raised`` for the smallest surface that does it.

The photo sees only the surface: filler already on the panel is not seen, and adds to these depths.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.message import Message, Verdict
from surfscan.judge.bury import SurfaceLeft, judge_left
from surfscan.judge.decide import Decision, decide
from surfscan.judge.fill_words import compare_ways, fill_plan_text
from surfscan.judge.limits import Limits
from surfscan.judge.raised import raised_surface

__all__ = [
    "FillPlan",
    "FillTotals",
    "LowFill",
    "decide_fill",
    "fill_depth",
    "fill_lows",
    "fill_totals",
    "plan_fill",
]

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class FillTotals:
    """Filler over the panel.

    Attributes
    ----------
    depth_mm : float
        Greatest depth; 0 when nothing needs filler, NaN when nothing was measured.
    row, column : int
        Where it is; -1 when there is none.
    area_cm2, volume_ml : float
        Area and volume where the depth counts; NaN when nothing was measured.
    over_area_cm2 : float
        Area deeper than the limit; NaN when nothing was measured.
    decision : Decision
        The greatest depth against the limit.
    """

    depth_mm: float
    row: int
    column: int
    area_cm2: float
    volume_ml: float
    over_area_cm2: float
    decision: Decision


@dataclass(frozen=True, slots=True)
class LowFill:
    """Filler in one low: greatest depth, half its 95 % interval, area, volume, and "under", "over" or
    "close"."""

    label: int
    depth_mm: float
    u95_mm: float
    area_cm2: float
    volume_ml: float
    against_limit: str
    sentence: str


@dataclass(frozen=True, slots=True)
class FillPlan:
    """Two ways to a fair panel, side by side.

    Attributes
    ----------
    raised_mm : ndarray (H, W), float64
        The raised surface that buries the highs, 0 where the fair surface stays; known everywhere.
    down_depth_mm, bury_depth_mm : ndarray (H, W), float64
        Filler depth with the highs brought down first, and with the highs buried; NaN where not measured.
    down, bury : FillTotals
        Their totals.
    over_mm : ndarray (H, W), bool
        Where burying breaks the depth limit.
    raised_unseen_cm2 : float
        Part of the raised area that was not measured; its filler is not in the totals.
    reaches_edge : bool
        Whether the raise runs off the map, so that it does not end on this panel's judged region.
    better : {"neither", "down", "bury", "metal", "not_measured"}
        "neither" when no high stands over its limit, "metal" when both break the limit.
    message : Message
        Which is better and why.
    error_mm : float
        Greatest shortfall of `raised_mm` under the exact solution; 0 when it is exact.
    """

    raised_mm: Array
    down_depth_mm: Array
    bury_depth_mm: Array
    down: FillTotals
    bury: FillTotals
    over_mm: Array
    raised_unseen_cm2: float
    reaches_edge: bool
    better: str
    message: Message
    error_mm: float

    @property
    def sentence(self) -> str:
        """Which is better and why, mm."""
        return fill_plan_text(self.message)


def fill_depth(height_mm: Array, raised_mm: Array | float = 0.0) -> Array:
    """Filler depth, max(0, raised - height), mm; NaN where not measured.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Deviation from the fair surface, mm, + is high; NaN where not measured.
    raised_mm : ndarray (H, W) or float
        The surface to fill up to; 0 is the fair surface.
    """
    depth: Array = np.maximum(np.asarray(raised_mm, dtype=np.float64) - height_mm, 0.0)
    return depth


def decide_fill(depth_mm: float, u_mm: float, *, limit_mm: float, confidence: float = 0.95) -> Decision:
    """Judge a filler depth: within when depth + 1.645 u <= limit, over when depth - 1.645 u >= limit (95 %).

    Parameters
    ----------
    depth_mm, u_mm : float
        Depth and its standard uncertainty, mm.
    limit_mm : float
        Greatest depth, mm.
    confidence : float
        As in ``decide.decide``.
    """
    return decide(depth_mm, u_mm, upper=limit_mm, confidence=confidence, name="the filler depth")


def fill_totals(
    depth_mm: Array,
    *,
    step_mm: float,
    limit_mm: float,
    ignore_mm: float | Array = 0.0,
    sigma_mm: Array | None = None,
    confidence: float = 0.95,
) -> FillTotals:
    """Add up a depth map.

    Parameters
    ----------
    depth_mm : ndarray (H, W), float
        Filler depth, mm, 0 or more; NaN where not measured.
    step_mm : float
        Cell side, mm.
    limit_mm : float
        Greatest depth, mm.
    ignore_mm : float or ndarray (H, W)
        Depths up to this count neither in area nor in volume: nobody fills them. The greatest depth ignores
        nothing.
    sigma_mm : ndarray (H, W), optional
        Standard uncertainty of the heights, mm; 0 without it.
    confidence : float
        As in ``decide.decide``.
    """
    depth = np.asarray(depth_mm, dtype=np.float64)
    known = np.isfinite(depth)
    if not known.any():
        nothing = decide_fill(math.nan, 0.0, limit_mm=limit_mm, confidence=confidence)
        return FillTotals(math.nan, -1, -1, math.nan, math.nan, math.nan, nothing)
    counted = np.where(known, depth, 0.0)
    row, column = divmod(int(counted.argmax()), depth.shape[1])
    greatest = float(counted[row, column])
    cell = step_mm * step_mm
    area = float((counted > ignore_mm).sum()) * cell / 100
    volume = float(counted[counted > ignore_mm].sum()) * cell / 1000
    over = float((counted > limit_mm).sum()) * cell / 100
    u = 0.0 if sigma_mm is None or greatest == 0 else float(np.asarray(sigma_mm)[row, column])
    u = u if math.isfinite(u) else math.inf  # a depth of unknown uncertainty is too close to call
    decision = decide_fill(greatest, u, limit_mm=limit_mm, confidence=confidence)
    if greatest == 0:
        row = column = -1
    return FillTotals(greatest, row, column, area, volume, over, decision)


def fill_lows(
    depth_mm: Array,
    labels: Array,
    *,
    step_mm: float,
    u95_mm: Sequence[float],
    limit_mm: float,
    confidence: float = 0.95,
) -> tuple[LowFill, ...]:
    """Filler in each low.

    Parameters
    ----------
    depth_mm : ndarray (H, W), float
        Filler depth, mm; NaN where not measured.
    labels : ndarray (H, W), int
        Which low a cell belongs to, 1 to n; 0 is none.
    step_mm : float
        Cell side, mm.
    u95_mm : sequence of float, length n
        Half the 95 % interval of each low's depth, mm, in the order of the labels.
    limit_mm, confidence : float
        As in `decide_fill`.

    Returns
    -------
    tuple of LowFill
        One per label, in order; a label without a measured cell has NaN and "not_measured".

    Raises
    ------
    ValueError
        When a label has no `u95_mm`.
    """
    depth = np.asarray(depth_mm, dtype=np.float64)
    if labels.size and int(labels.max(initial=0)) > len(u95_mm):
        raise ValueError(f"u95_mm must have one entry per label; found {len(u95_mm)} for {int(labels.max())}")
    count = len(u95_mm)
    inside = (labels > 0) & np.isfinite(depth)
    which, value = labels[inside].astype(np.intp), depth[inside]
    greatest = np.full(count + 1, -np.inf)
    np.maximum.at(greatest, which, value)
    wet = np.bincount(which[value > 0], minlength=count + 1)
    total = np.bincount(which, weights=value, minlength=count + 1)
    words = {Verdict.READY: "under", Verdict.REWORK: "over"}
    rows = []
    for label, u95 in enumerate(u95_mm, start=1):
        seen = np.isfinite(greatest[label])
        deepest = float(greatest[label]) if seen else math.nan
        decision = decide_fill(deepest, u95 / COVERAGE_FACTOR, limit_mm=limit_mm, confidence=confidence)
        rows.append(
            LowFill(
                label,
                deepest,
                float(u95),
                float(wet[label]) * step_mm**2 / 100 if seen else math.nan,
                float(total[label]) * step_mm**2 / 1000 if seen else math.nan,
                words.get(decision.verdict, str(decision.verdict)),
                decision.sentence,
            )
        )
    return tuple(rows)


def plan_fill(
    height_mm: Array,
    *,
    step_mm: float,
    limits: Limits,
    stage: str,
    sigma_mm: Array | None = None,
) -> FillPlan:
    """Compare bringing the highs down first with burying them.

    Highs come down first, as the trade has it, unless burying them costs little: it stays within the depth
    limit, makes the greatest depth grow by no more than glazing putty may be deep, adds no more than 10 ml,
    the raise ends inside the judged region, and the surface that it leaves passes when it is judged again at primer's
    limits. It is offered at bare metal and filler only. These bounds are our own defaults, no source.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Deviation from the fair surface, mm, + is high; NaN where not measured.
    step_mm : float
        Cell side, mm.
    limits : Limits
        `high_mm` is what a high may keep, `low_mm` what nobody fills, `filler_depth_mm` the depth limit,
        `feather_mrad` the steepest slope, `putty_depth_mm` and `confidence` as in the text.
    stage : str
        Stage of work: burying is offered at bare metal and filler only.
    sigma_mm : ndarray (H, W), optional
        Standard uncertainty of the heights, mm.

    Returns
    -------
    FillPlan
    """
    height = np.asarray(height_mm, dtype=np.float64)
    raised, error = raised_surface(
        height, step_mm=step_mm, allowed_mm=limits.high_mm, feather_mrad=limits.feather_mrad
    )
    depths = fill_depth(height), fill_depth(height, raised)
    totals = partial(
        fill_totals,
        step_mm=step_mm,
        limit_mm=limits.filler_depth_mm,
        sigma_mm=sigma_mm,
        confidence=limits.confidence,
    )
    down = totals(depths[0], ignore_mm=limits.low_mm)
    # what is spread to bury a high counts to the last bit: none of it would be needed with the high down
    bury = totals(depths[1], ignore_mm=np.where(raised > 0, 0.0, limits.low_mm))
    unseen = float(((raised > 0) & ~np.isfinite(height)).sum()) * step_mm**2 / 100
    edge = any(bool((rim > 0).any()) for rim in (raised[:1], raised[-1:], raised[:, :1], raised[:, -1:]))
    over = np.where(np.isfinite(depths[1]), depths[1], 0.0) > limits.filler_depth_mm

    def left() -> SurfaceLeft:
        return judge_left(height, raised, step_mm=step_mm, limits=limits, sigma_mm=sigma_mm)

    better, message = compare_ways(down, bury, bool((raised > 0).any()), edge, limits, stage, left)
    return FillPlan(raised, *depths, down, bury, over, unseen, edge, better, message, error)
