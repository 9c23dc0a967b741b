"""Forms of one order, chosen by prediction: for heights without a scale, and between two maps."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.surface.ladder import fit_ladder

X, Y = np.arange(-300.0, 301, 3), np.arange(-200.0, 201, 3)
GX, GY = np.meshgrid(X, Y)


def waves(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = np.zeros(GX.shape)
    for _ in range(12):
        k, t, ph = 2 * np.pi / rng.uniform(40, 90), rng.uniform(0, np.pi), rng.uniform(0, 6.28)
        out += 4e-4 * np.sin(k * (GX * np.cos(t) + GY * np.sin(t)) + ph)
    return out


def fit(height: np.ndarray, **more):  # type: ignore[no-untyped-def]
    return fit_ladder(height, x_mm=X, y_mm=Y, floor_mm=0.004, grow_px=4, **more)


def test_the_order_climbs_only_for_a_form_that_needs_it() -> None:
    barrel = -(GX**2) / (2 * 3000) + 2e-10 * GX**3 * 20
    cubic = fit(barrel + waves(5))
    assert cubic.order == 3
    assert "third-order" in cubic.name
    assert np.abs(cubic.form_mm - barrel)[20:-20, 20:-20].max() < 0.002
    assert fit(waves(6)).order == 2
    assert "chosen by prediction" in cubic.name
    assert fit(waves(3), order=4).order == 4
    assert "as asked" in fit(waves(6), order=2).name


def test_without_a_scale_nothing_changes_but_the_unit() -> None:
    z = 2e-5 * GX**2 + waves(7) - 0.2 * np.exp(-8 * (GX**2 + GY**2) / 80**2)
    plain = fit(z)
    large = fit_ladder(1e6 * z, x_mm=X, y_mm=Y, floor_mm=4e3, grow_px=4)
    assert large.form_mm == pytest.approx(1e6 * plain.form_mm, rel=1e-6, abs=1e-3)


def test_uncertainty_grows_to_the_rim() -> None:
    form = fit(waves(3))
    rim = np.r_[form.sigma_mm[0], form.sigma_mm[-1]].mean()
    assert rim > 1.3 * form.sigma_mm[60:75, 90:110].mean()


def test_too_little_is_refused() -> None:
    height = np.full(GX.shape, np.nan)
    height[:3, :3] = 0.0
    with pytest.raises(ValueError, match="at least 30"):
        fit(height)
