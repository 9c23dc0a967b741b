"""Gap under a ruler and reach of a block: closed forms, and a search over every pair of rests."""

from __future__ import annotations

import math

import numpy as np
import pytest

from surfscan.surface.straightedge import DIRECTIONS_DEG, _gaps, gap_along, gap_at, worst_gap

STEP = 2.0
A, LAM = 0.4, 120.0
ROUNDING = 1e-12


def _grid(columns: int = 261, rows: int = 201) -> tuple[np.ndarray, np.ndarray]:
    """x and y in mm, 0 in the middle cell."""
    y, x = np.mgrid[:rows, :columns] * STEP
    return x - x[0, columns // 2], y - y[rows // 2, 0]


def _middle(z: np.ndarray, **options: object) -> float:
    rows, columns = z.shape
    return gap_at(z, step_mm=STEP, x_mm=columns // 2 * STEP, y_mm=rows // 2 * STEP, **options).gap_mm


@pytest.mark.parametrize("length", [40.0, 80.0, 120.0, 300.0])
def test_sine(length: float) -> None:
    x, _ = _grid()
    z = -A * np.cos(2 * np.pi * x / LAM)
    # in a trough the ruler's ends rest on the flanks, or, once a wave long, on two crests
    want = A * (1 - math.cos(math.pi * length / LAM)) if length < LAM else 2 * A
    assert _middle(z, length_mm=length) == pytest.approx(want, abs=ROUNDING)
    assert _middle(-z, length_mm=length) == pytest.approx(0.0, abs=ROUNDING)  # on a crest it rocks
    assert _middle(z, length_mm=length, direction_deg=90.0) == pytest.approx(0.0, abs=ROUNDING)


@pytest.mark.parametrize("direction", [*DIRECTIONS_DEG, 180.0, 17.0, -33.0])
def test_dish(direction: float) -> None:
    x, y = _grid()
    radius = 3000.0
    z = (x**2 + y**2) / (2 * radius)
    length = 300.0
    # the ruler's ends lie between grid points: linear reading over a pitch of up to sqrt(5) cells, or
    # bilinear over a cell, errs by up to pitch^2 / 8R along each of two directions
    pitch = STEP * math.sqrt(5)
    gap = gap_at(z, step_mm=STEP, x_mm=260.0, y_mm=200.0, direction_deg=direction, length_mm=length)
    assert gap.gap_mm == pytest.approx(length**2 / (8 * radius), abs=pitch**2 / (8 * radius))
    assert gap.greatest_mm == pytest.approx(gap.gap_mm, abs=pitch**2 / (8 * radius))
    assert gap.contacts_mm == pytest.approx((-150.0, 150.0))


def gap_map(
    height: np.ndarray,
    *,
    step_mm: float,
    direction_deg: float = 0.0,
    length_mm: float = 300.0,
    every: int = 1,
) -> np.ndarray:
    """The gap at every place (or every so many), by the search that `worst_gap` makes."""
    rows, columns = np.arange(0, height.shape[0], every), np.arange(0, height.shape[1], every)
    row, column = (part.ravel() for part in np.meshgrid(rows, columns, indexing="ij"))
    return _gaps(height, row, column, direction_deg, length_mm, step_mm).reshape(rows.size, columns.size)


def test_dish_is_the_same_everywhere_inside() -> None:
    x, y = _grid()
    z = (x**2 + y**2) / 6000.0
    gaps = gap_map(z, step_mm=STEP, direction_deg=90.0)
    np.testing.assert_allclose(gaps[75:-75, :], 300.0**2 / 24000.0, atol=1e-9)
    # at the very edge nothing lies on one side
    assert np.isnan(gaps[0]).all()


@pytest.mark.parametrize("direction", [0.0, 45.0, 90.0, 26.0, 153.0])
def test_ramp_has_no_gap(direction: float) -> None:
    x, y = _grid()
    z = 0.02 * x - 0.05 * y + 3.0
    assert _middle(z, direction_deg=direction) == pytest.approx(0.0, abs=1e-9)


def test_a_bend_hollow_and_crowned() -> None:
    x, _ = _grid()
    assert _middle(0.01 * np.abs(x)) == pytest.approx(0.01 * 150.0, abs=ROUNDING)
    assert _middle(-0.01 * np.abs(x)) == 0.0


def test_a_ramp_added_changes_no_gap() -> None:
    rng = np.random.default_rng(3)
    x, y = _grid(121, 91)
    z = rng.normal(0, 0.05, x.shape)
    tilted = z + 0.03 * x - 0.01 * y
    for direction in (0.0, 45.0, 70.0):
        plain = gap_map(z, step_mm=STEP, direction_deg=direction, length_mm=60.0, every=5)
        np.testing.assert_allclose(
            gap_map(tilted, step_mm=STEP, direction_deg=direction, length_mm=60.0, every=5), plain, atol=1e-9
        )


def _by_every_pair(profile: np.ndarray, centre: int, half: int) -> float:
    """Highest chord over the centre, over all pairs of rests."""
    best = profile[centre]
    for i in range(1, half + 1):
        for j in range(1, half + 1):
            left, right = profile[centre - i], profile[centre + j]
            if math.isfinite(left) and math.isfinite(right):
                best = max(best, (j * left + i * right) / (i + j))
    return best - profile[centre]


def test_against_every_pair_of_rests() -> None:
    rng = np.random.default_rng(4)
    row = np.cumsum(rng.normal(0, 0.05, 160)) + rng.normal(0, 0.02, 160)
    row[rng.choice(160, 12, replace=False)] = np.nan
    gaps = gap_map(row[np.newaxis, :], step_mm=STEP, length_mm=80.0)[0]
    checked = 0
    for centre in range(20, 140):
        if math.isfinite(row[centre]):
            assert gaps[centre] == pytest.approx(_by_every_pair(row, centre, 20), abs=1e-10)
            checked += 1
        else:
            assert math.isnan(gaps[centre])
    assert checked > 100


def test_along_a_line_is_the_gap_at_each_place() -> None:
    rng = np.random.default_rng(6)
    z = rng.normal(0, 0.05, (91, 121))
    line = gap_along(z, step_mm=STEP, start_mm=(30.0, 20.0), end_mm=(200.0, 150.0), length_mm=90.0)
    assert line.along_mm[-1] == pytest.approx(math.hypot(170.0, 130.0))
    for k in (0, 17, 60, line.along_mm.size - 1):
        share = line.along_mm[k] / line.along_mm[-1]
        at = gap_at(
            z,
            step_mm=STEP,
            x_mm=30 + 170 * share,
            y_mm=20 + 130 * share,
            direction_deg=math.degrees(math.atan2(130, 170)),
            length_mm=90.0,
        )
        assert line.gap_mm[k] == pytest.approx(at.gap_mm, abs=1e-9)


def test_worst_over_the_panel_finds_the_low_and_the_direction_across_it() -> None:
    x, y = _grid(320, 220)
    # a trough along y, so the ruler must lie along x; far narrower than the ruler: the gap is its depth
    trough = -0.5 * np.exp(-((x - 60) ** 2) / (2 * 15.0**2) - ((y + 40) ** 2) / (2 * 90.0**2))
    worst = worst_gap(trough, step_mm=STEP, origin_mm=(x.min(), y.min()))
    rest = 0.5 * math.exp(-(150.0**2) / (2 * 15.0**2))
    assert worst.gap_mm == pytest.approx(0.5, abs=rest + 1e-6)
    assert (worst.x_mm, worst.y_mm) == pytest.approx((60.0, -40.0), abs=STEP)
    every_place = max(
        np.nanmax(gap_map(trough, step_mm=STEP, direction_deg=direction)) for direction in DIRECTIONS_DEG
    )
    assert worst.gap_mm == pytest.approx(every_place, abs=1e-12)


def test_worst_on_a_grid_whose_origin_does_not_divide() -> None:
    rng = np.random.default_rng(12)
    z = rng.normal(0, 0.05, (60, 80))
    step, origin = 1.7, (-67.15, -50.1)
    plain = worst_gap(z, step_mm=step, length_mm=60.0)
    moved = worst_gap(z, step_mm=step, length_mm=60.0, origin_mm=origin)
    assert moved.gap_mm == pytest.approx(plain.gap_mm, abs=ROUNDING)
    assert (moved.x_mm, moved.y_mm) == pytest.approx((plain.x_mm + origin[0], plain.y_mm + origin[1]))


def test_worst_finds_a_single_pit() -> None:
    z = np.zeros((220, 320))
    z[123, 217] = -0.3
    worst = worst_gap(z, step_mm=STEP)
    assert worst.gap_mm == pytest.approx(0.3, abs=ROUNDING)
    assert (worst.x_mm, worst.y_mm) == (217 * STEP, 123 * STEP)


def test_uncertainty_is_the_bound_whatever_the_correlation() -> None:
    x, _ = _grid()
    z = -A * np.cos(2 * np.pi * x / LAM)
    gap = gap_at(z, step_mm=STEP, x_mm=260.0, y_mm=200.0, length_mm=LAM, sigma_mm=np.full(z.shape, 0.01))
    assert gap.u_mm == pytest.approx(0.02)  # half of each rest's and all of the place's own


def test_a_hole_under_the_ruler_is_bridged() -> None:
    x, _ = _grid()
    z = 0.01 * np.abs(x)
    z[:, 140:150] = np.nan
    assert _middle(z) == pytest.approx(1.5, abs=ROUNDING)
    z[:, 131:] = np.nan  # nothing on the right
    assert math.isnan(_middle(z))
    z[:, 131:] = np.inf  # nor is what is not a number
    assert math.isnan(_middle(z))
    reason = gap_at(z, step_mm=STEP, x_mm=400.0, y_mm=200.0).reason
    assert "not measured" in reason


@pytest.mark.parametrize("case", ["nothing", "one cell", "one row", "one column", "empty"])
def test_next_to_nothing(case: str) -> None:
    z = np.full({"one row": (1, 40), "one column": (40, 1), "empty": (0, 5)}.get(case, (30, 40)), np.nan)
    if case == "one cell":
        z[10, 10] = 1.0
    worst = worst_gap(z, step_mm=STEP, length_mm=20.0)
    assert math.isnan(worst.gap_mm)
    assert worst.reason
    if case in ("one row", "one column"):
        z[:] = 0.5
        assert worst_gap(z, step_mm=STEP, length_mm=20.0).gap_mm == 0.0


def test_ruler_shorter_than_two_cells() -> None:
    with pytest.raises(ValueError, match="at least two cells"):
        worst_gap(np.zeros((4, 4)), step_mm=2.0, length_mm=3.0)
