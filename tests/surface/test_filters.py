"""Gaussian filters against the transmission of ISO 16610-21 and -61, and surfaces a regression must keep."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.constants import GAUSSIAN_ALPHA
from surfscan.surface import filters
from surfscan.surface.filters import band_pass, low_pass

# the kernel is cut at one cut-off, where it is 7e-7 of its peak; the rest is sampling, far smaller
CUT = 5e-6

# 2 ** -(lc / lam) ** 2 [computed]; 50 % at the cut-off is the standard's definition
SHARES = {1 / 3: 0.001953, 1 / 2: 0.0625, 1.0: 0.5, 2.0: 0.840896, 3.0: 0.925875, 5.0: 0.972655}


def _amplitude(x: np.ndarray, z: np.ndarray, wavelength: float) -> float:
    design = np.column_stack([np.sin(2 * np.pi * x / wavelength), np.cos(2 * np.pi * x / wavelength)])
    return float(np.hypot(*np.linalg.lstsq(design, z, rcond=None)[0]))


def test_alpha_is_the_standards_constant() -> None:
    assert GAUSSIAN_ALPHA.value == pytest.approx(np.sqrt(np.log(2) / np.pi), rel=1e-15)


@pytest.mark.parametrize(("ratio", "share"), SHARES.items())
@pytest.mark.parametrize("order", [0, 1])
def test_profile_passes_what_the_standard_says(ratio: float, share: float, order: int) -> None:
    cutoff, x = 60.0, np.arange(-800, 801) * 1.0
    wavelength = ratio * cutoff
    z = 0.3 * np.sin(2 * np.pi * x / wavelength + 0.4)
    smooth = low_pass(z[np.newaxis], step_mm=1.0, cutoff_mm=cutoff, order=order)[0]
    inner = np.abs(x) <= 800 - cutoff
    passed = _amplitude(x[inner], smooth[inner], wavelength)
    assert passed == pytest.approx(0.3 * share, abs=0.3 * (CUT + 5e-7))


@pytest.mark.parametrize(("ratio", "share"), SHARES.items())
def test_areal_passes_the_product_of_two_profiles(ratio: float, share: float) -> None:
    cutoff, n = 30.0, 80
    x = np.arange(-n, n + 1) * 1.0
    wave = np.cos(2 * np.pi * x / (ratio * cutoff))
    smooth = low_pass(np.outer(wave, wave), step_mm=1.0, cutoff_mm=cutoff)
    assert smooth[n, n] == pytest.approx(share**2, abs=2 * CUT)
    along = low_pass(np.outer(np.ones_like(x), wave), step_mm=1.0, cutoff_mm=cutoff)
    assert along[n, n] == pytest.approx(share, abs=CUT)


def test_band_is_the_difference_of_two_transmissions() -> None:
    x = np.arange(-400, 401) * 1.0
    z = np.cos(2 * np.pi * x / 60.0)[np.newaxis, :] + np.zeros((5, 1))
    band = band_pass(z, step_mm=1.0, short_mm=20.0, long_mm=120.0)
    want = 2.0 ** -((20 / 60) ** 2) - 2.0 ** -((120 / 60) ** 2)
    assert band[2, 400] == pytest.approx(want, abs=2 * CUT)


def _holed(surface: np.ndarray) -> np.ndarray:
    z = surface.copy()
    z[10:18, 20:31] = np.nan
    z[0, :7] = np.nan
    z[:, -1] = np.nan
    z[40:, :9] = np.nan
    return z


@pytest.mark.parametrize("robust", [False, True])
def test_first_order_keeps_a_plane_up_to_edges_and_holes(robust: bool) -> None:
    y, x = np.mgrid[:50, :70] * 2.0
    plane = _holed(3.0 + 0.04 * x - 0.07 * y)
    smooth = low_pass(plane, step_mm=2.0, cutoff_mm=40.0, order=1, robust=robust)
    # rounding, and the ridge of 1e-11 against neighbourhood variances of 1e-2
    np.testing.assert_allclose(smooth, plane, atol=1e-8)


def test_second_order_keeps_a_paraboloid_up_to_edges_and_holes() -> None:
    y, x = np.mgrid[:50, :70] * 2.0
    dish = _holed(1.0 + 0.01 * x - 0.02 * y + 1e-3 * x * x - 2e-3 * x * y + 5e-4 * y * y)
    smooth = low_pass(dish, step_mm=2.0, cutoff_mm=40.0, order=2)
    # as above, with fourth moments of 1e-3 in the normal matrix
    np.testing.assert_allclose(smooth, dish, atol=1e-6)


def test_zero_order_keeps_a_constant_and_is_the_weighted_mean_at_an_edge() -> None:
    z = np.full((20, 30), 2.5)
    np.testing.assert_allclose(low_pass(z, step_mm=1.0, cutoff_mm=8.0, order=0), z, atol=1e-12)
    step = np.zeros(201)
    step[0] = 1.0
    weights = np.exp(-np.pi * (np.arange(201) / (GAUSSIAN_ALPHA.value * 20.0)) ** 2)
    smooth = low_pass(step[np.newaxis], step_mm=1.0, cutoff_mm=20.0, order=0)[0]
    assert smooth[0] == pytest.approx(weights[0] / weights[:21].sum(), rel=1e-9)


def test_orders_zero_and_one_agree_away_from_edges() -> None:
    z = np.random.default_rng(1).standard_normal((90, 100))
    zero = low_pass(z, step_mm=1.0, cutoff_mm=20.0, order=0)
    one = low_pass(z, step_mm=1.0, cutoff_mm=20.0, order=1)
    np.testing.assert_allclose(one[20:-20, 20:-20], zero[20:-20, 20:-20], atol=1e-9)


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize("robust", [False, True])
def test_long_kernels_by_spectrum_are_the_same_sums(
    order: int, robust: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    z = _holed(np.random.default_rng(3).standard_normal((50, 70)))
    options = {"step_mm": 1.0, "cutoff_mm": 24.0, "order": order, "robust": robust}
    direct = low_pass(z, **options)
    monkeypatch.setattr(filters, "_LONG", 0)
    # rounding of the transforms; order 2 solves a normal matrix conditioned to about 1e4
    np.testing.assert_allclose(low_pass(z, **options), direct, atol=1e-10)


def test_robust_follows_the_form_past_a_spot() -> None:
    y, x = np.mgrid[:80, :100] * 2.0
    form = 1e-3 * x + 2e-5 * (y - 80) ** 2
    spot = form - 0.5 * np.exp(-((x - 100) ** 2 + (y - 80) ** 2) / (2 * 8.0**2))
    plain = low_pass(spot, step_mm=2.0, cutoff_mm=80.0, order=2)
    robust = low_pass(spot, step_mm=2.0, cutoff_mm=80.0, order=2, robust=True)
    # the spot pulls the plain filter by a good part of its depth; weighed down it must pull ten times less
    pulled = np.abs(plain - form).max()
    assert pulled > 0.1
    assert np.abs(robust - form).max() < pulled / 10


def test_robust_takes_outliers_for_holes() -> None:
    # Tukey's limit is 3 standard deviations: 3 / 0.6745 medians of the absolute residual (4.4478)
    assert pytest.approx(3 / 0.674490, rel=1e-4) == filters._TUKEY
    rng = np.random.default_rng(7)
    noise = rng.normal(0, 0.01, (70, 80))
    out = rng.random(noise.shape) < 0.05
    holed, struck = np.where(out, np.nan, noise), np.where(out, 0.1, noise)  # ten standard deviations
    options = {"step_mm": 1.0, "cutoff_mm": 20.0, "order": 1}
    clean = low_pass(holed, robust=True, **options)
    robust = low_pass(struck, robust=True, **options)
    plain = low_pass(struck, **options)
    # all that is left is the scale, which 5 % of outliers raise by some per cent: a twentieth of the noise,
    # where the outliers' mean, 0.005, would have come through
    assert np.sqrt(np.nanmean((plain - clean) ** 2)) > 0.004
    assert np.sqrt(np.nanmean((robust - clean) ** 2)) < 0.0005


def test_input_is_left_alone_and_holes_stay_holes() -> None:
    z = _holed(np.random.default_rng(2).standard_normal((50, 70)))
    before = z.copy()
    smooth = low_pass(z, step_mm=2.0, cutoff_mm=20.0)
    np.testing.assert_array_equal(z, before)
    np.testing.assert_array_equal(np.isnan(smooth), np.isnan(z))


@pytest.mark.parametrize("order", [0, 1, 2])
@pytest.mark.parametrize("robust", [False, True])
@pytest.mark.parametrize("shape", [(6, 8), (1, 8), (8, 1), (1, 1), (0, 0)])
def test_next_to_nothing_measured(order: int, robust: bool, shape: tuple[int, int]) -> None:
    nothing = np.full(shape, np.nan)
    options = {"step_mm": 1.0, "cutoff_mm": 4.0, "order": order, "robust": robust}
    if nothing.size:
        assert np.isnan(low_pass(nothing, **options)).all()
        one = nothing.copy()
        one[-1, -1] = 0.7
        np.testing.assert_allclose(low_pass(one, **options), one, atol=1e-9)
        np.testing.assert_allclose(low_pass(np.full(shape, 0.7), **options), 0.7, atol=1e-6)
    else:
        assert low_pass(nothing, **options).shape == shape


@pytest.mark.parametrize(
    ("options", "words"),
    [({"cutoff_mm": 3.0}, "two cells"), ({"cutoff_mm": 20.0, "order": 3}, "order must be")],
)
def test_refusals(options: dict, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        low_pass(np.zeros((4, 4)), step_mm=2.0, **options)


def test_band_the_wrong_way_round() -> None:
    with pytest.raises(ValueError, match="short_mm must be below"):
        band_pass(np.zeros((4, 4)), step_mm=2.0, short_mm=50.0, long_mm=20.0)
