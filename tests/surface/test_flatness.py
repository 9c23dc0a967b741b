"""Planes and flatness against closed forms and a linear programme."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import linprog, minimize

from surfscan.surface.flatness import fit_plane, flatness, minimum_zone


def _over(n: int, rows: int = 3) -> tuple[np.ndarray, np.ndarray, float]:
    """x from -1 to 1 in n columns and y likewise scaled in rows, and the step."""
    x = np.linspace(-1, 1, n)
    return np.tile(x, (rows, 1)), np.tile((np.arange(rows) * (x[1] - x[0]))[:, None], (1, n)), x[1] - x[0]


C = 1e-4  # so small against the panel that along z and along the normal differ by 1e-8 of it


def test_cubic() -> None:
    x, _, step = _over(4001)
    z = C * x**3
    # closed form on the whole interval: least-squares slope 0.6 c, FLTt 0.8 c, FLTq c sqrt(1/7 - 0.24 + 0.12)
    about = flatness(z, step_mm=step)
    assert about.FLTt_mm == pytest.approx(0.8 * C, rel=4 / 4001)  # a sum for an integral: some parts in n
    assert about.FLTq_mm == pytest.approx(0.151186 * C, rel=6 / 4001)
    assert about.reference == "least-squares plane"
    # the minimum zone (slope 0.75 c) touches at -1, -0.5, 0.5 and 1, all on the grid
    assert minimum_zone(z, step_mm=step).FLTt_mm == pytest.approx(0.5 * C, rel=1e-7)


def test_parabola() -> None:
    x, _, step = _over(4001)
    z = C * x**2
    about = flatness(z, step_mm=step)
    assert about.FLTt_mm == pytest.approx(C, rel=1e-6)
    assert about.FLTp_mm == pytest.approx(2 / 3 * C, rel=6 / 4001)
    assert about.FLTv_mm == pytest.approx(1 / 3 * C, rel=6 / 4001)
    assert about.FLTq_mm == pytest.approx(2 / math.sqrt(45) * C, rel=6 / 4001)
    assert minimum_zone(z, step_mm=step).FLTt_mm == pytest.approx(C, rel=1e-7)


def test_saddle_is_two_c_both_ways() -> None:
    x, _ = np.meshgrid(np.linspace(-1, 1, 81), np.linspace(-1, 1, 81))
    z = C * x * x.T
    step = 2 / 80
    assert flatness(z, step_mm=step).FLTt_mm == pytest.approx(2 * C, rel=1e-6)
    assert minimum_zone(z, step_mm=step).FLTt_mm == pytest.approx(2 * C, rel=1e-6)


def _panels() -> list[np.ndarray]:
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:30, :40] * 8.0
    waves = sum(
        rng.normal(0, 0.1) * np.sin(rng.normal(0, 0.03) * x + rng.normal(0, 0.03) * y + rng.uniform(0, 6))
        for _ in range(8)
    )
    rough = rng.normal(0, 0.01, x.shape)
    dish = (x - 150) ** 2 / 4e3 + (y - 100) ** 2 / 6e3
    holed = waves - 0.5 * np.exp(-((x - 90) ** 2 + (y - 120) ** 2) / 800)
    holed[5:12, 8:20] = np.nan
    return [waves + rough, dish, holed, np.round(waves, 1)]


@pytest.mark.parametrize("panel", range(4))
def test_minimum_zone_equals_a_linear_programme_on_every_point(panel: int) -> None:
    z = _panels()[panel]
    row, column = np.nonzero(np.isfinite(z))
    x, y, v = column * 8.0, row * 8.0, z[row, column]
    one = np.ones_like(x)
    block = np.column_stack([x, y, one])
    # smallest t with |z - a x - b y - c| <= t; twice t is the zone along z
    solved = linprog(
        [0, 0, 0, 1],
        A_ub=np.block([[block, -one[:, None]], [-block, -one[:, None]]]),
        b_ub=np.concatenate([v, -v]),
        bounds=[(None, None)] * 3 + [(0, None)],
        method="highs-ipm",
    )
    along_z = 2 * solved.x[3]

    # along the normal the zone is w(a, b) / sqrt(1 + a^2 + b^2); polished from the programme's plane
    def zone(ab: np.ndarray) -> float:
        return float(np.ptp(v - ab[0] * x - ab[1] * y) / math.sqrt(1 + ab @ ab))

    options = {
        "xatol": 1e-12,
        "fatol": 1e-12,
        "maxiter": 4000,
        "initial_simplex": solved.x[:2] + 1e-4 * np.array([[0, 0], [1, 0], [0, 1]]),
    }
    polished = min(
        zone(solved.x[:2]), minimize(zone, solved.x[:2], method="Nelder-Mead", options=options).fun
    )
    got = minimum_zone(z, step_mm=8.0).FLTt_mm
    assert got == pytest.approx(polished, abs=1e-6)
    assert got <= along_z + 1e-6
    assert got <= flatness(z, step_mm=8.0).FLTt_mm + 1e-12  # the minimum zone is the smallest


def test_a_steep_tilt_only_shortens_along_the_normal() -> None:
    z = _panels()[0]
    x = np.arange(40) * 8.0
    flat = minimum_zone(z, step_mm=8.0).FLTt_mm
    tilted = minimum_zone(z + 0.5 * x, step_mm=8.0).FLTt_mm
    # points sheared along z: every zone shrinks by about the cosine; the best plane moves by under the slopes
    # of the waves, 1 % of the tilt
    assert tilted == pytest.approx(flat / math.hypot(1, 0.5), rel=0.01)


@pytest.mark.parametrize("seed", range(3))
def test_minimum_zone_along_the_normal_of_a_lumpy_piece(seed: int) -> None:
    # as high as it is wide, so that zones along z and along the normal differ by per cents
    z = np.random.default_rng(seed).normal(0, 2.0, (5, 6))
    y, x = np.mgrid[:5, :6] * 4.0

    def zone(ab: np.ndarray) -> float:
        return float(np.ptp(z - ab[0] * x - ab[1] * y) / math.sqrt(1 + ab @ ab))

    grid = np.linspace(-0.6, 0.6, 61)
    start = min((zone(np.array([a, b])), a, b) for a in grid for b in grid)[1:]
    options = {"xatol": 1e-12, "fatol": 1e-12, "maxiter": 4000}
    best = minimize(zone, start, method="Nelder-Mead", options=options).fun
    assert minimum_zone(z, step_mm=4.0).FLTt_mm == pytest.approx(best, abs=1e-6)


def test_plane_total_and_vertical() -> None:
    y, x = np.mgrid[:20, :30] * 3.0
    z = 1.0 + 0.3 * x - 0.2 * y
    z[3, 4] = np.nan
    for vertical in (False, True):
        plane = fit_plane(z, step_mm=3.0, vertical=vertical)
        assert plane.slopes == pytest.approx((0.3, -0.2), abs=1e-9)
        assert np.linalg.norm(plane.normal) == pytest.approx(1.0)
    assert flatness(z, step_mm=3.0).FLTt_mm == pytest.approx(0.0, abs=1e-9)
    assert minimum_zone(z, step_mm=3.0).FLTt_mm == pytest.approx(0.0, abs=1e-9)


def test_total_fit_minimises_normal_distances() -> None:
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:9, :12] * 1.0
    z = 1.5 * x + rng.normal(0, 2.0, x.shape)

    def squares(ab: np.ndarray) -> float:
        away = z - ab[0] * x - ab[1] * y
        return float(((away - away.mean()) ** 2).sum() / (1 + ab @ ab))

    found = minimize(squares, [1.5, 0.0], method="BFGS")
    assert fit_plane(z, step_mm=1.0).slopes == pytest.approx(tuple(found.x), abs=1e-4)


def test_about_the_fair_form_nothing_is_fitted() -> None:
    z = np.array([[0.1, -0.2], [0.1, np.nan]])
    about = flatness(z, step_mm=1.0, reference="as given")
    assert (about.FLTt_mm, about.FLTp_mm, about.FLTv_mm) == pytest.approx((0.3, 0.1, 0.2))
    assert about.FLTq_mm == pytest.approx(math.sqrt(0.06 / 3))
    assert about.cells == 3


@pytest.mark.parametrize("reference", ["least-squares plane", "minimum-zone plane"])
@pytest.mark.parametrize("case", ["nothing", "empty", "one cell", "one row", "diagonal"])
def test_no_plane_no_figure(reference: str, case: str) -> None:
    z = np.full((5, 6), np.nan)
    if case == "one cell":
        z[2, 3] = 1.0
    elif case == "one row":
        z[2] = np.arange(6.0)
    elif case == "diagonal":
        z[np.arange(5), np.arange(5)] = [0.0, 1.0, 0.5, 0.2, 0.7]
    elif case == "empty":
        z = z[:0]
    about = flatness(z, step_mm=2.0, reference=reference)
    assert math.isnan(about.FLTt_mm)
    assert about.reason
    assert np.isnan(fit_plane(z, step_mm=2.0).normal).all()


def test_unknown_reference() -> None:
    with pytest.raises(ValueError, match="reference must be one of"):
        flatness(np.zeros((3, 3)), step_mm=1.0, reference="a sphere")
