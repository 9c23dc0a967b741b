"""Build measured on shapes whose volume, area and feather edge have closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from result_folders import bump, grid

from surfscan.change.build import measure_build
from surfscan.core.records import Grid

STEP = 1.5
X, Y = grid(STEP, (150.0, 120.0))
XX, YY = np.meshgrid(X, Y)
GRID = Grid(X, Y, STEP)


def test_a_compact_build_against_its_integrals() -> None:
    peak, radius = 1.2, 80.0
    build = measure_build(
        bump(XX, YY, at=(10, -5), peak=peak, width=2 * radius), np.full(XX.shape, 0.002), grid=GRID, sign=1
    )
    assert build.max_mm == pytest.approx(peak, rel=1e-3)
    assert (build.x_mm, build.y_mm) == pytest.approx((10, -5), abs=0.2)
    # The integral of (1 - rho^2)^2 over the disc is a third of its area.
    assert build.volume_ml == pytest.approx(np.pi * radius**2 * peak / 3 / 1000, rel=2e-3)
    # It is thicker than 5 um where rho^2 < 1 - sqrt(0.005/peak).
    assert build.area_cm2 == pytest.approx(np.pi * radius**2 * (1 - np.sqrt(0.005 / peak)) / 100, rel=0.01)
    # 90 % at rho^2 = 1 - sqrt(0.9), 10 % at rho^2 = 1 - sqrt(0.1).
    edge = radius * (np.sqrt(1 - np.sqrt(0.1)) - np.sqrt(1 - np.sqrt(0.9)))
    assert build.edge_mm == pytest.approx(edge, abs=0.3)
    assert len(build.patches) == 1
    assert build.u95_volume_ml == pytest.approx(1.96 * 0.002 * build.area_cm2 * 0.1, rel=1e-6)


def test_a_plateau_with_a_straight_feather_edge() -> None:
    rho = np.hypot(XX - 4, YY + 2)
    slab = np.clip((90 - rho) / 20, 0, 1) * 0.8  # falls over 20 mm: 10 to 90 % is 16 mm
    build = measure_build(slab, np.full(XX.shape, 0.002), grid=GRID, sign=1)
    assert build.edge_mm == pytest.approx(16.0, abs=0.5)
    # A frustum of a cone, from 90 to 70 mm.
    volume = np.pi * 0.8 / 3 * (90**2 + 90 * 70 + 70**2) / 1000
    assert build.volume_ml == pytest.approx(volume, rel=0.005)


def test_nothing_done_is_no_build() -> None:
    noise = np.random.default_rng(1).normal(0, 0.002, XX.shape)
    build = measure_build(noise, np.full(XX.shape, 0.002), grid=GRID, sign=1, limit_mm=2.0)
    assert build.patches == ()
    assert build.area_cm2 == 0
    assert build.volume_ml == 0
    assert 0 < build.max_mm < 0.010
    assert build.verdict == "ready"


def test_cut_is_build_upside_down_and_is_not_judged() -> None:
    z = bump(XX, YY, peak=0.3) - bump(XX, YY, at=(90, 60), peak=0.1, width=50)
    sigma = np.full(XX.shape, 0.002)
    cut, build = (measure_build(z, sigma, grid=GRID, sign=sign) for sign in (-1, 1))
    assert cut.max_mm == pytest.approx(0.1, rel=0.01)
    assert build.max_mm == pytest.approx(0.3, rel=0.01)
    assert cut.verdict == ""
    assert not (cut.cells & build.cells).any()


@pytest.mark.parametrize(
    ("peak", "verdict"),
    # u = 0.2 mm and L = 6.35 mm: 6.0 + 1.645 u = 6.329 is within, 6.1 is undecided, 6.7 - 1.645 u is over
    # (guard band of ISO 14253-1; figures computed).
    [(6.0, "ready"), (6.1, "close"), (6.7, "rework")],
)
def test_the_limit_has_a_guard_band(peak: float, verdict: str) -> None:
    build = measure_build(bump(XX, YY, peak=peak), np.full(XX.shape, 0.2), grid=GRID, sign=1, limit_mm=6.35)
    assert build.max_mm == pytest.approx(peak, rel=2e-3)
    assert build.verdict == verdict
    assert "6.35 mm" in build.sentence


def test_two_patches_stay_two_and_one_runs_out_of_sight() -> None:
    z = bump(XX, YY, at=(-70, 0), peak=0.5) + bump(XX, YY, at=(130, 0), peak=0.9)
    build = measure_build(z, np.full(XX.shape, 0.002), grid=GRID, sign=1)
    assert [round(p.max_mm, 1) for p in build.patches] == [0.9, 0.5]
    assert build.max_mm == build.patches[0].max_mm
    holes = z.copy()
    holes[np.abs(XX + 70) < 4] = np.nan
    assert any(p.cut_off for p in measure_build(holes, np.full(XX.shape, 0.002), grid=GRID, sign=1).patches)


def test_a_single_wild_cell_is_no_filler() -> None:
    z = np.zeros_like(XX)
    z[40, 50] = 1.0
    assert measure_build(z, np.full(XX.shape, 0.002), grid=GRID, sign=1).patches == ()


def test_nothing_in_common_is_not_measured() -> None:
    z = np.full(XX.shape, np.nan)
    build = measure_build(z, z, grid=GRID, sign=1, limit_mm=2.0)
    assert build.verdict == "not_measured"
    assert np.isnan(build.max_mm)
