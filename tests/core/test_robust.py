"""Robust spread against the normal distribution, and means over masks against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from surfscan.core.robust import MAD_TO_SIGMA, masked_mean, robust_spread


def test_the_factor_is_that_of_the_normal_distribution() -> None:
    assert pytest.approx(1 / norm.ppf(0.75), rel=2e-5) == MAD_TO_SIGMA


def test_a_third_of_gross_errors_does_not_carry_the_spread_away() -> None:
    clean = norm.ppf((np.arange(2001) + 0.5) / 2001)
    assert robust_spread(clean) == pytest.approx(1.0, rel=1e-3)
    assert robust_spread(clean, 3) == pytest.approx(3.0, rel=1e-3)
    spoiled = np.concatenate([clean, np.full(600, 1e6)])
    assert robust_spread(spoiled) < 1.6


def test_a_masked_mean_looks_at_valid_cells_alone() -> None:
    valid = np.zeros((30, 40), bool)
    valid[5:25, 10:30] = True
    value = np.where(valid, 7.0, np.nan)
    mean, share = masked_mean(value, valid, 2.0)
    near = share > 1e-2
    assert np.allclose(mean[near], 7.0, rtol=1e-5)
    assert mean[0, 0] == 0.0
    assert share.min() >= 0
    assert share.max() == pytest.approx(1.0, abs=1e-5)
