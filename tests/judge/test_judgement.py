"""A map judged on its own: clear answers for maps with little or nothing on them, and the gauges' sense."""

from __future__ import annotations

import json

import numpy as np
import pytest

from surfscan.core.records import Grid, HeightMap
from surfscan.core.units import MM
from surfscan.judge.gauges import Instruments
from surfscan.judge.judgement import judge_map
from surfscan.judge.limits import default_limits, with_given
from surfscan.judge.reasons import sentences_of
from surfscan.judge.verdict import weigh


def judged(height: np.ndarray, sigma: float = 0.001, *, coverage: float = 1.0, **limits: object):  # type: ignore[no-untyped-def]
    h, w = height.shape
    grid = Grid(2.0 * (np.arange(w) - (w - 1) / 2), 2.0 * (np.arange(h) - (h - 1) / 2), 2.0)
    seen = np.isfinite(height)
    carrier = HeightMap(
        grid,
        height.copy(),
        np.where(seen, 0.0, np.nan),
        np.where(seen, sigma, np.nan),
        np.zeros((h, w), np.int32),
        "plane",
    )
    return judge_map(
        carrier,
        limits=with_given(default_limits("primer"), limits),
        stage="primer",
        coverage=coverage,
        period_mm=10.0,
        u_slope_mrad=0.05,
        instruments=Instruments(),
    )


def one_cell() -> np.ndarray:
    height = np.full((40, 60), np.nan)
    height[20, 30] = 0.0
    return height


@pytest.mark.parametrize(
    "height",
    [
        np.full((40, 60), np.nan),
        one_cell(),
        np.where(np.arange(40)[:, None] == 20, 0.0, np.full((40, 60), np.nan)),
    ],
    ids=["nothing", "one cell", "one row"],
)
def test_little_or_nothing_measured_is_answered_without_a_warning(height: np.ndarray) -> None:
    found = judged(height, coverage=float(np.isfinite(height).mean()))
    assert found.spots == ()
    assert weigh(found.evidence).verdict in ("not_measured", "ready")
    assert sentences_of(weigh(found.evidence).reasons, MM)
    json.dumps(found.details, default=float)  # every detail is a plain value


def test_nothing_measured_is_not_measured() -> None:
    assert weigh(judged(np.full((40, 60), np.nan), coverage=0.0).evidence).verdict == "not_measured"


def test_a_limit_finer_than_the_map_can_prove_is_close() -> None:
    found = judged(np.zeros((60, 80)), sigma=0.05)
    assert weigh(found.evidence).verdict == "close"
    assert any(
        "smaller than this photo can prove" in reason
        for reason in sentences_of(weigh(found.evidence).reasons, MM)
    )


def dish(peak: float, width: float = 60.0) -> np.ndarray:
    x, y = np.meshgrid(2.0 * (np.arange(160) - 79.5), 2.0 * (np.arange(120) - 59.5))
    return peak * np.clip(1 - (x**2 + y**2) / (width / 2) ** 2, 0, None) ** 2


@pytest.mark.parametrize(
    ("peak", "verdict"), [(-0.1, "rework"), (-0.0405, "close"), (-0.02, "ready"), (0.1, "rework")]
)
def test_verdict_follows_the_guard_band(peak: float, verdict: str) -> None:
    """Limit 0.04 mm, u = 0.001 mm: over from 0.0417, within up to 0.0384 (1.645 u; JCGM 106, ISO 14253-1)."""
    found = judged(dish(peak), low_mm=0.04, high_mm=0.04)
    assert weigh(found.evidence).verdict == verdict
    assert len(found.spots) == (verdict != "ready")
    assert "Rule:" in found.details["rule"]


def test_filler_and_straightedge_of_a_known_low() -> None:
    found = judged(dish(-0.5), low_mm=0.04)
    low = found.details["fill"]["lows"][0]
    assert low["depth_mm"] == pytest.approx(0.5, rel=0.01)
    assert low["against_limit"] == "under"
    # volume of a compact low: pi R^2 A / 3
    assert found.details["fill"]["highs_down_first"]["volume_ml"] == pytest.approx(
        np.pi * 30**2 * 0.5 / 3 / 1000, rel=0.03
    )
    worst = found.details["straightedge"]["worst"]
    assert worst["gap_mm"] == pytest.approx(0.5, rel=0.01)  # a long ruler on flat rims bridges the whole low
    assert np.hypot(worst["x_mm"], worst["y_mm"]) < 3
    assert (
        judged(dish(-0.5), low_mm=0.04, filler_depth_mm=0.4).details["fill"]["lows"][0]["against_limit"]
        == "over"
    )


