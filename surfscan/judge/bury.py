"""The surface that burying the highs would leave, judged again by this program's own measure.

A raise round a high is itself a wide high. Whether it passes is not argued but tried: the surface left is given its
own fair form, its spots are looked for, and its waves are held against the slope limit, all at the next stage's limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.constants import GUARD_FACTOR_95
from surfscan.core.records import Array
from surfscan.judge.find_spots import find_spots
from surfscan.judge.limits import METAL_STAGES, Limits, default_limits
from surfscan.surface.areal import band_slope
from surfscan.surface.form import fit_fair_form

__all__ = ["BURY_STAGES", "SurfaceLeft", "judge_left", "next_limits"]

BURY_STAGES = METAL_STAGES
"""Stages at which burying a high may be offered at all: later there is no filler to bury it in."""

_LEAST_CELLS = 30
_GROW_MM = 10.0  # with the floor below, as a map from elsewhere is judged


@dataclass(frozen=True, slots=True)
class SurfaceLeft:
    """What burying would leave.

    Attributes
    ----------
    height_mm : ndarray (H, W), float64
        About its own fair form; NaN where not measured.
    peak_mm : float
        The greatest deviation of a spot over the next stage's limit, signed; 0 when there is none.
    slope_mrad, slope_limit_mrad : float
        Its steepest slope of waves in the band, and the next stage's limit.
    passes : bool
    """

    height_mm: Array
    peak_mm: float
    slope_mrad: float
    slope_limit_mrad: float
    passes: bool


def next_limits(limits: Limits) -> Limits:
    """Limits of primer, the stage after filler; what the sheet has tighter stays so."""
    after = default_limits("primer")
    return Limits(
        low_mm=min(after.low_mm, limits.low_mm),
        high_mm=min(after.high_mm, limits.high_mm),
        filler_depth_mm=limits.filler_depth_mm,
        putty_depth_mm=limits.putty_depth_mm,
        slope_mrad=min(after.slope_mrad, limits.slope_mrad),
        texture_mrad=min(after.texture_mrad, limits.texture_mrad),
        band_mm=limits.band_mm,
        feather_mrad=limits.feather_mrad,
        confidence=limits.confidence,
        basis=after.basis,
    )


def judge_left(
    height_mm: Array, raised_mm: Array, *, step_mm: float, limits: Limits, sigma_mm: Array | None = None
) -> SurfaceLeft:
    """Judge the surface that filling up to `raised_mm` would leave.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Deviation from the fair form, mm, + is high; NaN where not measured.
    raised_mm : ndarray (H, W), float
        The surface to fill up to.
    step_mm : float
        Cell side, mm.
    limits : Limits
        Of the stage now.
    sigma_mm : ndarray (H, W), optional
        Standard uncertainty of the heights, mm; 0 without it.

    Returns
    -------
    SurfaceLeft
        Passes only where no spot may be over a limit (one standard guard band of 95 %), nor the slope.
    """
    after = next_limits(limits)
    left = np.where(np.isfinite(height_mm), np.maximum(height_mm, raised_mm), np.nan)
    if np.isfinite(left).sum() < _LEAST_CELLS:
        return SurfaceLeft(left, 0.0, float("nan"), after.slope_mrad, False)
    sigma = np.zeros_like(left) if sigma_mm is None else np.nan_to_num(np.asarray(sigma_mm, float))
    x, y = ((np.arange(n) - (n - 1) / 2) * step_mm for n in (left.shape[1], left.shape[0]))
    floor = max(3 * float(np.median(sigma)), 0.25 * min(after.low_mm, after.high_mm))
    left = (
        left
        - fit_fair_form(
            left, x_mm=x, y_mm=y, floor_mm=floor, grow_px=max(2, round(_GROW_MM / step_mm))
        ).form_mm
    )
    peak = 0.0
    for sign, limit in ((-1, after.low_mm), (1, after.high_mm)):
        least = np.maximum(limit - GUARD_FACTOR_95.value * sigma, 0.7 * limit)
        spots = find_spots(left, sign=sign, least_mm=least, limit_mm=limit)
        if spots.any():
            here = float(np.nanmax(np.where(spots > 0, sign * left, np.nan)))
            peak = sign * here if here > abs(peak) else peak
    slope = band_slope(left, step_mm=step_mm, short_mm=after.band_mm[0], long_mm=after.band_mm[1]).peak_mrad
    steep = not slope <= after.slope_mrad  # NaN is not known to be within
    return SurfaceLeft(left, peak, slope, after.slope_mrad, peak == 0.0 and not steep)
