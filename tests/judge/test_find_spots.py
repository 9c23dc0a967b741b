"""Spots found and measured against closed forms of Gaussian dishes."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.judge.find_spots import find_spots
from surfscan.judge.measure_spot import measure_spot

STEP = 2.0
X, Y = np.arange(-200.0, 201, STEP), np.arange(-150.0, 151, STEP)
GX, GY = np.meshgrid(X, Y)


def gauss(
    x: float, y: float, peak: float, sx: float, sy: float | None = None, turn: float = 0.0
) -> np.ndarray:
    c, s = np.cos(turn), np.sin(turn)
    u, v = c * (GX - x) + s * (GY - y), -s * (GX - x) + c * (GY - y)
    return peak * np.exp(-0.5 * ((u / sx) ** 2 + (v / (sy or sx)) ** 2))


def test_a_gaussian_low_measures_as_its_closed_form() -> None:
    a, w = 0.3, 24.0
    z = gauss(61.0, -33.0, -a, w)
    labels = find_spots(z, sign=-1, least_mm=0.04, limit_mm=0.04)
    assert labels.max() == 1
    spot = measure_spot(labels == 1, z, sign=-1, x_mm=X, y_mm=Y, step_mm=STEP)
    assert (spot.x_mm, spot.y_mm) == (pytest.approx(61.0, abs=0.1), pytest.approx(-33.0, abs=0.1))
    assert spot.peak_mm == pytest.approx(
        -a, rel=2e-3
    )  # quadratic through 5 x 5 cells: fourth-order remainder
    fwhm = 2 * np.sqrt(2 * np.log(2)) * w
    assert spot.length_mm == pytest.approx(fwhm, abs=STEP)
    assert spot.width_mm == pytest.approx(fwhm, abs=STEP)
    assert spot.peak_slope_mrad == pytest.approx(1e3 * a / w * np.exp(-0.5), rel=0.01)
    # Down to a fifth of the peak: volume 2 pi a w^2 (1 - 1/5), area 2 pi w^2 ln 5.
    assert spot.volume_ml == pytest.approx(2e-3 * np.pi * a * w**2 * 0.8, rel=0.01)
    assert spot.area_cm2 == pytest.approx(2 * np.pi * w**2 * np.log(5) / 100, rel=0.02)
    assert not spot.at_edge


def test_direction_and_sign() -> None:
    z = gauss(-80.0, 40.0, 0.2, 40.0, 15.0, np.radians(30))
    assert find_spots(z, sign=-1, least_mm=0.04, limit_mm=0.04).max() == 0
    labels = find_spots(z, sign=1, least_mm=0.04, limit_mm=0.04)
    spot = measure_spot(labels == 1, z, sign=1, x_mm=X, y_mm=Y, step_mm=STEP)
    assert spot.peak_mm > 0
    assert spot.x_mm < 0 < spot.y_mm
    assert spot.angle_deg == pytest.approx(30.0, abs=2.0)
    assert spot.length_mm / spot.width_mm == pytest.approx(40 / 15, rel=0.1)


def test_touching_hills_stay_two_and_a_ripple_on_one_does_not() -> None:
    two = gauss(-35, 0, -0.2, 20) + gauss(35, 0, -0.15, 20)
    assert find_spots(two, sign=-1, least_mm=0.04, limit_mm=0.04).max() == 2
    one = gauss(0, 0, -0.2, 40) + 0.004 * np.cos(GX / 8)
    assert find_spots(one, sign=-1, least_mm=0.04, limit_mm=0.04).max() == 1


def test_numbers_fall_with_the_peak_and_nan_is_no_spot() -> None:
    z = gauss(-100, 0, -0.1, 20) + gauss(100, 0, -0.3, 20)
    z[:, :20] = np.nan
    labels = find_spots(z, sign=-1, least_mm=0.04, limit_mm=0.04)
    assert labels.max() == 2
    assert labels[75, 150] == 1
    assert not labels[:, :20].any()
    assert find_spots(np.full(z.shape, np.nan), sign=-1, least_mm=0.04, limit_mm=0.04).max() == 0


def test_a_spot_cut_by_what_was_not_seen_says_so() -> None:
    z = gauss(0, 0, -0.2, 30)
    z[:, 110:] = np.nan
    labels = find_spots(z, sign=-1, least_mm=0.04, limit_mm=0.04)
    assert measure_spot(labels == 1, z, sign=-1, x_mm=X, y_mm=Y, step_mm=STEP).at_edge


def test_every_cell_belongs_to_one_spot_at_most_and_feet_end_at_a_fifth() -> None:
    z = gauss(-60, 0, -0.3, 22) + gauss(10, 0, -0.2, 20) + gauss(110, 40, -0.1, 25)
    labels = find_spots(z, sign=-1, least_mm=0.03, limit_mm=0.04)
    assert set(np.unique(labels)) == {0, 1, 2, 3}
    for k, peak in ((1, 0.3), (2, 0.2), (3, 0.1)):
        cells = -z[labels == k]
        assert cells.max() == pytest.approx(peak, rel=0.05)  # the neighbours' tails add a little
        assert cells.min() >= 0.2 * cells.max() - 1e-12


@pytest.mark.parametrize(("apart", "count"), [(30.0, 1), (100.0, 2)])
def test_two_equal_hills_are_two_only_with_a_saddle_between(apart: float, count: int) -> None:
    """Two Gaussians of s merge into one maximum when under 2 s apart (closed form); five s apart they are clear."""
    z = gauss(-apart / 2, 0, 0.2, 20) + gauss(apart / 2, 0, 0.2, 20)
    assert find_spots(z, sign=1, least_mm=0.04, limit_mm=0.04).max() == count


def test_a_lesser_hill_on_a_shoulder_joins_and_a_clear_one_does_not() -> None:
    """Clear means 12 % of its own height above the saddle, and a fifth of the limit."""
    for dip, count in ((0.9, 1), (0.4, 2)):
        # Along x: 0.3 at -60, falling to dip * 0.1 at 0, then 0.1 at 50, by straight lines; a ridge 40 mm wide.
        along = np.interp(X, [-130, -60, 0, 50, 120], [0, 0.3, 0.1 * dip, 0.1, 0])
        z = -along[None, :] * np.exp(-0.5 * (Y[:, None] / 15) ** 2)
        assert find_spots(z, sign=-1, least_mm=0.04, limit_mm=0.04).max() == count


@pytest.mark.parametrize("apart", [100.0, 112.0, 124.0])
def test_a_bottom_of_its_own_over_the_limit_is_a_spot_though_it_hangs_on_a_larger_low(apart: float) -> None:
    """A low of 0.05 mm on the foot of one of 0.3 mm: between them the metal does not come up to fair."""
    z = gauss(-80, 0, -0.3, 40) + gauss(-80 + apart, 0, -0.05, 12)
    labels = find_spots(z, sign=-1, least_mm=0.03, limit_mm=0.04)
    assert labels.max() == 2
    spot = measure_spot(labels == 2, z, sign=-1, x_mm=X, y_mm=Y, step_mm=STEP)
    assert spot.x_mm == pytest.approx(-80 + apart, abs=8)


def test_the_fair_metals_own_waves_do_not_split_a_flat_low() -> None:
    """Waves of 4 um on a flat bottom of 0.06 mm: one low; the same bottoms 20 um deep on it would be several."""
    flat = -0.06 * np.clip(2 - np.hypot(GX / 70, GY / 50) * 1.6, 0, 1)
    for height, several in ((0.004, False), (0.02, True)):
        z = flat + height * np.cos(GX / 9) * np.cos(GY / 9) * (flat < -0.05) + 0.001 * np.sin(GX / 15)
        count = find_spots(z, sign=-1, least_mm=0.03, limit_mm=0.04).max()
        assert (count > 1) == several


def test_a_threshold_that_changes_from_place_to_place() -> None:
    z = gauss(-80, 0, -0.05, 20) + gauss(80, 0, -0.05, 20)
    least = np.where(GX < 0, 0.045, 0.06)
    labels = find_spots(z, sign=-1, least_mm=least, limit_mm=0.04)
    assert labels.max() == 1
    assert (GX[labels == 1] < 0).all()


def test_nothing_found_is_an_empty_map_of_the_same_kind() -> None:
    for z in (np.zeros((5, 7)), np.full((5, 7), np.nan), np.full((1, 1), -0.001)):
        labels = find_spots(z, sign=-1, least_mm=0.04, limit_mm=0.04)
        assert labels.shape == z.shape
        assert labels.dtype == np.int32
        assert not labels.any()


def test_the_map_is_not_changed() -> None:
    z = gauss(0, 0, -0.2, 20)
    before = z.copy()
    find_spots(z, sign=-1, least_mm=0.04, limit_mm=0.04)
    assert np.array_equal(z, before)
