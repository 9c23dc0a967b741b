"""Slopes to height: exact where it must be, noise as published, islands apart."""

from __future__ import annotations

import numpy as np
import pytest
from tolerances import rounding

from surfscan.core.poisson import label_islands
from surfscan.surface.integrate import integrate_slopes


def quadratic(h: int = 40, w: int = 60, step: float = 2.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, y = np.meshgrid(step * np.arange(w), step * np.arange(h))
    z = 1e-3 * x * x - 2e-3 * x * y + 5e-4 * y * y + 0.3 * x - 0.2 * y
    return z, 2e-3 * x - 2e-3 * y + 0.3, -2e-3 * x + 1e-3 * y - 0.2


def test_exact_on_a_quadratic() -> None:
    """Southwell 1980: the mean of two node slopes is the chord's slope, so quadratics come back exactly."""
    z, p, q = quadratic()
    height, closure = integrate_slopes(p, q, step_mm=2.0, tolerance=1e-14)
    assert np.abs(height - (z - z.mean())).max() < rounding(np.ptp(z), operations=z.size)
    assert closure < 1e-12


def test_exact_on_a_mask_and_with_weights() -> None:
    z, p, q = quadratic()
    p[10:20, 15:40] = np.nan
    weight = np.random.default_rng(1).uniform(0.2, 1, z.shape)
    height, _ = integrate_slopes(p, q, step_mm=2.0, weight=weight, tolerance=1e-13)
    miss = height - z
    assert np.nanstd(miss) < 1e-9 * np.ptp(z)  # the solver's tolerance times a condition of about 1e4
    assert np.isnan(height[10:20, 15:40]).all()


@pytest.mark.parametrize(("n", "eta"), [(4, 0.3157), (8, 0.4547), (16, 0.5804), (32, 0.6987)])
def test_noise_coefficient(n: int, eta: float) -> None:
    """Mean var(z) = eta h^2 sigma^2 on a square of n x n samples (table computed from Southwell's eigenvalues)."""
    rng = np.random.default_rng(n)
    trials = max(40, 12000 // n**2)
    power = [
        np.mean(integrate_slopes(*rng.normal(size=(2, n, n)), step_mm=1.0, tolerance=1e-10)[0] ** 2)
        for _ in range(trials)
    ]
    # A few low modes carry the sum: the mean of the trials is known to its own standard error.
    assert np.mean(power) == pytest.approx(eta, abs=5 * np.std(power) / np.sqrt(trials))


def test_each_island_has_its_own_mean() -> None:
    z, p, q = quadratic()
    p[:, 25:28] = np.nan
    height, _ = integrate_slopes(p, q, step_mm=2.0, tolerance=1e-13)
    count, labels = label_islands(np.isfinite(height))
    assert count == 2
    for part in (1, 2):
        cells = labels == part
        assert height[cells].mean() == pytest.approx(0.0, abs=1e-9)
        assert np.std((height - z)[cells]) < 1e-8
    assert (labels == 1).sum() > (labels == 2).sum()


def test_nothing_valid_gives_nothing() -> None:
    nothing = np.full((5, 6), np.nan)
    height, closure = integrate_slopes(nothing, nothing, step_mm=1.0)
    assert np.isnan(height).all()
    assert np.isnan(closure)


def test_a_rise_to_the_right_is_higher_on_the_right() -> None:
    height, _ = integrate_slopes(np.full((6, 8), 0.01), np.zeros((6, 8)), step_mm=1.0)
    assert height[3, 7] - height[3, 0] == pytest.approx(0.07)


def _step(slope: np.ndarray, k: int) -> float:
    """Integral between samples k and k + 1 of the cubic through four (numpy.polynomial); of the chord at the ends."""
    if not 1 <= k <= slope.size - 3:
        return 0.5 * float(slope[k] + slope[k + 1])
    cubic = np.polynomial.Polynomial.fit(np.arange(-1.0, 3.0), slope[k - 1 : k + 3], 3).integ()
    return float(cubic(1.0) - cubic(0.0))


def test_weights_say_whom_to_believe() -> None:
    """Against dense weighted least squares of the same steps (numpy.linalg.lstsq), and a spoilt strip ignored."""
    rng = np.random.default_rng(6)
    h, w, step = 9, 12, 1.5
    p, q = rng.normal(size=(2, h, w))
    wp, wq = rng.uniform(0.05, 1, (2, h, w))
    wp[0, 0] = wq[0, 0] = 1.0  # weights are relative to the greatest
    rows, right = [], []
    for i in range(h):
        for j in range(w):
            for di, dj, slope, weight in ((0, 1, p, wp), (1, 0, q, wq)):
                if i + di < h and j + dj < w:
                    root = np.sqrt(min(weight[i, j], weight[i + di, j + dj]))
                    row = np.zeros((h, w))
                    row[i + di, j + dj], row[i, j] = root, -root
                    rows.append(row.ravel())
                    right.append(root * step * (_step(slope[i], j) if dj else _step(slope[:, j], i)))
    want = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0].reshape(h, w)
    got, _ = integrate_slopes(p, q, step_mm=step, weight=(wp, wq), tolerance=1e-13)
    assert np.abs(got - (want - want.mean())).max() < 1e-9
    z, p, q = quadratic()
    p[:, 20] += 0.5
    q[:, 20] += 0.5
    weight = np.where(np.arange(z.shape[1]) == 20, 1e-3, 1.0) * np.ones(z.shape)
    believed = np.abs(integrate_slopes(p, q, step_mm=2.0, tolerance=1e-12)[0] - (z - z.mean())).max()
    doubted = integrate_slopes(p, q, step_mm=2.0, weight=weight, tolerance=1e-12)[0] - (z - z.mean())
    # The column is the only tie between left and right, so a constant goes with it; beside it nothing bends.
    beside = np.delete(doubted - doubted.mean(0), 20, axis=1)
    assert np.abs(beside).max() < 0.01 * believed


def test_closure_is_what_the_two_slopes_disagree_by() -> None:
    """p = c y, q = 0 has curl c and no potential; p = c y, q = c x has one: z = c x y."""
    y, x = np.mgrid[:30, :40].astype(float)
    _, none = integrate_slopes(1e-3 * y, 1e-3 * x, step_mm=1.0, tolerance=1e-13)
    _, some = integrate_slopes(1e-3 * y, 0 * x, step_mm=1.0, tolerance=1e-10)
    assert none < 1e-12
    assert some > 1e-3


def test_one_cell_one_row_one_column() -> None:
    z, p, q = quadratic()
    for keep in (np.s_[20:21, 30:31], np.s_[20:21, :], np.s_[:, 30:31]):
        mask = np.zeros(z.shape, bool)
        mask[keep] = True
        height, _ = integrate_slopes(
            np.where(mask, p, np.nan), np.where(mask, q, np.nan), step_mm=2.0, tolerance=1e-13
        )
        assert np.array_equal(np.isfinite(height), mask)
        assert height[mask] == pytest.approx(z[mask] - z[mask].mean(), abs=1e-8)


def test_inputs_are_not_changed() -> None:
    _, p, q = quadratic()
    p[3, 4] = np.nan
    before = p.copy(), q.copy()
    integrate_slopes(p, q, step_mm=2.0)
    assert np.array_equal(p, before[0], equal_nan=True)
    assert np.array_equal(q, before[1])


def test_exact_on_a_fourth_order_but_for_the_outermost_steps() -> None:
    """The integral of the cubic through four slopes; the rim's steps, which lack one of the four, stay chords."""
    x, y = np.meshgrid(0.1 * np.arange(20.0), 0.1 * np.arange(16.0))
    z = x**4 - 2 * x**3 * y + x * y**3
    height, _ = integrate_slopes(
        4 * x**3 - 6 * x**2 * y + y**3,
        -2 * x**3 + 3 * x * y**2,
        step_mm=0.1,
        tolerance=1e-14,
        max_rounds=2000,
    )
    steps, true = np.diff(height, axis=1)[1:-1, 1:-1], np.diff(z, axis=1)[1:-1, 1:-1]
    chord = 0.1**3 / 12 * (24 * x - 12 * y)  # what the trapezoid leaves: h^3 f'' / 12
    assert np.abs(steps - true).max() < 0.2 * np.abs(chord).max()


def test_a_narrow_spot_keeps_its_depth() -> None:
    """A Gaussian of two cells' standard deviation, 8 cells from foot to foot; by chords it loses 2 %."""
    x, y = np.meshgrid(np.arange(-20.0, 21), np.arange(-20.0, 21))
    z = np.exp(-(x**2 + y**2) / 8)
    height, _ = integrate_slopes(-x / 4 * z, -y / 4 * z, step_mm=1.0, tolerance=1e-12, max_rounds=2000)
    # What the cubic leaves is of the fourth order: 0.0045 here.
    assert height[20, 20] - height[0, 0] == pytest.approx(1.0, abs=0.006)
