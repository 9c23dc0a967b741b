"""Slopes from two photos by Newton's method, polynomials, and the continuation of what was not seen."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import polynomial
from tolerances import rounding

from surfscan.core.records import Board
from surfscan.optics.mirror import hit_board
from surfscan.surface.slopes import (
    continue_smoothly,
    evaluate_polynomial,
    fit_polynomial,
    newton_step,
    polynomial_terms,
)

BOARD = Board(
    np.array([0.0, 570.0, 800.0]),
    np.array([1.0, 0.0, 0.0]),
    np.array([0.0, -0.8144, 0.5803]),
    (2e3, 2e3),
    30.0,
)
CAMERAS = (np.array([30.0, -700.0, 900.0]), np.array([-40.0, -650.0, 950.0]))


def test_newton_finds_the_slopes_that_two_photos_show() -> None:
    x, y = np.meshgrid(np.linspace(-200, 200, 9), np.linspace(-150, 150, 7))
    p, q = 0.03 * np.sin(x / 60), 0.02 * np.cos(y / 50)
    true = [hit_board(x, y, 0 * x, p, q, camera_mm=c, board=BOARD) for c in CAMERAS]
    gp, gq = np.zeros_like(x), np.zeros_like(x)
    misses = []
    for _ in range(5):
        hits = [hit_board(x, y, 0 * x, gp, gq, camera_mm=c, board=BOARD) for c in CAMERAS]
        dp, dq = newton_step((hits[0], true[0].across_mm, "across"), (hits[1], true[1].up_mm, "up"))
        gp, gq = gp + dp, gq + dq
        misses.append(np.abs(np.stack([gp - p, gq - q])).max())
    assert misses[-1] < rounding(1.0, operations=100)
    assert misses[1] < 0.2 * misses[0] ** 1.5 + 1e-12  # faster than linear: the derivatives are right


def test_a_cell_that_one_photo_does_not_show_gets_no_slope() -> None:
    x = np.zeros((1, 2))
    hits = [hit_board(x, x, x, x, x, camera_mm=c, board=BOARD) for c in CAMERAS]
    seen = hits[0].across_mm.copy()
    seen[0, 1] = np.nan
    dp, dq = newton_step((hits[0], seen, "across"), (hits[1], hits[1].up_mm, "up"))
    assert np.isfinite(dp[0, 0])
    assert np.isnan([dp[0, 1], dq[0, 1]]).all()


@pytest.mark.parametrize("order", [0, 1, 2, 5])
def test_polynomials_are_those_of_numpy(order: int) -> None:
    """numpy.polynomial.polynomial.polygrid2d, an independent evaluation of the same monomials."""
    rng = np.random.default_rng(order)
    x, y = np.linspace(-1, 1, 7), np.linspace(-0.7, 0.7, 5)
    table, flat = np.zeros((order + 1, order + 1)), []
    for n in range(order + 1):
        for j in range(n + 1):
            table[n - j, j] = rng.normal()
            flat.append(table[n - j, j])
    want = polynomial.polygrid2d(x, y, table).T
    assert evaluate_polynomial(np.array(flat), x, y, order) == pytest.approx(want, abs=1e-13)
    assert polynomial_terms(*np.meshgrid(x, y), order) @ flat == pytest.approx(want, abs=1e-13)


def test_a_robust_fit_is_not_led_by_a_spot() -> None:
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, 60), np.linspace(-0.7, 0.7, 40)))
    plain = 0.3 * x - 0.1 * y + 0.2 * x * x
    value = plain + np.random.default_rng(1).normal(0, 1e-3, x.size)
    spot = np.hypot(x - 0.3, y) < 0.2
    value[spot] -= 0.5  # five hundred times the noise, on a tenth of the panel's cells
    miss = polynomial_terms(x, y, 2) @ fit_polynomial(x, y, value, 2) - plain
    plainly = np.linalg.lstsq(polynomial_terms(x, y, 2), value, rcond=None)[0]
    assert np.abs(miss).max() < 0.02 * np.abs(polynomial_terms(x, y, 2) @ plainly - plain).max()


def test_continuation_keeps_what_was_seen_and_follows_the_trend() -> None:
    x, y = np.linspace(-1, 1, 120), np.linspace(-0.7, 0.7, 80)
    gx, gy = np.meshgrid(x, y)
    value = 0.2 * gx * gx - 0.1 * gy + 0.3
    valid = np.hypot(gx - 0.9, gy) > 0.4
    value_seen = np.where(valid, value, np.nan)
    out = continue_smoothly(value_seen, valid, x, y, reach_px=8.0)
    assert np.array_equal(out[valid], value[valid])
    # The trend is of second order, as the value is; what is carried on is single precision.
    assert np.abs(out - value).max() < 1e-5
    few = np.zeros(valid.shape, bool)
    few[3, 4] = True
    assert np.isfinite(continue_smoothly(value, few, x, y, reach_px=8.0)).all()
    assert np.isfinite(continue_smoothly(value, ~(valid | True), x, y, reach_px=8.0)).all()