def test_a_low_over_the_filler_limit_says_metal_first() -> None:
    spot = judged(dish(-0.5), low_mm=0.04, filler_depth_mm=0.4).spots[0]
    assert "bring it up first" in spot.action
    assert "the limit for filler, with all that is there already, is 0.4 mm" in spot.action


def test_measures_carry_their_reference() -> None:
    found = judged(dish(-0.1))
    assert found.measures["FLTt_mm"] == pytest.approx(0.1, rel=0.01)
    assert found.measures["FLTt_MZ_mm"] <= found.measures["FLTt_LS_mm"] + 1e-12
    assert all(
        "plane" in text or "form" in text or "low-pass" in text
        for text in found.details["reference_surfaces"].values()
    )


def masked(rows: slice, columns: slice) -> np.ndarray:
    height = np.full((40, 60), np.nan)
    height[rows, columns] = -0.2
    return height


@pytest.mark.parametrize(
    "height",
    [
        masked(slice(20, 21), slice(30, 31)),
        masked(slice(20, 21), slice(None)),
        masked(slice(None), slice(30, 31)),
    ],
    ids=["one cell", "one row", "one column"],
)
def test_a_low_that_is_all_that_was_measured_is_answered(height: np.ndarray) -> None:
    """Nothing beside it to bound it: whatever is reported carries the edge flag, and the verdict is never `ready`."""
    found = judged(height, coverage=float(np.isfinite(height).mean()), low_mm=0.04)
    assert weigh(found.evidence).verdict != "ready"
    assert sentences_of(weigh(found.evidence).reasons, MM)
    for spot in found.spots:
        assert "edge" in spot.flags
        assert spot.peak_mm == pytest.approx(-0.2)
    json.dumps(found.details, default=float)


@pytest.mark.parametrize("shape", [(1, 1), (1, 50), (50, 1), (2, 2)])
def test_maps_of_hardly_any_size(shape: tuple[int, int]) -> None:
    for value in (0.0, np.nan):
        found = judged(np.full(shape, value), coverage=float(np.isfinite(value)))
        assert found.spots == ()
        assert sentences_of(weigh(found.evidence).reasons, MM)


def test_a_place_between_too_close_to_call_has_both_limits_told() -> None:
    found = judged(dish(-0.0405), low_mm=0.04, high_mm=0.04)
    (spot,) = found.spots
    assert spot.verdict == "close"
    # P(|depth| within the limit) with the peak 0.5 u over it: Phi(-0.5) = 0.31 (JCGM 106, 7.3); told in words or number
    assert any("close" in reason.lower() for reason in sentences_of(weigh(found.evidence).reasons, MM))


def test_spots_are_numbered_by_size_and_carry_their_columns() -> None:
    x, y = np.meshgrid(2.0 * (np.arange(160) - 79.5), 2.0 * (np.arange(120) - 59.5))

    def at(cx: float, cy: float, peak: float) -> np.ndarray:
        return peak * np.clip(1 - ((x - cx) ** 2 + (y - cy) ** 2) / 30**2, 0, None) ** 2

    found = judged(at(-90, 50, -0.1) + at(80, -40, 0.3) + at(90, 60, -0.2), low_mm=0.04, high_mm=0.04)
    assert [spot.id for spot in found.spots] == [1, 2, 3]
    assert [spot.kind for spot in found.spots] == ["high", "low", "low"]
    assert [np.sign(spot.peak_mm) for spot in found.spots] == [1, -1, -1]
    first = found.spots[0]
    assert (first.x_mm, first.y_mm) == (pytest.approx(80, abs=0.5), pytest.approx(-40, abs=0.5))
    # Compact dish: steepest slope 16 A / (3 sqrt(3) D) at rho = 1/sqrt(3); half height at rho^2 = 1 - 1/sqrt(2).
    assert first.peak_slope_mrad == pytest.approx(1e3 * 16 * 0.3 / (3 * np.sqrt(3) * 60), rel=0.02)
    assert first.length_mm == pytest.approx(60 * np.sqrt(1 - np.sqrt(0.5)), abs=2.0)
    assert first.u95_mm == pytest.approx(1.96 * 0.001)
    # Steepest slope of the whole map is the first spot's.
    assert np.nanmax(found.maps["slope_mrad"]) == pytest.approx(first.peak_slope_mrad, rel=0.01)


def test_the_map_is_not_changed() -> None:
    height = dish(-0.1)
    before = height.copy()
    judged(height)
    assert np.array_equal(height, before)
