"""One row per spot: closed forms, and the odd cases at rims and in single cells."""

from __future__ import annotations

import numpy as np
import pytest
from tolerances import sampling

from surfscan.judge.find_spots import find_spots
from surfscan.judge.measure_spot import measure_spot

STEP = 1.5
X, Y = np.arange(-150.0, 150.1, STEP), np.arange(-100.0, 100.1, STEP)
GX, GY = np.meshgrid(X, Y)


def spot_of(z: np.ndarray, sign: int):  # type: ignore[no-untyped-def]
    labels = find_spots(z, sign=sign, least_mm=0.02, limit_mm=0.02)
    assert labels.max() == 1
    return measure_spot(labels == 1, z, sign=sign, x_mm=X, y_mm=Y, step_mm=STEP)


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize(("x", "y"), [(70.3, 40.7), (-70.3, 40.7), (70.3, -40.7), (-70.3, -40.7)])
def test_sign_and_place_in_every_quarter(sign: int, x: float, y: float) -> None:
    spot = spot_of(sign * 0.1 * np.exp(-((GX - x) ** 2 + (GY - y) ** 2) / (2 * 15**2)), sign)
    assert np.sign(spot.peak_mm) == sign
    assert (spot.x_mm, spot.y_mm) == (pytest.approx(x, abs=0.05), pytest.approx(y, abs=0.05))
    assert X[spot.column] == pytest.approx(x, abs=STEP)
    assert Y[spot.row] == pytest.approx(y, abs=STEP)


@pytest.mark.parametrize("turn", [-75, -30, 0, 45, 80])
def test_extent_of_a_turned_gaussian(turn: float) -> None:
    """Full width at half maximum 2 sqrt(2 ln 2) s along each axis (closed form)."""
    t, long, short = np.radians(turn), 30.0, 12.0
    u, v = np.cos(t) * GX + np.sin(t) * GY, -np.sin(t) * GX + np.cos(t) * GY
    spot = spot_of(-0.2 * np.exp(-0.5 * ((u / long) ** 2 + (v / short) ** 2)), -1)
    full = 2 * np.sqrt(2 * np.log(2))
    # The extent is counted in cells: a cell either way.
    assert spot.length_mm == pytest.approx(full * long, abs=1.5 * STEP)
    assert spot.width_mm == pytest.approx(full * short, abs=1.5 * STEP)
    assert spot.angle_deg == pytest.approx(turn, abs=1.5)
    # Steepest slope across: (A / s) e^-1/2; central differences over 2 cells lose a share (h / s)^2 / 2 at most.
    steepest = 1e3 * 0.2 / short * np.exp(-0.5)
    assert spot.peak_slope_mrad == pytest.approx(steepest, rel=(STEP / short) ** 2 / 2)
    # Down to a fifth of the peak: 2 pi A s1 s2 (1 - 1/5), and 2 pi s1 s2 ln 5.
    assert spot.volume_ml == pytest.approx(2e-3 * np.pi * 0.2 * long * short * 0.8, rel=0.01)
    assert spot.area_cm2 == pytest.approx(2 * np.pi * long * short * np.log(5) / 100, rel=0.02)


def test_the_peak_is_read_between_cells() -> None:
    """A parabola is met exactly (a quadratic is fitted); the greatest cell alone would miss it."""
    x, y, bend = 0.4 * STEP, -0.3 * STEP, 2e-4
    spot = spot_of(0.1 - bend * ((GX - x) ** 2 + (GY - y - Y[0] % STEP) ** 2), 1)
    assert spot.peak_mm == pytest.approx(0.1, abs=1e-12)
    assert spot.x_mm == pytest.approx(x, abs=1e-9)
    assert 0.1 - np.max(0.1 - bend * (GX - x) ** 2) < 2 * sampling(STEP, 2 * bend)


def test_a_spot_at_the_rim_and_one_of_a_single_cell() -> None:
    z = -0.2 * np.exp(-((GX - 150) ** 2 + GY**2) / (2 * 20**2))
    spot = spot_of(z, -1)
    assert spot.at_edge
    assert spot.column == X.size - 1
    lone = np.zeros_like(z)
    lone[50, 60] = -0.1
    row = spot_of(lone, -1)
    assert (row.row, row.column) == (50, 60)
    assert -0.1 <= row.peak_mm < 0
    assert (row.length_mm, row.width_mm) == (STEP, STEP)
    assert row.area_cm2 == pytest.approx(STEP**2 / 100)


def test_not_measured_cells_beside_a_spot_do_not_spoil_its_row() -> None:
    z = -0.2 * np.exp(-(GX**2 + GY**2) / (2 * 20**2))
    z[:, 115:] = np.nan
    spot = spot_of(z, -1)
    assert spot.at_edge
    assert all(
        np.isfinite(getattr(spot, name)) for name in ("x_mm", "peak_mm", "volume_ml", "peak_slope_mrad")
    )
