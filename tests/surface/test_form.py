"""The fair form: spots left out, wide lows kept, circular crowns, and an uncertainty that grows to the rim."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.surface.form import fit_fair_form

X, Y = np.arange(-300.0, 301, 3), np.arange(-200.0, 201, 3)
GX, GY = np.meshgrid(X, Y)


def dish(x: float, y: float, depth: float, width: float) -> np.ndarray:
    rho = np.hypot(GX - x, GY - y) / (width / 2)
    return -depth * np.clip(1 - rho**2, 0, None) ** 2


def waves(seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = np.zeros(GX.shape)
    for _ in range(12):
        k, t, ph = 2 * np.pi / rng.uniform(40, 90), rng.uniform(0, np.pi), rng.uniform(0, 6.28)
        out += 4e-4 * np.sin(k * (GX * np.cos(t) + GY * np.sin(t)) + ph)
    return out


def fit(height: np.ndarray, **more):  # type: ignore[no-untyped-def]
    return fit_fair_form(height, x_mm=X, y_mm=Y, floor_mm=0.004, grow_px=4, **more)


def test_spots_are_left_out_of_the_form() -> None:
    spots = dish(-120, 40, 0.2, 90) + dish(100, -60, -0.1, 80)
    form = fit(2e-5 * GX**2 + 1e-5 * GX * GY + waves() + spots)
    miss = form.form_mm - (2e-5 * GX**2 + 1e-5 * GX * GY)
    assert np.abs(miss).max() < 0.003  # waves of 1.4 um rms, at the corners
    assert np.abs(miss[np.hypot(GX + 120, GY - 40) < 30]).max() < 0.001
    assert form.spots[np.hypot(GX + 120, GY - 40) < 30].all()
    assert "second-order" in form.name


def test_a_wide_low_is_not_eaten() -> None:
    form = fit(dish(60, 0, 1.0, 260) + waves(1))
    assert np.abs(form.form_mm[np.hypot(GX - 60, GY) < 60]).max() < 0.02  # 2 % of its depth


@pytest.mark.parametrize("radius", [2000.0, 3000.0])
def test_a_sphere_is_met_by_circular_sections(radius: float) -> None:
    sphere = np.sqrt(radius**2 - GX**2 - GY**2) - radius
    form = fit(sphere + waves(2) + dish(0, 60, 0.1, 80))
    miss = (form.form_mm - sphere)[np.hypot(GX, GY - 60) < 30]
    assert np.abs(miss - 0).max() < 0.003
    assert np.std(form.form_mm - sphere) < 0.003


def test_uncertainty_grows_to_the_rim_and_a_given_order_is_kept() -> None:
    form = fit(waves(3))
    rim = np.r_[form.sigma_mm[0], form.sigma_mm[-1]].mean()
    assert rim > 1.3 * form.sigma_mm[60:75, 90:110].mean()
    assert fit(waves(3), order=4).order == 4


def test_too_little_is_refused() -> None:
    height = np.full(GX.shape, np.nan)
    height[:3, :3] = 0.0
    with pytest.raises(ValueError, match="at least 30"):
        fit(height)
