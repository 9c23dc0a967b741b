"""A ruler on profiles whose rest is known."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.records import Grid, HeightMap
from surfscan.surface.profile import profile_under_ruler

STEP = 2.0


def made(height: np.ndarray) -> HeightMap:
    rows, columns = height.shape
    x, y = ((np.arange(n) - (n - 1) / 2) * STEP for n in (columns, rows))
    return HeightMap(
        Grid(x, y, STEP),
        height,
        np.zeros_like(height),
        np.full(height.shape, 0.001),
        np.zeros(height.shape, np.int32),
    )


def places() -> tuple[np.ndarray, np.ndarray]:
    return (np.arange(201) - 100) * STEP, (np.arange(151) - 75)[:, None] * STEP


def test_a_low_on_a_plane_has_its_depth_as_gap() -> None:
    x, y = places()
    # (1 - r^2)^2 of 80 mm and 0.3 mm, on a plane that leans; a ruler of 200 mm rests outside it
    low = -0.3 * np.clip(1 - (x**2 + y**2) / 40**2, 0, None) ** 2
    found = profile_under_ruler(made(low + 0.001 * x), middle_mm=(0, 0), direction_deg=0, ruler_mm=200)
    assert found.gap_mm == pytest.approx(0.3, abs=1e-12)
    assert found.greatest_mm == pytest.approx(
        0.3, abs=1e-3
    )  # the deepest under a leaning ruler is a hair beside
    assert found.ruler_height_mm == pytest.approx([-0.1, 0.1], abs=1e-12)  # it lies on the leaning plane
    assert found.u95_mm == pytest.approx(
        1.96 * 0.002
    )  # both rests' mean and the place err against each other
    assert (
        found.height_mm <= np.interp(found.along_mm, found.ruler_along_mm, found.ruler_height_mm) + 1e-9
    ).all()


@pytest.mark.parametrize("direction", [0.0, 30.0, 90.0, 137.0])
def test_the_profile_is_the_surface_along_the_line(direction: float) -> None:
    x, y = places()
    found = profile_under_ruler(
        made(0.002 * x - 0.003 * y), middle_mm=(10, -6), direction_deg=direction, reach_mm=60, ruler_mm=100
    )
    angle = np.deg2rad(direction)
    assert found.x_mm == pytest.approx(10 + found.along_mm * np.cos(angle))
    assert found.y_mm == pytest.approx(-6 + found.along_mm * np.sin(angle))
    # bilinear reading is exact on a plane
    assert found.height_mm == pytest.approx(0.002 * found.x_mm - 0.003 * found.y_mm, abs=1e-12)
    assert found.along_mm[[0, -1]] == pytest.approx([-60, 60])
    assert found.gap_mm == pytest.approx(0, abs=1e-12)


def test_a_high_lifts_the_ruler() -> None:
    x, y = places()
    high = 0.2 * np.clip(1 - (x**2 + y**2) / 30**2, 0, None) ** 2
    found = profile_under_ruler(made(high), middle_mm=(0, 0), direction_deg=0, ruler_mm=200)
    assert found.gap_mm == pytest.approx(0, abs=1e-12)
    assert found.greatest_mm == pytest.approx(0.2, abs=1e-9)  # it lies on the top, level by symmetry


def test_without_a_rest_there_is_a_reason_and_no_number() -> None:
    height = np.full((61, 61), np.nan)
    height[25:36, 25:36] = 0.0
    found = profile_under_ruler(made(height), middle_mm=(0, 0), direction_deg=0, ruler_mm=100)
    assert "too little was measured" in found.reason
    assert np.isnan([found.gap_mm, found.greatest_mm, *found.ruler_height_mm]).all()
    assert np.isnan(found.height_mm).any()
