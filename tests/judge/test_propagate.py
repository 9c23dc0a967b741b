"""Propagation against the examples of JCGM 100 and JCGM 101."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from surfscan.judge.propagate import (
    combine,
    coverage_factor,
    effective_dof,
    monte_carlo,
    propagate,
    sensitivities,
    shortest_interval,
    summarise,
    symmetric_interval,
)

TRIALS = 1_000_000
# standard error of a 97.5 % quantile of n normal draws: sqrt(p q / n) / density = 2.7 / sqrt(n) u; four of
# them
QUANTILE = 4 * 2.7 / math.sqrt(TRIALS)


def _total(*inputs: np.ndarray) -> np.ndarray:
    return np.sum(inputs, axis=0)


def _normal(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.standard_normal(n)


def _rectangular(u: float) -> Callable[[np.random.Generator, int], np.ndarray]:
    half = u * math.sqrt(3)
    return lambda rng, n: rng.uniform(-half, half, n)


def test_jcgm_101_922_four_normals() -> None:
    found = summarise(monte_carlo(_total, [_normal] * 4, rng=np.random.default_rng(1), trials=TRIALS))
    assert found.value == pytest.approx(0.0, abs=2.0 * 4 / math.sqrt(TRIALS))
    assert found.u == pytest.approx(2.0, abs=2.0 * 4 / math.sqrt(2 * TRIALS))
    assert (found.low, found.high) == pytest.approx((-3.92, 3.92), abs=2.0 * QUANTILE + 0.005)
    law = propagate(lambda x: float(x.sum()), np.zeros(4), np.ones(4))
    assert (law.u, law.high) == pytest.approx((2.0, 3.92), abs=1e-3)


def test_jcgm_101_923_four_rectangulars() -> None:
    draws = [_rectangular(1.0)] * 4
    found = summarise(monte_carlo(_total, draws, rng=np.random.default_rng(2), trials=TRIALS))
    assert found.u == pytest.approx(2.0, abs=2.0 * 4 / math.sqrt(2 * TRIALS))
    assert (found.low, found.high) == pytest.approx((-3.88, 3.88), abs=2.0 * QUANTILE + 0.005)
    # the law of propagation takes the sum for normal and still gives 3.92
    assert propagate(lambda x: float(x.sum()), np.zeros(4), np.ones(4)).high == pytest.approx(3.92, abs=1e-3)


def test_jcgm_101_924_one_dominant_rectangular() -> None:
    draws = [_rectangular(1.0)] * 3 + [_rectangular(10.0)]
    found = summarise(monte_carlo(_total, draws, rng=np.random.default_rng(3), trials=TRIALS))
    # u 10.146, 95 % +/-17.01 [from memory, recomputed]; the law of propagation gives 19.89
    assert found.u == pytest.approx(10.146, abs=10.0 * 4 / math.sqrt(2 * TRIALS))
    assert (found.low, found.high) == pytest.approx((-17.01, 17.01), abs=10.0 * QUANTILE)
    law = propagate(lambda x: float(x.sum()), np.zeros(4), np.array([1.0, 1.0, 1.0, 10.0]))
    assert (law.u, law.high) == pytest.approx((10.149, 19.89), abs=5e-3)


def test_logarithm_of_a_rectangular() -> None:
    # y = ln x, x rectangular 0.1 to 1.1 (report NPL DEM-ES-011, by way of an open uncertainty library's
    # tests)
    law = propagate(lambda x: math.log(x[0]), [0.6], [1 / math.sqrt(12)])
    assert law.value == pytest.approx(-0.511, abs=5e-4)
    c = 1 / 0.6
    assert c / math.sqrt(12) == pytest.approx(0.481, abs=5e-4)
    # the difference over a tenth of a standard uncertainty is off 1/x by (h/x)^2 / 3 = 2e-4
    assert law.u == pytest.approx(0.481, abs=5e-4 + 1e-4)
    drawn = monte_carlo(
        np.log, [lambda rng, n: rng.uniform(0.1, 1.1, n)], rng=np.random.default_rng(4), trials=TRIALS
    )
    found = summarise(drawn)
    assert found.value == pytest.approx(-0.665, abs=0.606 * 4 / math.sqrt(TRIALS) + 5e-4)
    assert found.u == pytest.approx(0.606, abs=0.606 * 4 / math.sqrt(TRIALS) + 5e-4)
    # both ends to the three digits given; at the upper end the density is 1, at the lower one 0.15
    low, high = shortest_interval(drawn)
    assert low == pytest.approx(-1.895, abs=0.005)
    assert high == pytest.approx(0.095, abs=0.002)
    wide = symmetric_interval(drawn)
    assert wide[1] - wide[0] > high - low


def test_gum_h1_end_gauge() -> None:
    # JCGM 100 H.1, table H.1: parts in nm and their degrees of freedom [table from memory], result u 32, nu
    # 16
    parts, dof = np.array([25.0, 9.7, 2.9, 16.6]), np.array([18.0, 25.6, 50.0, 2.0])
    u = combine(np.ones(4), parts)
    assert round(u) == 32
    nu = effective_dof(parts, dof)
    assert math.floor(nu) == 16
    # the guide's own expanded uncertainty: t99(16) = 2.92, U99 = 93 nm [from memory]
    assert coverage_factor(0.99, 16) == pytest.approx(2.92, abs=5e-3)
    assert round(coverage_factor(0.99, 16) * round(u)) == 93


def test_gum_h2_impedance() -> None:
    # JCGM 100 H.2: five readings of V (V), I (mA), phase (rad) [readings from memory]; results as published
    v = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    i = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    readings = np.stack([v, i, phase])
    covariance = np.cov(readings) / 5
    means = readings.mean(axis=1)
    models = {
        "R": (lambda x: x[0] / x[1] * math.cos(x[2]), 127.732, 0.071),
        "X": (lambda x: x[0] / x[1] * math.sin(x[2]), 219.847, 0.295),
        "Z": (lambda x: x[0] / x[1], 254.260, 0.236),
    }
    for model, value, u in models.values():
        found = propagate(model, means, covariance)
        assert found.value == pytest.approx(value, abs=5e-4)
        # one in the last digit printed: to more digits u(X) is 0.2956, which the guide gives as 0.295
        assert found.u == pytest.approx(u, abs=1e-3)


def test_monte_carlo_with_inputs_that_depend_on_each_other() -> None:
    covariance = np.array([[1.0, 0.9], [0.9, 1.0]])
    drawn = monte_carlo(
        lambda a, b: a - b,
        [lambda rng, n: rng.multivariate_normal([0, 0], covariance, n).T],
        rng=np.random.default_rng(6),
        trials=200_000,
    )
    exact = combine([1.0, -1.0], covariance)
    assert exact == pytest.approx(math.sqrt(0.2))
    assert summarise(drawn).u == pytest.approx(exact, rel=4 / math.sqrt(2 * 200_000))


def test_coverage_factors() -> None:
    assert coverage_factor() == pytest.approx(1.959964, abs=1e-6)
    # Student's t, JCGM 100 table G.2
    assert coverage_factor(0.95, 10) == pytest.approx(2.23, abs=5e-3)
    assert coverage_factor(0.95, 1) == pytest.approx(12.71, abs=5e-3)


def test_sensitivities_of_a_map_and_of_an_exact_input() -> None:
    value, slopes = sensitivities(
        lambda x: np.array([x[0] * x[1], x[0] + x[2]]), [2.0, 3.0, 1.0], [0.1, 0.2, 0.0]
    )
    np.testing.assert_allclose(value, [6.0, 3.0])
    np.testing.assert_allclose(slopes, [[3.0, 1.0], [2.0, 0.0], [0.0, 0.0]], atol=1e-12)


def test_nothing_left() -> None:
    nothing = np.array([math.nan])
    assert all(math.isnan(v) for v in (*symmetric_interval(nothing), *shortest_interval(nothing)))
    assert math.isnan(summarise(nothing).u)
    assert effective_dof([0.0], [3.0]) == math.inf
    assert effective_dof([1.0, 2.0], [math.inf, math.inf]) == math.inf
    assert combine([1.0, 1.0], [[1.0, -1.0], [-1.0, 1.0]]) == 0.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: combine([1.0], [1.0, 2.0]), "shapes do not match"),
        (lambda: combine([1.0, 1.0], [[1.0, -2.0], [-2.0, 1.0]]), "variance below 0"),
        (lambda: coverage_factor(1.0), "probability must be"),
        (lambda: effective_dof([1.0], [0.0]), "above 0"),
        (lambda: propagate(lambda x: x, [1.0, 2.0], [1.0, 1.0]), "one number"),
    ],
)
def test_refusals(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
