"""Areal parameters against closed forms and the open library surfalize; slopes and curvatures of known
forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from surfalize import Surface

from surfscan.surface.areal import areal_parameters, band_slope, curvature_map, slope_map

A, LAM = 0.2, 40.0


def _sine(n: int = 400) -> tuple[np.ndarray, float]:
    """Two whole waves, n cells each, cells set off half a cell so that sums are midpoint rules."""
    step = LAM / n
    x = (np.arange(2 * n) + 0.5) * step
    return np.tile(A * np.sin(2 * np.pi * x / LAM), (6, 1)), step


def test_sine() -> None:
    z, step = _sine()
    found = areal_parameters(z, step_mm=step, reference="plane z = 0")
    # midpoint sums over whole periods are exact for sin^2 and sin^4; |sin| and the crest differ by (pi/n)^2
    near = (math.pi / 400) ** 2
    assert found.Sa_mm == pytest.approx(2 * A / math.pi, rel=near)
    assert found.Sq_mm == pytest.approx(A / math.sqrt(2), rel=1e-12)
    assert found.Sz_mm == pytest.approx(2 * A, rel=near)
    assert (found.Sp_mm, found.Sv_mm) == pytest.approx((A, A), rel=near)
    assert found.Ssk == pytest.approx(0.0, abs=1e-12)
    assert found.Sku == pytest.approx(1.5, rel=1e-12)
    # 2n - 1 differences instead of 2n: one part in 2n
    assert found.Sdq == pytest.approx(math.sqrt(2) * math.pi * A / LAM, rel=1 / 800)
    assert found.Sdq_mrad == pytest.approx(1e3 * found.Sdq)
    assert "plane z = 0" in found.reference


@pytest.mark.parametrize("kind", ["product", "sum"])
def test_egg_box(kind: str) -> None:
    n = 400
    wave = np.sin(2 * np.pi * (np.arange(n) + 0.5) / n)
    z = A * np.outer(wave, wave) if kind == "product" else A / 2 * (wave[:, None] + wave)
    found = areal_parameters(z, step_mm=LAM / n)
    near = 2 * (math.pi / n) ** 2
    assert found.Sa_mm == pytest.approx(4 * A / math.pi**2, rel=near)
    assert found.Sq_mm == pytest.approx(A / 2, rel=1e-12)
    assert found.Sku == pytest.approx(2.25, rel=1e-12)
    assert found.Sz_mm == pytest.approx(2 * A, rel=near)


def _surfaces() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(11)
    y, x = np.mgrid[:120, :160] * 0.5
    bumps = sum(
        rng.normal(0, 0.2) * np.exp(-((x - rng.uniform(0, 80)) ** 2 + (y - rng.uniform(0, 60)) ** 2) / 60)
        for _ in range(9)
    )
    return {
        "white": rng.normal(0.3, 0.05, x.shape),
        "bumps": bumps,
        "waves": 0.1 * np.sin(x / 3) * np.cos(y / 7) + 0.02 * np.sin(x * y / 50),
        "skewed": rng.exponential(0.1, x.shape),
    }


@pytest.mark.parametrize("name", ["white", "bumps", "waves", "skewed"])
def test_against_surfalize(name: str) -> None:
    z = _surfaces()[name]
    ours = areal_parameters(z, step_mm=0.5)
    theirs = Surface(z, 0.5, 0.5)
    # the same formulas in another order of summing
    assert ours.Sa_mm == pytest.approx(theirs.Sa(), rel=1e-10)
    assert ours.Sq_mm == pytest.approx(theirs.Sq(), rel=1e-10)
    assert ours.Sz_mm == pytest.approx(theirs.Sz(), rel=1e-10)
    assert ours.Sp_mm == pytest.approx(theirs.Sp(), rel=1e-10)
    assert ours.Sv_mm == pytest.approx(theirs.Sv(), rel=1e-10)
    assert ours.Ssk == pytest.approx(theirs.Ssk(), rel=1e-8, abs=1e-10)
    assert ours.Sku == pytest.approx(theirs.Sku(), rel=1e-8)
    assert ours.Sdq == pytest.approx(theirs.Sdq(), rel=1e-10)


def test_levelling_by_plane_is_surfalize_on_the_levelled_surface() -> None:
    z = _surfaces()["bumps"]
    y, x = np.mgrid[: z.shape[0], : z.shape[1]] * 0.5
    ours = areal_parameters(z + 0.01 * x - 0.02 * y, step_mm=0.5, level="plane")
    theirs = Surface(z, 0.5, 0.5).level()
    # total against vertical least squares: slopes of 0.02 make 2e-4 of difference
    assert ours.Sq_mm == pytest.approx(theirs.Sq(), rel=1e-3)
    assert "least-squares plane" in ours.reference


def test_as_given_keeps_the_offset() -> None:
    found = areal_parameters(np.full((3, 4), -0.2), step_mm=1.0, level="as given")
    assert (found.Sa_mm, found.Sq_mm, found.Sp_mm, found.Sv_mm) == pytest.approx((0.2, 0.2, 0.0, 0.2))
    assert found.reference == "fair form"


def test_a_hole_changes_only_what_it_holds() -> None:
    z, step = _sine(100)
    z = np.tile(z, (5, 1))
    holed = z.copy()
    holed[:6] = np.nan
    assert areal_parameters(holed, step_mm=step).Sq_mm == pytest.approx(A / math.sqrt(2), rel=1e-12)
    assert areal_parameters(holed, step_mm=step).cells == z[6:].size


def test_slope_map_of_a_paraboloid_and_its_sides() -> None:
    y, x = np.mgrid[:20, :30] * 2.0
    z = x**2 / 4000 + 0.01 * y
    along_x, along_y, size = slope_map(z, step_mm=2.0)
    # central differences are exact for second-degree surfaces; mrad
    np.testing.assert_allclose(along_x[:, 1:-1], x[:, 1:-1] / 2, atol=1e-9)
    np.testing.assert_allclose(along_y, 10.0, atol=1e-9)
    np.testing.assert_allclose(size, np.hypot(along_x, along_y))
    # one-sided at the edge: the slope half a cell in
    np.testing.assert_allclose(along_x[:, 0], 0.5, atol=1e-9)


def test_slopes_beside_a_hole_and_alone() -> None:
    z = np.array([[0.0, 1.0, np.nan, 3.0, np.nan]])
    along_x, along_y, _ = slope_map(z, step_mm=1.0)
    np.testing.assert_allclose(along_x[0, :2], 1000.0)
    assert np.isnan(along_x[0, 2:]).all()
    assert np.isnan(along_y).all()


def test_curvature_of_a_dish_a_crown_and_a_saddle() -> None:
    y, x = np.mgrid[-10:11, -10:11] * 2.0
    dish = curvature_map((x**2 + y**2) / (2 * 2000.0), step_mm=2.0)  # radius 2 m
    inner = np.s_[1:-1, 1:-1]
    np.testing.assert_allclose(dish.most[inner], 0.5, atol=1e-9)
    np.testing.assert_allclose(dish.least[inner], 0.5, atol=1e-9)
    assert np.isnan(dish.most[0]).all()
    crown = curvature_map(-(x**2) / (2 * 2000.0), step_mm=2.0)
    np.testing.assert_allclose(crown.most[inner], 0.0, atol=1e-9)
    np.testing.assert_allclose(crown.least[inner], -0.5, atol=1e-9)
    saddle = curvature_map(x * y / 2000.0, step_mm=2.0)
    np.testing.assert_allclose(saddle.most[inner], 0.5, atol=1e-9)
    np.testing.assert_allclose(saddle.least[inner], -0.5, atol=1e-9)


def test_gaussian_low_centre_curvature_and_greatest_slope() -> None:
    # depth 0.3, sigma 40 mm: slope (A/w) e^-0.5 = 4.549 mrad, curvature A/w^2 = 0.1875 1/m [computed]
    y, x = np.mgrid[-100:101, -100:101] * 1.0
    z = -0.3 * np.exp(-(x**2 + y**2) / (2 * 40.0**2))
    # second differences err by h^2/12 of the fourth derivative, about (h/w)^2/4 = 2e-4
    assert curvature_map(z, step_mm=1.0).most[100, 100] == pytest.approx(0.1875, rel=3e-4)
    assert slope_map(z, step_mm=1.0)[2].max() == pytest.approx(4.549, rel=3e-4)


def test_band_slope_of_a_wave() -> None:
    x = np.arange(-400, 401) * 1.0
    amplitude, lam = 0.01, 80.0
    z = np.tile(amplitude * np.sin(2 * np.pi * x / lam), (60, 1))
    band = band_slope(z, step_mm=1.0, short_mm=20.0, long_mm=200.0)
    passed = 2.0 ** -((20 / lam) ** 2) - 2.0 ** -((200 / lam) ** 2)
    slope = 1e3 * amplitude * 2 * np.pi / lam * passed
    inner = band.slope_mrad[30, 200:-200]
    # central differences lose (2 pi h / lam)^2 / 6 = 1e-3
    assert inner.max() == pytest.approx(slope, rel=2e-3)
    assert math.sqrt(float((inner[:400] ** 2).mean())) == pytest.approx(slope / math.sqrt(2), rel=2e-3)
    assert band.slope_mrad[band.row, band.column] == band.peak_mrad


@pytest.mark.parametrize("case", ["nothing", "one cell", "empty"])
def test_next_to_nothing(case: str) -> None:
    z = np.full((0, 0) if case == "empty" else (4, 5), np.nan)
    if case == "one cell":
        z[1, 2] = 0.3
    found = areal_parameters(z, step_mm=1.0)
    assert math.isnan(found.Sdq)
    assert math.isnan(found.Ssk)
    assert found.cells == (case == "one cell")
    assert math.isnan(areal_parameters(z, step_mm=1.0, level="plane").Sq_mm)
    assert curvature_map(z, step_mm=1.0).most.shape == z.shape
    band = band_slope(z, step_mm=1.0, short_mm=4.0, long_mm=20.0)
    assert math.isnan(band.peak_mrad)
    assert band.row == -1


def test_one_row_has_a_gradient_along_it() -> None:
    found = areal_parameters(np.arange(5.0)[np.newaxis, :], step_mm=2.0)
    assert found.Sdq == pytest.approx(0.5)


def test_unknown_level() -> None:
    with pytest.raises(ValueError, match="level must be one of"):
        areal_parameters(np.zeros((2, 2)), step_mm=1.0, level="sphere")
