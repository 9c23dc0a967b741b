"""Reach of a stiff sanding block on surfaces where it can be told by hand."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.surface.block import block_reach

STEP = 2.0
A = 0.4


def _grid(columns: int, rows: int) -> tuple[np.ndarray, np.ndarray]:
    """x and y in mm, 0 in the middle cell."""
    y, x = np.mgrid[:rows, :columns] * STEP
    return x - x[0, columns // 2], y - y[rows // 2, 0]


@pytest.mark.parametrize("directions", [(0.0,), (90.0,), (30.0, 120.0)])
def test_block_rides_on_all_of_a_ramp(directions: tuple[float, ...]) -> None:
    x, y = _grid(180, 150)
    z = 0.01 * x + 0.004 * y
    # level across its width: the strip's high side carries it, half a width up the ramp's other slope
    reach = block_reach(z, step_mm=STEP, length_mm=200.0, width_mm=1.0, directions_deg=directions)
    seen = np.isfinite(reach.clearance_mm)
    assert seen.mean() > 0.95
    assert np.nanmax(reach.clearance_mm) == pytest.approx(0.0, abs=1e-9)
    assert reach.ridden[seen].all()


def test_block_bridges_short_waves_on_their_crests() -> None:
    x, _ = _grid(320, 60)
    z = A * np.cos(2 * np.pi * x / 80.0)
    reach = block_reach(z, step_mm=STEP, length_mm=280.0, width_mm=40.0, directions_deg=(0.0,))
    inner = np.s_[:, 60:-60]
    # the face lies on the crests
    np.testing.assert_allclose(reach.clearance_mm[inner], (A - z)[inner], atol=1e-9)
    np.testing.assert_array_equal(reach.ridden[inner], (A - z <= reach.ride_mm)[inner])
    np.testing.assert_array_equal(reach.bridged, ~reach.ridden)


def test_block_length_decides_what_it_reaches() -> None:
    x, y = _grid(320, 220)
    low = -0.5 * np.exp(-(x**2 + y**2) / (2 * 60.0**2))
    middle = np.s_[105:116, 155:166]
    long = block_reach(low, step_mm=STEP, length_mm=400.0, width_mm=60.0).clearance_mm[middle].max()
    short = block_reach(low, step_mm=STEP, length_mm=60.0, width_mm=20.0).clearance_mm[middle].max()
    assert short < 0.02
    assert long > 0.2


def test_block_in_a_wide_dish_rides_on_its_ends() -> None:
    x, _ = _grid(320, 20)
    z = x**2 / (2 * 5000.0)
    reach = block_reach(z, step_mm=STEP, length_mm=160.0, width_mm=10.0, directions_deg=(0.0,))
    # every place can be under an end; chords over a pitch of two cells err by pitch^2 / 8R
    assert np.nanmax(reach.clearance_mm[:, 45:-45]) <= (2 * STEP) ** 2 / (8 * 5000.0) + 1e-9


def test_a_wide_block_is_carried_by_a_ridge_beside_its_middle() -> None:
    x, y = _grid(160, 60)
    z = np.where(np.abs(y - 20) < 1, 0.3, 0.0) + 0 * x
    narrow = block_reach(z, step_mm=STEP, length_mm=100.0, width_mm=2.0, directions_deg=(0.0,))
    wide = block_reach(z, step_mm=STEP, length_mm=100.0, width_mm=60.0, directions_deg=(0.0,))
    beside = np.s_[31, 60:100]  # 2 mm from the middle, 18 mm from the ridge
    np.testing.assert_allclose(narrow.clearance_mm[beside], 0.0, atol=1e-12)
    # a strip 60 mm wide can be laid beside the ridge and still cover the place
    np.testing.assert_allclose(wide.clearance_mm[beside], 0.0, atol=1e-12)
    near = np.s_[40, 60:100]  # on the ridge itself
    np.testing.assert_allclose(wide.clearance_mm[near], 0.0, atol=1e-12)


def test_a_wide_block_bridges_between_two_ridges_along_it() -> None:
    x, y = _grid(160, 60)
    z = np.where(np.abs(np.abs(y) - 14) < 1, 0.3, 0.0) + 0 * x
    between = np.s_[25:34, 60:100]  # within 8 mm of the middle
    wide = block_reach(z, step_mm=STEP, length_mm=100.0, width_mm=40.0, directions_deg=(0.0,))
    # 40 mm cannot lie between ridges 28 mm apart
    np.testing.assert_allclose(wide.clearance_mm[between], 0.3, atol=1e-12)
    narrow = block_reach(z, step_mm=STEP, length_mm=100.0, width_mm=10.0, directions_deg=(0.0,))
    np.testing.assert_allclose(narrow.clearance_mm[between], 0.0, atol=1e-12)


@pytest.mark.parametrize("case", ["nothing", "one cell", "one row", "one column", "empty"])
def test_next_to_nothing(case: str) -> None:
    z = np.full({"one row": (1, 40), "one column": (40, 1), "empty": (0, 5)}.get(case, (30, 40)), np.nan)
    if case == "one cell":
        z[10, 10] = 1.0
    reach = block_reach(z, step_mm=STEP, length_mm=20.0, width_mm=8.0)
    assert not reach.ridden.any()
    assert not reach.bridged.any()
    if case in ("one row", "one column"):
        z[:] = 0.5
        reach = block_reach(z, step_mm=STEP, length_mm=20.0, width_mm=8.0, directions_deg=(0.0, 90.0))
        assert reach.ridden.sum() > 30


def test_block_shorter_than_two_cells() -> None:
    with pytest.raises(ValueError, match="at least two cells"):
        block_reach(np.zeros((4, 4)), step_mm=2.0, length_mm=3.0)
