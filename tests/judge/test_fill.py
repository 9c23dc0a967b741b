"""Fill depth, volume and plan: closed forms, known optima, and a general linear-programme solver."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import csr_array

from surfscan.judge import raised as raising
from surfscan.judge.fill import decide_fill, fill_depth, fill_lows, fill_totals, plan_fill
from surfscan.judge.limits import default_limits, with_given
from surfscan.judge.raised import raised_surface

STEP = 2.0
LIMITS = with_given(default_limits("filler"), {"feather_mrad": 10.0})


def _grid(rows: int = 201, columns: int = 241) -> tuple[np.ndarray, np.ndarray]:
    y, x = np.mgrid[:rows, :columns] * STEP
    return x - x[0, columns // 2], y - y[rows // 2, 0]


def _cells(radius: float) -> float:
    """Share by which a sum over cells may miss the area of a disc: its rim crosses cells."""
    return STEP / radius


def test_one_low() -> None:
    x, y = _grid()
    depth, w = 1.2, 25.0
    low = -depth * np.exp(-(x**2 + y**2) / (2 * w**2))
    totals = fill_totals(fill_depth(low), step_mm=STEP, limit_mm=6.35)
    assert totals.depth_mm == pytest.approx(depth)
    assert (totals.row, totals.column) == (100, 120)
    # volume under a Gaussian, 2 pi A w^2; sums over a fine grid are exact to the tails: exp(-(200/25)^2/2)
    assert totals.volume_ml == pytest.approx(2 * math.pi * depth * w**2 / 1000, rel=1e-9)
    counted = fill_totals(fill_depth(low), step_mm=STEP, limit_mm=1.0, ignore_mm=0.1)
    radius = w * math.sqrt(2 * math.log(depth / 0.1))
    assert counted.area_cm2 == pytest.approx(math.pi * radius**2 / 100, rel=_cells(radius))
    over = w * math.sqrt(2 * math.log(depth / 1.0))
    assert counted.over_area_cm2 == pytest.approx(math.pi * over**2 / 100, rel=2 * _cells(over))
    plan = plan_fill(low, step_mm=STEP, limits=LIMITS, stage="filler")
    assert plan.better == "neither"
    assert (plan.raised_mm == 0).all()
    np.testing.assert_array_equal(plan.bury_depth_mm, plan.down_depth_mm)


def test_one_point_high_is_buried_under_a_cone() -> None:
    z = np.zeros((201, 241))
    z[100, 120] = 1.1
    raised, error = raised_surface(z, step_mm=STEP, allowed_mm=0.1, feather_mrad=10.0)
    assert error == 0.0
    x, y = _grid()
    np.testing.assert_allclose(raised, np.maximum(1.0 - 0.01 * np.hypot(x, y), 0.0), atol=1e-12)
    volume = fill_totals(fill_depth(z, raised), step_mm=STEP, limit_mm=6.35).volume_ml
    # cone 100 mm in radius, 1 mm high, less the cell of the high itself
    want = (math.pi * 100.0**2 / 3 - STEP**2) / 1000
    assert volume == pytest.approx(want, rel=(STEP / 100) ** 2 * 2)


def test_one_flat_topped_high_is_buried_under_a_cone_frustum() -> None:
    x, y = _grid()
    radius, top, slope = 40.0, 0.9, 0.010
    z = np.where(np.hypot(x, y) <= radius, top + 0.1, 0.0)
    plan = plan_fill(z, step_mm=STEP, limits=LIMITS, stage="filler")
    foot = radius + top / slope
    frustum = math.pi * top / 3 * (foot**2 + foot * radius + radius**2)
    want = (frustum - math.pi * radius**2 * top) / 1000
    assert plan.bury.volume_ml == pytest.approx(want, rel=_cells(radius))
    # deepest at the high's side, one cell out of it
    assert plan.bury.depth_mm == pytest.approx(top, abs=slope * STEP * math.sqrt(2) + 1e-9)
    assert plan.down.depth_mm == 0.0
    assert plan.down.volume_ml == 0.0
    assert not plan.reaches_edge
    # out to where the raise ends: what is spread under the low limit counts too
    assert plan.bury.area_cm2 == pytest.approx(math.pi * (foot**2 - radius**2) / 100, rel=2 * _cells(radius))


def test_a_high_beside_a_low() -> None:
    x, y = _grid()
    distance, deep, tall = 60.0, 2.0, 1.1
    z = -deep * np.exp(-((x + distance) ** 2 + y**2) / (2 * 12.0**2))
    z[100, 120] = tall
    plan = plan_fill(z, step_mm=STEP, limits=LIMITS, stage="filler")
    # at the low's middle the raise is what the cone leaves 60 mm out
    assert plan.bury_depth_mm[100, 90] == pytest.approx(deep + (tall - 0.1) - 0.010 * distance, abs=1e-9)
    assert plan.down_depth_mm[100, 90] == pytest.approx(deep)
    assert plan.bury.volume_ml > plan.down.volume_ml
    tight = with_given(LIMITS, {"filler_depth_mm": 2.2})
    broken = plan_fill(z, step_mm=STEP, limits=tight, stage="filler")
    assert broken.better == "down"
    assert "deeper than the limit of 2.2 mm" in broken.sentence
    assert broken.over_mm[100, 90]
    assert not broken.over_mm[100, 120]
    tighter = with_given(LIMITS, {"filler_depth_mm": 1.5})
    assert plan_fill(z, step_mm=STEP, limits=tighter, stage="filler").better == "metal"


def _programme(obstacle: np.ndarray, step: float, slope: float) -> np.ndarray:
    """Least sum of r with r >= obstacle and |r_i - r_j| <= slope * distance for all pairs, by HiGHS."""
    row, column = (part.ravel() for part in np.indices(obstacle.shape))
    i, j = np.nonzero(~np.eye(row.size, dtype=bool))
    distance = step * np.hypot(row[i] - row[j], column[i] - column[j])
    k = np.arange(i.size)
    pairs = csr_array(
        (
            np.concatenate([np.ones(i.size), -np.ones(i.size)]),
            (np.concatenate([k, k]), np.concatenate([i, j])),
        )
    )
    solved = linprog(
        np.ones(row.size),
        A_ub=pairs,
        b_ub=slope * distance,
        bounds=[(float(v), None) for v in obstacle.ravel()],
        method="highs",
    )
    return solved.x.reshape(obstacle.shape)


@pytest.mark.parametrize("seed", range(4))
def test_against_a_general_solver(seed: int) -> None:
    rng = np.random.default_rng(seed)
    z = rng.normal(0.0, 0.3, (11, 13))
    z[rng.integers(0, 11, 3), rng.integers(0, 13, 3)] += 1.5
    z[2:4, 3:5] = np.nan
    raised, _ = raised_surface(z, step_mm=STEP, allowed_mm=0.2, feather_mrad=60.0)
    obstacle = np.where(np.isfinite(z), np.maximum(z - 0.2, 0.0), 0.0)
    # the solver's own tolerance is 1e-7
    np.testing.assert_allclose(raised, _programme(obstacle, STEP, 0.060), atol=1e-6)


def _by_all_pairs(obstacle: np.ndarray, slope: float) -> np.ndarray:
    row, column = (part.ravel() for part in np.indices(obstacle.shape))
    distance = np.hypot(row[:, None] - row, column[:, None] - column)
    return (obstacle.ravel() - slope * distance).max(axis=1).reshape(obstacle.shape)


def _smooth_highs() -> np.ndarray:
    y, x = np.mgrid[:40, :50] * STEP
    return 0.8 * np.exp(-((x - 40) ** 2 + (y - 30) ** 2) / 400) + 0.5 * np.exp(
        -((x - 70) ** 2 + (y - 60) ** 2) / 900
    )


def test_leaving_out_covered_cells_loses_nothing() -> None:
    z = _smooth_highs() + np.random.default_rng(9).normal(0, 0.05, (40, 50))
    raised, error = raised_surface(z, step_mm=STEP, allowed_mm=0.1, feather_mrad=12.0)
    assert error == 0.0
    np.testing.assert_allclose(raised, _by_all_pairs(np.maximum(z - 0.1, 0.0), 0.012 * STEP), atol=1e-12)


def test_by_levels_keeps_its_stated_error(monkeypatch: pytest.MonkeyPatch) -> None:
    z = _smooth_highs()
    monkeypatch.setattr(raising, "_EXACT_WORK", 0.0)
    raised, error = raised_surface(z, step_mm=STEP, allowed_mm=0.1, feather_mrad=4.0)
    short = _by_all_pairs(np.maximum(z - 0.1, 0.0), 0.004 * STEP) - raised
    assert 0 < error < 0.01
    # single-precision distances of up to 64 cells: 4e-6 cells of 0.008 mm
    assert short.max() <= error + 1e-6
    assert short.min() >= -1e-6


def test_burying_that_costs_little_is_still_no_good_where_a_high_would_stay() -> None:
    x, y = _grid()
    z = 0.25 * np.exp(-(x**2 + y**2) / (2 * 10.0**2)) - 1.0 * np.exp(-((x + 140) ** 2 + y**2) / (2 * 20.0**2))
    gentle = with_given(LIMITS, {"feather_mrad": 4.0})
    plan = plan_fill(z, step_mm=STEP, limits=gentle, stage="filler")
    assert (plan.better, plan.message.code) == ("down", "down-left")
    assert "would still stand proud, where 0.04 mm is allowed in primer" in plan.sentence
    assert plan.sentence.startswith("Block the highs down first")


def test_burying_is_offered_where_the_surface_left_passes() -> None:
    x, y = _grid()
    z = 0.12 * (1 - (x / 400) ** 2 - (y / 400) ** 2)  # a crown is form: judged again, nothing stands up
    plan = plan_fill(z, step_mm=STEP, limits=LIMITS, stage="filler")
    assert plan.better == "bury"
    assert "stays under the limit" in plan.sentence


@pytest.mark.parametrize("stage", ["putty", "primer", "sealer", "base", "clear"])
def test_no_high_is_buried_once_nothing_thick_goes_on(stage: str) -> None:
    x, y = _grid()
    z = 0.25 * np.exp(-(x**2 + y**2) / (2 * 10.0**2))
    plan = plan_fill(z, step_mm=STEP, limits=LIMITS, stage=stage)
    assert (plan.better, plan.message.code) == ("neither", "not-offered")


@pytest.mark.parametrize(("where", "words"), [("edge", "past the edge"), ("volume", "ml more filler")])
def test_reasons_to_bring_highs_down(where: str, words: str) -> None:
    z = np.zeros((201, 241))
    if where == "edge":
        z[100, 2] = 0.4
    else:
        z[60:140, 80:160:8] = 0.8
    plan = plan_fill(z, step_mm=STEP, limits=LIMITS, stage="filler")
    assert plan.better == "down"
    assert words in plan.sentence
    assert plan.reaches_edge == (where == "edge")


def test_burying_that_thickens_past_putty_is_not_worth_it() -> None:
    z = np.zeros((81, 81))
    z[40, 40] = 1.5
    steep = with_given(LIMITS, {"feather_mrad": 40.0})  # a small cone, so that volume does not decide
    plan = plan_fill(z, step_mm=STEP, limits=steep, stage="filler")
    assert plan.bury.volume_ml < 10
    assert plan.better == "down"
    assert "1.32 mm deeper, more than the 0.8 mm" in plan.sentence  # 1.5 - 0.1 less one cell of 0.08


def test_too_close_to_the_depth_limit() -> None:
    z = np.zeros((61, 61))
    z[30, 30] = 1.1
    z[30, 33] = -1.0  # 6 mm off: buried depth 1.0 + 1.0 - 0.06
    limits = with_given(LIMITS, {"filler_depth_mm": 2.0})
    sigma = np.full(z.shape, 0.1)
    plan = plan_fill(z, step_mm=STEP, limits=limits, stage="filler", sigma_mm=sigma)
    assert plan.bury.decision.verdict == "close"
    assert plan.better == "down"
    assert "too close" in plan.sentence


def test_unknown_uncertainty_is_too_close_to_call() -> None:
    depth = np.array([[0.0, 1.0]])
    totals = fill_totals(depth, step_mm=STEP, limit_mm=6.35, sigma_mm=np.array([[0.1, np.nan]]))
    assert totals.decision.verdict == "close"


def test_depth_against_the_limit_is_the_guarded_rule() -> None:
    # 6.0 + 1.645 * 0.2 = 6.329 <= 6.35; 6.1 is undecided [computed]
    assert decide_fill(6.0, 0.2, limit_mm=6.35).verdict == "ready"
    assert decide_fill(6.1, 0.2, limit_mm=6.35).verdict == "close"
    assert decide_fill(6.7, 0.2, limit_mm=6.35).verdict == "rework"


def test_each_low() -> None:
    depth = np.zeros((10, 12))
    labels = np.zeros((10, 12), dtype=np.int32)
    depth[1:3, 1:3], labels[1:3, 1:3] = 7.0, 1
    depth[5:7, 5:8], labels[5:7, 5:8] = 2.0, 2
    depth[8, 8], labels[8, 8:10] = 6.3, 3
    depth[0, 11], labels[0, 11] = np.nan, 4
    first, second, third, fourth = fill_lows(
        depth, labels, step_mm=5.0, u95_mm=[0.2, 0.2, 0.2, 0.2], limit_mm=6.35
    )
    assert [low.against_limit for low in (first, second, third, fourth)] == [
        "over",
        "under",
        "close",
        "not_measured",
    ]
    assert first.volume_ml == pytest.approx(4 * 25 * 7.0 / 1000)
    assert second.area_cm2 == pytest.approx(6 * 25 / 100)
    assert third.area_cm2 == pytest.approx(0.25)  # a cell that needs nothing is not filled
    assert math.isnan(fourth.depth_mm)
    assert fill_lows(depth, np.zeros_like(labels), step_mm=5.0, u95_mm=[], limit_mm=6.35) == ()
    with pytest.raises(ValueError, match="one entry per label"):
        fill_lows(depth, labels, step_mm=5.0, u95_mm=[0.1], limit_mm=6.35)


@pytest.mark.parametrize("case", ["nothing", "one cell", "one row", "empty"])
def test_next_to_nothing(case: str) -> None:
    z = np.full({"one row": (1, 9), "empty": (0, 0)}.get(case, (6, 7)), np.nan)
    if case == "one cell":
        z[3, 3] = -0.5
    if case == "one row":
        z[0] = [0, 0, 0.5, 0, 0, 0, -0.3, 0, 0]
    plan = plan_fill(z, step_mm=STEP, limits=LIMITS, stage="bare-metal")
    if case in ("nothing", "empty"):
        assert plan.better == "not_measured"
        assert math.isnan(plan.down.volume_ml)
    elif case == "one cell":
        assert plan.better == "neither"
        assert plan.down.volume_ml == pytest.approx(0.5 * STEP**2 / 1000)
    else:
        assert plan.bury_depth_mm[0, 6] == pytest.approx(0.3 + 0.4 - 0.010 * 4 * STEP)


def test_raise_over_a_hole_is_told() -> None:
    z = np.zeros((41, 41))
    z[20, 20] = 0.3
    z[18:23, 22:25] = np.nan
    plan = plan_fill(z, step_mm=STEP, limits=LIMITS, stage="filler")
    assert plan.raised_unseen_cm2 == pytest.approx(15 * STEP**2 / 100)
    assert np.isnan(plan.bury_depth_mm[20, 23])
    assert plan.raised_mm[20, 23] == pytest.approx(0.2 - 0.010 * 3 * STEP)


def test_refusals() -> None:
    with pytest.raises(ValueError, match="feather_mrad must be above 0"):
        raised_surface(np.zeros((3, 3)), step_mm=1.0, allowed_mm=0.1, feather_mrad=0.0)
