"""Burying a high: tried by judging the surface that it would leave, not argued."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.judge.bury import judge_left, next_limits
from surfscan.judge.limits import default_limits, with_given
from surfscan.judge.raised import raised_surface

STEP = 4.0
LIMITS = default_limits("filler")


def _bump(tall: float, wide: float) -> np.ndarray:
    y, x = np.mgrid[-50:51, -70:71] * STEP
    return tall * np.exp(-(x**2 + y**2) / (2 * wide**2))


def _buried(height: np.ndarray) -> np.ndarray:
    return raised_surface(height, step_mm=STEP, allowed_mm=LIMITS.high_mm, feather_mrad=LIMITS.feather_mrad)[
        0
    ]


@pytest.mark.parametrize(("tall", "wide"), [(0.449, 15.0), (0.25, 10.0), (0.3, 40.0)])
def test_a_high_buried_at_the_filler_stages_slope_stays_a_high(tall: float, wide: float) -> None:
    height = _bump(tall, wide)
    left = judge_left(height, _buried(height), step_mm=STEP, limits=LIMITS)
    assert not left.passes
    # what stands up still stands up: filler brings nothing down
    assert left.peak_mm > 0.5 * tall


def test_a_raise_over_the_whole_panel_fails_too() -> None:
    height = _bump(1.5, 30.0)  # 1.4 mm at 4 mrad: the cone ends 350 mm away, past the panel's edges
    left = judge_left(height, _buried(height), step_mm=STEP, limits=LIMITS)
    assert not left.passes
    assert left.peak_mm > default_limits("primer").high_mm


def test_without_a_high_there_is_nothing_against_it() -> None:
    height = _bump(0.02, 60.0)
    left = judge_left(height, np.zeros_like(height), step_mm=STEP, limits=LIMITS)
    assert left.passes
    assert left.peak_mm == 0.0


def test_a_raise_that_fits_the_fair_form_passes_and_one_too_steep_does_not() -> None:
    # 0.11 mm of crown over the whole panel is form, not a high; a ripple on it of 2 mrad is over primer's 1.2
    _, x = np.mgrid[-50:51, -70:71] * STEP
    crown = 0.11 * (1 - (x / 280) ** 2)
    assert judge_left(crown, np.zeros_like(crown), step_mm=STEP, limits=LIMITS).passes
    ripple = crown + 0.02 * np.sin(2 * np.pi * x / 60)
    left = judge_left(ripple, np.zeros_like(crown) - 1, step_mm=STEP, limits=LIMITS)
    assert left.slope_mrad == pytest.approx(2.1, rel=0.15)
    assert not left.passes


def test_uncertainty_counts_against_it_and_gaps_stay_gaps() -> None:
    height = _bump(0.035, 20.0)
    flat = np.zeros_like(height)
    assert judge_left(height, flat, step_mm=STEP, limits=LIMITS).peak_mm == 0.0
    unsure = judge_left(height, flat, step_mm=STEP, limits=LIMITS, sigma_mm=np.full_like(height, 0.02))
    assert unsure.peak_mm > 0
    height[:, :10] = np.nan
    assert np.isnan(judge_left(height, flat, step_mm=STEP, limits=LIMITS).height_mm[:, :10]).all()
    assert not judge_left(np.full((40, 40), np.nan), np.zeros((40, 40)), step_mm=STEP, limits=LIMITS).passes


def test_a_tighter_sheet_stays_tighter() -> None:
    assert next_limits(LIMITS).high_mm == default_limits("primer").high_mm
    assert next_limits(with_given(LIMITS, {"high_mm": 0.01})).high_mm == 0.01
