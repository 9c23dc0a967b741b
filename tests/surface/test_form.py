"""The fair form: spots left out, wide lows kept, circular crowns, and an uncertainty that grows to the rim."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.surface.form import fit_fair_form, take_form_off
from surfscan.surface.ladder import fit_ladder

X, Y = np.arange(-300.0, 301, 3), np.arange(-200.0, 201, 3)
GX, GY = np.meshgrid(X, Y)


def dish(x: float, y: float, depth: float, width: float) -> np.ndarray:
    rho = np.hypot(GX - x, GY - y) / (width / 2)
    return -depth * np.clip(1 - rho**2, 0, None) ** 2


def waves(seed: int = 0, length: tuple[float, float] = (40, 90)) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = np.zeros(GX.shape)
    for _ in range(12):
        k, t, ph = 2 * np.pi / rng.uniform(*length), rng.uniform(0, np.pi), rng.uniform(0, 6.28)
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


def test_uncertainty_grows_to_the_rim() -> None:
    form = fit(waves(3))
    rim = np.r_[form.sigma_mm[0], form.sigma_mm[-1]].mean()
    assert rim > 1.3 * form.sigma_mm[60:75, 90:110].mean()


def test_too_little_is_refused() -> None:
    height = np.full(GX.shape, np.nan)
    height[:3, :3] = 0.0
    with pytest.raises(ValueError, match="at least 30"):
        fit(height)


def test_a_high_and_a_low_are_treated_alike() -> None:
    made = dish(-120, 40, 0.2, 90) + dish(100, -60, 0.1, 80)
    low, high = fit(waves() + made), fit(-waves() - made)
    assert high.form_mm == pytest.approx(-low.form_mm, abs=1e-9)
    assert np.array_equal(high.spots, low.spots)


def test_a_tilt_or_a_shift_of_the_whole_map_changes_no_deviation() -> None:
    """The form holds every plane: adding one moves it along (linearity of least squares; the mask stays)."""
    z = waves(4) + dish(0, 0, 0.15, 100)
    plain, moved = fit(z), fit(z + 0.7 + 2e-3 * GX - 1e-3 * GY)
    assert moved.form_mm - (0.7 + 2e-3 * GX - 1e-3 * GY) == pytest.approx(plain.form_mm, abs=1e-4)


def test_the_order_climbs_only_for_a_form_that_needs_it() -> None:
    barrel = np.sqrt(3000.0**2 - GX**2) - 3000 + 2e-10 * GX**3 * 20
    cubic = fit(barrel + waves(5))
    assert cubic.order == 3
    assert "third-order" in cubic.name
    assert "circular" in cubic.name
    assert np.abs(cubic.form_mm - barrel)[20:-20, 20:-20].max() < 0.002
    assert fit(waves(6)).order == 2


@pytest.mark.parametrize(("width", "depth"), [(150.0, 0.35), (165.0, 0.2), (110.0, 0.1)])
@pytest.mark.parametrize("radius", [np.inf, 2000.0])
def test_skirts_belong_to_the_spots(width: float, depth: float, radius: float) -> None:
    """Four Gaussian lows side by side over half a panel: read to max(2 um, 2 %), and no fair metal made a high."""
    crown = np.zeros(GX.shape) if np.isinf(radius) else np.sqrt(radius**2 - GX**2 - GY**2) - radius
    spots = np.zeros(GX.shape)
    places = ((-190, -90), (-60, 85), (80, -80), (200, 90))
    for x, y in places:
        spots -= depth * np.exp(-8 * ((GX - x) ** 2 + (GY - y) ** 2) / width**2)
    made = spots + waves(8)
    form = fit(crown + made)
    off = crown + made - form.form_mm
    for x, y in places:
        at = np.hypot(GX - x, GY - y) < 4
        assert np.abs(off - made)[at].max() < max(0.002, 0.02 * depth)
    assert (off - made < np.maximum(0.004, 3 * form.sigma_mm)).all()


def test_a_low_order_is_kept_where_a_high_one_would_follow_the_spots() -> None:
    """A ladder of free orders takes the spots' skirts for form, the more the higher it climbs."""
    low = -0.2 * np.exp(-8 * ((GX + 60) ** 2 + (GY - 30) ** 2) / 260**2) + dish(150, -60, 0.12, 150)
    middle = np.hypot(GX + 60, GY - 30) < 4
    new = np.abs(fit(low + waves(9)).form_mm)[middle].max()
    climbed = fit_ladder(low + waves(9), x_mm=X, y_mm=Y, floor_mm=0.004, grow_px=4, order=5)
    assert new < 0.004
    assert np.abs(climbed.form_mm)[middle].max() > 2 * new


def test_holes_are_bridged_and_the_form_is_known_there() -> None:
    z = 2e-5 * GX**2 + waves(7)
    z[(abs(GX) < 60) & (abs(GY) < 50)] = np.nan
    form = fit(z)
    assert np.isfinite(form.form_mm).all()
    assert np.abs(form.form_mm - 2e-5 * GX**2)[(abs(GX) < 60) & (abs(GY) < 50)].max() < 0.002
    assert (form.sigma_mm >= 0).all()


def test_the_stated_uncertainty_covers_the_forms_error() -> None:
    """Twenty panels with waves of their own, 80 to 190 mm long: the error is of the size that is stated."""
    ratio = []
    for seed in range(20):
        form = fit(waves(100 + seed, (80, 190)))
        ratio.append(np.sqrt(np.mean(form.form_mm**2) / np.mean(form.sigma_mm**2)))
    # Waves of one panel are few, so the error itself varies by a factor of two; shorter ones average out further.
    assert 0.4 < np.median(ratio) < 2.0


def test_what_a_set_up_bends_is_followed_as_far_as_the_prior_lets_it() -> None:
    """A bend of the second order is followed whole, a short one not at all, whatever the map's own form is."""
    form = fit(waves(12))
    use = ~form.spots
    bend = 3e-7 * GX * GY
    left = take_form_off(bend, form, x_mm=X, y_mm=Y, use=use)
    assert np.abs(left).max() < 0.02 * np.abs(bend).max()
    short = 0.01 * np.cos(2 * np.pi * GX / 80)
    assert np.std(take_form_off(short, form, x_mm=X, y_mm=Y, use=use)) > 0.9 * np.std(short)
